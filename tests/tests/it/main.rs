//! One binary for all tests that cross crates.
#![allow(missing_docs)]

mod alerts;
mod bad_input;
mod clinic;
mod derivation;
mod emitted;
mod lifecycle;
mod same_bytes;
mod served;
