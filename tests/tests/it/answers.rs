//! What people answer to an alert, and what becomes of it: design section 6, "few, true, early and answered".

use crate::clinic::{
    Clinic, EP, after, code, gap, injury, interosseous_graft, motor, observation, patient, repair, settings,
    target, text, tinel, with,
};
use crate::stores;
use endplate_fhir::Json;
use endplate_followup::ports::Store;
use endplate_followup::{Endplate, Party, Reason};
use serde_json::json;
use std::sync::Arc;

const FINGERS: &str = "extensor-digitorum";

/// The interosseous graft with a surgeon and a colleague.
async fn grafted() -> Clinic {
    grafted_on(stores::fresh().await).await
}

async fn grafted_on(store: Arc<dyn Store>) -> Clinic {
    let clinic = Clinic::on(store, "2026-03-03");
    for id in ["s1", "s2"] {
        clinic.put(json!({ "resourceType": "Practitioner", "id": id })).await.unwrap();
    }
    let [person, injured, operation] = interosseous_graft();
    let by = json!([{ "actor": { "reference": "Practitioner/s1" } }]);
    for resource in [person, injured, with(&operation, "performer", by)] {
        clinic.put(resource).await.unwrap();
    }
    clinic
}

/// The day on which a salvage is first said to be closing, swept to.
async fn closing(clinic: &Clinic) -> String {
    clinic.first_day("2028-01-01", async |c: &Clinic| c.stands("salvage-closing").await).await.unwrap()
}

fn action(answer: &str) -> Json {
    json!({ "action": code("alert-answer", answer) })
}

fn with_extension(mitigation: &Json, name: &str, kind: &str, value: Json) -> Json {
    let mut extension = json!({ "url": format!("{EP}/StructureDefinition/{name}") });
    extension[format!("value{kind}")] = value;
    with(mitigation, "extension", json!([extension]))
}

fn snoozed(until: &str) -> Json {
    with_extension(&action("snoozed"), "snoozed-until", "Date", json!(until))
}

fn handed_to(id: &str) -> Json {
    let to = json!({ "reference": format!("Practitioner/{id}") });
    with_extension(&action("handed-over"), "handed-to", "Reference", to)
}

fn declined(why: &str) -> Json {
    json!({ "action": with(&code("alert-answer", "declined"), "text", json!(why)) })
}

/// Adds an answer to the only alert of a kind that stands.
async fn answer(clinic: &Clinic, kind: &str, mitigation: Json) {
    let issue = clinic.standing(kind).await[0].clone();
    let mut all = issue["mitigation"].as_array().cloned().unwrap_or_default();
    all.push(mitigation);
    clinic.put(with(&issue, "mitigation", json!(all))).await.unwrap();
}

/// Who was told of a kind, and on which day, in order.
async fn told(clinic: &Clinic, kind: &str) -> Vec<(String, String)> {
    let said = |message: &Json| {
        let to = match text(message, "/recipient/0/reference") {
            "" => text(message, "/recipient/0/display"),
            reference => reference,
        };
        (text(message, "/sent")[..10].to_owned(), to.to_owned())
    };
    let mut all: Vec<_> = clinic.messages(kind).await.iter().map(said).collect();
    all.sort();
    all
}

fn pairs(all: &[(&str, &str)]) -> Vec<(String, String)> {
    all.iter().map(|(on, to)| ((*on).to_owned(), (*to).to_owned())).collect()
}

/// The day on which the lead hears that the salvage alert has no answer.
async fn escalated(clinic: &Clinic, last: &str) -> Option<String> {
    clinic
        .first_day(last, async |c: &Clinic| {
            let all = c.standing("alert-unanswered").await;
            all.iter().any(|one| text(one, "/identifier/0/value").contains("salvage-closing"))
        })
        .await
}

fn places(issue: &Json) -> Vec<&str> {
    let url = format!("{EP}/StructureDefinition/target-structure");
    let extensions = issue["extension"].as_array().unwrap().iter();
    extensions
        .filter(|one| text(one, "/url") == url)
        .map(|one| text(one, "/valueCodeableConcept/coding/0/code"))
        .collect()
}

