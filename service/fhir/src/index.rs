//! What a resource can be found by: one table of (type, parameter, kind, paths), and the rows it yields.
//!
//! Names are those of R4's search parameters; the few that are this service's own are marked [`Param::ours`].

use crate::Json;
use crate::reference::Target;
use std::cmp::Ordering;
use std::collections::HashMap;
use std::hash::{Hash, Hasher};
use std::sync::LazyLock;

pub mod compartment;
mod system;
mod table;
mod target;
mod value;

/// One thing that a resource can be found by.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct IndexRow {
    /// The search parameter.
    pub param: &'static str,
    /// The value to be matched.
    pub value: IndexValue,
}

/// The value of an [`IndexRow`].
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum IndexValue {
    /// A code, an identifier, a telecom, a boolean, a URI or a canonical URL.
    Token {
        /// System of a Coding, Identifier or ContactPoint; nothing for plain codes, booleans and URLs.
        system: Option<String>,
        /// The code or value; empty if only a system was given.
        code: String,
    },
    /// An identifier with the code of its type, for `:of-type`.
    Typed {
        /// System of the type's code.
        system: String,
        /// The type's code.
        code: String,
        /// The identifier's value.
        value: String,
    },
    /// The business identifier of a reference, for `:identifier`.
    Identified {
        /// Its system.
        system: Option<String>,
        /// Its value.
        code: String,
    },
    /// A reference.
    Reference {
        /// Type of the resource; empty if it is none of this service.
        kind: String,
        /// Its id; the reference as it stands if it is none of this service, empty if there is only a display.
        id: String,
    },
    /// The interval that a date, an instant or a period may mean; an open end is [`i64::MIN`] or [`i64::MAX`].
    Date {
        /// First millisecond since the epoch.
        start_ms: i64,
        /// Last millisecond since the epoch.
        end_ms: i64,
    },
    /// A text as it stands.
    Text(String),
    /// A number, or an amount with its unit.
    Quantity {
        /// The least that it may be; [`f64::MIN`] for an open end.
        low: Number,
        /// The most that it may be; [`f64::MAX`] for an open end.
        high: Number,
        /// System of the unit's code; empty if there is none.
        system: String,
        /// Code of the unit; empty if there is none.
        code: String,
        /// The unit as people read it; empty if there is none.
        unit: String,
    },
}

/// A finite number that has an order.
#[derive(Clone, Copy, Debug)]
pub struct Number(pub f64);

impl PartialEq for Number {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Number {}
impl PartialOrd for Number {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Number {
    fn cmp(&self, other: &Self) -> Ordering {
        self.0.total_cmp(&other.0)
    }
}
impl Hash for Number {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.0.to_bits().hash(state);
    }
}

/// How a parameter is matched.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ParamKind {
    /// By code or identifier, with its system or without.
    Token,
    /// By the resource referred to.
    Reference,
    /// By interval.
    Date,
    /// By the beginning, without regard to case.
    Text,
    /// By the whole URI.
    Uri,
    /// By canonical URL, with its version or without. A reference in R4's terms.
    Canonical,
    /// By number, to the precision asked for.
    Number,
    /// By amount, to the precision asked for, and unit.
    Quantity,
}

impl ParamKind {
    /// The code of R4's SearchParameter.type.
    pub fn code(self) -> &'static str {
        match self {
            Self::Token => "token",
            Self::Reference | Self::Canonical => "reference",
            Self::Date => "date",
            Self::Text => "string",
            Self::Uri => "uri",
            Self::Number => "number",
            Self::Quantity => "quantity",
        }
    }
}

/// A search parameter of one type.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Param {
    /// Its name in a query.
    pub name: &'static str,
    /// How it is matched.
    pub kind: ParamKind,
    /// Where its values stand: member names from the resource's root, through any arrays.
    pub paths: &'static [&'static str],
    /// The only type of resource it may lead to, if there is one.
    pub target: Option<&'static str>,
    /// The only system of a ContactPoint that it reads, if there is one.
    pub system: Option<&'static str>,
    /// The parameters among whose rows its values are; empty if it has rows of its own.
    pub held_in: &'static [&'static str],
    /// Whether it is this service's own and not one of R4's.
    pub ours: bool,
}

