//! The `culvert-pathlab` program: two hosts and an emulated path between them, on one machine.

fn main() -> std::process::ExitCode {
    culvert_pathlab::run()
}
