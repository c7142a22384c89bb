//! What a client may do, at every way in and out. F, B, H and E are letters of the conformance ledger; where a row leaves a
//! choice, the choice is the one that README states.

use super::{BASE, Keys, LOGIN, ask, assert_forbidden, get, names, resources, store};
use crate::clinic;
use crate::served::{FHIR_JSON, Receiver, Served};
use async_trait::async_trait;
use endplate_fhir::Json;
use endplate_followup::grant::Right;
use endplate_followup::grant::scope::Scope;
use endplate_followup::ports::{Message, Outcome, Store, Transport};
use serde_json::json;
use std::sync::{Arc, Mutex};

const CATEGORY: &str = "http://terminology.hl7.org/CodeSystem/observation-category";

fn observation(id: &str, category: &str) -> Json {
    json!({ "resourceType": "Observation", "id": id, "status": "final", "code": { "text": "note" },
        "category": [{ "coding": [{ "system": CATEGORY, "code": category }] }],
        "subject": { "reference": "Patient/p1" }, "performer": [{ "reference": "Practitioner/d1" }] })
}

fn exam(letters: &str) -> String {
    format!("system/Observation.{letters}?category={CATEGORY}|exam")
}

/// Two findings of one patient: `seen` within the category exam, `hidden` without.
async fn filled(keys: &Keys, store: &Arc<dyn Store>) -> Served {
    let served = keys.open_on(Arc::clone(store)).await;
    let whole = keys.token("system/*.cruds");
    let person = json!({ "resourceType": "Patient", "id": "p1", "name": [{ "family": "Example" }], "gender": "female" });
    let doctor = json!({ "resourceType": "Practitioner", "id": "d1", "name": [{ "family": "Leader" }] });
    for one in [person, doctor, observation("seen", "exam"), observation("hidden", "survey")] {
        let path = format!("/fhir/{}/{}", one["resourceType"].as_str().unwrap(), one["id"].as_str().unwrap());
        let reply = ask(&served, &whole, "PUT", &path, &one).await;
        assert_eq!(reply.status, 201, "{}", reply.text);
    }
    served
}

/// SMART App Launch 2.2.0, scopes for requesting FHIR resources: the letters, their order, the words of the first version.
#[test]
fn f11_the_grammar_is_that_of_the_standard() {
    use Right::{Create, Delete, Read, Search, Update};
    let table = [
        ("system/Patient.r", vec![Read]),
        ("system/Patient.rs", vec![Read, Search]),
        ("system/*.cruds", vec![Create, Read, Update, Delete, Search]),
        ("system/Patient.cud", vec![Create, Update, Delete]),
        ("system/Patient.read", vec![Read, Search]),
        ("system/Patient.write", vec![Create, Update, Delete]),
        ("system/*.*", vec![Create, Read, Update, Delete, Search]),
        (
            "system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|exam",
            vec![Read, Search],
        ),
    ];
    for (text, rights) in table {
        let scope = Scope::parse(text, BASE).unwrap();
        assert_eq!((scope.rights(), scope.to_string().as_str()), (&rights[..], text));
    }
    for text in [
        "",
        "system",
        "system/Patient",
        "system/Patient.",
        "system/Patient.sr",
        "system/Patient.rr",
        "system/Patient.dus",
        "system/Patient.x",
        "system/patient.r",
        "system/Medication.r",
        "patient/Patient.r",
        "user/*.cruds",
        "openid",
        "system/Patient.reads",
        "System/Patient.r",
        "system/Patient.r?",
        "system/*.rs?_tag=a",
    ] {
        assert!(Scope::parse(text, BASE).is_err(), "{text}");
    }
}

