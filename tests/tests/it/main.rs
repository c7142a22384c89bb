//! One binary for all tests that cross crates.
#![allow(missing_docs)]

mod alerts;
mod bad_input;
mod bookings;
mod chart;
mod clients;
mod clinic;
mod conformance;
mod delivery;
mod derivation;
mod emitted;
mod expressions;
mod fuzzed;
mod guide;
mod indexed;
mod lifecycle;
mod local_codes;
mod mutation;
mod options;
mod parity;
mod practice;
mod profiled;
mod published;
mod python;
mod same_bytes;
mod served;
mod site_protocol;
mod tidy;
mod unit_report;
