//! The recovery model of a repaired peripheral nerve: what to expect, what to make of what was found, when to look
//! again, and when to worry.
//!
//! Pure: no clock, no files, no database, no JSON, no randomness. Calendar days and `f64` go in and come out, and the
//! same input gives the same output, bit for bit, on every machine. A reader who knows nerves can check it: the files
//! follow the reasoning, from [`growth`] (how fast axons travel) over [`belief`] (what the findings say about this
//! patient) and [`milestone`] (when each sign is due) to [`schedule`] (when to look) and [`alert`] (when to say so).
//!
//! It supports and does not replace the judgement of the treating surgeon. Its expectations come from published
//! averages; local protocols and licensed practice govern.

pub mod alert;
pub mod anatomy;
pub mod assessment;
pub mod belief;
pub mod disturbance;
pub mod episode;
pub mod growth;
pub mod milestone;
pub mod normal;
pub mod protocol;
pub mod repair;
pub mod salvage;
pub mod schedule;
pub mod statistics;
pub mod unit;