#[tokio::test]
async fn a_snoozed_alert_is_silent_until_its_day_and_then_asks_anew() {
    let clinic = grafted().await;
    let raised = closing(&clinic).await;
    assert_eq!(told(&clinic, "salvage-closing").await, pairs(&[(&raised, "Practitioner/s1")]));
    let until = after(&raised, 20);
    answer(&clinic, "salvage-closing", snoozed(&until)).await;
    let silent = async |c: &Clinic| {
        let flags = c.all("Flag?status=active").await;
        let issue = c.standing("salvage-closing").await[0].clone();
        !flags.iter().any(|flag| flag["extension"].to_string().contains(text(&issue, "/id")))
    };
    assert!(silent(&clinic).await && clinic.stands("salvage-closing").await);
    assert_eq!(escalated(&clinic, &after(&until, -1)).await, None);
    assert!(silent(&clinic).await);
    clinic.sweep_on(&until).await;
    assert!(!silent(&clinic).await);
    let twice = pairs(&[(&raised, "Practitioner/s1"), (&until, "Practitioner/s1")]);
    assert_eq!(told(&clinic, "salvage-closing").await, twice);
    assert_eq!(escalated(&clinic, "2028-01-01").await, Some(after(&until, 15)));
    assert_eq!(told(&clinic, "salvage-closing").await, twice, "it speaks once");
}

#[tokio::test]
async fn a_salvage_is_declined_for_the_muscles_that_were_named() {
    let clinic = grafted().await;
    let raised = closing(&clinic).await;
    let issue = clinic.standing("salvage-closing").await[0].clone();
    let first: Vec<String> = places(&issue).into_iter().map(str::to_owned).collect();
    assert_eq!(first.len(), 1, "the other muscle's date is further away: {first:?}");
    answer(&clinic, "salvage-closing", declined("does not want another operation")).await;
    assert!(!clinic.stands("salvage-closing").await);
    let again = closing(&clinic).await;
    let issue = clinic.standing("salvage-closing").await[0].clone();
    assert!(again > raised && places(&issue).len() == 1 && places(&issue)[0] != first[0], "{issue}");
    assert_eq!(told(&clinic, "salvage-closing").await.len(), 2);
    // What was declined of the first muscle is no answer about the second.
    assert_eq!(escalated(&clinic, "2028-01-01").await, Some(after(&again, 15)));
    answer(&clinic, "salvage-closing", declined("nor this one")).await;
    let later = clinic.first_day("2028-01-01", async |c: &Clinic| c.stands("salvage-closing").await).await;
    assert_eq!(later, None, "declined once is declined");
}

#[tokio::test]
async fn a_colleague_who_takes_over_gets_the_messages_and_is_asked_anew() {
    let clinic = grafted().await;
    let raised = closing(&clinic).await;
    let over = after(&raised, 10);
    clinic.sweep_on(&over).await;
    answer(&clinic, "salvage-closing", handed_to("s2")).await;
    let both = pairs(&[(&raised, "Practitioner/s1"), (&over, "Practitioner/s2")]);
    assert_eq!(told(&clinic, "salvage-closing").await, both);
    // The surgeon has read it; that is no answer of the colleague's.
    let messages = clinic.messages("salvage-closing").await;
    let of =
        |id: &str| messages.iter().find(|one| one["recipient"].to_string().contains(id)).unwrap().clone();
    clinic.put(with(&of("s1"), "received", json!(format!("{over}T13:00:00Z")))).await.unwrap();
    let lead = after(&over, 15);
    assert_eq!(escalated(&clinic, "2028-01-01").await, Some(lead.clone()));
    let escalation = clinic.standing("alert-unanswered").await;
    let evidence = escalation.iter().map(|one| text(one, "/evidence/0/detail/0/reference").to_owned());
    let issue = clinic.standing("salvage-closing").await[0].clone();
    assert!(evidence.into_iter().any(|to| to == format!("DetectedIssue/{}", text(&issue, "/id"))));
    clinic.put(with(&of("s2"), "received", json!(format!("{lead}T13:00:00Z")))).await.unwrap();
    let waiting = clinic.standing("alert-unanswered").await;
    assert!(waiting.iter().all(|one| !text(one, "/identifier/0/value").contains("salvage-closing")));
    assert_eq!(told(&clinic, "salvage-closing").await, both);
}

#[tokio::test]
async fn an_answer_that_says_too_little_is_refused() {
    let clinic = grafted().await;
    let raised = closing(&clinic).await;
    let issue = clinic.standing("salvage-closing").await[0].clone();
    for (mitigation, member, said) in [
        (action("declined"), "action.text", "reason"),
        (action("snoozed"), "extension", "snoozed-until"),
        (snoozed(&raised), "extension", "after today"),
        (action("handed-over"), "extension", "handed-to"),
        (action("ignored"), "action", "alert-answer"),
    ] {
        let refusal = clinic.put(with(&issue, "mitigation", json!([mitigation]))).await.unwrap_err();
        assert_eq!(refusal.reason, Reason::Unprocessable);
        assert_eq!(refusal.issues[0].expression, format!("DetectedIssue.mitigation[0].{member}"));
        assert!(refusal.issues[0].text.contains(said), "{refusal}");
    }
    assert!(clinic.standing("salvage-closing").await[0].get("mitigation").is_none());
}

