//! `Patient/{id}/$everything` (FHIR R4 OperationDefinition Patient-everything).

use super::{Inputs, cannot, wrong};
use crate::Endplate;
use crate::grant::Right;
use crate::ports::Stored;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::bundle::{self, Found, Mode};
use endplate_fhir::index::{self, IndexValue};
use endplate_fhir::issue::Code;
use endplate_fhir::search::{self, COUNT_MAX};
use endplate_fhir::{Json, TYPES, reference};
use jiff::Timestamp;
use jiff::civil::{Date, Time};
use std::collections::{BTreeMap, BTreeSet};

/// How many targets one search for Provenance names.
const TARGETS_AT_ONCE: usize = 100;

/// Dates that tell of the record and not of care, or of the person.
const NOT_CARE: [&str; 6] =
    ["_lastUpdated", "authored-on", "authored", "recorded", "birthdate", "death-date"];

/// One resource on its way out.
struct One {
    stored: Stored,
    resource: Json,
    mode: Mode,
}

/// Which resources are wanted.
struct Wanted {
    /// Care from and until, milliseconds since the epoch, ends included.
    care: Option<(i64, i64)>,
    since: Option<Timestamp>,
    types: BTreeSet<String>,
}

impl Endplate {
    /// The Patient, everything in that patient's compartment, Tasks and the service's Provenance of it, and whatever these
    /// refer to that is of no other patient (practitioners, organisations, places, devices), as a searchset by type and id.
    ///
    /// `start` and `end` are dates of care: a resource without any is always within them. `_since` is the time of the record.
    /// Without `_count` all of it comes in one Bundle. What the client may not both read and search is left out.
    ///
    /// # Errors
    /// No such patient; a parameter that is not known or of the wrong form.
    pub async fn everything(&self, id: &str, inputs: &Inputs) -> Result<Json, Refusal> {
        self.permit(Right::Read, "Patient")?;
        inputs.only(&["start", "end", "_since", "_type", "_count", "_after"])?;
        let wanted = wanted(inputs)?;
        let count = inputs.count("_count")?.map(|count| count.min(COUNT_MAX));
        let after = inputs.text("_after")?;
        self.read("Patient", id).await?;
        let mut all = self.everything_of(id).await?;
        let is_seen = |one: &One| self.may(Right::Read, &one.stored) && self.may(Right::Search, &one.stored);
        all.retain(|_, one| is_seen(one));
        let base = &self.settings.base;
        let mut found: Vec<((String, String), One)> =
            all.into_iter().filter(|(_, one)| wanted.holds(one, base)).collect();
        let total = found.len() as u64;
        if let Some(after) = after {
            let Some(after) = after.split_once('/') else {
                return Err(wrong("Parameters.parameter.value", "Follow the link `next` as it was given."));
            };
            found.retain(|((kind, id), _)| (kind.as_str(), id.as_str()) > after);
        }
        let mut links = vec![("self", address(base, id, inputs, None))];
        if let Some(count) = count.filter(|count| *count < found.len()) {
            found.truncate(count);
            let last = found.last().map(|((kind, id), _)| format!("{kind}/{id}"));
            links.push(("next", address(base, id, inputs, last.as_deref())));
        }
        let shown = |((kind, id), one): ((String, String), One)| Found {
            full_url: Some(format!("{base}/{kind}/{id}")),
            resource: one.resource,
            mode: one.mode,
        };
        Ok(bundle::searchset(Some(total), &links, found.into_iter().map(shown).collect()))
    }

