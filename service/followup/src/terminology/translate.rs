//! `ConceptMap/$translate` (FHIR R4 OperationDefinition ConceptMap-translate).

use crate::Endplate;
use crate::element::{items, text};
use crate::grant::Right;
use crate::operation::{Inputs, cannot, missing, parameters, wrong};
use crate::refusal::{Reason, Refusal};
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use serde_json::json;

/// The parameters that are heeded.
const KNOWN: [&str; 13] = [
    "url",
    "conceptMap",
    "conceptMapVersion",
    "code",
    "system",
    "version",
    "source",
    "target",
    "targetsystem",
    "coding",
    "codeableConcept",
    "dependency",
    "reverse",
];

/// A code to be translated.
struct Coded {
    system: String,
    version: Option<String>,
    code: String,
}

/// What is asked.
struct Question {
    codes: Vec<Coded>,
    source: Option<String>,
    target: Option<String>,
    target_system: Option<String>,
    /// The elements that a target may depend on, with their concepts.
    given: Vec<(String, Json)>,
    reverse: bool,
}

impl Endplate {
    /// Translates a code by one map (`id`, `url` or `conceptMap`), or by every active one. Gives Parameters with `result`,
    /// `message` where there is none, and each `match`, those that deny a match too.
    ///
    /// # Errors
    /// No code or several, a code without a system, a map that is not there.
    pub async fn translate(&self, id: Option<&str>, inputs: &Inputs) -> Result<Json, Refusal> {
        match id {
            Some(_) => self.permit(Right::Read, "ConceptMap")?,
            None => self.permit_all(Right::Search, &["ConceptMap"])?,
        }
        inputs.only(&KNOWN)?;
        let question = question(inputs)?;
        let maps = self.chosen_maps(id, inputs).await?;
        let fits = |map: &&Json| {
            let is = |name: &str, wanted: &Option<String>| {
                let said = [format!("{name}Uri"), format!("{name}Canonical")];
                wanted.as_ref().is_none_or(|wanted| {
                    said.iter()
                        .filter_map(|said| text(map, &[said]))
                        .any(|said| unversioned(said) == unversioned(wanted))
                })
            };
            let (source, target) = if question.reverse { ("target", "source") } else { ("source", "target") };
            is(source, &question.source) && is(target, &question.target)
        };
        let mut matches: Vec<Json> = Vec::new();
        for map in maps.iter().filter(fits) {
            for found in matches_in(map, &question) {
                if !matches.contains(&found) {
                    matches.push(found);
                }
            }
        }
        let denies = |found: &Json| {
            matches!(found["part"][0]["valueCode"].as_str(), None | Some("unmatched" | "disjoint"))
        };
        let result = matches.iter().any(|found| !denies(found));
        let mut all = vec![json!({ "name": "result", "valueBoolean": result })];
        if !result {
            let message = if matches.is_empty() {
                "No map that was asked translates this code; add it to a ConceptMap."
            } else {
                "The maps that were asked say that nothing corresponds to this code."
            };
            all.push(json!({ "name": "message", "valueString": message }));
        }
        all.extend(matches);
        Ok(parameters(all))
    }

    /// The maps by which to translate.
    async fn chosen_maps(&self, id: Option<&str>, inputs: &Inputs) -> Result<Vec<Json>, Refusal> {
        let (url, version) = (inputs.text("url")?, inputs.text("conceptMapVersion")?);
        let sent = inputs.structure("conceptMap")?;
        if usize::from(id.is_some()) + usize::from(url.is_some()) + usize::from(sent.is_some()) > 1 {
            return Err(wrong(
                "Parameters.parameter",
                "Name one map: by its address, by url or as conceptMap.",
            ));
        }
        if let Some(id) = id {
            let map = self.read("ConceptMap", id).await?;
            return Ok(vec![endplate_fhir::json::stored(&map.body)]);
        }
        if let Some(map) = sent {
            if text(map, &["resourceType"]) != Some("ConceptMap") {
                return Err(cannot(
                    Code::Invalid,
                    "The parameter conceptMap is a ConceptMap resource; send one.",
                ));
            }
            return Ok(vec![map.clone()]);
        }
        let mut maps = self.stored_maps().await?;
        let Some(url) = url else {
            maps.retain(|map| text(map, &["status"]) == Some("active"));
            return Ok(maps);
        };
        let asked = url.split_once('|').map(|(_, version)| version.to_owned()).or(version);
        maps.retain(|map| {
            text(map, &["url"]) == Some(unversioned(&url))
                && asked.as_deref().is_none_or(|asked| text(map, &["version"]) == Some(asked))
        });
        if maps.is_empty() {
            let text = "There is no ConceptMap with this url and version here; store it first.";
            return Err(Refusal::new(Reason::NotFound, Issue::error(Code::NotFound, "", text)));
        }
        Ok(maps)
    }
}