#[tokio::test]
async fn f13_rights_to_each_type_that_is_touched() {
    let keys = Keys::new();
    let served = filled(&keys, &store().await).await;
    let scopes = [
        "system/Observation.r",
        "system/Observation.s",
        "system/Observation.s system/Patient.s",
        "system/Observation.s system/Patient.r",
        "system/Patient.s",
        "system/Observation.cud",
    ];
    let tokens = keys.tokens(&scopes);
    // r does not search, s does not read; but what is found comes whole.
    assert_eq!(get(&served, &tokens[0], "/fhir/Observation/seen").await.status, 200);
    assert_forbidden(&get(&served, &tokens[0], "/fhir/Observation").await);
    assert_forbidden(&get(&served, &tokens[1], "/fhir/Observation/seen").await);
    let found = get(&served, &tokens[1], "/fhir/Observation?_sort=_id").await;
    assert_eq!(names(&found), ["Observation/hidden", "Observation/seen"]);
    assert_eq!(resources(&found)[1]["status"], "final");
    // A chain asks for s on the type it leads through, and so does _has.
    let chain = "/fhir/Observation?subject:Patient.family=Example";
    assert_forbidden(&get(&served, &tokens[1], chain).await);
    assert_eq!(names(&get(&served, &tokens[2], chain).await).len(), 2);
    let has = "/fhir/Patient?_has:Observation:patient:status=final";
    assert_forbidden(&get(&served, &tokens[4], has).await);
    assert_eq!(names(&get(&served, &tokens[2], has).await), ["Patient/p1"]);
    // _include asks for r, _revinclude for s; where a reference may lead to several types, the others are left out.
    assert_forbidden(&get(&served, &tokens[1], "/fhir/Observation?_include=Observation:patient").await);
    let included = get(&served, &tokens[3], "/fhir/Observation?_include=Observation:*").await;
    assert_eq!(names(&included), ["Observation/hidden", "Observation/seen", "Patient/p1"], "no Practitioner");
    assert_forbidden(&get(&served, &tokens[4], "/fhir/Patient?_revinclude=Observation:patient").await);
    assert_eq!(
        names(&get(&served, &tokens[2], "/fhir/Patient?_revinclude=Observation:patient").await).len(),
        3
    );
    // Conditions search.
    let conditional = async |method: &str, query: &str, none_exist: &str| {
        let mut body = observation("seen", "exam");
        body.as_object_mut().unwrap().shift_remove("id");
        let mut request =
            served.request(method, &format!("/fhir/Observation{query}")).bearer_auth(&tokens[5]);
        if !none_exist.is_empty() {
            request = request.header("if-none-exist", none_exist);
        }
        served.send(request.header("content-type", FHIR_JSON).body(body.to_string())).await
    };
    assert_forbidden(&conditional("POST", "", "status=final").await);
    assert_forbidden(&conditional("PUT", "?status=final", "").await);
    assert_forbidden(&conditional("DELETE", "?status=final", "").await);
    // Without r a write is answered without the resource, even if it is asked for: a patch would else read.
    let patch = r#"[{"op":"replace","path":"/status","value":"amended"}]"#;
    let request = served.request("PATCH", "/fhir/Observation/seen").bearer_auth(&tokens[5]);
    let request = request
        .header("content-type", "application/json-patch+json")
        .header("prefer", "return=representation");
    let patched = served.send(request.body(patch)).await;
    assert_eq!((patched.status, patched.text.as_str()), (200, ""));
}

