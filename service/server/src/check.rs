//! `endplate check`: whether resources would be taken, and what the service would say of them.
//!
//! First each file on its own against R4; then, if none has an error, all of them together as one transaction on a store
//! that is thrown away, for what the service makes of them.

use crate::boot;
use crate::clock::FixedClock;
use crate::config::{Config, StoreUrl};
use crate::fault::Fault;
use crate::input::{self, Place};
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use endplate_followup::preview;
use endplate_followup::write::ENTRIES_MAX;
use serde_json::json;
use std::sync::Arc;

/// What was found.
#[derive(Debug, Default)]
pub struct Findings {
    /// One line a finding.
    pub lines: String,
    /// How many are errors.
    pub errors: usize,
}

impl Findings {
    fn add(&mut self, file: &str, issue: &Issue) {
        self.lines.push_str(&input::line(file, issue));
        self.lines.push('\n');
        self.errors += usize::from(issue.is_error());
    }
}

/// Checks `files`.
///
/// # Errors
/// The environment is at fault. Findings are no error here.
pub async fn run(config: &Config, files: &[String]) -> Result<Findings, Fault> {
    let mut findings = Findings::default();
    let mut parcels = Vec::new();
    for file in files {
        match input::read(file) {
            Ok(resource) => {
                for issue in of_itself(file, &resource) {
                    findings.add(file, &issue);
                }
                parcels.extend(parcels_of(file, &resource));
            }
            Err(issue) => findings.add(file, &issue),
        }
    }
    if findings.errors == 0 {
        for some in parcels.chunks(ENTRIES_MAX) {
            rehearse(config, some, &mut findings).await?;
        }
    }
    Ok(findings)
}

/// What is wrong with the resources of a file on their own: as R4, and where that has errors, which keep the service from
/// being asked, as a repair or a finding.
fn of_itself(file: &str, resource: &Json) -> Vec<Issue> {
    let mut issues = endplate_fhir::validate::resource(resource);
    if issues.iter().any(Issue::is_error) {
        for (place, one, _) in input::unpack(file, resource) {
            let kind = one["resourceType"].as_str().unwrap_or_default();
            for mut issue in endplate_followup::write::profile(kind, one) {
                let below = issue.expression.strip_prefix(kind).unwrap_or_default();
                issue.expression = format!("{}{below}", place.path);
                if !issues.iter().any(|other| issue.expression.starts_with(&other.expression)) {
                    issues.push(issue);
                }
            }
        }
    }
    issues
}

/// One resource, ready to be sent, with where it stands.
struct Parcel {
    place: Place,
    entry: Json,
}

/// The resources of a file that the service would store. What it derives itself is left out: nobody sends that.
fn parcels_of(file: &str, resource: &Json) -> Vec<Parcel> {
    let parcel = |(place, resource, full_url): (Place, &Json, Option<&Json>)| {
        resource["resourceType"].as_str().filter(|kind| endplate_fhir::TYPES.contains(kind))?;
        if preview::is_derived(resource) {
            return None;
        }
        Some(Parcel { place, entry: preview::entry_of(resource, full_url) })
    };
    input::unpack(file, resource).into_iter().filter_map(parcel).collect()
}

/// Has the service take the resources, and notes what it says of each.
async fn rehearse(config: &Config, parcels: &[Parcel], findings: &mut Findings) -> Result<(), Fault> {
    let store = boot::open_store(&StoreUrl::Memory).await?;
    let clock = Arc::new(FixedClock::stopped(&config.time_zone));
    let endplate = boot::endplate(config, &boot::base_url(config, config.listen), store, clock);
    let entries: Vec<&Json> = parcels.iter().map(|parcel| &parcel.entry).collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
    match endplate.transaction(bundle).await {
        Ok(response) => {
            let responses = response["entry"].as_array().map_or(&[][..], Vec::as_slice);
            for (parcel, entry) in parcels.iter().zip(responses) {
                let issues = entry["response"]["outcome"]["issue"].as_array().map_or(&[][..], Vec::as_slice);
                for issue in issues {
                    findings.add(&parcel.place.file, &remark(&parcel.place.path, issue));
                }
            }
        }
        Err(refusal) if refusal.issues.iter().any(|issue| issue.expression.starts_with("Bundle.entry[")) => {
            let places: Vec<Place> = parcels.iter().map(|parcel| parcel.place.clone()).collect();
            for issue in refusal.issues {
                let (file, issue) = input::placed(&places, issue);
                findings.add(&file, &issue);
            }
        }
        Err(refusal) => return Err(refusal.into()),
    }
    Ok(())
}

/// A remark in an answer, at its place in the file.
fn remark(place: &str, issue: &Json) -> Issue {
    let text = issue["details"]["text"].as_str().unwrap_or_default();
    let expression = issue["expression"][0].as_str().unwrap_or_default();
    let below = expression.split_once(".resource").map_or("", |(_, below)| below);
    let place = format!("{place}{below}");
    match issue["severity"].as_str() {
        Some("warning") => Issue::warning(Code::Processing, place, text),
        _ => Issue::information(place, text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use endplate_followup::code;

    #[test]
    fn only_what_can_be_sent_is_rehearsed() {
        let tag = json!({ "system": code::system("origin"), "code": "derived" });
        let bundle = json!({ "resourceType": "Bundle", "entry": [
            { "resource": { "resourceType": "CarePlan", "id": "a", "meta": { "tag": [tag] } } },
            { "resource": { "resourceType": "StructureDefinition", "id": "b" } },
            { "fullUrl": "urn:uuid:1", "resource": { "resourceType": "Patient" } },
        ] });
        let parcels = parcels_of("a.json", &bundle);
        assert_eq!(parcels.len(), 1);
        assert_eq!(parcels[0].place.path, "Bundle.entry[2].resource");
        assert_eq!(parcels[0].entry["fullUrl"], "urn:uuid:1");
        assert_eq!(parcels[0].entry["request"], json!({ "method": "POST", "url": "Patient" }));
    }
}
