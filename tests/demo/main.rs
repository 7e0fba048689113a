//! The demo over emulated paths: what both programs measure is held against what the paths truly did.
//!
//! `whole` runs it as a new user does, for minutes and on request; `short` meets the same paths with a plan of half a
//! minute. Both run as whoever runs the tests. Where that user may not make namespaces, `short` says that it was skipped.

#[cfg(test)]
mod short;
#[cfg(test)]
mod truth;
#[cfg(test)]
mod whole;

#[cfg(test)]
#[path = "../common/mod.rs"]
mod common;
