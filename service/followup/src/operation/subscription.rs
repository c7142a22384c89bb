//! `Subscription/$status`, `Subscription/{id}/$status` and `Subscription/{id}/$events`: Subscriptions R5 Backport 1.1.0,
//! OperationDefinitions backport-subscription-status and backport-subscription-events.

use super::{Inputs, wrong};
use crate::Endplate;
use crate::element::text;
use crate::grant::Right;
use crate::identity;
use crate::notification::{self, Purpose};
use crate::refusal::{Reason, Refusal};
use crate::subscription::{Content, Subscription};
use endplate_fhir::Json;
use endplate_fhir::bundle::{self, Found, Mode};

/// Most events of one answer.
pub const EVENTS_MAX: usize = 100;

impl Endplate {
    /// The status of one Subscription, or of all that have one of the ids and one of the statuses asked for, as a searchset.
    ///
    /// # Errors
    /// No such Subscription; or an id or a status is no plain value.
    pub async fn subscription_status(&self, id: Option<&str>, inputs: &Inputs) -> Result<Json, Refusal> {
        match id {
            Some(_) => self.permit(Right::Read, "Subscription")?,
            None => self.permit_all(Right::Search, &["Subscription"])?,
        }
        inputs.only(&["id", "status"])?;
        let base = &self.settings.base;
        let mut asked: Vec<Json> = Vec::new();
        if let Some(id) = id {
            asked.push(endplate_fhir::json::stored(&self.read("Subscription", id).await?.body));
        } else {
            let pairs = inputs.pairs()?;
            let among = |resource: &Json, name: &str| {
                let value = text(resource, &[name]).unwrap_or_default();
                let mut asked = pairs.iter().filter(|(one, _)| one == name).peekable();
                asked.peek().is_none() || asked.any(|(_, asked)| asked.split(',').any(|one| one == value))
            };
            self.each("Subscription", &mut |resource| {
                if among(&resource, "id") && among(&resource, "status") {
                    asked.push(resource);
                }
            })
            .await?;
        }
        let mut found = Vec::new();
        for subscription in asked.iter().filter_map(|resource| Subscription::read(resource, base).ok()) {
            let raised = self.store.traffic(&subscription.id).await?.raised;
            let (purpose, content) = (Purpose::QueryStatus, Content::IdOnly);
            let mut resource = notification::status(&subscription, purpose, raised, &[], content, base);
            let id = identity::id("Parameters", &[&subscription.id, purpose.code()]);
            let full_url = Some(format!("urn:uuid:{id}"));
            resource["id"] = id.into();
            found.push(Found { full_url, resource, mode: Mode::Match });
        }
        let path =
            id.map_or_else(|| "Subscription/$status".to_owned(), |id| format!("Subscription/{id}/$status"));
        Ok(bundle::searchset(Some(found.len() as u64), &[("self", format!("{base}/{path}"))], found))
    }

    /// Events of a Subscription as a notification, the first [`EVENTS_MAX`] of those asked for. Events are kept for ever.
    ///
    /// # Errors
    /// No such Subscription, a number that is none, or a content that is not known.
    pub async fn subscription_events(&self, id: &str, inputs: &Inputs) -> Result<Json, Refusal> {
        self.permit(Right::Read, "Subscription")?;
        inputs.only(&["content", "eventsSinceNumber", "eventsUntilNumber"])?;
        let number = |name: &str| -> Result<Option<u64>, Refusal> {
            let Some(text) = inputs.text(name)? else { return Ok(None) };
            let number: Option<u64> = text.parse().ok().filter(|number: &u64| i64::try_from(*number).is_ok());
            let expected = format!("Send {name} as the number of an event, a whole number.");
            number.map(Some).ok_or_else(|| wrong("Parameters.parameter.value", expected))
        };
        let (since, until) = (number("eventsSinceNumber")?, number("eventsUntilNumber")?);
        let asked = match inputs.text("content")? {
            None => None,
            Some(code) => Some(Content::from_code(&code).ok_or_else(|| {
                wrong("Parameters.parameter.value", "Send content as empty, id-only or full-resource.")
            })?),
        };
        let stored = self.read("Subscription", id).await?;
        let base = &self.settings.base;
        let subscription = Subscription::read(&endplate_fhir::json::stored(&stored.body), base)
            .map_err(|issues| Refusal { reason: Reason::Unprocessable, issues })?;
        // It is a hint: nobody is told more than the Subscription is told.
        let content = asked.map_or(subscription.content, |asked| asked.min(subscription.content));
        let traffic = self.store.traffic(id).await?;
        let mut events = self.store.events(id, since.unwrap_or(1), EVENTS_MAX).await?;
        events.retain(|event| until.is_none_or(|until| event.number <= until));
        let mut told = self.with_versions(&subscription, events).await?;
        // What its subscriber may be told is not yet what whoever asks may read.
        for one in &mut told {
            one.version = one.version.take().filter(|version| self.may(Right::Read, &version.stored));
        }
        Ok(notification::events(&subscription, Purpose::QueryEvent, traffic.raised, &told, content, base))
    }
}
