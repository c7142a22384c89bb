//! How often a client may ask.

use governor::clock::{Clock, MonotonicClock};
use governor::middleware::NoOpMiddleware;
use governor::state::{InMemoryState, NotKeyed};
use governor::{Quota, RateLimiter};
use std::num::NonZeroU32;

/// A bucket of one minute's requests, filled evenly.
#[derive(Debug)]
pub(crate) struct Limit(
    RateLimiter<NotKeyed, InMemoryState, MonotonicClock, NoOpMiddleware<<MonotonicClock as Clock>::Instant>>,
);

impl Limit {
    pub(crate) fn per_minute(requests: NonZeroU32) -> Self {
        Self(RateLimiter::direct_with_clock(Quota::per_minute(requests), MonotonicClock))
    }

    /// Takes one request, or says after how many seconds there is room for it.
    pub(crate) fn take(&self) -> Result<(), u64> {
        self.0.check().map_err(|until| until.wait_time_from(MonotonicClock.now()).as_secs() + 1)
    }
}
