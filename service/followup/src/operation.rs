//! What operations are given and give: FHIR R4 operations.html.

pub mod apply;
pub mod compare;
mod everything;
mod lastn;
pub mod meta;
mod report;
mod subscription;
mod validate;

pub use subscription::EVENTS_MAX;

use crate::refusal::{Reason, Refusal};
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use jiff::civil::Date;
use serde_json::json;

/// An operation that is offered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Operation {
    /// Its name, without `$`.
    pub name: &'static str,
    /// The type it is offered on; none for every type.
    pub kind: Option<&'static str>,
    /// Offered at `Type/$name`.
    pub on_type: bool,
    /// Offered at `Type/id/$name`.
    pub on_instance: bool,
    /// Whether it stores something. Only operations that store nothing are offered by GET.
    pub affects_state: bool,
    /// The canonical URL of its OperationDefinition.
    pub definition: &'static str,
    /// What R4 leaves open and how it is settled here.
    pub documentation: &'static str,
}

/// Every operation that is offered. The routes and the CapabilityStatement say the same.
pub const OFFERED: &[Operation] = &[
    Operation {
        name: "validate",
        kind: None,
        on_type: true,
        on_instance: true,
        affects_state: false,
        definition: "http://hl7.org/fhir/OperationDefinition/Resource-validate",
        documentation: "Decides as a write would and stores nothing: create at a type, update at an instance, unless mode says otherwise. Without an error in the outcome the write would be accepted.",
    },
    Operation {
        name: "meta",
        kind: None,
        on_type: false,
        on_instance: true,
        affects_state: false,
        definition: "http://hl7.org/fhir/OperationDefinition/Resource-meta",
        documentation: "Of an instance only.",
    },
    Operation {
        name: "meta-add",
        kind: None,
        on_type: false,
        on_instance: true,
        affects_state: true,
        definition: "http://hl7.org/fhir/OperationDefinition/Resource-meta-add",
        documentation: "A change makes a new version. Resources that the service derives are not labelled.",
    },
    Operation {
        name: "meta-delete",
        kind: None,
        on_type: false,
        on_instance: true,
        affects_state: true,
        definition: "http://hl7.org/fhir/OperationDefinition/Resource-meta-delete",
        documentation: "A change makes a new version. Resources that the service derives are not labelled.",
    },
    Operation {
        name: "everything",
        kind: Some("Patient"),
        on_type: false,
        on_instance: true,
        affects_state: false,
        definition: "http://hl7.org/fhir/OperationDefinition/Patient-everything",
        documentation: "The compartment, the Tasks for the patient and the Provenance of all of it, though R4 leaves these out of the compartment, and what they refer to. Whole without _count, else by pages; a resource without a date of care is within any start and end.",
    },
    Operation {
        name: "protocol-preview",
        kind: Some("Patient"),
        on_type: false,
        on_instance: true,
        affects_state: false,
        definition: "https://endplate.example/fhir/OperationDefinition/Patient-protocol-preview",
        documentation: "What would change if the plans of this patient followed the protocol now in force; they keep the version they were made by until they are moved. Stores nothing.",
    },
    Operation {
        name: "protocol-move",
        kind: Some("Patient"),
        on_type: false,
        on_instance: true,
        affects_state: true,
        definition: "https://endplate.example/fhir/OperationDefinition/Patient-protocol-move",
        documentation: "Moves the plans of this patient to the protocol now in force, and says what changed.",
    },
    Operation {
        name: "lastn",
        kind: Some("Observation"),
        on_type: true,
        on_instance: false,
        affects_state: false,
        definition: "http://hl7.org/fhir/OperationDefinition/Observation-lastn",
        documentation: "Needs patient or subject, and category or code.",
    },
    Operation {
        name: "translate",
        kind: Some("ConceptMap"),
        on_type: true,
        on_instance: true,
        affects_state: false,
        definition: "http://hl7.org/fhir/OperationDefinition/ConceptMap-translate",
        documentation: "By the stored map that is named, or else by all that are active; group.unmapped is not applied, since that would be a guess.",
    },
    Operation {
        name: "unmapped",
        kind: Some("ConceptMap"),
        on_type: true,
        on_instance: false,
        affects_state: false,
        definition: "https://endplate.example/fhir/OperationDefinition/ConceptMap-unmapped",
        documentation: "The codes of stored Procedures and Observations that no active map translates, with counts, most frequent first.",
    },
    Operation {
        name: "assess",
        kind: Some("CarePlan"),
        on_type: false,
        on_instance: true,
        affects_state: false,
        definition: "https://endplate.example/fhir/OperationDefinition/CarePlan-assess",
        documentation: "A derived plan as it would be on the date asOf; stores nothing.",
    },
    Operation {
        name: "status",
        kind: Some("Subscription"),
        on_type: true,
        on_instance: true,
        affects_state: false,
        definition: "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-status",
        documentation: "Of Subscriptions by search too. Without id and status, of all; several values of one are alternatives.",
    },
    Operation {
        name: "events",
        kind: Some("Subscription"),
        on_type: false,
        on_instance: true,
        affects_state: false,
        definition: "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-events",
        documentation: "Events are kept for ever. One answer holds at most 100, the first of those asked for: go on from the number after the last. Never more content than the Subscription has. Of Subscriptions by search too.",
    },
    Operation {
        name: "chart",
        kind: Some("RiskAssessment"),
        on_type: false,
        on_instance: true,
        affects_state: false,
        definition: "https://endplate.example/fhir/OperationDefinition/RiskAssessment-chart",
        documentation: "The recovery chart of the repair that a derived RiskAssessment is about: the stored DiagnosticReport with the picture itself, as SVG and as PDF, in presentedForm. With Accept: image/svg+xml or application/pdf, or format=svg or format=pdf, the picture alone. Stores nothing.",
    },
    Operation {
        name: "apply",
        kind: Some("PlanDefinition"),
        on_type: true,
        on_instance: true,
        affects_state: false,
        definition: "https://endplate.example/fhir/OperationDefinition/PlanDefinition-apply",
        documentation: "R4's $apply of nerve-repair-follow-up, with the inputs resource (0..*: records that are not stored) and asOf (date). One subject, a Patient. The inputs that say who asks and where change nothing. Stores nothing.",
    },
    Operation {
        name: "unit-report",
        kind: Some("PlanDefinition"),
        on_type: false,
        on_instance: true,
        affects_state: false,
        definition: "https://endplate.example/fhir/OperationDefinition/PlanDefinition-unit-report",
        documentation: "Counts of the days from start to end as a summary MeasureReport: reviews, time from stall to alert, outcomes, arrest causes, first signs against their windows. Nothing about single patients.",
    },
    Operation {
        name: "compare-options",
        kind: Some("PlanDefinition"),
        on_type: false,
        on_instance: true,
        affects_state: false,
        definition: "https://endplate.example/fhir/OperationDefinition/PlanDefinition-compare-options",
        documentation: "Candidate repairs of one injury side by side, each a Procedure with status preparation in a parameter resource; a Bundle with a Composition, which holds the table, and one RiskAssessment a candidate. Recommends nothing, ranks nothing, stores nothing.",
    },
];