#[tokio::test]
async fn a_finding_that_cannot_be_is_confirmed_in_so_many_words() {
    let clinic = grafted().await;
    clinic.sweep_on("2027-02-01").await;
    clinic.put(motor("m1", "p1", "r1", FINGERS, "2026-11-02", 3)).await.unwrap();
    clinic.put(motor("m2", "p1", "r1", FINGERS, "2027-02-01", 1)).await.unwrap();
    for other in [action("acknowledged"), declined("no"), snoozed("2027-03-01")] {
        answer(&clinic, "finding-inconsistent", other).await;
        assert!(clinic.stands("finding-inconsistent").await);
    }
    answer(&clinic, "finding-inconsistent", action("confirmed")).await;
    assert!(!clinic.stands("finding-inconsistent").await);
}

/// Two injuries, both lost on the same day, and what follows later: one message a day to each, which says all.
#[tokio::test]
async fn what_is_raised_on_one_day_is_one_message_to_each() {
    let second = repair(
        "r2",
        "p1",
        "c2",
        "direct-coaptation",
        "ulnar",
        "2026-03-02",
        &[target("first-dorsal-interosseous", 300.0)],
    );
    let clinic = grafted().await;
    for resource in [injury("c2", "p1", "2026-02-20"), second] {
        clinic.put(resource).await.unwrap();
    }
    // Seldom enough for several things to be due at once.
    for month in 1..15 {
        clinic.sweep_on(&after("2026-03-03", 28 * month)).await;
        clinic.endplate.sweep(&|_| {}).await.unwrap();
    }
    let all = clinic.all("Communication").await;
    let mut seen: Vec<String> =
        all.iter().map(|one| format!("{} {}", &text(one, "/sent")[..10], one["recipient"])).collect();
    let count = seen.len();
    seen.sort();
    seen.dedup();
    assert_eq!(seen.len(), count, "one a day at most");
    let digest = all.iter().find(|one| one["payload"].as_array().unwrap().len() > 1).expect("a digest");
    let issues = digest["about"].to_string().matches("DetectedIssue/").count();
    // What is said of two alerts alike is said once, and is about both.
    assert!(issues >= digest["payload"].as_array().unwrap().len());
    for issue in clinic.all("DetectedIssue").await {
        let name = format!("DetectedIssue/{}", text(&issue, "/id"));
        let told = all.iter().any(|message| message["about"].to_string().contains(&name));
        assert!(told, "{name} was told on the day that it was raised");
    }
    // Its priority is that of the gravest alert in it.
    for message in &all {
        let mut grave = false;
        for about in message["about"].as_array().unwrap() {
            if let Some(id) = text(about, "/reference").strip_prefix("DetectedIssue/") {
                grave |= clinic.get("DetectedIssue", id).await["severity"] == "high";
            }
        }
        assert!(message["priority"] == "routine" || grave, "{message}");
    }
}

/// A patient whose front moves as expected hears of a last useful date, but not as of something grave.
#[tokio::test]
async fn a_last_useful_date_is_not_grave_for_one_who_recovers_as_expected() {
    let targets = [gap(20.0), target("abductor-pollicis-brevis", 120.0)];
    let graft = repair("r1", "p1", "c1", "autograft", "median", "2026-03-02", &targets);
    let known = [patient("p1", "1995-05-05"), injury("c1", "p1", "2026-02-23"), graft];
    let clinic = Clinic::with("2026-03-03", known).await;
    let mut on = "2026-04-06".to_owned();
    for n in 0..40 {
        let at = f64::from(n) * 14.0 + 12.0;
        clinic.sweep_on(&on).await;
        if clinic.stands("salvage-closing").await {
            let issue = clinic.standing("salvage-closing").await[0].clone();
            assert_eq!(issue["severity"], "moderate", "{issue}");
            assert!(clinic.all("Flag?status=active").await.is_empty());
            assert!(
                text(&issue, "/detail").contains("is expected at") && text(&issue, "/detail").contains('%')
            );
            // Nobody examines again, and the expected window goes by. What was answered is asked anew, as a second look finds it too.
            answer(&clinic, "salvage-closing", action("acknowledged")).await;
            let grave = async |c: &Clinic| {
                c.standing("salvage-closing").await.first().is_some_and(|one| one["severity"] == "high")
            };
            assert!(clinic.first_day(&after(&on, 120), grave).await.is_some());
            assert_eq!(clinic.standing("salvage-closing").await[0]["mitigation"], Json::Null);
            assert_rests(&clinic).await;
            return;
        }
        clinic.put(tinel(&format!("o{n}"), "p1", "r1", &on, at.min(140.0))).await.unwrap();
        on = after(&on, 14);
    }
    panic!("never closing");
}

