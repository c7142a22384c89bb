//! The outer ring as clients, receivers and people at a shell meet it.

mod command;
mod contract;
mod disk;
mod harness;
mod killed;
mod life;
mod logs;
mod probes;
mod program;
mod record;
mod refusal;
mod renewal;
#[cfg(feature = "otel")]
mod spans;
mod traced;
mod webhook;