#[tokio::test]
async fn b10_b52_f14_h09_what_lies_outside_a_scope_is_as_if_it_were_not_there() {
    let keys = Keys::new();
    let served = filled(&keys, &store().await).await;
    let scope = format!("{} system/Patient.rs", exam("cruds"));
    let two = format!("{} system/Observation.s?status=amended", exam("rs"));
    let tokens = keys.tokens(&[&scope, &two, "system/Patient.rs"]);
    let (token, whole) = (&tokens[0], keys.token("system/*.cruds"));
    assert_eq!(get(&served, token, "/fhir/Observation/seen").await.status, 200);
    // The same answer for what is hidden, was deleted, and never was.
    let missing = get(&served, token, "/fhir/Observation/none").await;
    for path in
        ["/fhir/Observation/hidden", "/fhir/Observation/hidden/_history", "/fhir/Observation/none/_history"]
    {
        let reply = get(&served, token, path).await;
        assert_eq!((reply.status, reply.untraced()), (404, missing.untraced()), "{path}");
    }
    let version = get(&served, token, "/fhir/Observation/none/_history/1").await;
    let hidden = get(&served, token, "/fhir/Observation/hidden/_history/1").await;
    assert_eq!((hidden.status, hidden.untraced()), (404, version.untraced()));
    // Search, its total, counts, pages, histories, the compartment, and everything.
    let found = get(&served, token, "/fhir/Observation").await;
    assert_eq!(
        (names(&found), found.json()["total"].clone()),
        (vec!["Observation/seen".to_owned()], json!(1))
    );
    assert_eq!(get(&served, token, "/fhir/Observation?_summary=count").await.json()["total"], 1);
    assert_eq!(names(&get(&served, token, "/fhir/Observation?_id=hidden,seen").await), ["Observation/seen"]);
    assert_eq!(names(&get(&served, token, "/fhir/Patient/p1/Observation").await), ["Observation/seen"]);
    assert_eq!(names(&get(&served, token, "/fhir/Patient/p1/*").await), ["Observation/seen"]);
    assert_eq!(
        names(&get(&served, token, "/fhir?_type=Observation,Patient").await),
        ["Observation/seen", "Patient/p1"]
    );
    assert_eq!(names(&get(&served, token, "/fhir").await), ["Observation/seen", "Patient/p1"]);
    assert_eq!(
        names(&get(&served, token, "/fhir/Patient?_revinclude=Observation:patient").await),
        ["Observation/seen", "Patient/p1"]
    );
    assert_eq!(
        names(&get(&served, token, "/fhir/Patient/p1/$everything").await),
        ["Observation/seen", "Patient/p1"]
    );
    assert_eq!(
        names(
            &get(
                &served,
                token,
                &format!("/fhir/Observation/$lastn?patient=p1&category={CATEGORY}|exam,{CATEGORY}|survey")
            )
            .await
        ),
        ["Observation/seen"]
    );
    for path in ["/fhir/Observation/_history?_count=1", "/fhir/_history?_count=50"] {
        let past = get(&served, token, path).await;
        assert!(!names(&past).contains(&"Observation/hidden".to_owned()), "{path}");
        assert!(
            names(&past).contains(&"Observation/seen".to_owned()) && past.json().get("total").is_none(),
            "{path}"
        );
    }
    // A chain through what is reached in part is refused: who is found would tell of the rest.
    assert_forbidden(&get(&served, token, "/fhir/Patient?_has:Observation:patient:status=final").await);
    // Writes: not out of the scope, not into it, not over what is hidden, not by a condition.
    let put = async |one: &Json| {
        ask(&served, token, "PUT", &format!("/fhir/Observation/{}", one["id"].as_str().unwrap()), one).await
    };
    assert_forbidden(&put(&observation("new", "survey")).await);
    assert_forbidden(&put(&observation("seen", "survey")).await);
    assert_eq!(put(&observation("hidden", "exam")).await.status, 404);
    assert_eq!(ask(&served, token, "DELETE", "/fhir/Observation/hidden", &Json::Null).await.status, 404);
    assert_eq!(
        ask(&served, token, "DELETE", &format!("/fhir/Observation?category={CATEGORY}|survey"), &Json::Null)
            .await
            .status,
        204,
        "nothing matches"
    );
    assert_eq!(get(&served, &whole, "/fhir/Observation/hidden").await.status, 200, "it is still there");
    assert_eq!(put(&observation("new", "exam")).await.status, 201);
    // Two scopes together reach what either reaches.
    let mut amended = observation("amended", "survey");
    amended["status"] = json!("amended");
    assert_eq!(ask(&served, &whole, "PUT", "/fhir/Observation/amended", &amended).await.status, 201);
    let found = get(&served, &tokens[1], "/fhir/Observation").await;
    assert_eq!(names(&found), ["Observation/amended", "Observation/new", "Observation/seen"]);
    assert_eq!(
        get(&served, &tokens[1], "/fhir/Observation/amended").await.status,
        404,
        "that one only by search"
    );
    // To a type without any right the answer is 403, whether or not the resource is there.
    for id in ["seen", "none"] {
        assert_forbidden(&get(&served, &tokens[2], &format!("/fhir/Observation/{id}")).await);
    }
    assert_forbidden(&get(&served, &tokens[2], "/fhir?_type=Patient,Observation").await);
}

