//! The `culvert` program: everything the practitioner touches.

fn main() -> std::process::ExitCode {
    culvert_sender::run()
}