/// The parameters of a type, those of all types first; none for a type that is not accepted. For the
/// CapabilityStatement, and for messages that list what can be asked.
pub fn params(kind: &str) -> &'static [Param] {
    static PARAMS: LazyLock<HashMap<&'static str, Vec<Param>>> = LazyLock::new(|| {
        table::BY_TYPE.iter().map(|(kind, own)| (*kind, [table::COMMON, own].concat())).collect()
    });
    PARAMS.get(kind).map_or(&[], Vec::as_slice)
}

/// The parameter `name` of a type.
pub fn param(kind: &str, name: &str) -> Option<&'static Param> {
    params(kind).iter().find(|param| param.name == name)
}

/// Every parameter that leads to another resource, as `Type.parameter`. AuditEvents are left out: they name what may be gone, and are
/// more than everything else together.
pub fn reference_params() -> Vec<String> {
    let of = |(kind, params): &(&str, &[Param])| {
        let params = params.iter().filter(|param| param.kind == ParamKind::Reference);
        params.map(|param| format!("{kind}.{}", param.name)).collect::<Vec<_>>()
    };
    table::BY_TYPE.iter().filter(|(kind, _)| *kind != "AuditEvent").flat_map(of).collect()
}

/// The types to which a reference parameter may lead, of those that are stored; nothing if to any.
pub fn targets(kind: &str, name: &str) -> Option<&'static [&'static str]> {
    let of_kind = target::BY_TYPE.iter().find(|(one, _)| *one == kind)?;
    of_kind.1.iter().find(|(one, _)| *one == name).map(|(_, targets)| *targets)
}

/// The system of a parameter's plain codes, such as `http://hl7.org/fhir/task-status`.
pub fn implicit_system(kind: &str, name: &str) -> Option<&'static str> {
    system::BY_PARAMETER.iter().find(|(one, param, _)| *one == kind && *param == name).map(|found| found.2)
}

/// All that a resource can be found by, each row once. `base` is the URL of this service, for absolute references.
/// `_id` yields no row: the id is the key. Nor does a parameter that is [`Param::held_in`] others. A value that is no date
/// and no number yields none.
pub fn rows(value: &Json, base: &str) -> Vec<IndexRow> {
    let kind = value.get("resourceType").and_then(Json::as_str).unwrap_or_default();
    let mut rows = Vec::new();
    for param in params(kind).iter().filter(|param| param.held_in.is_empty()) {
        let begin = rows.len();
        value::each(value, param, base, &mut |value| {
            let row = IndexRow { param: param.name, value };
            if !rows.iter().skip(begin).any(|known| *known == row) {
                rows.push(row);
            }
        });
    }
    rows
}