/// The clock of an answer runs from the last message: an alert that became grave today has not waited for months.
#[tokio::test]
async fn an_alert_that_became_graver_is_given_fourteen_days_from_then() {
    let clinic = grafted().await;
    let grave = async |c: &Clinic| {
        c.standing("review-overdue").await.first().is_some_and(|one| one["severity"] == "high")
    };
    let since = clinic.first_day("2027-12-31", grave).await.unwrap();
    let unanswered = async |c: &Clinic| {
        let all = c.standing("alert-unanswered").await;
        all.iter().any(|one| text(one, "/identifier/0/value").contains("review-overdue"))
    };
    assert!(!unanswered(&clinic).await);
    assert_eq!(clinic.first_day("2027-12-31", unanswered).await, Some(after(&since, 15)));
}

/// Somebody answers to an alert as it was when they read it: it stays as grave as it is, the answer is taken, and nobody is told again.
#[tokio::test]
async fn an_answer_to_an_old_copy_of_an_alert_does_not_make_it_graver_anew() {
    let clinic = grafted().await;
    let stands = async |c: &Clinic| c.stands("review-overdue").await;
    clinic.first_day("2027-12-31", stands).await.unwrap();
    let read = clinic.standing("review-overdue").await[0].clone();
    assert_ne!(read["severity"], "high");
    let grave = async |c: &Clinic| c.standing("review-overdue").await[0]["severity"] == "high";
    clinic.first_day("2027-12-31", grave).await.unwrap();
    let before = told(&clinic, "review-overdue").await;
    clinic.sweep_on(&after(&clinic.today(), 1)).await;
    clinic.put(with(&read, "mitigation", json!([action("acknowledged")]))).await.unwrap();
    let now = clinic.standing("review-overdue").await[0].clone();
    assert_eq!((&now["id"], &now["severity"]), (&read["id"], &json!("high")));
    assert_eq!(now["identifiedPeriod"], read["identifiedPeriod"]);
    assert_eq!(now["mitigation"], json!([action("acknowledged")]));
    assert_eq!(told(&clinic, "review-overdue").await, before);
}

/// A dead patient, a plan that was ended, a repair that was taken over: nobody hears of any of it again.
#[tokio::test]
async fn nothing_is_said_of_what_is_over() {
    let second = repair(
        "r2",
        "p1",
        "c1",
        "tendon-transfer",
        "posterior-interosseous",
        "2026-12-01",
        &[target(FINGERS, 80.0), target("extensor-indicis", 160.0)],
    );
    let dead = with(&patient("p1", "1995-05-05"), "deceasedBoolean", json!(true));
    for ending in ["death", "discharge", "takeover"] {
        let clinic = grafted().await;
        clinic.sweep_on("2026-12-02").await;
        match ending {
            "death" => drop(clinic.put(dead.clone()).await.unwrap()),
            "discharge" => {
                drop(clinic.put(with(&clinic.plan().await, "status", json!("completed"))).await.unwrap());
            }
            _ => drop(clinic.put(second.clone()).await.unwrap()),
        }
        let before = clinic.all("Communication").await.len();
        for day in 1..40 {
            clinic.sweep_on(&after("2026-12-02", 14 * day)).await;
            for kind in ["recovery-overdue", "front-static", "reach-in-doubt", "salvage-closing"] {
                assert!(!clinic.stands(kind).await, "{kind} after {ending}");
            }
        }
        if ending != "takeover" {
            assert_eq!(clinic.all("Communication").await.len(), before, "{ending}");
            assert!(clinic.all("Flag?status=active").await.is_empty());
        }
    }
}

/// An answer stays although the alert is written again, and the same answer sent twice changes nothing.
#[tokio::test]
async fn an_answer_is_kept_and_taken_once() {
    let clinic = grafted().await;
    let raised = closing(&clinic).await;
    answer(&clinic, "salvage-closing", action("acknowledged")).await;
    let issue = clinic.standing("salvage-closing").await[0].clone();
    let then = clinic.versions().await;
    clinic.put(issue.clone()).await.unwrap();
    assert_eq!(clinic.versions().await, then);
    let pain = observation("o1", "p1", "r1", "pain-score", &raised, ("valueInteger", json!(3)));
    clinic.put(pain).await.unwrap();
    assert_eq!(clinic.standing("salvage-closing").await[0]["mitigation"], issue["mitigation"]);
}

