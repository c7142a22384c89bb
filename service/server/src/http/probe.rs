//! Probes for whoever runs the service.

use super::{App, Phase};
use crate::error::Failure;
use axum::extract::State;

/// `GET /livez`: the process answers. It asks nothing of the store.
pub(crate) async fn live() -> &'static str {
    "alive\n"
}

/// `GET /readyz`: requests can be served now.
pub(crate) async fn ready(State(app): State<App>) -> Result<&'static str, Failure> {
    if *app.phase.borrow() != Phase::Running {
        return Err(Failure::Unready("The service is stopping."));
    }
    match app.read(app.endplate.ready()).await {
        Ok(()) => Ok("ready\n"),
        Err(_) => Err(Failure::Unready("The store cannot be used now.")),
    }
}
