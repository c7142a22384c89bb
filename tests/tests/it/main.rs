//! One binary for all tests that cross crates.
#![allow(missing_docs)]

mod clinic;
mod derivation;
