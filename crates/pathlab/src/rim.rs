//! The rim: two hosts made of namespaces, and threads that carry every packet between them as decided.

mod args;
mod command;
mod error;
mod forward;
mod hosts;
mod outcome;
mod program;
mod store;

pub use program::{run, run_with};
