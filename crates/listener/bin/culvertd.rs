//! The `culvertd` program: the listener daemon that waits behind the gateway.

fn main() -> std::process::ExitCode {
    culvert_listener::run()
}
