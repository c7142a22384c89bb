//! One binary for all tests that cross crates.
#![allow(missing_docs)]

mod alert_table;
mod alerts;
mod answers;
mod bad_input;
mod bookings;
mod cds_hooks;
mod clients;
mod clinic;
mod conformance;
mod delivery;
mod derivation;
mod emitted;
mod lifecycle;
mod local_codes;
mod mutation;
mod practice;
mod python;
mod same_bytes;
mod served;
mod tidy;
