//! Who is looked at again when a map changes, and which codes no map translates.

use super::{Maps, TRANSLATED, Unmapped};
use crate::Endplate;
use crate::grant::Right;
use crate::ports::{Agenda, Changeset};
use crate::refusal::Refusal;
use endplate_fhir::{Json, reference};
use jiff::{SignedDuration, Timestamp};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

/// How long a write may have been under way, at most, when a map was committed.
const UNDER_WAY_MAX: SignedDuration = SignedDuration::from_hours(1);

impl Endplate {
    /// The patients with records that `after` reads otherwise than `before`. Reads every Procedure and Observation: maps
    /// are written seldom.
    pub(crate) async fn touched(&self, before: &Maps, after: &Maps) -> Result<BTreeSet<String>, Refusal> {
        let mut patients = BTreeSet::new();
        let base = self.settings.base.as_str();
        for kind in TRANSLATED {
            let mut visit = |resource: Json| {
                if before.translate(&resource) != after.translate(&resource) {
                    patients.extend(reference::patient_of(&resource, base));
                }
            };
            self.each(kind, &mut visit).await?;
        }
        Ok(patients)
    }

    /// A record may have been committed, still read by the old maps, between the look at all records and the commit of the new
    /// map. So those written lately are put on the agenda once more. Looking again where nothing changed does nothing.
    pub(crate) async fn look_again_at_recent(&self, at: Option<Timestamp>) {
        let since = at.and_then(|at| at.checked_sub(UNDER_WAY_MAX).ok()).unwrap_or(Timestamp::UNIX_EPOCH);
        let (mut patients, none) = (BTreeSet::new(), Maps::default());
        let base = self.settings.base.as_str();
        let mut done = Ok(());
        for kind in TRANSLATED {
            let criteria = format!("{kind}?_lastUpdated=ge{}", crate::write::instant_ms(since));
            let mut visit = |resource: Json| {
                if !none.unmapped(&resource).is_empty() {
                    patients.extend(reference::patient_of(&resource, base));
                }
            };
            done = done.and(self.each(&criteria, &mut visit).await);
        }
        let agenda = self.today_for(patients);
        if done.is_err()
            || (!agenda.is_empty()
                && self.store.commit(Changeset { agenda, ..Changeset::default() }).await.is_err())
        {
            tracing::warn!(
                "records written while a ConceptMap was committed are read anew only at their next change"
            );
        }
    }

    /// These patients are due today.
    pub(crate) fn today_for(&self, patients: BTreeSet<String>) -> Vec<Agenda> {
        let due_on = Some(self.clock.today());
        patients.into_iter().map(|patient| Agenda { patient, due_on }).collect()
    }

    /// The codes of stored Procedures and Observations that keep them from being understood, as Parameters: one `unmapped` for
    /// each element, system and code, with the number of resources that hold it, most frequent first. Reads them all.
    pub async fn unmapped(&self) -> Result<Json, Refusal> {
        self.permit_all(Right::Search, &TRANSLATED)?;
        let (_, maps) = self.maps().await?;
        let mut counts: BTreeMap<(&str, Unmapped), u64> = BTreeMap::new();
        for kind in TRANSLATED {
            let mut visit = |resource: Json| {
                let each: BTreeSet<Unmapped> = maps.unmapped(&resource).into_iter().collect();
                for one in each {
                    *counts.entry((kind, one)).or_default() += 1;
                }
            };
            self.each(kind, &mut visit).await?;
        }
        let mut counts: Vec<_> = counts.into_iter().collect();
        counts.sort_by(|(a, many), (b, most)| most.cmp(many).then_with(|| a.cmp(b)));
        let row = |((kind, one), count): ((&str, Unmapped), u64)| {
            let mut parts = Vec::new();
            if !one.system.is_empty() {
                parts.push(json!({ "name": "system", "valueUri": one.system }));
            }
            parts.extend([
                json!({ "name": "code", "valueCode": one.code }),
                json!({ "name": "type", "valueCode": kind }),
                json!({ "name": "element", "valueString": one.element }),
                json!({ "name": "count", "valueInteger": count }),
            ]);
            json!({ "name": "unmapped", "part": parts })
        };
        let rows: Vec<Json> = counts.into_iter().map(row).collect();
        Ok(crate::operation::parameters(rows))
    }
}
