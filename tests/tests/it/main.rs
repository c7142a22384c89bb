//! One binary for all tests that cross crates.
#![allow(missing_docs)]

mod alert_table;
mod alerts;
mod answers;
mod bad_input;
mod bookings;
mod cds_hooks;
mod chart;
mod clients;
mod clinic;
mod conformance;
mod delivery;
mod derivation;
mod desk;
mod emitted;
mod expressions;
mod fuzzed;
mod guide;
mod indexed;
mod lifecycle;
mod local_codes;
mod memory;
mod merged;
mod mutation;
mod options;
mod orders;
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
