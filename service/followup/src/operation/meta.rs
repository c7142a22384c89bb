//! `$meta`, `$meta-add` and `$meta-delete` (FHIR R4 OperationDefinitions Resource-meta, Resource-meta-add and
//! Resource-meta-delete).

use super::{Inputs, missing, parameters};
use crate::element::{items, text};
use crate::grant::Right;
use crate::refusal::Refusal;
use crate::{Endplate, preview};
use endplate_fhir::Json;
use endplate_fhir::issue::Code;
use serde_json::json;

/// What is a set in a Meta.
const SETS: [&str; 3] = ["profile", "security", "tag"];

/// What is done with the sets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MetaChange {
    /// Adds what is not there.
    Add,
    /// Takes away what is there.
    Delete,
}

impl Endplate {
    /// The Meta of a resource, as the parameter `return`.
    ///
    /// # Errors
    /// No such resource.
    pub async fn meta(&self, kind: &str, id: &str, inputs: &Inputs) -> Result<Json, Refusal> {
        self.permit(Right::Read, kind)?;
        inputs.only(&[])?;
        let stored = self.read(kind, id).await?;
        let resource: Json = endplate_fhir::json::stored(&stored.body);
        Ok(returned(&resource))
    }

    /// Adds profiles, tags and security labels to a resource, or takes them away; a new version if that changes anything. A
    /// tag or label is known by system and code. Gives the Meta that follows.
    ///
    /// # Errors
    /// No such resource, no `meta`, or a resource that the service derives itself.
    pub async fn change_meta(
        &self,
        kind: &str,
        id: &str,
        change: MetaChange,
        inputs: &Inputs,
    ) -> Result<Json, Refusal> {
        self.permit(Right::Read, kind)?;
        self.permit(Right::Update, kind)?;
        inputs.only(&["meta"])?;
        let meta = inputs.structure("meta")?.ok_or_else(|| missing("meta"))?;
        let stored = self.read(kind, id).await?;
        let mut resource: Json = endplate_fhir::json::stored(&stored.body);
        if preview::is_derived(&resource) {
            let text = "This resource is derived by the service, which writes its meta itself; label a record that was sent.";
            return Err(super::cannot(Code::BusinessRule, text));
        }
        let Some(members) = resource.as_object_mut() else { return Err(Refusal::not_found()) };
        let own = members.entry("meta").or_insert_with(|| json!({}));
        for name in SETS {
            let mut all: Vec<Json> = items(own, name).cloned().collect();
            for one in items(meta, name) {
                let there = all.iter().position(|other| is_same(other, one));
                match (change, there) {
                    (MetaChange::Add, None) => all.push(one.clone()),
                    (MetaChange::Delete, Some(at)) => {
                        all.remove(at);
                    }
                    _ => {}
                }
            }
            if let Some(own) = own.as_object_mut() {
                if all.is_empty() {
                    own.shift_remove(name);
                } else {
                    own.insert(name.to_owned(), Json::Array(all));
                }
            }
        }
        let if_match = format!("W/\"{}\"", stored.version);
        let written = self.update(kind, id, resource, Some(&if_match)).await?;
        let resource: Json = endplate_fhir::json::stored(&written.body);
        Ok(returned(&resource))
    }
}

/// Profiles are the same by their text, tags and labels by system and code.
fn is_same(one: &Json, other: &Json) -> bool {
    match (one.as_str(), other.as_str()) {
        (None, None) => {
            text(one, &["system"]) == text(other, &["system"])
                && text(one, &["code"]) == text(other, &["code"])
        }
        (one, other) => one == other,
    }
}

fn returned(resource: &Json) -> Json {
    let meta = resource.get("meta").cloned().unwrap_or_else(|| json!({}));
    parameters(vec![json!({ "name": "return", "valueMeta": meta })])
}
