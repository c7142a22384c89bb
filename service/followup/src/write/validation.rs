//! What a write would be told, without the write.

use super::{Attempt, check};
use crate::Endplate;
use crate::element::text;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::bundle::{self, Address, Entry, Method};
use endplate_fhir::issue::Issue;
use endplate_fhir::{Json, TYPES, validate};

impl Endplate {
    /// Every issue that a create, an update or a transaction with this resource would be told now, and R4's best
    /// practice as remarks; nothing is stored. A resource with an id is taken as an update of it. No error among the
    /// issues: the write would be accepted.
    ///
    /// Types that are published or sent and not stored, and Bundles that are no transactions, are held against R4 alone.
    ///
    /// # Errors
    /// The store cannot be read. What is wrong with the resource is no error here.
    pub async fn validate(&self, kind: &str, resource: Json) -> Result<Vec<Issue>, Refusal> {
        let mut issues = validate::practice(&resource);
        let bundled = kind == "Bundle" && text(&resource, &["type"]) == Some("transaction");
        let entries = if bundled {
            issues.extend(validate::resource(&resource));
            match bundle::transaction(&resource, &self.settings.base) {
                Ok(entries) => entries,
                Err(more) => {
                    add(&mut issues, more);
                    return Ok(issues);
                }
            }
        } else if TYPES.contains(&kind) {
            vec![alone(kind, resource)]
        } else {
            issues.extend(validate::resource(&resource));
            return Ok(issues);
        };
        add(&mut issues, self.told(entries, bundled).await?);
        Ok(issues)
    }

    /// Every issue that these writes would be told now. No error among them: they would be accepted.
    ///
    /// # Errors
    /// The store cannot be read, or the facts do not hold still.
    pub(crate) async fn told(&self, entries: Vec<Entry>, bundled: bool) -> Result<Vec<Issue>, Refusal> {
        let mut issues = Vec::new();
        if let ([entry], false) = (entries.as_slice(), bundled) {
            add(&mut issues, check::single(entry));
        }
        for entry in &entries {
            add(&mut issues, check::resource(entry, bundled, self));
        }
        if !issues.iter().any(Issue::is_error) {
            let mut attempt = Attempt::new(self, bundled);
            // In a box: this future is large, and so is whoever awaits it.
            match Box::pin(attempt.decide(entries)).await {
                Ok(()) => add(&mut issues, attempt.remarks.into_values().flatten().collect()),
                Err(refusal) if is_about_the_resource(refusal.reason) => add(&mut issues, refusal.issues),
                Err(refusal) => return Err(refusal),
            }
        }
        Ok(issues)
    }
}

fn alone(kind: &str, resource: Json) -> Entry {
    match text(&resource, &["id"]).map(str::to_owned) {
        Some(id) => Entry::alone(Method::Put, kind, Address::Id(id), resource),
        None => Entry::alone(Method::Post, kind, Address::New, resource),
    }
}

fn add(issues: &mut Vec<Issue>, more: Vec<Issue>) {
    for issue in more {
        if !issues.contains(&issue) {
            issues.push(issue);
        }
    }
}

fn is_about_the_resource(reason: Reason) -> bool {
    !matches!(reason, Reason::Unavailable | Reason::Fault)
}