fn entry(method: &str, url: &str, resource: &Json) -> Json {
    let mut entry = json!({ "request": { "method": method, "url": url } });
    if !resource.is_null() {
        entry["resource"] = resource.clone();
    }
    entry
}

#[tokio::test]
async fn f15_each_entry_by_its_own_scope() {
    let keys = Keys::new();
    let served = filled(&keys, &store().await).await;
    let token = keys.token("system/Organization.cru system/Patient.r");
    let unit = |name: &str| json!({ "resourceType": "Organization", "name": name });
    let send = async |kind: &str, entries: Vec<Json>| {
        let bundle = json!({ "resourceType": "Bundle", "type": kind, "entry": entries });
        ask(&served, &token, "POST", "/fhir", &bundle).await
    };
    let denied = [
        entry("POST", "Patient", &json!({ "resourceType": "Patient" })),
        entry("GET", "Observation/seen", &Json::Null),
        entry("GET", "Patient?gender=female", &Json::Null),
        entry("DELETE", "Organization/none", &Json::Null),
        entry("PUT", "Organization?name=One", &unit("One")),
    ];
    let good = || vec![entry("POST", "Organization", &unit("One")), entry("GET", "Patient/p1", &Json::Null)];
    let batch = send("batch", [good(), denied.to_vec()].concat()).await;
    let statuses: Vec<String> = batch.json()["entry"]
        .as_array()
        .unwrap()
        .iter()
        .map(|entry| entry["response"]["status"].as_str().unwrap()[..3].to_owned())
        .collect();
    assert_eq!(statuses, ["201", "200", "403", "403", "403", "403", "403"]);
    let whole = keys.token("system/*.cruds");
    let count =
        async || get(&served, &whole, "/fhir/Organization?_summary=count").await.json()["total"].clone();
    assert_eq!(count().await, 1);
    for one in denied {
        let refused = send("transaction", vec![entry("POST", "Organization", &unit("Two")), one]).await;
        assert_forbidden(&refused);
        assert_eq!(count().await, 1, "nothing of it is stored");
    }
    // A conditional reference is a search.
    let task = json!({ "resourceType": "Organization", "name": "Three", "partOf": { "reference": "Organization?name=One" } });
    assert_forbidden(&send("transaction", vec![entry("POST", "Organization", &task)]).await);
    assert_eq!(send("transaction", good()).await.status, 200);
}

/// A repair is accepted from whoever may create it, and its plan is made whatever else that client may do.
#[tokio::test]
async fn f16_what_is_derived_is_not_bounded_by_the_rights_of_the_sender() {
    let keys = Keys::new();
    let served = keys.open().await;
    let scopes = [
        "system/Patient.u system/Condition.u system/Procedure.u",
        "system/*.rs",
        "system/CarePlan.r system/Patient.r system/Condition.r system/Procedure.r",
        "system/Patient.rs system/CarePlan.rs",
    ];
    let tokens = keys.tokens(&scopes);
    for one in clinic::interosseous_graft() {
        let path = format!("/fhir/{}/{}", one["resourceType"].as_str().unwrap(), one["id"].as_str().unwrap());
        let reply = ask(&served, &tokens[0], "PUT", &path, &one).await;
        assert_eq!((reply.status, reply.text.as_str()), (201, ""), "written, and not shown");
    }
    let plans = names(&get(&served, &tokens[1], "/fhir/CarePlan").await);
    assert_eq!(plans.len(), 1);
    let assess = format!("/fhir/{}/$assess", plans[0]);
    assert_eq!(get(&served, &tokens[1], &assess).await.status, 200);
    // One of the types that it is reckoned from is missing.
    assert_forbidden(&get(&served, &tokens[2], &assess).await);
    // $everything gives the types that may be read and searched.
    let all = names(&get(&served, &tokens[3], "/fhir/Patient/p1/$everything").await);
    assert_eq!(all, [plans[0].clone(), "Patient/p1".to_owned()]);
    // A preview by resources that are sent needs no right to write.
    let mut inputs = json!({ "resourceType": "Parameters", "parameter": [{ "name": "subject", "valueString": "Patient/p1" }] });
    inputs["parameter"]
        .as_array_mut()
        .unwrap()
        .push(json!({ "name": "resource", "resource": clinic::interosseous_graft()[2] }));
    let applied =
        ask(&served, &tokens[1], "POST", "/fhir/PlanDefinition/nerve-repair-follow-up/$apply", &inputs).await;
    assert_eq!(applied.status, 200, "{}", applied.text);
}

