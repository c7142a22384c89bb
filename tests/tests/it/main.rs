//! One binary for all tests that cross crates.
#![allow(missing_docs)]

mod alerts;
mod bad_input;
mod bookings;
mod clients;
mod clinic;
mod conformance;
mod delivery;
mod derivation;
mod desk;
mod emitted;
mod lifecycle;
mod local_codes;
mod memory;
mod merged;
mod mutation;
mod orders;
mod practice;
mod python;
mod same_bytes;
mod served;
mod tidy;
