//! The tunnels of a user-mode-linux kernel, for what this one lacks.

super::tunnels! {
    "boots two kernels each time: scripts/lab measure uml":
}