/// What an operation is given: named values, from a query or from a Parameters resource.
#[derive(Clone, Debug, Default)]
pub struct Inputs {
    /// Each with its name and its value: a primitive, a data type, a resource, or the array of its parts.
    all: Vec<(String, Json)>,
}

impl Inputs {
    /// Primitive values of a query.
    pub fn of_query(pairs: Vec<(String, String)>) -> Self {
        Self { all: pairs.into_iter().map(|(name, value)| (name, Json::String(value))).collect() }
    }

    /// Adds what a body holds: the parameters of a Parameters resource, or the one resource that is the parameter `resource`.
    ///
    /// # Errors
    /// A parameter without a name, or without exactly one value.
    pub fn add_body(&mut self, body: Json) -> Result<(), Refusal> {
        if body.get("resourceType").and_then(Json::as_str) != Some("Parameters") {
            self.all.push(("resource".to_owned(), body));
            return Ok(());
        }
        let Json::Object(mut members) = body else { return Ok(()) };
        let parameters = match members.shift_remove("parameter") {
            None => Vec::new(),
            Some(Json::Array(parameters)) => parameters,
            Some(_) => return Err(wrong("Parameters.parameter", "Send the parameters as an array.")),
        };
        for (index, parameter) in parameters.into_iter().enumerate() {
            let at = format!("Parameters.parameter[{index}]");
            let (name, value) = read(parameter, &at)?;
            self.all.push((name, value));
        }
        Ok(())
    }

    /// Refuses inputs that are not `known`: what is not heeded must not look heeded.
    ///
    /// # Errors
    /// One of them is not.
    pub fn only(&self, known: &[&str]) -> Result<(), Refusal> {
        if self.all.iter().all(|(name, _)| known.contains(&name.as_str())) {
            return Ok(());
        }
        let text = match known {
            [] => "This operation takes no parameters; leave them out.".to_owned(),
            _ => format!(
                "A parameter of this operation is not known. Send of these only: {}.",
                known.join(", ")
            ),
        };
        Err(wrong("Parameters.parameter.name", text))
    }

    /// All inputs as the pairs of a query.
    ///
    /// # Errors
    /// One of them is no plain value.
    pub fn pairs(&self) -> Result<Vec<(String, String)>, Refusal> {
        let pair = |(name, value): &(String, Json)| match value {
            Json::String(text) => Ok((name.clone(), text.clone())),
            Json::Bool(_) | Json::Number(_) => Ok((name.clone(), value.to_string())),
            _ => Err(wrong(
                "Parameters.parameter.value",
                "Every parameter of this operation is a plain value.",
            )),
        };
        self.all.iter().map(pair).collect()
    }

    /// All values of one name.
    pub fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a Json> {
        self.all.iter().filter(move |(other, _)| other == name).map(|(_, value)| value)
    }

