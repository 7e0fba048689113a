//! The `culvert-bench` program: both programs beside reference loops, and the bars that they are to reach.

fn main() -> std::process::ExitCode {
    culvert_bench::run()
}
