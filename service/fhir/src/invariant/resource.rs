//! Invariants of clinical and administrative resources.

use super::datatype::{not_after, number};
use super::{Invariant, choice, has, is, object, objects, text};
use crate::decimal;
use crate::quantity::UCUM;
use crate::rule::{Members, kind_of};

const VERIFICATION: &str = "http://terminology.hl7.org/CodeSystem/condition-ver-status";
const CLINICAL: &str = "http://terminology.hl7.org/CodeSystem/condition-clinical";

fn is_coded(it: &Members, name: &str, system: &str, codes: &[&str]) -> bool {
    object(it, name).is_some_and(|concept| {
        objects(concept, "coding").any(|coding| {
            is(coding, "system", system) && text(coding, "code").is_some_and(|code| codes.contains(&code))
        })
    })
}

fn is_percent(quantity: Option<&Members>) -> bool {
    quantity.is_none_or(|one| is(one, "code", "%") && is(one, "system", UCUM))
}

fn is_wrong(condition: &Members) -> bool {
    is_coded(condition, "verificationStatus", VERIFICATION, &["entered-in-error"])
}

#[rustfmt::skip]
pub(super) const TABLE: &[Invariant] = &[
    Invariant {
        key: "pat-1", on: &["Patient_Contact"],
        send: "Send a name, telecom, address or organization of the contact.",
        holds: |it, _| ["name", "telecom", "address", "organization"].iter().any(|name| has(it, name)),
    },
    Invariant {
        key: "con-1", on: &["Condition_Stage"],
        send: "Send a summary or an assessment of the stage.",
        holds: |it, _| has(it, "summary") || has(it, "assessment"),
    },
    Invariant {
        key: "con-2", on: &["Condition_Evidence"],
        send: "Send a code or a detail of the evidence.",
        holds: |it, _| has(it, "code") || has(it, "detail"),
    },
    // The published expression compares a CodeableConcept with a string, so that any category demands the status.
    Invariant {
        key: "con-3", on: &["Condition"],
        send: "Consider a clinicalStatus: a Condition with a category should have one.",
        holds: |it, _| has(it, "clinicalStatus") || is_wrong(it) || !has(it, "category"),
    },
    Invariant {
        key: "con-4", on: &["Condition"],
        send: "Send clinicalStatus inactive, resolved or remission for a Condition that has abated.",
        holds: |it, _| !choice(it, "abatement")
            || is_coded(it, "clinicalStatus", CLINICAL, &["resolved", "remission", "inactive"]),
    },
    Invariant {
        key: "con-5", on: &["Condition"],
        send: "Leave clinicalStatus out of a Condition that was entered in error.",
        holds: |it, _| !is_wrong(it) || !has(it, "clinicalStatus"),
    },
    Invariant {
        key: "obs-3", on: &["Observation_ReferenceRange"],
        send: "Send a low, a high or a text of the reference range.",
        holds: |it, _| has(it, "low") || has(it, "high") || has(it, "text"),
    },
    Invariant {
        key: "obs-6", on: &["Observation"],
        send: "Send either a value or a dataAbsentReason.",
        holds: |it, _| !has(it, "dataAbsentReason") || !choice(it, "value"),
    },
    Invariant {
        key: "obs-7", on: &["Observation"],
        send: "Leave the value out: a component has the same code and carries it.",
        holds: |it, _| {
            let codings = |it| object(it, "code").and_then(|code| code.get("coding")).and_then(|all| all.as_array());
            let own = codings(it).map_or(&[][..], Vec::as_slice);
            !choice(it, "value")
                || !objects(it, "component").any(|one| codings(one).into_iter().flatten().any(|one| own.contains(one)))
        },
    },
    Invariant {
        key: "cpl-3", on: &["CarePlan_Activity"],
        send: "Send either a reference to the activity or its detail.",
        holds: |it, _| !has(it, "detail") || !has(it, "reference"),
    },
    Invariant {
        key: "gol-1", on: &["Goal_Target"],
        send: "Send the measure that the detail is a value of.",
        holds: |it, _| !choice(it, "detail") || has(it, "measure"),
    },
    Invariant {
        key: "inv-1", on: &["Task"],
        send: "Send a lastModified that is not before authoredOn.",
        holds: |it, _| not_after(text(it, "authoredOn"), text(it, "lastModified")),
    },
    Invariant {
        key: "ras-1", on: &["RiskAssessment_Prediction"],
        send: "Send low and high of the probability as percentages: code % and system http://unitsofmeasure.org.",
        holds: |it, _| object(it, "probabilityRange")
            .is_none_or(|range| is_percent(object(range, "low")) && is_percent(object(range, "high"))),
    },
    // R4 sets no lower bound in the expression; a probability below 0 is none.
    Invariant {
        key: "ras-2", on: &["RiskAssessment_Prediction"],
        send: "Send a probability from 0 to 100.",
        holds: |it, _| number(it, "probabilityDecimal")
            .is_none_or(|value| decimal::compare(value, "100").is_le() && decimal::compare(value, "0").is_ge()),
    },
    Invariant {
        key: "app-1", on: &["Appointment_Participant"],
        send: "Send the type or the actor of the participant.",
        holds: |it, _| has(it, "type") || has(it, "actor"),
    },
    Invariant {
        key: "app-2", on: &["Appointment"],
        send: "Send start and end together, or neither.",
        holds: |it, _| has(it, "start") == has(it, "end"),
    },
    // The human text omits waitlist; the expression has it and is followed.
    Invariant {
        key: "app-3", on: &["Appointment"],
        send: "Send start and end: only proposed, cancelled and wait-listed appointments do without.",
        holds: |it, _| (has(it, "start") && has(it, "end"))
            || text(it, "status").is_some_and(|status| matches!(status, "proposed" | "cancelled" | "waitlist")),
    },
    // The published expression spells the status no-show, which the required binding does not have: noshow is meant.
    Invariant {
        key: "app-4", on: &["Appointment"],
        send: "Leave cancelationReason out: only appointments that were cancelled or not kept have one.",
        holds: |it, _| !has(it, "cancelationReason")
            || text(it, "status").is_some_and(|status| matches!(status, "noshow" | "cancelled")),
    },
    Invariant {
        key: "sev-1", on: &["AuditEvent_Entity"],
        send: "Send either a name or a query of the entity.",
        holds: |it, _| !has(it, "name") || !has(it, "query"),
    },
    Invariant {
        key: "rqg-1", on: &["RequestGroup_Action"],
        send: "Send either a resource or actions inside this action.",
        holds: |it, _| has(it, "resource") != has(it, "action"),
    },
    Invariant {
        key: "prr-1", on: &["ServiceRequest"],
        send: "Send the code that orderDetail is about.",
        holds: |it, _| !has(it, "orderDetail") || has(it, "code"),
    },
    Invariant {
        key: "ctm-1", on: &["CareTeam_Participant"],
        send: "Leave onBehalfOf out: only a Practitioner takes part on behalf of an organization.",
        holds: |it, scope| !has(it, "onBehalfOf")
            || object(it, "member").and_then(|member| text(member, "reference")).and_then(|to| kind_of(to, scope))
                .is_none_or(|kind| kind == "Practitioner"),
    },
    Invariant {
        key: "org-1", on: &["Organization"],
        send: "Send an identifier or a name of the organization.",
        holds: |it, _| has(it, "identifier") || has(it, "name"),
    },
    Invariant {
        key: "org-2", on: &["Organization"],
        send: "Send no address for home use: an organization lives nowhere.",
        holds: |it, _| !objects(it, "address").any(|one| is(one, "use", "home")),
    },
    Invariant {
        key: "org-3", on: &["Organization"],
        send: "Send no telecom for home use: an organization lives nowhere.",
        holds: |it, _| !objects(it, "telecom").any(|one| is(one, "use", "home")),
    },
];
