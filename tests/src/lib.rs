//! What tests of several crates share: a PostgreSQL server of their own.

pub mod postgres;
