//! Every operation that is named has a definition that is served.

use crate::published::published;
use crate::served::Served;
use endplate_fhir::Json;
use endplate_server::publish;
use std::collections::BTreeSet;

/// R4's own operations that a server like this may offer (FHIR R4 operations-list.html), by the id of their definition.
const R4_OPERATIONS: &[(&str, &str)] = &[
    ("validate", "Resource-validate"),
    ("meta", "Resource-meta"),
    ("meta-add", "Resource-meta-add"),
    ("meta-delete", "Resource-meta-delete"),
    ("everything", "Patient-everything"),
    ("translate", "ConceptMap-translate"),
    ("lastn", "Observation-lastn"),
    ("apply", "PlanDefinition-apply"),
];

/// What is wrong with an operation that a CapabilityStatement names, on a type or on none.
fn wrong_operation(operation: &Json, kind: Option<&str>) -> Option<String> {
    let (name, definition) =
        (operation["name"].as_str()?, operation["definition"].as_str().unwrap_or_default());
    if let Some(id) = definition.strip_prefix("http://hl7.org/fhir/OperationDefinition/") {
        return (!R4_OPERATIONS.contains(&(name, id))).then(|| format!("{name}: R4 has no {definition}"));
    }
    // Of the Backport: fixtures/subscriptions holds the CapabilityStatement that names them.
    if definition.starts_with("http://hl7.org/fhir/uv/subscriptions-backport/") {
        let server =
            super::super::e_subscriptions::fixture("CapabilityStatement-backport-subscription-server-r4");
        let known = server["rest"][0]["resource"][0]["operation"].as_array()?;
        let is_it = |one: &&Json| one["name"] == format!("${name}") && one["definition"] == definition;
        let found = kind == Some("Subscription") && known.iter().any(|one| is_it(&one));
        return (!found).then(|| format!("{name}: the Backport has no {definition}"));
    }
    let own = publish::all().iter().find(|one| one.kind == "OperationDefinition" && one.url == definition);
    let Some(own) = own.map(publish::Published::resource) else {
        return Some(format!("{name}: {definition} is not published"));
    };
    let on = |kind: &str| own["resource"].as_array().is_some_and(|all| all.iter().any(|one| one == kind));
    (own["code"] != name || !kind.is_none_or(on))
        .then(|| format!("{name}: {definition} is of something else"))
}

// FHIR R4 capabilitystatement.html: rest.resource.operation.definition; operationdefinition.html.
#[tokio::test]
async fn c19_every_operation_named_has_a_definition_that_is_served() {
    let served = Served::open("2026-03-09").await;
    let statement = served.get("/fhir/metadata").await.json();
    let rest = &statement["rest"][0];
    let list = |value: &Json| value["operation"].as_array().cloned().unwrap_or_default();
    let mut wrong: Vec<String> = list(rest).iter().filter_map(|one| wrong_operation(one, None)).collect();
    for resource in rest["resource"].as_array().unwrap() {
        wrong.extend(list(resource).iter().filter_map(|one| wrong_operation(one, resource["type"].as_str())));
    }
    assert_eq!(wrong, Vec::<String>::new());
    let offered = rest["resource"].as_array().unwrap().iter().map(|one| list(one).len()).sum::<usize>();
    assert!(offered > 100, "{offered} operations are named");
    let stray = serde_json::json!({ "name": "guess", "definition": "http://hl7.org/fhir/OperationDefinition/CarePlan-guess" });
    assert!(wrong_operation(&stray, Some("CarePlan")).is_some(), "the check can fail");

    let mut codes = BTreeSet::new();
    for one in publish::all().iter().filter(|one| one.kind == "OperationDefinition") {
        let definition = served.get(&format!("/fhir/OperationDefinition/{}", one.id)).await.json();
        assert_eq!(definition, published("OperationDefinition", &one.id));
        let code = definition["code"].as_str().unwrap().to_owned();
        // An own definition of one of R4's operations says on which it rests (OperationDefinition.base).
        let r4 = R4_OPERATIONS.iter().find(|(name, _)| *name == code);
        let base = r4.map(|(_, id)| format!("http://hl7.org/fhir/OperationDefinition/{id}"));
        assert_eq!(definition["base"].as_str().map(str::to_owned), base, "{code}");
        codes.insert(code);
    }
    assert!(codes.len() >= 3, "{codes:?}");
}

// OpenAPI 3.1 beside FHIR R4 capabilitystatement.html: both say the same of every type, interaction and search parameter.
#[tokio::test]
async fn c22_the_openapi_document_agrees_with_the_statement() {
    let served = Served::open("2026-03-09").await;
    let statement = served.get("/fhir/metadata").await.json();
    let document = served.get("/openapi.json").await.json();
    let kinds_of = |path: &str| -> BTreeSet<String> {
        let all = document["paths"][path]["get"]["parameters"][0]["schema"]["enum"].as_array().unwrap();
        all.iter().map(|kind| kind.as_str().unwrap().to_owned()).collect()
    };
    let (read, past) = (kinds_of("/fhir/{type}/{id}"), kinds_of("/fhir/{type}/{id}/_history"));
    for resource in statement["rest"][0]["resource"].as_array().unwrap() {
        let kind = resource["type"].as_str().unwrap();
        let codes: BTreeSet<&str> = resource["interaction"]
            .as_array()
            .unwrap()
            .iter()
            .filter_map(|one| one["code"].as_str())
            .collect();
        let item = &document["paths"][format!("/fhir/{kind}")];
        for (code, method) in [
            ("search-type", "get"),
            ("create", "post"),
            ("update", "put"),
            ("patch", "patch"),
            ("delete", "delete"),
        ] {
            assert_eq!(codes.contains(code), item[method].is_object(), "{code} of {kind}");
        }
        assert_eq!(codes.contains("history-instance"), past.contains(kind), "{kind}");
        let alone = document["paths"][format!("/fhir/{kind}/{{id}}")]["get"].is_object();
        assert!(codes.contains("read") && (read.contains(kind) || alone), "{kind}");
        let named: BTreeSet<&str> = resource["searchParam"]
            .as_array()
            .unwrap()
            .iter()
            .filter_map(|one| one["name"].as_str())
            .collect();
        let asked: BTreeSet<&str> = item["get"]["parameters"]
            .as_array()
            .unwrap()
            .iter()
            .filter_map(|one| one["name"].as_str())
            .collect();
        assert!(named.is_subset(&asked), "{kind}: {:?}", named.difference(&asked));
        for name in asked.difference(&named) {
            assert!(["_count", "_sort"].contains(name), "{kind}: {name}");
        }
    }
}
