//! One binary for all tests that cross crates.
#![allow(missing_docs)]

mod alerts;
mod bad_input;
mod bookings;
mod clinic;
mod conformance;
mod delivery;
mod derivation;
mod emitted;
mod fuzzed;
mod guide;
mod lifecycle;
mod practice;
mod profiled;
mod published;
mod same_bytes;
mod served;
mod tidy;