/// Makes the service look once more at what it has just decided: nothing follows.
async fn assert_rests(clinic: &Clinic) {
    let then = clinic.versions().await;
    let person = clinic.get("Patient", "p1").await;
    let language = if person["language"] == "de" { "en" } else { "de" };
    clinic.put(with(&person, "language", json!(language))).await.unwrap();
    let mut now = clinic.versions().await;
    now.retain(|reference, version| then.get(reference) != Some(version));
    assert_eq!(now.into_keys().collect::<Vec<_>>(), ["Patient/p1"]);
}

/// A surgeon who is recorded late is asked on that day: until then nobody could have answered. Found by the simulated world.
#[tokio::test]
async fn whoever_is_recorded_late_has_not_left_anything_unanswered() {
    let clinic = Clinic::with("2026-03-03", interosseous_graft()).await;
    clinic.put(json!({ "resourceType": "Practitioner", "id": "s1" })).await.unwrap();
    let unanswered = async |c: &Clinic| c.stands("alert-unanswered").await;
    let day = clinic.first_day("2027-12-31", unanswered).await.unwrap();
    let by = json!([{ "actor": { "reference": "Practitioner/s1" } }]);
    let [.., operation] = interosseous_graft();
    clinic.put(with(&operation, "performer", by)).await.unwrap();
    assert!(!clinic.stands("alert-unanswered").await);
    assert_rests(&clinic).await;
    assert_eq!(clinic.first_day("2027-12-31", unanswered).await, Some(after(&day, 15)));
}

/// A new booking desk hears of what stands on its first day. That does not start the wait for the colleague anew.
#[tokio::test]
async fn a_new_booking_desk_is_not_the_colleague_who_is_waited_for() {
    let store = stores::fresh().await;
    let mut clinic = grafted_on(store.clone()).await;
    let grave = async |c: &Clinic| {
        c.standing("review-overdue").await.first().is_some_and(|one| one["severity"] == "high")
    };
    clinic.first_day("2027-12-31", grave).await.unwrap();
    answer(&clinic, "review-overdue", handed_to("s2")).await;
    let unanswered = async |c: &Clinic| {
        let all = c.standing("alert-unanswered").await;
        all.iter().any(|one| text(one, "/identifier/0/value").contains("review-overdue"))
    };
    assert!(!unanswered(&clinic).await);
    clinic.first_day("2027-12-31", unanswered).await.unwrap();
    let desk = Party { display: "Another booking desk".to_owned(), reference: None };
    let changed = endplate_followup::Settings { scheduler: desk, ..settings() };
    clinic.endplate = Endplate::new(store, clinic.clock.clone(), changed);
    // Any write has it look.
    clinic.put(with(&patient("p1", "1995-05-05"), "language", json!("fr"))).await.unwrap();
    let told = told(&clinic, "review-overdue").await;
    assert!(told.iter().any(|(_, to)| to == "Another booking desk"), "{told:?}");
    assert!(unanswered(&clinic).await);
    assert_rests(&clinic).await;
}

/// What a new alert says it also says when somebody looks again: the thresholds for raising and for keeping decide whether it stands,
/// not what it is about. Found by the simulated world.
#[tokio::test]
async fn an_alert_says_at_the_next_look_what_it_said_when_it_was_raised() {
    let muscles = [target("first-dorsal-interosseous", 230.0), target("flexor-carpi-ulnaris", 60.0)];
    let suture = repair("r1", "p1", "c1", "direct-coaptation", "ulnar", "2026-03-02", &muscles);
    let people = [patient("p1", "1995-05-05"), injury("c1", "p1", "2026-01-12")];
    let clinic = Clinic::with("2026-03-03", people.into_iter().chain([suture])).await;
    let mut raised = 0;
    let mut stood = false;
    for day in (1..600).map(|days| after("2026-03-03", days)) {
        clinic.sweep_on(&day).await;
        let stands = clinic.stands("salvage-closing").await;
        if stands && !stood {
            raised += 1;
            assert_rests(&clinic).await;
            // Answered, it ends with its date; another date comes later.
            answer(&clinic, "salvage-closing", action("acknowledged")).await;
        }
        stood = stands;
    }
    assert!(raised > 1, "raised {raised} times");
}