    /// Everything about a patient, by type and id.
    async fn everything_of(&self, patient: &str) -> Result<BTreeMap<(String, String), One>, Refusal> {
        let base = &self.settings.base;
        let mut all = BTreeMap::new();
        let mut open: Vec<String> = Vec::new();
        let add = |all: &mut BTreeMap<_, _>, open: &mut Vec<String>, stored: Stored, mode| {
            let resource: Json = endplate_fhir::json::stored(&stored.body);
            open.extend(crate::dossier::local_references(&resource, base).into_iter().map(|(_, to)| to));
            all.insert((stored.kind.clone(), stored.id.clone()), One { stored, resource, mode });
        };
        for stored in self.store.compartment(patient).await?.resources {
            add(&mut all, &mut open, stored, Mode::Match);
        }
        let targets: Vec<String> = all.keys().map(|(kind, id)| format!("{kind}/{id}")).collect();
        for some in targets.chunks(TARGETS_AT_ONCE) {
            let wrong = |issues| Refusal { reason: Reason::Fault, issues };
            let criteria = format!("Provenance?_count={COUNT_MAX}&target={}", some.join(","));
            let mut query = search::criteria(&criteria, base).map_err(wrong)?;
            loop {
                let page = self.store.search(&query).await?;
                for stored in page.resources {
                    add(&mut all, &mut open, stored, Mode::Include);
                }
                match page.next {
                    Some(next) => query.after = Some(next),
                    None => break,
                }
            }
        }
        let mut seen: BTreeSet<String> = BTreeSet::new();
        while let Some(to) = open.pop() {
            let Some((kind, id)) = to.split_once('/') else { continue };
            let known = all.contains_key(&(kind.to_owned(), id.to_owned()));
            if known || !TYPES.contains(&kind) || !seen.insert(to.clone()) {
                continue;
            }
            let Some(stored) = self.store.read(kind, id).await? else { continue };
            let resource: Json = endplate_fhir::json::stored(&stored.body);
            // What is of another patient stays with that patient.
            if reference::patient_of(&resource, base).is_none_or(|of| of == patient) {
                add(&mut all, &mut open, stored, Mode::Include);
            }
        }
        Ok(all)
    }
}

fn wanted(inputs: &Inputs) -> Result<Wanted, Refusal> {
    let (start, end) = (inputs.day("start")?, inputs.day("end")?);
    if let (Some(start), Some(end)) = (start, end)
        && end < start
    {
        return Err(wrong(
            "Parameters.parameter.value",
            "The end lies before the start; send them the other way round.",
        ));
    }
    let ms = |day: Date| {
        jiff::tz::Offset::UTC
            .to_timestamp(day.to_datetime(Time::midnight()))
            .ok()
            .map(Timestamp::as_millisecond)
    };
    let first = start.and_then(ms).unwrap_or(i64::MIN);
    let last = end.and_then(|end| end.tomorrow().ok()).and_then(ms).map_or(i64::MAX, |next| next - 1);
    let since = match inputs.text("_since")? {
        None => None,
        Some(text) => Some(text.parse::<Timestamp>().map_err(|_| {
            wrong(
                "Parameters.parameter.value",
                "Send _since as an instant, for example 2026-03-01T08:00:00Z.",
            )
        })?),
    };
    let mut types = BTreeSet::new();
    for list in inputs.all("_type") {
        let list = list
            .as_str()
            .ok_or_else(|| wrong("Parameters.parameter.value", "Send _type as the names of types."))?;
        for kind in list.split(',').map(str::trim) {
            if !TYPES.contains(&kind) {
                let text =
                    format!("A type in _type is not stored here. Send of these: {}.", TYPES.join(", "));
                return Err(cannot(Code::NotSupported, text));
            }
            types.insert(kind.to_owned());
        }
    }
    Ok(Wanted { care: (start.is_some() || end.is_some()).then_some((first, last)), since, types })
}

impl Wanted {
    fn holds(&self, one: &One, base: &str) -> bool {
        let typed = self.types.is_empty() || self.types.contains(&one.stored.kind);
        let recent = self.since.is_none_or(|since| one.stored.at >= since);
        typed && recent && self.care.is_none_or(|care| is_within(&one.resource, care, base))
    }
}

/// Whether any date of care of a resource meets the interval; true if it has none.
fn is_within(resource: &Json, (first, last): (i64, i64), base: &str) -> bool {
    let mut dated = false;
    for row in index::rows(resource, base).iter().filter(|row| !NOT_CARE.contains(&row.param)) {
        if let IndexValue::Date { start_ms, end_ms } = row.value {
            if start_ms <= last && end_ms >= first {
                return true;
            }
            dated = true;
        }
    }
    !dated
}

/// The address that asks the same, from a given resource on.
fn address(base: &str, id: &str, inputs: &Inputs, after: Option<&str>) -> String {
    let asked = inputs.all.iter().filter(|(name, _)| after.is_none() || name != "_after");
    let mut pairs: Vec<(String, String)> = asked
        .map(|(name, value)| (name.clone(), value.as_str().map_or_else(|| value.to_string(), str::to_owned)))
        .collect();
    pairs.extend(after.map(|after| ("_after".to_owned(), after.to_owned())));
    let query: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish();
    let address = format!("{base}/Patient/{id}/$everything");
    if query.is_empty() { address } else { format!("{address}?{query}") }
}