/// A canonical URL without its version.
fn unversioned(url: &str) -> &str {
    url.split_once('|').map_or(url, |(url, _)| url)
}

fn question(inputs: &Inputs) -> Result<Question, Refusal> {
    let code = inputs.text("code")?;
    let coding = inputs.structure("coding")?;
    let concept = inputs.structure("codeableConcept")?;
    let codes = match (code, coding, concept) {
        (Some(code), None, None) => {
            let system = inputs.text("system")?.ok_or_else(|| missing("system"))?;
            vec![Coded { system, version: inputs.text("version")?, code }]
        }
        (None, Some(coding), None) => {
            let coded = coded(coding).ok_or_else(|| {
                wrong(
                    "Parameters.parameter.value",
                    "A coding to be translated has a system and a code; send both.",
                )
            })?;
            vec![coded]
        }
        (None, None, Some(concept)) => items(concept, "coding").filter_map(coded).collect(),
        (None, None, None) => return Err(missing("code (with system), coding or codeableConcept")),
        _ => {
            return Err(wrong(
                "Parameters.parameter",
                "Send one of code, coding and codeableConcept, not several.",
            ));
        }
    };
    let given = inputs.all("dependency").filter_map(|parts| {
        let part = |name: &str| parts.as_array()?.iter().find(|part| text(part, &["name"]) == Some(name));
        let element = part("element")?.get("valueUri")?.as_str()?.to_owned();
        Some((element, part("concept")?.get("valueCodeableConcept")?.clone()))
    });
    Ok(Question {
        codes,
        source: inputs.text("source")?,
        target: inputs.text("target")?,
        target_system: inputs.text("targetsystem")?,
        given: given.collect(),
        reverse: inputs.truth("reverse")?,
    })
}

fn coded(coding: &Json) -> Option<Coded> {
    Some(Coded {
        system: text(coding, &["system"])?.to_owned(),
        version: text(coding, &["version"]).map(str::to_owned),
        code: text(coding, &["code"])?.to_owned(),
    })
}

/// Every match that one map gives.
fn matches_in(map: &Json, question: &Question) -> Vec<Json> {
    let mut all = Vec::new();
    let (from, to) = if question.reverse { ("target", "source") } else { ("source", "target") };
    for group in items(map, "group") {
        let to_system = text(group, &[to]);
        if question.target_system.is_some() && question.target_system.as_deref() != to_system {
            continue;
        }
        let from_version = text(group, &[&format!("{from}Version")]);
        let asked = |code: Option<&str>| {
            question.codes.iter().any(|asked| {
                text(group, &[from]) == Some(asked.system.as_str())
                    && code == Some(asked.code.as_str())
                    && (asked.version.is_none()
                        || from_version.is_none()
                        || asked.version.as_deref() == from_version)
            })
        };
        for element in items(group, "element") {
            for target in items(element, "target") {
                let (source_end, target_end) =
                    if question.reverse { (target, element) } else { (element, target) };
                if asked(text(source_end, &["code"])) && depends_on(target, &question.given) {
                    all.push(found(map, to_system, target, target_end, question.reverse));
                }
            }
        }
    }
    all
}

/// Whether everything that a target depends on was given.
fn depends_on(target: &Json, given: &[(String, Json)]) -> bool {
    items(target, "dependsOn").all(|on| {
        given.iter().any(|(element, concept)| {
            let is = |coding: &Json| {
                text(coding, &["code"]) == text(on, &["value"])
                    && (on.get("system").is_none() || text(coding, &["system"]) == text(on, &["system"]))
            };
            text(on, &["property"]) == Some(element.as_str()) && items(concept, "coding").any(is)
        })
    })
}

/// One `match`; the equivalence is its first part.
fn found(map: &Json, system: Option<&str>, target: &Json, end: &Json, reverse: bool) -> Json {
    let equivalence = text(target, &["equivalence"]).unwrap_or("unmatched");
    let equivalence = match (reverse, equivalence) {
        (true, "wider") => "narrower",
        (true, "narrower") => "wider",
        (true, "subsumes") => "specializes",
        (true, "specializes") => "subsumes",
        (_, other) => other,
    };
    let mut parts = vec![json!({ "name": "equivalence", "valueCode": equivalence })];
    if let Some(code) = text(end, &["code"]) {
        let mut coding = json!({ "code": code });
        let more = [("system", system), ("display", text(end, &["display"]))];
        if let Some(members) = coding.as_object_mut() {
            members
                .extend(more.iter().filter_map(|(name, value)| Some(((*name).to_owned(), json!((*value)?)))));
        }
        parts.push(json!({ "name": "concept", "valueCoding": coding }));
    }
    if let Some(url) = text(map, &["url"]) {
        parts.push(json!({ "name": "source", "valueUri": url }));
    }
    json!({ "name": "match", "part": parts })
}
