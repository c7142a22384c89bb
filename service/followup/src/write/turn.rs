//! What the service itself makes of the state of a Subscription.

use super::entrance::ATTEMPTS_MAX;
use super::{Attempt, check};
use crate::Endplate;
use crate::ports::{Scope, StoreError};
use crate::refusal::Refusal;
use crate::subscription::{self, Turn};
use endplate_fhir::json;
use serde_json::json;

impl Endplate {
    /// A new version of a Subscription in another state, with its number. If somebody has written it since that was found out,
    /// it is about something else, and nothing is done.
    pub(crate) async fn turn(&self, turn: &Turn) -> Result<Option<u64>, Refusal> {
        let Turn { stored, status, error } = turn;
        let mut resource = json::stored(&stored.body);
        if let Some(members) = resource.as_object_mut() {
            members.insert("status".to_owned(), json!(status));
            members.shift_remove("error");
            members.extend(error.iter().map(|error| ("error".to_owned(), json!(error))));
        }
        check::own(&resource)?;
        for _ in 0..ATTEMPTS_MAX {
            let current = self.store.read("Subscription", &stored.id).await?;
            if current.is_none_or(|current| current.version != stored.version) {
                return Ok(None);
            }
            let mut attempt = Attempt::new(self, false);
            let (generation, listeners) = self.listeners().await?;
            let scope = Scope { key: subscription::SCOPE.to_owned(), generation };
            // Who is told of what stays the same unless it is off now: no other write has to wait for this one.
            if turn.is_off() {
                attempt.rest_on(scope);
            } else {
                attempt.change.reads.push(scope);
            }
            attempt.listeners = listeners;
            attempt.put_one(resource.clone(), stored.version + 1);
            match self.settle(attempt.change).await {
                Err(StoreError::Moved) => {}
                done => return Ok(done.map(|()| Some(stored.version + 1))?),
            }
        }
        Err(StoreError::Moved.into())
    }
}