/// Keeps what is sent.
#[derive(Default)]
struct Kept(Mutex<Vec<Message>>);

#[async_trait]
impl Transport for Kept {
    async fn send(&self, message: &Message) -> Outcome {
        self.0.lock().unwrap().push(message.clone());
        Outcome::Accepted
    }
}

#[tokio::test]
async fn e25_a_subscriber_gets_what_its_client_may_read_at_the_time_of_sending() {
    let keys = Keys::new();
    let store = store().await;
    let served = filled(&keys, &store).await;
    let receiver = Receiver::open().await;
    let scope = format!("{} system/Subscription.cruds", exam("r"));
    let tokens = keys.tokens(&[&scope, "system/Subscription.cruds"]);
    let subscription = json!({ "resourceType": "Subscription", "id": "s1", "status": "requested", "reason": "test",
        "criteria": "Observation?status=final,amended",
        "channel": { "type": "rest-hook", "endpoint": receiver.endpoint, "payload": FHIR_JSON } });
    let put = async |served: &Served, token: &str, one: &Json| {
        let path = format!("/fhir/{}/{}", one["resourceType"].as_str().unwrap(), one["id"].as_str().unwrap());
        ask(served, token, "PUT", &path, one).await.status
    };
    assert_eq!(put(&served, &tokens[1], &subscription).await, 403, "not to what it may not read at all");
    assert_eq!(put(&served, &tokens[0], &subscription).await, 201);
    let whole = keys.token("system/*.cruds");
    let change = async |served: &Served, status: &str| {
        for (id, category) in [("seen", "exam"), ("hidden", "survey")] {
            let mut one = observation(id, category);
            one["status"] = json!(status);
            assert_eq!(put(served, &whole, &one).await, 200);
        }
    };
    change(&served, "amended").await;
    let kept = Kept::default();
    let report = served.server.endplate().deliver(&kept).await.unwrap();
    assert_eq!((report.delivered, report.dropped), (1, 1));
    let sent: Vec<String> = kept.0.lock().unwrap().iter().map(|message| message.about.clone()).collect();
    assert_eq!(sent, ["Observation/seen"]);
    // What is registered counts on the day of sending: the same store, with less for the issuer of that token.
    change(&served, "final").await;
    let mut narrowed = keys.config("");
    narrowed
        .access
        .issuers
        .iter_mut()
        .filter(|one| one.issuer == LOGIN)
        .for_each(|one| one.scopes = "system/Task.rs".into());
    let later = Served::on(super::DAY, store, &narrowed).await;
    let kept = Kept::default();
    let report = later.server.endplate().deliver(&kept).await.unwrap();
    assert_eq!((report.delivered, report.dropped), (0, 2));
    assert!(kept.0.lock().unwrap().is_empty());
}

/// AuditEvents are for those who are registered for them by name (H09, and the auditor's scope of README).
#[tokio::test]
async fn audit_is_not_among_all_types() {
    let keys = Keys::new();
    let served = keys.open().await;
    let tokens = keys.tokens(&["system/*.cruds", "system/AuditEvent.rs"]);
    assert_forbidden(&get(&served, &tokens[0], "/fhir/AuditEvent").await);
    assert_forbidden(&get(&served, &tokens[0], "/fhir?_type=AuditEvent").await);
    assert_eq!(get(&served, &tokens[1], "/fhir/AuditEvent").await.status, 200);
}
