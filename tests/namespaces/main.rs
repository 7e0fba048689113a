//! Both programs in network namespaces that each test makes and takes down again: a forwarded port, a real
//! tunnel, exact losses, copies and disorder, paths that break, and every tunnel against the model.
//!
//! The lab itself is `scripts/lab`. Only root can build it; for anybody else these tests say that they were skipped.

#[cfg(test)]
mod bad_paths;
#[cfg(test)]
mod broken_paths;
#[cfg(test)]
mod demo;
#[cfg(test)]
mod disorder;
#[cfg(test)]
mod goodput;
#[cfg(test)]
mod lab;
#[cfg(test)]
mod loss;
#[cfg(test)]
mod preflight;
#[cfg(test)]
mod relay;
#[cfg(test)]
mod segments;
#[cfg(test)]
mod tunnels;
#[cfg(test)]
mod way;
