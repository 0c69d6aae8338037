//! What becomes of the work when something fails beneath the program: the disk is full, or lies, or is
//! slow; the process is killed; the network is; many come at once. `docs/reliability.md` promises, and
//! names the test here that holds each promise.
//!
//! The real program runs, and between it and the system stands `faults/shim.c`, which lets one chosen
//! call fail.
#![cfg(target_os = "linux")]
#![allow(clippy::print_stdout)] // Measured figures are there to be read.
#![allow(clippy::unwrap_used)] // `common/orchard.rs` does.

#[path = "faults/bench.rs"]
mod bench;
#[path = "faults/commands.rs"]
mod commands;
#[path = "faults/crowd.rs"]
mod crowd;
#[path = "common/dock.rs"]
mod dock;
#[path = "common/orchard.rs"]
mod orchard;
#[path = "faults/shim.rs"]
mod shim;
#[path = "faults/soak.rs"]
mod soak;
#[path = "faults/workbench.rs"]
mod workbench;
