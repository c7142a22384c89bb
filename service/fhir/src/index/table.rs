//! The table: for each type its search parameters and the elements they read.
//!
//! Source: FHIR R4 search parameter registry. `ours` marks the parameters that this service adds.

use super::{Param, ParamKind};

type Paths = &'static [&'static str];

const fn of(name: &'static str, kind: ParamKind, paths: Paths) -> Param {
    Param { name, kind, paths, target: None, ours: false }
}
const fn token(name: &'static str, paths: Paths) -> Param {
    of(name, ParamKind::Token, paths)
}
const fn reference(name: &'static str, paths: Paths) -> Param {
    of(name, ParamKind::Reference, paths)
}
const fn date(name: &'static str, paths: Paths) -> Param {
    of(name, ParamKind::Date, paths)
}
const fn text(name: &'static str, paths: Paths) -> Param {
    of(name, ParamKind::Text, paths)
}
const fn uri(name: &'static str, paths: Paths) -> Param {
    of(name, ParamKind::Uri, paths)
}
const fn canonical(name: &'static str, paths: Paths) -> Param {
    of(name, ParamKind::Canonical, paths)
}
const fn to(target: &'static str, param: Param) -> Param {
    Param { target: Some(target), ..param }
}
const fn patient(paths: Paths) -> Param {
    to("Patient", reference("patient", paths))
}
const fn ours(param: Param) -> Param {
    Param { ours: true, ..param }
}
const fn identifier() -> Param {
    token("identifier", &["identifier"])
}
const fn status() -> Param {
    token("status", &["status"])
}

/// Of every type. `_id` has no path: the id is the key of the resource.
pub(super) const COMMON: &[Param] = &[
    token("_id", &[]),
    date("_lastUpdated", &["meta.lastUpdated"]),
    token("_tag", &["meta.tag"]),
    token("_security", &["meta.security"]),
    uri("_profile", &["meta.profile"]),
];

