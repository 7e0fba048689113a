//! The program as users run it: what arrives, what is measured, what is left behind.

#![expect(
    clippy::disallowed_types,
    clippy::disallowed_methods,
    reason = "the hosts of these tests are ordinary programs with sockets, a clock and files"
)]
#![expect(clippy::print_stderr, clippy::indexing_slicing, reason = "these are tests")]

mod bench;
mod called;
mod capacity;
mod carried;
mod lab;
mod measured;
mod mtu;
mod path_mtu;
mod priced;
mod probed;
mod strict;
mod teardown;

/// Whether a machine that is too busy to tell anything is a failure.
fn is_strict() -> bool {
    std::env::var_os("CULVERT_STRICT").is_some()
}
