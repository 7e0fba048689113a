//! The `culvert-reference` program: the plainest loops that move the same bytes over the same sockets.

fn main() -> std::process::ExitCode {
    culvert_bench::reference::run()
}
