//! The outer ring of Endplate: HTTP, delivery, configuration and the command line.
//!
//! Only here are status codes, sockets and the system's clock. `boot` is the one place that builds concrete things; the
//! binary `endplate` is a command line around it, and tests start the same service in their own process.

pub(crate) mod access;
pub mod audit;
pub mod backup;
pub mod boot;
pub mod caller;
pub mod check;
pub mod clock;
pub mod config;
mod connection;
pub mod copy;
pub mod demo;
mod error;
mod extract;
pub mod fault;
pub mod guard;
mod http;
pub mod input;
pub mod keys;
mod media;
mod metrics;
pub mod offer;
pub mod openapi;
pub mod outbox;
pub mod plan;
mod probe;
pub mod protocol;
mod proxy;
pub mod publish;
pub mod ready;
pub mod record;
mod router;
pub mod serve;
pub mod signature;
pub mod sweep;
pub mod telemetry;
mod tls;
mod trace;
pub mod webhook;
mod worker;

/// What a write, a derivation and an answer are made of is many small values that live for some milliseconds: a finding takes a
/// tenth less time than with the system's allocator.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

pub use http::READ_ONLY;
pub use http::metadata::statement;
