use super::*;
use serde_json::json;

fn read(text: &str) -> Json {
    crate::json::parse(text.as_bytes()).unwrap()
}

/// The issues as (code, expression), sorted.
fn told(value: &Json) -> Vec<(&'static str, String)> {
    let mut told: Vec<_> =
        resource(value).into_iter().map(|issue| (issue.code.code(), issue.expression)).collect();
    told.sort();
    told
}

fn only(value: &Json) -> Issue {
    let mut issues = resource(value);
    assert_eq!(issues.len(), 1, "{issues:#?}");
    issues.remove(0)
}

/// A valid Observation, for tests that break one thing.
fn observation(more: &str) -> Json {
    read(&format!(r#"{{"resourceType":"Observation","status":"final","code":{{"text":"x"}}{more}}}"#))
}

#[test]
fn a_valid_resource_has_no_issues() {
    assert_eq!(resource(&observation("")), []);
}

// R4: CarePlan.status, intent and subject 1..1; subject is in the schema, the others are not.
#[test]
fn all_that_is_missing_is_told_at_once() {
    assert_eq!(
        told(&read(r#"{"resourceType":"CarePlan","activity":[{"detail":{"code":{"text":"x"}}}]}"#)),
        [
            ("required", "CarePlan.activity[0].detail.status".to_owned()),
            ("required", "CarePlan.intent".to_owned()),
            ("required", "CarePlan.status".to_owned()),
            ("required", "CarePlan.subject".to_owned()),
        ]
    );
    // R4: Communication.payload.content[x] 1..1, a choice.
    let issue = only(&read(
        r#"{"resourceType":"Communication","status":"completed","payload":[{"extension":[{"url":"http://x.example","valueCode":"a"}]}]}"#,
    ));
    assert_eq!(issue.expression, "Communication.payload[0].content");
    assert!(issue.text.contains("contentString"));
    // The value of a mandatory primitive may be absent with a reason.
    let absent = r#"{"resourceType":"Observation","code":{"text":"x"},"_status":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}}"#;
    assert_eq!(resource(&read(absent)), []);
}

// R4 value sets request-status (not enforced by the schema), task-status (enforced), condition-clinical (CodeableConcept).
#[test]
fn codes_of_required_bindings() {
    let request = |status: &str| {
        read(&format!(
            r#"{{"resourceType":"ServiceRequest","status":"{status}","intent":"order","subject":{{"reference":"Patient/1"}}}}"#
        ))
    };
    assert_eq!(resource(&request("revoked")), []);
    let issue = only(&request("running"));
    assert_eq!((issue.code, issue.expression.as_str()), (Code::CodeInvalid, "ServiceRequest.status"));
    assert!(issue.text.contains("revoked") && !issue.text.contains("running"));

    let issue = only(&read(r#"{"resourceType":"Task","status":"running","intent":"order"}"#));
    assert_eq!((issue.code, issue.expression.as_str()), (Code::CodeInvalid, "Task.status"));
    assert!(issue.text.contains("requested") && !issue.text.contains("running"));

    let condition = |coding: &str| {
        read(&format!(
            r#"{{"resourceType":"Condition","clinicalStatus":{{"coding":[{coding}]}},"subject":{{"reference":"Patient/1"}}}}"#
        ))
    };
    let system = "http://terminology.hl7.org/CodeSystem/condition-clinical";
    assert_eq!(resource(&condition(&format!(r#"{{"system":"{system}","code":"active"}}"#))), []);
    let issue = only(&condition(r#"{"system":"http://x.example","code":"active"}"#));
    assert_eq!(issue.expression, "Condition.clinicalStatus");
    assert!(issue.text.contains(system));
}

#[test]
fn choices() {
    let issue = only(&observation(r#","valueInteger":3,"valueString":"x""#));
    assert_eq!(issue.expression, "Observation.value");
    assert!(issue.text.contains("valueInteger, valueString"), "{}", issue.text);
    // A choice without its type is no element, but everyone sends it once.
    let issue = only(&observation(r#","value":3"#));
    assert!(issue.text.contains("valueQuantity"), "{}", issue.text);
}

// R4 datatypes: dates that exist, integers of 32 bits without point, base64, ids of 64 characters.
#[test]
fn primitives() {
    let told_of = |more: &str| only(&observation(more));
    let issue = told_of(r#","effectiveDateTime":"2024-02-30""#);
    assert_eq!((issue.code, issue.expression.as_str()), (Code::Value, "Observation.effective"));
    assert!(issue.text.contains("no such day"));
    assert!(told_of(r#","effectiveDateTime":"2024-05-01T10:00:00""#).text.contains("zone"));
    assert!(told_of(r#","effectiveDateTime":20240501"#).text.contains("string"));
    for number in ["1.5", "1.0", "1e2", "2147483648", "-0"] {
        assert!(told_of(&format!(r#","valueInteger":{number}"#)).text.contains("whole number"), "{number}");
    }
    assert_eq!(resource(&observation(r#","valueInteger":-2147483648"#)), []);
    assert!(told_of(r#","valueInteger":"3""#).text.contains("number"));
    assert!(told_of(r#","id":"a_b""#).text.contains("64"));
    assert!(told_of(r#","valueBoolean":"true""#).text.contains("true or false"));
    let binary = |data: &str| {
        read(&format!(r#"{{"resourceType":"Binary","contentType":"text/plain","data":"{data}"}}"#))
    };
    assert_eq!(resource(&binary("SGVs\\nbG8=")), []);
    for data in ["SGVsbG8", "SGVs*G8=", "====", "A==="] {
        assert_eq!(only(&binary(data)).expression, "Binary.data", "{data}");
    }
    let timing = r#","effectiveTiming":{"repeat":{"count":0,"dayOfWeek":["mon","mo"]}}"#;
    assert_eq!(
        told(&observation(timing)),
        [
            ("code-invalid", "Observation.effective.repeat.dayOfWeek[1]".to_owned()),
            ("value", "Observation.effective.repeat.count".to_owned()),
        ]
    );
}

// R4 JSON representation: arrays are arrays, objects are objects, null only beside a twin.
#[test]
fn objects_arrays_and_nulls() {
    let patient = |more: &str| read(&format!(r#"{{"resourceType":"Patient",{more}}}"#));
    assert!(only(&patient(r#""name":{"family":"A"}"#)).text.contains("array"));
    assert!(only(&patient(r#""name":["A"]"#)).text.contains("object"));
    assert!(only(&patient(r#""name":[null]"#)).text.contains("null"));
    assert!(only(&patient(r#""maritalStatus":["A"]"#)).text.contains("object"));
    assert!(only(&patient(r#""birthDate":["1970"]"#)).text.contains("string"));
    assert_eq!(
        resource(&patient(
            r#""name":[{"given":[null,"B"],"_given":[{"extension":[{"url":"http://x.example","valueCode":"a"}]},null]}]"#
        )),
        []
    );
    assert_eq!(only(&patient(r#""name":[{"given":[null,"B"]}]"#)).expression, "Patient.name[0].given[0]");
    assert!(only(&patient(r#""name":[{"given":["A","B"],"_given":[{"id":"a"}]}]"#)).text.contains("as many"));
    let issue = only(&patient(r#""nam":[{"family":"A"}]"#));
    assert_eq!(issue.expression, "Patient.nam");
}

// FHIR R4, Observation.performer and Task.owner: the types that they allow; references.html: contained, absolute, conditional.
#[test]
fn references_lead_to_what_the_element_allows() {
    let performer = |to: &str| observation(&format!(r#","performer":[{to}]"#));
    for to in [
        r#"{"reference":"Encounter/1"}"#,
        r#"{"reference":"https://x.example/fhir/Encounter/1/_history/2"}"#,
        r#"{"reference":"Encounter?identifier=a|b"}"#,
    ] {
        let issue = only(&performer(to));
        assert_eq!(issue.expression, "Observation.performer[0].reference", "{to}");
        assert!(issue.text.contains("Practitioner") && issue.key == Some("reference-target"), "{to}");
    }
    assert_eq!(
        only(&performer(r#"{"type":"Encounter","display":"x"}"#)).expression,
        "Observation.performer[0].type"
    );
    let issue = only(&performer(r#"{"reference":"Patient/1","type":"Practitioner"}"#));
    assert_eq!(
        (issue.expression.as_str(), issue.key),
        ("Observation.performer[0].type", Some("reference-type"))
    );
    for to in [
        r#"{"reference":"Patient/1","type":"Patient"}"#,
        r#"{"reference":"urn:uuid:c757873d-ec9a-4326-a141-556f43239520"}"#,
        r#"{"reference":"https://x.example/about/us"}"#,
        r#"{"display":"x"}"#,
    ] {
        assert_eq!(resource(&performer(to)), [], "{to}");
    }
}

// UCUM, case sensitive: mm and mm[Hg] are units, mmHg and MM are none; what is in another system is not looked at.
#[test]
fn units_are_those_of_ucum() {
    let measured = |system: &str, code: &str| {
        observation(&format!(r#","valueQuantity":{{"value":1,"system":"{system}","code":"{code}"}}"#))
    };
    let ucum = "http://unitsofmeasure.org";
    for code in ["mmHg", "MM", "millimetre"] {
        let issue = only(&measured(ucum, code));
        assert_eq!((issue.severity, issue.key), (crate::issue::Severity::Warning, Some("unit")), "{code}");
    }
    for code in ["mm", "mm[Hg]", "m/s", "{score}", "10*3/uL", "%"] {
        assert_eq!(resource(&measured(ucum, code)), [], "{code}");
    }
    assert_eq!(resource(&measured("https://x.example/units", "mmHg")), []);
}

// FHIR R5 renamed Procedure.performed[x] to occurrence[x] and Appointment.cancelationReason to cancellationReason.
#[test]
fn another_release_is_named() {
    let procedure = r#"{"resourceType":"Procedure","status":"completed","subject":{"reference":"Patient/1"},"occurrenceDateTime":"2026"}"#;
    let issue = only(&read(procedure));
    assert!(issue.text.contains("R5") && issue.text.contains("R4 (4.0.1)"), "{issue:?}");
    let statement = r#"{"resourceType":"CapabilityStatement","status":"active","date":"2026","kind":"requirements","description":"x","fhirVersion":"5.0.0","format":["json"],"rest":[{"mode":"server"}]}"#;
    let told = resource(&read(statement));
    assert!(told.iter().any(|issue| issue.key == Some("other-release")), "{told:?}");
}

#[test]
fn narrative_must_not_run() {
    let issue = only(&read(
        r#"{"resourceType":"Patient","text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p onclick=\"x()\">a</p></div>"}}"#,
    ));
    assert_eq!(issue.expression, "Patient.text.div");
}

#[test]
fn inner_resources_are_named_from_the_outside() {
    let bundle = read(
        r##"{"resourceType":"Bundle","type":"collection","entry":[
            {"resource":{"resourceType":"Patient","birthDate":"1970"}},
            {"resource":{"resourceType":"Task","intent":"order","for":{"reference":"#p"},"focus":{"reference":"#m"},"owner":{"reference":"#d"},"contained":[
                {"resourceType":"Patient","id":"p","name":"A"},
                {"resourceType":"Medication","id":"m","anything":1},
                {"resourceType":"Device","id":"d","contained":[{"resourceType":"Device","id":"e"}]}
            ]}},
            {"resource":{"resourceType":"Medication"}},
            {"resource":{"id":"x"}}
        ]}"##,
    );
    let told: Vec<_> =
        resource(&bundle).into_iter().map(|issue| (issue.severity.code(), issue.expression)).collect();
    let at = |severity: &'static str, rest: &str| (severity, format!("Bundle.entry{rest}"));
    assert_eq!(
        told,
        [
            at("error", "[1].resource.status"),
            at("error", "[1].resource.contained[0].name"),
            at("warning", "[1].resource.contained[1]"),
            at("error", "[1].resource.contained[2].contained"),
            at("error", "[2].resource"),
            at("error", "[3].resource.resourceType"),
        ]
    );
    let parameters = read(
        r#"{"resourceType":"Parameters","parameter":[{"name":"a","part":[{"name":"b","resource":{"resourceType":"Flag"}}]}]}"#,
    );
    assert!(
        resource(&parameters)
            .iter()
            .all(|issue| issue.expression.starts_with("Parameters.parameter[0].part[0].resource."))
    );
}

#[test]
fn what_is_no_resource() {
    assert_eq!(only(&json!(5)).code, Code::Structure);
    assert_eq!(only(&json!({ "id": "a" })).expression, "resourceType");
    assert_eq!(only(&json!({ "resourceType": 5 })).expression, "resourceType");
    let issue = only(&json!({ "resourceType": "Medication" }));
    assert_eq!(issue.code, Code::NotSupported);
    assert!(issue.text.contains("Procedure"));
}

// Whatever is wrong, no value of the payload is repeated: the messages may be logged.
#[test]
fn messages_hold_no_values() {
    let secret = "Zyxwvut";
    let text = format!(
        r#"{{"resourceType":"Patient","id":"{secret}_","gender":"{secret}","birthDate":"{secret}","active":"{secret}",
        "name":"{secret}","deceasedBoolean":"{secret}","deceasedDateTime":"{secret}","multipleBirthInteger":"{secret}",
        "contact":[{{"name":["{secret}"]}}],"link":[{{"other":"{secret}","type":"{secret}"}}],"telecom":[{{"system":"{secret}"}}],
        "text":{{"status":"{secret}","div":"{secret}"}},"photo":[{{"data":"{secret}","creation":"{secret}"}}]}}"#
    );
    let issues = resource(&read(&text));
    assert!(issues.len() >= 14, "{issues:#?}");
    for issue in issues {
        assert!(!format!("{issue:?}").contains(secret), "{issue:?}");
        assert!(!issue.expression.is_empty());
    }
}

#[test]
fn problems_are_bounded() {
    let names = vec![json!({ "nam": 1 }); ISSUES_MAX + 50];
    assert_eq!(resource(&json!({ "resourceType": "Patient", "name": names })).len(), ISSUES_MAX + 1);
}
