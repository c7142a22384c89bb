//! Plans of resources that are at hand, without keeping anything: what `endplate plan` prints.

use crate::Endplate;
use crate::derivation::bare;
use crate::element::{self, text};
use crate::refusal::{Reason, Refusal};
use crate::write::instant_ms;
use endplate_fhir::bundle;
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{Json, search};
use serde_json::json;

/// Types of derived resources, in the order in which the preview lists them.
pub const DERIVED: [&str; 9] = [
    "CarePlan",
    "Communication",
    "DetectedIssue",
    "DiagnosticReport",
    "Flag",
    "Goal",
    "RiskAssessment",
    "ServiceRequest",
    "Task",
];

impl Endplate {
    /// Writes `resources` (transaction entries are taken out of their Bundles) and returns everything derived from them as a
    /// `collection` Bundle, by type and id. Meant for an `Endplate` on a store that is thrown away.
    pub async fn preview(&self, resources: Vec<Json>) -> Result<Json, Refusal> {
        self.transaction(as_transaction(resources)).await?;
        let mut all: Vec<(String, Json)> = Vec::new();
        for kind in DERIVED {
            let wrong = |issues| Refusal { reason: Reason::Fault, issues };
            let mut query =
                search::criteria(&format!("{kind}?_count=500"), &self.settings.base).map_err(wrong)?;
            loop {
                let page = self.store.search(&query).await?;
                for stored in page.resources {
                    let resource: Json = endplate_fhir::json::stored(&stored.body);
                    if is_derived(&resource) {
                        all.push((format!("{}/{kind}/{}", self.settings.base, stored.id), bare(&resource)));
                    }
                }
                match page.next {
                    Some(next) => query.after = Some(next),
                    None => break,
                }
            }
        }
        if all.is_empty() {
            let text = "There is no repair among these resources: send a completed Procedure with a code of repair-technique.";
            return Err(Refusal::new(Reason::Unprocessable, Issue::error(Code::BusinessRule, "", text)));
        }
        all.sort_by(|a, b| a.0.cmp(&b.0));
        Ok(bundle::collection(Some(&instant_ms(self.clock.now())), all))
    }
}

/// Whether a resource was derived by this service.
pub fn is_derived(resource: &Json) -> bool {
    resource
        .get("meta")
        .is_some_and(|meta| element::items(meta, "tag").any(|tag| text(tag, &["code"]) == Some("derived")))
}

/// One transaction of all resources: Bundles are opened, resources with an id are put, the others created.
fn as_transaction(resources: Vec<Json>) -> Json {
    let mut entries = Vec::new();
    for resource in resources {
        if text(&resource, &["resourceType"]) == Some("Bundle") {
            for entry in element::items(&resource, "entry") {
                match (entry.get("request"), entry.get("resource")) {
                    (Some(_), _) => entries.push(entry.clone()),
                    (None, Some(inner)) => entries.push(entry_of(inner, entry.get("fullUrl"))),
                    (None, None) => {}
                }
            }
        } else {
            entries.push(entry_of(&resource, None));
        }
    }
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
}

/// A transaction entry that puts a resource with an id and creates one without.
pub fn entry_of(resource: &Json, full_url: Option<&Json>) -> Json {
    let kind = text(resource, &["resourceType"]).unwrap_or_default().to_owned();
    let request = match text(resource, &["id"]) {
        Some(id) => json!({ "method": "PUT", "url": format!("{kind}/{id}") }),
        None => json!({ "method": "POST", "url": kind }),
    };
    let mut entry = json!({ "resource": resource, "request": request });
    if let (Some(members), Some(url)) = (entry.as_object_mut(), full_url) {
        members.insert("fullUrl".to_owned(), url.clone());
    }
    entry
}
