//! `Observation/$lastn` (FHIR R4 OperationDefinition Observation-lastn).

use super::{missing, wrong};
use crate::Endplate;
use crate::element::{items, text, timing};
use crate::grant::Right;
use crate::ports::Stored;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::bundle::{self, Found, Mode};
use endplate_fhir::search::{self, COUNT_MAX};
use endplate_fhir::{Json, date};
use std::collections::BTreeSet;

/// Search parameters of which one must say what is meant: by kind or by code.
const MEANT: [&str; 2] = ["category", "code"];

impl Endplate {
    /// The latest observations of each code, newest first: `max` of them (1 if it is not sent), and those made at the same
    /// time as the last of these. The other parameters are those of a search of Observation.
    ///
    /// # Errors
    /// No patient, neither category nor code, or parameters that a search would refuse.
    pub async fn lastn(&self, pairs: &[(String, String)]) -> Result<Json, Refusal> {
        self.permit(Right::Search, "Observation")?;
        let base = &self.settings.base;
        let named = |name: &str| pairs.iter().any(|(other, _)| other.split(':').next() == Some(name));
        if !named("patient") && !named("subject") {
            return Err(missing("patient"));
        }
        if !MEANT.iter().any(|name| named(name)) {
            return Err(missing("category or code"));
        }
        let mut max = 1;
        let mut asked: Vec<(String, String)> = Vec::new();
        for (name, value) in pairs {
            match (name.as_str(), value.parse::<usize>()) {
                ("max", Ok(count)) if count > 0 => max = count,
                ("max", _) => {
                    return Err(wrong("", "Send max as a whole number of at least 1."));
                }
                ("_count" | "_sort" | "_after", _) => {
                    let text =
                        "The answer is sorted by time and comes whole; leave _count, _sort and _after out.";
                    return Err(wrong("", text));
                }
                _ => asked.push((name.clone(), value.clone())),
            }
        }
        let mut query = search::parse("Observation", &asked, base)
            .map_err(|issues| Refusal { reason: Reason::Malformed, issues })?;
        self.bound(&mut query)?;
        query.count = COUNT_MAX;
        let mut found: Vec<(i64, Stored, Json)> = Vec::new();
        loop {
            let page = self.store.search(&query).await?;
            for stored in page.resources {
                let resource: Json = endplate_fhir::json::stored(&stored.body);
                found.push((made_at(&resource), stored, resource));
            }
            match page.next {
                Some(next) => query.after = Some(next),
                None => break,
            }
        }
        found.sort_by(|a, b| b.0.cmp(&a.0).then_with(|| a.1.id.cmp(&b.1.id)));
        let kept = latest(&found, max);
        let shown: Vec<Found> = found
            .into_iter()
            .zip(kept)
            .filter(|(_, kept)| *kept)
            .map(|((_, stored, resource), _)| Found {
                full_url: Some(format!("{base}/Observation/{}", stored.id)),
                resource,
                mode: Mode::Match,
            })
            .collect();
        let query: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish();
        let links = [("self", format!("{base}/Observation/$lastn?{query}"))];
        Ok(bundle::searchset(Some(shown.len() as u64), &links, shown))
    }
}

/// The last millisecond at which an observation may have been made; the earliest of all if it does not say.
fn made_at(observation: &Json) -> i64 {
    let of = |text: &str| date::instant_ms(text).ok().map(|(_, end_ms)| end_ms);
    let period = |end: &str| text(observation, &["effectivePeriod", end]).and_then(of);
    text(observation, &["effectiveDateTime"])
        .or(text(observation, &["effectiveInstant"]))
        .and_then(of)
        .or_else(|| period("end"))
        .or_else(|| period("start"))
        .or_else(|| timing(observation, "effective").map(|_| i64::MIN))
        .unwrap_or(i64::MIN)
}

/// The names of an observation's code: each coding, or else its text without regard to case and spaces.
fn names(observation: &Json) -> BTreeSet<String> {
    let Some(code) = observation.get("code") else { return BTreeSet::new() };
    let coding = |coding: &Json| {
        Some(format!("{}|{}", text(coding, &["system"]).unwrap_or_default(), text(coding, &["code"])?))
    };
    let codings: BTreeSet<String> = items(code, "coding").filter_map(coding).collect();
    if !codings.is_empty() {
        return codings;
    }
    let plain =
        |text: &str| text.chars().filter(|c| !c.is_whitespace()).flat_map(char::to_lowercase).collect();
    text(code, &["text"]).map(plain).into_iter().collect()
}

/// Which of these, newest first, are among the last `max` of their group, or as late as the last of them. Codes that occur
/// together in one observation are one group.
fn latest(found: &[(i64, Stored, Json)], max: usize) -> Vec<bool> {
    let mut groups: Vec<BTreeSet<String>> = Vec::new();
    let all: Vec<BTreeSet<String>> = found.iter().map(|(.., observation)| names(observation)).collect();
    for names in &all {
        let mut merged = names.clone();
        groups.retain(|group| {
            let apart = group.is_disjoint(names);
            if !apart {
                merged.extend(group.iter().cloned());
            }
            apart
        });
        groups.push(merged);
    }
    let mut counts: Vec<(usize, i64)> = vec![(0, i64::MAX); groups.len()];
    let mut kept = Vec::new();
    for ((at, ..), names) in found.iter().zip(&all) {
        let group = groups.iter().position(|group| !group.is_disjoint(names));
        let keeps = match group.and_then(|group| counts.get_mut(group)) {
            Some((count, last)) if *count < max || *last == *at => {
                (*count, *last) = (*count + 1, *at);
                true
            }
            Some(_) => false,
            None => true,
        };
        kept.push(keeps);
    }
    kept
}
