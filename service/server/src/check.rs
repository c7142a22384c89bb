//! `endplate check`: whether resources would be taken, and what the service would say of them.
//!
//! First each file on its own against R4; then, if none has an error, all of them together as one transaction on a store
//! that is thrown away, for what the service makes of them.

use crate::boot;
use crate::clock::FixedClock;
use crate::config::{Config, StoreUrl};
use crate::fault::Fault;
use crate::input;
use endplate_fhir::Json;
use endplate_fhir::issue::Issue;
use endplate_followup::code;
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
                for issue in endplate_fhir::validate::resource(&resource) {
                    findings.add(file, &issue);
                }
                parcels.extend(unpacked(file, &resource));
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

/// One resource with where it stands.
struct Parcel {
    file: String,
    /// Its FHIRPath within the file, `Procedure` or `Bundle.entry[3].resource`.
    place: String,
    entry: Json,
}

/// The resources of a file that the service would store. What it derives itself is left out: nobody sends that.
fn unpacked(file: &str, resource: &Json) -> Vec<Parcel> {
    let parcel = |place: String, full_url: Option<&Json>, resource: &Json| {
        let kind = resource["resourceType"].as_str().filter(|kind| endplate_fhir::TYPES.contains(kind))?;
        if is_derived(resource) {
            return None;
        }
        let request = match resource["id"].as_str() {
            Some(id) => json!({ "method": "PUT", "url": format!("{kind}/{id}") }),
            None => json!({ "method": "POST", "url": kind }),
        };
        let mut entry = json!({ "resource": resource, "request": request });
        if let (Some(url), Some(members)) = (full_url, entry.as_object_mut()) {
            members.insert("fullUrl".to_owned(), url.clone());
        }
        Some(Parcel { file: file.to_owned(), place, entry })
    };
    if resource["resourceType"] != "Bundle" {
        let place = resource["resourceType"].as_str().unwrap_or_default().to_owned();
        return parcel(place, None, resource).into_iter().collect();
    }
    let entries = resource["entry"].as_array().map_or(&[][..], Vec::as_slice);
    entries
        .iter()
        .enumerate()
        .filter_map(|(at, entry)| {
            parcel(format!("Bundle.entry[{at}].resource"), entry.get("fullUrl"), entry.get("resource")?)
        })
        .collect()
}

fn is_derived(resource: &Json) -> bool {
    let tags = resource["meta"]["tag"].as_array().map_or(&[][..], Vec::as_slice);
    tags.iter().any(|tag| tag["system"] == code::system("origin") && tag["code"] == "derived")
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
                    findings.add(&parcel.file, &remark(&parcel.place, issue));
                }
            }
        }
        Err(refusal) if refusal.issues.iter().any(|issue| issue.expression.starts_with("Bundle.entry[")) => {
            for issue in refusal.issues {
                let (file, issue) = placed(parcels, issue);
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
        Some("warning") => Issue::warning(endplate_fhir::issue::Code::Processing, place, text),
        _ => Issue::information(place, text),
    }
}

/// Moves an issue from its place in the transaction to its place in its file.
fn placed(parcels: &[Parcel], mut issue: Issue) -> (String, Issue) {
    let place = issue.expression.strip_prefix("Bundle.entry[").and_then(|rest| {
        let (at, below) = rest.split_once(']')?;
        let parcel = parcels.get(at.parse::<usize>().ok()?)?;
        let below = below.strip_prefix(".resource").unwrap_or_default();
        Some((parcel.file.clone(), format!("{}{below}", parcel.place)))
    });
    let Some((file, expression)) = place else {
        return (parcels.first().map(|parcel| parcel.file.clone()).unwrap_or_default(), issue);
    };
    issue.expression = expression;
    (file, issue)
}

#[cfg(test)]
mod tests {
    use super::*;
    use endplate_fhir::issue::Code;

    #[test]
    fn an_issue_is_told_where_the_file_has_it() {
        let bundle = json!({ "resourceType": "Bundle", "type": "collection", "entry": [
            { "resource": { "resourceType": "OperationOutcome", "issue": [] } },
            { "fullUrl": "urn:uuid:1", "resource": { "resourceType": "Patient" } },
        ] });
        let mut parcels = unpacked("one.json", &json!({ "resourceType": "Patient", "id": "p" }));
        parcels.extend(unpacked("two.json", &bundle));
        assert_eq!(parcels.len(), 2);
        let issue = Issue::error(Code::Required, "Bundle.entry[1].resource.name", "Send a name.");
        let (file, issue) = placed(&parcels, issue);
        assert_eq!((file.as_str(), issue.expression.as_str()), ("two.json", "Bundle.entry[1].resource.name"));
        let (file, issue) =
            placed(&parcels, Issue::error(Code::Required, "Bundle.entry[0].resource.name", "x"));
        assert_eq!((file.as_str(), issue.expression.as_str()), ("one.json", "Patient.name"));
    }

    #[test]
    fn derived_resources_are_not_sent_back() {
        let tag = json!({ "system": code::system("origin"), "code": "derived" });
        let plan = json!({ "resourceType": "CarePlan", "id": "a", "meta": { "tag": [tag] } });
        assert!(unpacked("plan.json", &plan).is_empty());
    }
}
