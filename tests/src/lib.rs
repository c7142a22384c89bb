//! What tests of several crates share: a PostgreSQL server of their own, and stores of earlier releases.

pub mod postgres;
pub mod release;