/// By type, sorted.
#[rustfmt::skip]
pub(super) const BY_TYPE: &[(&str, &[Param])] = &[
    ("Appointment", &[
        identifier(), status(),
        reference("actor", &["participant.actor"]),
        patient(&["participant.actor"]),
        to("Practitioner", reference("practitioner", &["participant.actor"])),
        to("Location", reference("location", &["participant.actor"])),
        reference("based-on", &["basedOn"]),
        date("date", &["start"]),
        token("part-status", &["participant.status"]),
        token("service-type", &["serviceType"]),
        token("appointment-type", &["appointmentType"]),
        token("reason-code", &["reasonCode"]),
        reference("reason-reference", &["reasonReference"]),
    ]),
    ("AuditEvent", &[
        date("date", &["recorded"]),
        reference("agent", &["agent.who"]),
        reference("entity", &["entity.what"]),
        patient(&["agent.who", "entity.what"]),
        reference("source", &["source.observer"]),
        token("type", &["type"]),
        token("subtype", &["subtype"]),
        token("action", &["action"]),
        token("outcome", &["outcome"]),
    ]),
    ("Binary", &[
        ours(patient(&["securityContext"])),
        ours(token("content-type", &["contentType"])),
    ]),
    ("CarePlan", &[
        identifier(), status(),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        token("intent", &["intent"]),
        token("category", &["category"]),
        date("date", &["period"]),
        reference("condition", &["addresses"]),
        reference("goal", &["goal"]),
        reference("care-team", &["careTeam"]),
        reference("encounter", &["encounter"]),
        reference("activity-reference", &["activity.reference"]),
        reference("based-on", &["basedOn"]),
        reference("part-of", &["partOf"]),
        reference("replaces", &["replaces"]),
        canonical("instantiates-canonical", &["instantiatesCanonical"]),
    ]),
    ("CareTeam", &[
        identifier(), status(),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        reference("participant", &["participant.member"]),
        reference("encounter", &["encounter"]),
        token("category", &["category"]),
        date("date", &["period"]),
    ]),
    ("Communication", &[
        identifier(), status(),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        reference("recipient", &["recipient"]),
        reference("sender", &["sender"]),
        reference("based-on", &["basedOn"]),
        reference("part-of", &["partOf"]),
        reference("encounter", &["encounter"]),
        ours(reference("about", &["about"])),
        token("category", &["category"]),
        ours(token("priority", &["priority"])),
        date("sent", &["sent"]),
        date("received", &["received"]),
    ]),
    ("ConceptMap", &[
        identifier(), status(),
        uri("url", &["url"]),
        token("version", &["version"]),
        text("name", &["name"]),
        text("title", &["title"]),
        date("date", &["date"]),
        uri("source-system", &["group.source"]),
        uri("target-system", &["group.target"]),
        token("source-code", &["group.element.code"]),
        token("target-code", &["group.element.target.code"]),
    ]),
    ("Condition", &[
        identifier(),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        token("code", &["code"]),
        token("category", &["category"]),
        token("clinical-status", &["clinicalStatus"]),
        token("verification-status", &["verificationStatus"]),
        token("severity", &["severity"]),
        token("body-site", &["bodySite"]),
        reference("encounter", &["encounter"]),
        reference("asserter", &["asserter"]),
        date("onset-date", &["onsetDateTime", "onsetPeriod"]),
        date("abatement-date", &["abatementDateTime", "abatementPeriod"]),
        date("recorded-date", &["recordedDate"]),
    ]),
    ("DetectedIssue", &[
        identifier(),
        ours(status()),
        patient(&["patient"]),
        token("code", &["code"]),
        ours(token("severity", &["severity"])),
        date("identified", &["identifiedDateTime", "identifiedPeriod"]),
        reference("implicated", &["implicated"]),
        reference("author", &["author"]),
    ]),
    ("Device", &[
        identifier(), status(),
        patient(&["patient"]),
        token("type", &["type"]),
        text("device-name", &["deviceName.name", "type.coding.display", "type.text"]),
        text("manufacturer", &["manufacturer"]),
        text("model", &["modelNumber"]),
        reference("organization", &["owner"]),
        reference("location", &["location"]),
        uri("url", &["url"]),
    ]),
    ("DiagnosticReport", &[
        identifier(), status(),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        token("code", &["code"]),
        token("category", &["category"]),
        date("date", &["effectiveDateTime", "effectivePeriod"]),
        date("issued", &["issued"]),
        reference("based-on", &["basedOn"]),
        reference("encounter", &["encounter"]),
        reference("performer", &["performer"]),
        reference("result", &["result"]),
    ]),
    ("DocumentReference", &[
        token("identifier", &["masterIdentifier", "identifier"]),
        status(),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        token("type", &["type"]),
        token("category", &["category"]),
        date("date", &["date"]),
        date("period", &["context.period"]),
        reference("author", &["author"]),
        reference("encounter", &["context.encounter"]),
        reference("related", &["context.related"]),
    ]),
    ("Encounter", &[
        identifier(), status(),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        token("class", &["class"]),
        token("type", &["type"]),
        date("date", &["period"]),
        reference("based-on", &["basedOn"]),
        reference("appointment", &["appointment"]),
        reference("part-of", &["partOf"]),
        reference("participant", &["participant.individual"]),
        to("Practitioner", reference("practitioner", &["participant.individual"])),
        reference("location", &["location.location"]),
        reference("service-provider", &["serviceProvider"]),
        token("reason-code", &["reasonCode"]),
        reference("reason-reference", &["reasonReference"]),
    ]),
    ("Flag", &[
        identifier(),
        ours(status()),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        reference("author", &["author"]),
        reference("encounter", &["encounter"]),
        ours(token("category", &["category"])),
        ours(token("code", &["code"])),
        date("date", &["period"]),
    ]),
    ("Goal", &[
        identifier(),
        token("lifecycle-status", &["lifecycleStatus"]),
        token("achievement-status", &["achievementStatus"]),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        token("category", &["category"]),
        date("start-date", &["startDate"]),
        date("target-date", &["target.dueDate"]),
    ]),
    ("Location", &[
        identifier(), status(),
        text("name", &["name", "alias"]),
        text("address", &["address"]),
        token("type", &["type"]),
        reference("organization", &["managingOrganization"]),
        reference("partof", &["partOf"]),
    ]),
    ("Observation", &[
        identifier(), status(),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        token("code", &["code"]),
        token("category", &["category"]),
        date("date", &["effectiveDateTime", "effectivePeriod", "effectiveInstant", "effectiveTiming"]),
        reference("focus", &["focus"]),
        reference("based-on", &["basedOn"]),
        reference("part-of", &["partOf"]),
        reference("encounter", &["encounter"]),
        reference("performer", &["performer"]),
        reference("device", &["device"]),
        reference("derived-from", &["derivedFrom"]),
        reference("has-member", &["hasMember"]),
        token("method", &["method"]),
        token("component-code", &["component.code"]),
        token("combo-code", &["code", "component.code"]),
        token("value-concept", &["valueCodeableConcept"]),
        date("value-date", &["valueDateTime", "valuePeriod"]),
    ]),
    ("Organization", &[
        identifier(),
        token("active", &["active"]),
        text("name", &["name", "alias"]),
        text("address", &["address"]),
        token("type", &["type"]),
        reference("partof", &["partOf"]),
    ]),
    ("Patient", &[
        identifier(),
        token("active", &["active"]),
        text("name", &["name"]),
        text("family", &["name.family"]),
        text("given", &["name.given"]),
        date("birthdate", &["birthDate"]),
        date("death-date", &["deceasedDateTime"]),
        token("gender", &["gender"]),
        token("telecom", &["telecom"]),
        text("address", &["address"]),
        reference("general-practitioner", &["generalPractitioner"]),
        reference("organization", &["managingOrganization"]),
        reference("link", &["link.other"]),
    ]),
    ("Practitioner", &[
        identifier(),
        token("active", &["active"]),
        text("name", &["name"]),
        text("family", &["name.family"]),
        text("given", &["name.given"]),
        token("telecom", &["telecom"]),
        text("address", &["address"]),
    ]),
    ("PractitionerRole", &[
        identifier(),
        token("active", &["active"]),
        reference("practitioner", &["practitioner"]),
        reference("organization", &["organization"]),
        reference("location", &["location"]),
        token("role", &["code"]),
        token("specialty", &["specialty"]),
        token("telecom", &["telecom"]),
        date("date", &["period"]),
    ]),
    ("Procedure", &[
        identifier(), status(),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        token("code", &["code"]),
        token("category", &["category"]),
        date("date", &["performedDateTime", "performedPeriod"]),
        reference("based-on", &["basedOn"]),
        reference("part-of", &["partOf"]),
        reference("encounter", &["encounter"]),
        reference("performer", &["performer.actor"]),
        reference("location", &["location"]),
        token("reason-code", &["reasonCode"]),
        reference("reason-reference", &["reasonReference"]),
        canonical("instantiates-canonical", &["instantiatesCanonical"]),
    ]),
    ("Provenance", &[
        reference("target", &["target"]),
        patient(&["target"]),
        reference("agent", &["agent.who"]),
        token("agent-type", &["agent.type"]),
        reference("entity", &["entity.what"]),
        date("recorded", &["recorded"]),
        date("when", &["occurredDateTime"]),
    ]),
    ("RiskAssessment", &[
        identifier(),
        ours(status()),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        date("date", &["occurrenceDateTime"]),
        reference("condition", &["condition"]),
        reference("encounter", &["encounter"]),
        reference("performer", &["performer"]),
        token("method", &["method"]),
    ]),
    ("ServiceRequest", &[
        identifier(), status(),
        reference("subject", &["subject"]),
        patient(&["subject"]),
        token("code", &["code"]),
        token("category", &["category"]),
        token("intent", &["intent"]),
        token("priority", &["priority"]),
        date("occurrence", &["occurrenceDateTime", "occurrencePeriod", "occurrenceTiming"]),
        date("authored", &["authoredOn"]),
        reference("based-on", &["basedOn"]),
        reference("replaces", &["replaces"]),
        reference("encounter", &["encounter"]),
        reference("performer", &["performer"]),
        reference("requester", &["requester"]),
        token("body-site", &["bodySite"]),
        canonical("instantiates-canonical", &["instantiatesCanonical"]),
    ]),
    ("Subscription", &[
        status(),
        text("criteria", &["criteria"]),
        uri("url", &["channel.endpoint"]),
        token("type", &["channel.type"]),
        token("payload", &["channel.payload"]),
        token("contact", &["contact"]),
    ]),
    ("Task", &[
        identifier(), status(),
        reference("subject", &["for"]),
        patient(&["for"]),
        token("code", &["code"]),
        token("intent", &["intent"]),
        token("priority", &["priority"]),
        token("business-status", &["businessStatus"]),
        token("group-identifier", &["groupIdentifier"]),
        reference("focus", &["focus"]),
        reference("owner", &["owner"]),
        reference("requester", &["requester"]),
        reference("based-on", &["basedOn"]),
        reference("part-of", &["partOf"]),
        reference("encounter", &["encounter"]),
        ours(date("due", &["restriction.period"])),
        ours(reference("location", &["location"])),
        date("period", &["executionPeriod"]),
        date("authored-on", &["authoredOn"]),
        date("modified", &["lastModified"]),
    ]),
];