/// The first resource of this service that a reference parameter leads to.
pub(crate) fn first_target(value: &Json, kind: &str, name: &str, base: &str) -> Option<Target> {
    let mut first = None;
    value::each(value, param(kind, name)?, base, &mut |found| {
        if let IndexValue::Reference { kind, id } = found
            && first.is_none()
            && !kind.is_empty()
        {
            first = Some(Target { kind, id });
        }
    });
    first
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn plain(code: &str) -> IndexValue {
        IndexValue::Token { system: None, code: code.to_owned() }
    }

    fn values(resource: &Json, name: &str) -> Vec<IndexValue> {
        rows(resource, "https://records.example/fhir")
            .into_iter()
            .filter(|row| row.param == name)
            .map(|row| row.value)
            .collect()
    }

    #[test]
    fn every_accepted_type_has_parameters_with_unique_names() {
        for kind in crate::TYPES {
            let params = params(kind);
            assert!(params.len() > table::COMMON.len(), "{kind}");
            let mut names: Vec<_> = params.iter().map(|param| param.name).collect();
            names.sort_unstable();
            names.dedup();
            assert_eq!(names.len(), params.len(), "{kind}");
        }
        assert_eq!(table::BY_TYPE.len(), crate::TYPES.len());
    }

    // R4 search, date: the boundaries of a Period; an open end counts as unbounded.
    #[test]
    fn periods_and_timings() {
        let task = |period: Json| json!({ "resourceType": "Task", "restriction": { "period": period } });
        assert_eq!(
            values(&task(json!({ "start": "1970-01-01", "end": "1970-01-02" })), "due"),
            [IndexValue::Date { start_ms: 0, end_ms: 2 * 86_400_000 - 1 }]
        );
        assert_eq!(
            values(&task(json!({ "start": "1970-01-02" })), "due"),
            [IndexValue::Date { start_ms: 86_400_000, end_ms: i64::MAX }]
        );
        assert_eq!(
            values(&task(json!({ "end": "1970-01-01" })), "due"),
            [IndexValue::Date { start_ms: i64::MIN, end_ms: 86_399_999 }]
        );
        assert_eq!(values(&task(json!({ "start": "soon" })), "due"), []);
        let request = json!({ "resourceType": "ServiceRequest",
            "occurrenceTiming": { "event": ["1970-01-03", "1970-01-01"] } });
        assert_eq!(
            values(&request, "occurrence"),
            [IndexValue::Date { start_ms: 0, end_ms: 3 * 86_400_000 - 1 }]
        );
    }

    #[test]
    fn canonicals_with_and_without_version() {
        let plan = json!({ "resourceType": "CarePlan", "instantiatesCanonical": ["https://x.example/P|1"] });
        assert_eq!(
            values(&plan, "instantiates-canonical"),
            [plain("https://x.example/P|1"), plain("https://x.example/P")]
        );
    }

    // The alert of contract section 4, as R4 has it.
    #[test]
    fn an_alert_is_found_by_what_it_is_about() {
        let alert = json!({ "resourceType": "DetectedIssue", "status": "final", "severity": "high",
            "code": { "coding": [{ "system": "https://x.example/k", "code": "late" }, { "code": "l" }] },
            "patient": { "reference": "Patient/1" },
            "identifiedPeriod": { "start": "1970-01-01T00:00:01Z" },
            "implicated": [{ "reference": "CarePlan/a" }, { "reference": "Task/b/_history/3" }, { "display": "c" }] });
        let reference = |kind: &str, id: &str| IndexValue::Reference { kind: kind.into(), id: id.into() };
        assert_eq!(values(&alert, "severity"), [plain("high")]);
        assert_eq!(values(&alert, "patient"), [reference("Patient", "1")]);
        // One with only a display is there, but is found by no id.
        let implicated = [reference("CarePlan", "a"), reference("Task", "b"), reference("", "")];
        assert_eq!(values(&alert, "implicated"), implicated);
        assert_eq!(values(&alert, "identified"), [IndexValue::Date { start_ms: 1000, end_ms: i64::MAX }]);
        let late = IndexValue::Token { system: Some("https://x.example/k".into()), code: "late".into() };
        assert_eq!(values(&alert, "code"), [late, plain("l")]);
    }

    #[test]
    fn a_telecom_keeps_its_system_so_that_phone_and_email_need_no_rows() {
        let patient =
            json!({ "resourceType": "Patient", "telecom": [{ "system": "phone", "value": "555" }] });
        let phone = IndexValue::Token { system: Some("phone".into()), code: "555".into() };
        assert_eq!((values(&patient, "telecom"), values(&patient, "phone")), (vec![phone], vec![]));
    }

    #[test]
    fn what_is_held_in_other_parameters_is_held_there_whole() {
        for kind in crate::TYPES {
            for param in params(kind).iter().filter(|param| !param.held_in.is_empty()) {
                let holders = param.held_in.iter().map(|name| super::param(kind, name).unwrap());
                let paths: Vec<&str> = holders.flat_map(|holder| holder.paths).copied().collect();
                assert_eq!(paths, param.paths, "{kind} {}", param.name);
            }
        }
    }
}