    /// The one value of a name.
    ///
    /// # Errors
    /// There are several.
    pub fn one<'a>(&'a self, name: &'a str) -> Result<Option<&'a Json>, Refusal> {
        let mut all = self.all(name);
        match (all.next(), all.next()) {
            (one, None) => Ok(one),
            _ => Err(wrong("Parameters.parameter", format!("Send the parameter {name} once."))),
        }
    }

    /// The one value of a name, a primitive.
    ///
    /// # Errors
    /// There are several, or it is no primitive.
    pub fn text(&self, name: &str) -> Result<Option<String>, Refusal> {
        match self.one(name)? {
            None => Ok(None),
            Some(Json::String(text)) => Ok(Some(text.clone())),
            Some(value @ (Json::Bool(_) | Json::Number(_))) => Ok(Some(value.to_string())),
            Some(_) => Err(wrong(
                "Parameters.parameter.value",
                format!("The parameter {name} is a plain value; send it so."),
            )),
        }
    }

    /// The one value of a name, a structure: not a plain value.
    ///
    /// # Errors
    /// There are several, or it is a plain value, as in a query.
    pub fn structure<'a>(&'a self, name: &'a str) -> Result<Option<&'a Json>, Refusal> {
        match self.one(name)? {
            Some(value) if !value.is_object() => Err(wrong(
                "Parameters.parameter.value",
                format!("The parameter {name} is a structure: send it by POST in a Parameters resource."),
            )),
            value => Ok(value),
        }
    }

    /// The one value of a name, `true` or `false`; false if it is not sent.
    ///
    /// # Errors
    /// There are several, or it is neither.
    pub fn truth(&self, name: &str) -> Result<bool, Refusal> {
        match self.text(name)?.as_deref() {
            None | Some("false") => Ok(false),
            Some("true") => Ok(true),
            Some(_) => Err(wrong("Parameters.parameter.value", format!("Send {name} as true or false."))),
        }
    }

    /// The one value of a name, a whole day.
    ///
    /// # Errors
    /// There are several, or it is no day.
    pub fn day(&self, name: &str) -> Result<Option<Date>, Refusal> {
        let Some(text) = self.text(name)? else { return Ok(None) };
        let day = if text.len() == 10 { text.parse().ok() } else { None };
        match day {
            Some(day) => Ok(Some(day)),
            None => Err(wrong(
                "Parameters.parameter.value",
                format!("Send {name} as a date, for example 2026-09-01."),
            )),
        }
    }

    /// The one value of a name, a whole number of at least 1.
    ///
    /// # Errors
    /// There are several, or it is no such number.
    pub fn count(&self, name: &str) -> Result<Option<usize>, Refusal> {
        let Some(text) = self.text(name)? else { return Ok(None) };
        match text.parse::<usize>() {
            Ok(count) if count > 0 => Ok(Some(count)),
            _ => Err(wrong(
                "Parameters.parameter.value",
                format!("Send {name} as a whole number of at least 1."),
            )),
        }
    }

    /// The one value of a name, which must be there.
    ///
    /// # Errors
    /// It is not; or as for [`Inputs::text`].
    pub fn required(&self, name: &str) -> Result<String, Refusal> {
        self.text(name)?.filter(|text| !text.is_empty()).ok_or_else(|| missing(name))
    }
}

/// Name and value of one parameter.
fn read(parameter: Json, at: &str) -> Result<(String, Json), Refusal> {
    let Json::Object(members) = parameter else {
        return Err(wrong(at, "Send each parameter as an object with a name and a value."));
    };
    let Some(name) = members.get("name").and_then(Json::as_str).map(str::to_owned) else {
        return Err(wrong(&format!("{at}.name"), "Name the parameter."));
    };
    let is_value = |name: &str| name.starts_with("value") || matches!(name, "resource" | "part");
    let mut values = members.into_iter().filter(|(name, _)| is_value(name)).map(|(_, value)| value);
    match (values.next(), values.next()) {
        (Some(value), None) => Ok((name, value)),
        _ => Err(wrong(at, "Give the parameter one value: value[x], resource or part (R4 invariant inv-1).")),
    }
}

/// A Parameters resource; without parameters there is no array, as R4 wants.
pub fn parameters(all: Vec<Json>) -> Json {
    let mut resource = json!({ "resourceType": "Parameters" });
    if let (Some(members), false) = (resource.as_object_mut(), all.is_empty()) {
        members.insert("parameter".to_owned(), Json::Array(all));
    }
    resource
}

/// Something about the request cannot be used.
pub(crate) fn wrong(expression: &str, text: impl Into<String>) -> Refusal {
    Refusal::new(Reason::Malformed, Issue::error(Code::Invalid, expression, text))
}

/// A parameter that must be there is not.
pub(crate) fn missing(name: &str) -> Refusal {
    let text = format!("This operation needs the parameter {name}; send it.");
    Refusal::new(Reason::Malformed, Issue::error(Code::Required, "Parameters.parameter", text))
}

/// What can be read but not be done.
pub(crate) fn cannot(code: Code, text: impl Into<String>) -> Refusal {
    Refusal::new(Reason::Unprocessable, Issue::error(code, "Parameters.parameter", text))
}
