//! Each kind of alert: raised on the right day, told once to the right people, cleared when its reason is gone.

use crate::clinic::{
    Clinic, EP, after, appointment, code, encounter, gap, injury, interosseous_graft, keys, motor, number,
    observation, patient, repair, target, text, tinel, with,
};
use endplate_fhir::Json;
use endplate_followup::document::CAUTION;
use serde_json::json;

const FINGERS: &str = "extensor-digitorum";
const INDEX: &str = "extensor-indicis";

/// The interosseous graft, with two surgeons.
async fn grafted() -> Clinic {
    let clinic = Clinic::open("2026-03-03").await;
    for id in ["s1", "s2"] {
        clinic.put(json!({ "resourceType": "Practitioner", "id": id })).await.unwrap();
    }
    let [person, injured, operation] = interosseous_graft();
    let by = |id| json!({ "actor": { "reference": format!("Practitioner/{id}") } });
    for resource in [person, injured, with(&operation, "performer", json!([by("s1"), by("s2")]))] {
        clinic.put(resource).await.unwrap();
    }
    clinic
}

/// A mixed nerve: thumb muscle at 90 mm, skin of thumb and index finger at 120 mm, graft of 30 mm.
async fn mixed() -> Clinic {
    let targets =
        [gap(30.0), target("abductor-pollicis-brevis", 90.0), target("thumb-and-index-pulp", 120.0)];
    let graft = repair("r1", "p1", "c1", "autograft", "median", "2026-03-02", &targets);
    Clinic::with("2026-03-03", [patient("p1", "1995-05-05"), injury("c1", "p1", "2026-02-23"), graft]).await
}

/// The patient comes to the next review on its preferred day.
async fn attend_next(clinic: &Clinic) {
    let task = clinic.open_tasks().await[0].clone();
    let on = text(&task, "/input/0/valueDate").to_owned();
    clinic.sweep_on(&on).await;
    clinic.put(encounter(&format!("e-{on}"), "p1", &task, "finished", &on)).await.unwrap();
}

async fn acknowledge(clinic: &Clinic, issue: &Json, answer: &str) {
    let current = clinic.get("DetectedIssue", text(issue, "/id")).await;
    let mitigation = json!([{ "action": with(&code("alert-answer", answer), "text", json!("after talking to the patient")) }]);
    clinic.put(with(&current, "mitigation", mitigation)).await.unwrap();
}

/// What every alert must carry: a sentence with a date, the cautions, and references that lead somewhere.
async fn check(clinic: &Clinic, issue: &Json) {
    let detail = text(issue, "/detail");
    assert!(detail.ends_with(CAUTION) && text(issue, "/text/div").contains("does not replace the judgement"));
    let dated = detail
        .split(|c: char| !(c.is_ascii_digit() || c == '-'))
        .any(|word| word.parse::<jiff::civil::Date>().is_ok());
    assert!(dated, "no date in {detail}");
    let evidence =
        issue["evidence"].as_array().into_iter().flatten().flat_map(|one| one["detail"].as_array().unwrap());
    for reference in evidence.chain(issue["implicated"].as_array().unwrap()) {
        let (kind, id) = text(reference, "/reference").split_once('/').unwrap();
        clinic.endplate.read(kind, id).await.unwrap();
    }
    assert!(!issue["extension"].as_array().unwrap().is_empty(), "no fact");
}

/// Recipients of the messages about one kind of alert, in order.
async fn told(clinic: &Clinic, kind: &str) -> Vec<String> {
    let name = |message: &Json| match text(message, "/recipient/0/reference") {
        "" => text(message, "/recipient/0/display").to_owned(),
        reference => reference.to_owned(),
    };
    let messages = clinic.messages(kind).await;
    assert!(messages.iter().all(|message| text(message, "/payload/0/contentString").ends_with(CAUTION)));
    let mut all: Vec<String> = messages.iter().map(name).collect();
    all.sort();
    all
}

async fn only(clinic: &Clinic, kind: &str) -> Json {
    let standing = clinic.standing(kind).await;
    assert_eq!(standing.len(), 1, "{kind}: {standing:?}");
    check(clinic, &standing[0]).await;
    standing[0].clone()
}

/// `P(arrest)` in percent.
async fn arrest(clinic: &Clinic) -> f64 {
    let assessment = clinic.assessment("r1").await;
    let url = format!("{EP}/StructureDefinition/arrest-probability");
    let extensions = assessment["extension"].as_array().unwrap();
    number(extensions.iter().find(|one| text(one, "/url") == url).unwrap(), "/valueDecimal")
}

/// The first last useful date of a repair's muscles.
async fn first_last_date(clinic: &Clinic) -> String {
    let assessment = clinic.assessment("r1").await;
    let url = format!("{EP}/StructureDefinition/last-useful-date");
    let extensions = assessment["extension"].as_array().unwrap();
    let dates = extensions
        .iter()
        .filter(|one| text(one, "/url") == url)
        .map(|one| text(one, "/extension/2/valueDate"));
    dates.min().unwrap().to_owned()
}

#[tokio::test]
async fn an_unbooked_review_is_reported_fourteen_days_before_its_window_opens() {
    let clinic = grafted().await;
    attend_next(&clinic).await;
    attend_next(&clinic).await;
    let task = clinic.open_tasks().await[0].clone();
    let opens = text(&task, "/restriction/period/start");
    let before = clinic.messages("review-unbooked").await.len();
    let raised = clinic.first_day(opens, async |c: &Clinic| c.stands("review-unbooked").await).await.unwrap();
    assert_eq!(raised, after(opens, -14));
    let issue = only(&clinic, "review-unbooked").await;
    assert_eq!(issue["severity"], "low");
    assert!(text(&issue, "/detail").contains(opens));
    assert!(issue["implicated"].to_string().contains(text(&task, "/id")));
    let told = told(&clinic, "review-unbooked").await;
    assert_eq!(told.len(), before + 1);
    assert!(told.iter().all(|one| one == "Booking desk"));

    let booked = appointment("a1", "p1", &task, "booked", opens);
    clinic.put(booked.clone()).await.unwrap();
    assert!(!clinic.stands("review-unbooked").await);
    clinic.put(with(&booked, "status", json!("cancelled"))).await.unwrap();
    assert!(clinic.stands("review-unbooked").await);
    attend_next(&clinic).await;
    assert!(!clinic.stands("review-unbooked").await);
}

#[tokio::test]
async fn a_lost_patient_is_reported_once_and_more_gravely_when_a_decision_passes() {
    let clinic = grafted().await;
    let wound = clinic.open_tasks().await[0].clone();
    let closes = text(&wound, "/restriction/period/end");
    let raised =
        clinic.first_day("2026-04-30", async |c: &Clinic| c.stands("review-overdue").await).await.unwrap();
    assert_eq!(raised, after(closes, 8));
    let issue = only(&clinic, "review-overdue").await;
    assert_eq!(issue["severity"], "moderate");
    assert!(text(&issue, "/detail").contains(closes) && text(&issue, "/detail").contains("Book"));
    assert_eq!(told(&clinic, "review-overdue").await, ["Booking desk", "Practitioner/s1", "Practitioner/s2"]);

    let decisions = clinic.open_tasks().await;
    let decision =
        decisions.iter().find(|task| keys(std::slice::from_ref(task))[0].starts_with("decision")).unwrap();
    let lost = after(text(decision, "/restriction/period/end"), 8);
    let grave = async |c: &Clinic| {
        let standing = c.standing("review-overdue").await;
        assert_eq!(standing.len(), 1, "one alert for a lost patient");
        standing[0]["severity"] == "high"
    };
    assert_eq!(clinic.first_day("2027-12-31", grave).await.unwrap(), lost);
    assert_eq!(clinic.issues("review-overdue").await.len(), 1);
    assert_eq!(told(&clinic, "review-overdue").await.len(), 6, "once when raised, once when graver");
    assert_eq!(clinic.all("Flag?status=active").await.len(), 1);

    // Seen at last.
    let on = clinic.today();
    clinic.put(motor("m1", "p1", "r1", FINGERS, &on, 0)).await.unwrap();
    assert!(!clinic.stands("review-overdue").await);
}

#[tokio::test]
async fn an_examination_after_the_expected_window_that_finds_nothing_is_reported() {
    let clinic = grafted().await;
    let [_, _, by] = clinic.window("r1", FINGERS, "first-contraction").await.map(|on| on.to_string());
    clinic.sweep_on(&by).await;
    clinic.put(motor("m1", "p1", "r1", FINGERS, &by, 0)).await.unwrap();
    assert!(!clinic.stands("recovery-overdue").await, "not on the last day of the window");
    let next = after(&by, 1);
    clinic.sweep_on(&next).await;
    clinic.put(motor("m2", "p1", "r1", FINGERS, &next, 0)).await.unwrap();
    let issue = only(&clinic, "recovery-overdue").await;
    let detail = text(&issue, "/detail");
    assert!(
        detail.contains("first contraction") && detail.contains(&by) && detail.contains(&next),
        "{detail}"
    );
    assert!(detail.contains("second graft") && detail.contains("transfer"), "{detail}");
    assert_eq!(text(&issue, "/evidence/0/detail/0/reference"), "Observation/m2");
    assert_eq!(told(&clinic, "recovery-overdue").await, ["Practitioner/s1", "Practitioner/s2"]);

    let on = after(&next, 30);
    clinic.sweep_on(&on).await;
    clinic.put(motor("m3", "p1", "r1", FINGERS, &on, 1)).await.unwrap();
    assert!(!clinic.stands("recovery-overdue").await);
    assert_eq!(told(&clinic, "recovery-overdue").await.len(), 2);
}

#[tokio::test]
async fn a_tinel_sign_that_stands_still_for_twelve_weeks_is_reported_until_it_moves() {
    let clinic = mixed().await;
    clinic.sweep_on("2026-05-04").await;
    clinic.put(tinel("o1", "p1", "r1", "2026-05-04", 25.0)).await.unwrap();
    // 83 days are not yet 84.
    clinic.sweep_on("2026-07-26").await;
    clinic.put(tinel("o2", "p1", "r1", "2026-07-26", 30.0)).await.unwrap();
    let early = clinic.standing("front-static").await;
    assert!(early.iter().all(|issue| !text(issue, "/detail").contains("Tinel sign was at")), "{early:?}");
    clinic.sweep_on("2026-07-27").await;
    clinic.put(tinel("o3", "p1", "r1", "2026-07-27", 34.0)).await.unwrap();
    let issue = only(&clinic, "front-static").await;
    let detail = text(&issue, "/detail");
    for said in ["25 mm on 2026-05-04", "34 mm on 2026-07-27", "chance", "second graft", "tendon transfer"] {
        assert!(detail.contains(said), "{said} missing: {detail}");
    }
    assert_eq!(issue["severity"], "high");
    let flag = clinic.all("Flag?status=active").await;
    assert!(flag[0]["extension"].to_string().contains(text(&issue, "/id")));
    assert_eq!(told(&clinic, "front-static").await, ["Clinic lead"], "no surgeon is recorded");

    clinic.sweep_on("2026-08-17").await;
    clinic.put(tinel("o4", "p1", "r1", "2026-08-17", 110.0)).await.unwrap();
    assert!(!clinic.stands("front-static").await);
    let flags = clinic.all("Flag?status=active").await;
    assert!(flags.iter().all(|flag| !flag["extension"].to_string().contains(text(&issue, "/id"))));
    assert_eq!(told(&clinic, "front-static").await.len(), 1);
}

/// Raised at 80 %, it stands until below 60 %; at 60 to 80 % it is not raised.
#[tokio::test]
async fn the_chance_of_arrest_raises_and_clears_at_different_thresholds() {
    let clinic = grafted().await;
    clinic.sweep_on("2027-03-02").await;
    let mut middle = None;
    let mut low = None;
    let mut high = None;
    for days in (150..365).step_by(5) {
        let on = after("2026-03-02", days);
        let finding = motor("m1", "p1", "r1", FINGERS, &on, 0);
        clinic.put(finding.clone()).await.unwrap();
        let chance = arrest(&clinic).await;
        assert_eq!(clinic.stands("front-static").await, chance >= 80.0, "on the way up, at {chance} %");
        match chance {
            c if c < 60.0 => low = Some(finding),
            c if c < 80.0 => middle = Some(finding),
            _ => {
                high = Some(finding);
                break;
            }
        }
    }
    let (low, middle, _) =
        (low.unwrap(), middle.unwrap(), high.expect("a year without a sign is more than 80 %"));
    clinic.put(middle).await.unwrap();
    assert!((60.0..80.0).contains(&arrest(&clinic).await));
    let issue = only(&clinic, "front-static").await;
    assert!(text(&issue, "/detail").contains("fit a front that has stopped"));
    clinic.put(low).await.unwrap();
    assert!(!clinic.stands("front-static").await);
    assert_eq!(told(&clinic, "front-static").await.len(), 2, "each surgeon once");
}

/// A high ulnar suture four months after the injury: a long way, and little time.
async fn late_ulnar() -> Clinic {
    let suture = repair(
        "r1",
        "p1",
        "c1",
        "direct-coaptation",
        "ulnar",
        "2026-03-02",
        &[target("first-dorsal-interosseous", 300.0)],
    );
    Clinic::with("2026-03-03", [patient("p1", "1995-05-05"), injury("c1", "p1", "2025-11-03"), suture]).await
}

async fn in_time(clinic: &Clinic) -> f64 {
    number(&clinic.assessment("r1").await, "/prediction/0/probabilityDecimal")
}

#[tokio::test]
async fn doubt_whether_axons_arrive_in_time_is_reported_while_something_can_be_done() {
    let clinic = late_ulnar().await;
    assert!(in_time(&clinic).await < 50.0);
    let issue = only(&clinic, "reach-in-doubt").await;
    let detail = text(&issue, "/detail");
    assert!(detail.contains("first dorsal interosseous") && detail.contains("2026-11-03"), "{detail}");
    assert!(detail.contains("distal nerve transfer would still reach"), "{detail}");
    // Findings that put the front ahead clear it above 60 %; between 50 and 60 it still stands, or is not raised.
    clinic.clock.turn_to("2026-05-04");
    let mut reversed = Vec::new();
    for at in (40..160).step_by(2) {
        clinic.put(tinel("o1", "p1", "r1", "2026-05-04", f64::from(at))).await.unwrap();
        let chance = in_time(&clinic).await;
        assert_eq!(
            clinic.stands("reach-in-doubt").await,
            chance < 60.0,
            "on the way up, at {at} mm, {chance} %"
        );
        reversed.push((at, chance));
        if chance >= 60.0 {
            break;
        }
    }
    assert!(reversed.iter().any(|(_, chance)| (50.0..60.0).contains(chance)), "{reversed:?}");
    for (at, _) in reversed.into_iter().rev() {
        clinic.put(tinel("o1", "p1", "r1", "2026-05-04", f64::from(at))).await.unwrap();
        let chance = in_time(&clinic).await;
        let stands = clinic.stands("reach-in-doubt").await;
        assert_eq!(
            stands,
            chance < 50.0 && !clinic.stands("front-static").await,
            "on the way down, at {at} mm, {chance} %"
        );
        if stands {
            return;
        }
    }
    panic!("never raised again");
}

#[tokio::test]
async fn a_front_that_stands_still_is_not_reported_again_as_late() {
    let clinic = late_ulnar().await;
    assert!(clinic.stands("reach-in-doubt").await);
    for (id, on) in [("o1", "2026-04-20"), ("o2", "2026-07-20")] {
        clinic.sweep_on(on).await;
        clinic.put(tinel(id, "p1", "r1", on, 5.0)).await.unwrap();
    }
    assert!(clinic.stands("front-static").await && !clinic.stands("reach-in-doubt").await);
}

#[tokio::test]
async fn a_last_useful_date_is_announced_sixty_days_before() {
    let clinic = grafted().await;
    let last = first_last_date(&clinic).await;
    let raised = clinic.first_day(&last, async |c: &Clinic| c.stands("salvage-closing").await).await.unwrap();
    assert_eq!(raised, after(&last, -60));
    let issue = only(&clinic, "salvage-closing").await;
    let detail = text(&issue, "/detail");
    assert!(
        detail.contains(&format!("useful until {last}")) && detail.contains("tendon transfer"),
        "{detail}"
    );
    assert_eq!(issue["severity"], "high");
    assert_eq!(told(&clinic, "salvage-closing").await, ["Practitioner/s1", "Practitioner/s2"]);
    assert_eq!(clinic.all("Flag?status=active").await.len(), 1);
    // Unanswered it stands, even when the date has gone by.
    clinic.sweep_on(&after(&last, 20)).await;
    only(&clinic, "salvage-closing").await;

    acknowledge(&clinic, &issue, "declined").await;
    assert!(!clinic.stands("salvage-closing").await);
    clinic
        .first_day(&after(&last, 120), async |c: &Clinic| {
            assert!(!c.stands("salvage-closing").await, "declined once is declined");
            false
        })
        .await;
    assert_eq!(told(&clinic, "salvage-closing").await.len(), 2);
}

/// Findings move the last useful date a little; that neither retracts the alert nor tells anybody again.
#[tokio::test]
async fn a_last_useful_date_that_moves_a_little_is_not_announced_twice() {
    let clinic = grafted().await;
    let raised = after(&first_last_date(&clinic).await, -60);
    clinic.sweep_on(&raised).await;
    let on = after(&raised, 10);
    clinic.sweep_on(&on).await;
    clinic.put(tinel("o1", "p1", "r1", &on, 150.0)).await.unwrap();
    clinic.put(motor("m1", "p1", "r1", FINGERS, &on, 1)).await.unwrap();
    let last = first_last_date(&clinic).await;
    assert!(last > after(&on, 60) && last < after(&on, 90), "{last}");
    clinic
        .first_day(&last, async |c: &Clinic| {
            assert!(c.stands("salvage-closing").await, "on {}", c.today());
            false
        })
        .await;
    assert_eq!(told(&clinic, "salvage-closing").await, ["Practitioner/s1", "Practitioner/s2"]);
}

#[tokio::test]
async fn a_sign_at_the_muscle_ends_the_talk_of_salvage() {
    let clinic = grafted().await;
    let raised = after(&first_last_date(&clinic).await, -60);
    clinic.sweep_on(&raised).await;
    assert!(clinic.stands("salvage-closing").await);
    clinic.put(motor("m1", "p1", "r1", FINGERS, &raised, 3)).await.unwrap();
    clinic.put(motor("m2", "p1", "r1", INDEX, &raised, 1)).await.unwrap();
    assert!(!clinic.stands("salvage-closing").await);
}

#[tokio::test]
async fn a_tinel_sign_beyond_the_nerve_is_queried_until_corrected_or_confirmed() {
    let clinic = mixed().await;
    clinic.sweep_on("2026-06-01").await;
    // The nerve ends 30 + 120 mm from the proximal coaptation; three standard deviations of 12 mm are allowed for.
    clinic.put(tinel("o1", "p1", "r1", "2026-06-01", 180.0)).await.unwrap();
    assert!(!clinic.stands("finding-inconsistent").await);
    clinic.put(tinel("o1", "p1", "r1", "2026-06-01", 190.0)).await.unwrap();
    let issue = only(&clinic, "finding-inconsistent").await;
    assert!(
        text(&issue, "/detail").contains("190 mm on 2026-06-01 lies beyond the end of the nerve (150 mm)")
    );
    assert_eq!(text(&issue, "/evidence/0/detail/0/reference"), "Observation/o1");
    clinic.put(tinel("o1", "p1", "r1", "2026-06-01", 40.0)).await.unwrap();
    assert!(!clinic.stands("finding-inconsistent").await);
    clinic.put(tinel("o1", "p1", "r1", "2026-06-01", 190.0)).await.unwrap();
    acknowledge(&clinic, &only(&clinic, "finding-inconsistent").await, "confirmed").await;
    assert!(!clinic.stands("finding-inconsistent").await);
    clinic.sweep_on("2026-06-20").await;
    clinic.put(tinel("o2", "p1", "r1", "2026-06-20", 45.0)).await.unwrap();
    assert!(!clinic.stands("finding-inconsistent").await, "a confirmed finding stays confirmed");
}

#[tokio::test]
async fn a_grade_that_falls_by_two_is_queried() {
    let clinic = grafted().await;
    clinic.sweep_on("2027-02-01").await;
    clinic.put(motor("m1", "p1", "r1", FINGERS, "2026-11-02", 3)).await.unwrap();
    clinic.put(motor("m2", "p1", "r1", FINGERS, "2027-02-01", 2)).await.unwrap();
    assert!(!clinic.stands("finding-inconsistent").await);
    clinic.put(motor("m2", "p1", "r1", FINGERS, "2027-02-01", 1)).await.unwrap();
    let issue = only(&clinic, "finding-inconsistent").await;
    let detail = text(&issue, "/detail");
    assert!(
        detail.contains("M3 on 2026-11-02")
            && detail.contains("M1 on 2027-02-01")
            && detail.contains("confirm"),
        "{detail}"
    );
    assert_eq!(issue["evidence"][0]["detail"].as_array().unwrap().len(), 2);
}

#[tokio::test]
async fn a_distal_muscle_before_a_proximal_one_is_queried() {
    let targets = [target("brachioradialis", 60.0), target(INDEX, 260.0)];
    let suture = repair("r1", "p1", "c1", "direct-coaptation", "radial", "2026-03-02", &targets);
    let clinic =
        Clinic::with("2027-02-01", [patient("p1", "1995-05-05"), injury("c1", "p1", "2026-02-23"), suture])
            .await;
    clinic.put(motor("m1", "p1", "r1", "brachioradialis", "2027-02-01", 0)).await.unwrap();
    clinic.put(motor("m2", "p1", "r1", INDEX, "2027-02-01", 3)).await.unwrap();
    let issue = only(&clinic, "finding-inconsistent").await;
    assert!(text(&issue, "/detail").contains("extensor indicis"), "{issue}");
    clinic.put(motor("m1", "p1", "r1", "brachioradialis", "2027-02-01", 3)).await.unwrap();
    assert!(!clinic.stands("finding-inconsistent").await);
}

#[tokio::test]
async fn a_finding_from_before_the_operation_is_refused() {
    let clinic = grafted().await;
    let refusal = clinic.put(motor("m1", "p1", "r1", FINGERS, "2026-02-25", 0)).await.unwrap_err();
    assert!(refusal.to_string().contains("before the operation"), "{refusal}");
}

#[tokio::test]
async fn a_high_alert_without_an_answer_goes_to_the_lead_after_fourteen_days() {
    let clinic = grafted().await;
    let raised = after(&first_last_date(&clinic).await, -60);
    clinic.sweep_on(&raised).await;
    let issue = only(&clinic, "salvage-closing").await;
    let about_it = async |c: &Clinic| {
        let unanswered = c.standing("alert-unanswered").await;
        unanswered.into_iter().find(|one| text(one, "/identifier/0/value").contains("salvage-closing"))
    };
    let escalated =
        clinic.first_day(&after(&raised, 30), async |c: &Clinic| about_it(c).await.is_some()).await.unwrap();
    assert_eq!(escalated, after(&raised, 15), "more than fourteen days");
    let escalation = about_it(&clinic).await.unwrap();
    check(&clinic, &escalation).await;
    assert!(text(&escalation, "/detail").contains(&raised));
    assert!(told(&clinic, "alert-unanswered").await.iter().all(|one| one == "Clinic lead"));
    acknowledge(&clinic, &issue, "acknowledged").await;
    assert!(about_it(&clinic).await.is_none());
    only(&clinic, "salvage-closing").await;
}

/// `Communication.received` acknowledges the alert it is about.
#[tokio::test]
async fn a_message_received_is_an_answer() {
    let clinic = grafted().await;
    let raised = after(&first_last_date(&clinic).await, -60);
    clinic.sweep_on(&raised).await;
    let message = clinic.messages("salvage-closing").await[0].clone();
    clinic.put(with(&message, "received", json!(format!("{raised}T15:00:00Z")))).await.unwrap();
    clinic
        .first_day(&after(&raised, 30), async |c: &Clinic| {
            let unanswered = c.standing("alert-unanswered").await;
            assert!(
                unanswered.iter().all(|one| !text(one, "/identifier/0/value").contains("salvage-closing"))
            );
            false
        })
        .await;
}

#[tokio::test]
async fn full_recovery_is_reported_and_the_plan_may_end() {
    let clinic = grafted().await;
    clinic.sweep_on("2027-09-01").await;
    clinic.put(motor("m1", "p1", "r1", FINGERS, "2027-09-01", 4)).await.unwrap();
    assert!(!clinic.stands("recovered").await);
    clinic.put(motor("m2", "p1", "r1", INDEX, "2027-09-01", 5)).await.unwrap();
    let issue = only(&clinic, "recovered").await;
    assert_eq!(
        (&issue["severity"], text(&issue, "/evidence/0/detail/1/reference")),
        (&json!("low"), "Observation/m2")
    );
    assert_eq!(told(&clinic, "recovered").await, ["Booking desk", "Practitioner/s1", "Practitioner/s2"]);
    assert!(clinic.all("Goal").await.iter().all(|goal| goal["lifecycleStatus"] == "completed"));
    let plan = clinic.plan().await;
    clinic.put(with(&plan, "status", json!("completed"))).await.unwrap();
    assert!(!clinic.stands("recovered").await && clinic.open_tasks().await.is_empty());
}

/// Two years of neglect, swept every day, and again on the same day: the second sweep finds nothing to do, and nobody is told
/// the same thing twice.
#[tokio::test]
async fn a_sweep_repeated_on_the_same_day_changes_nothing() {
    let clinic = grafted().await;
    for day in (1..50).map(|n| after("2026-03-03", 15 * n)) {
        clinic.sweep_on(&day).await;
        let then = clinic.versions().await;
        clinic.clock.turn_on_s(600);
        let report = clinic.endplate.sweep(&|_| {}).await.unwrap();
        assert_eq!((report.patients, report.changed), (0, 0), "on {day}");
        assert_eq!(clinic.versions().await, then);
    }
    let mut told: Vec<String> = clinic
        .all("Communication")
        .await
        .iter()
        .map(|one| format!("{} {} {}", one["about"], one["recipient"], one["priority"]))
        .collect();
    let all = told.len();
    told.sort();
    told.dedup();
    assert_eq!(told.len(), all);
}

/// The flag stands exactly as long as an alert of high severity does.
#[tokio::test]
async fn the_flag_stands_while_something_grave_does() {
    let clinic = grafted().await;
    clinic.sweep_on("2027-03-01").await;
    let grave = async |c: &Clinic| {
        let issues = c.all("DetectedIssue").await;
        issues
            .iter()
            .any(|issue| issue["severity"] == "high" && issue["identifiedPeriod"].get("end").is_none())
    };
    for (k, grade) in [0, 0, 1, 3, 3, 4].into_iter().enumerate() {
        let on = after("2027-03-01", 40 * i32::try_from(k).unwrap());
        clinic.sweep_on(&on).await;
        for (muscle, place) in [("f", FINGERS), ("i", INDEX)] {
            clinic.put(motor(&format!("{muscle}{k}"), "p1", "r1", place, &on, grade)).await.unwrap();
        }
        assert_eq!(!clinic.all("Flag?status=active").await.is_empty(), grave(&clinic).await, "on {on}");
    }
    let flag = &clinic.all("Flag").await[0];
    assert_eq!(flag["status"], "inactive");
    assert!(flag["period"].get("end").is_some());
}

/// Pain is kept but is no evidence of the front.
#[tokio::test]
async fn pain_alone_raises_nothing() {
    let clinic = mixed().await;
    clinic.sweep_on("2026-06-01").await;
    let before = arrest(&clinic).await;
    clinic
        .put(observation("o1", "p1", "r1", "pain-score", "2026-06-01", ("valueInteger", json!(9))))
        .await
        .unwrap();
    assert!((arrest(&clinic).await - before).abs() < 1e-9);
    for kind in ["front-static", "recovery-overdue", "finding-inconsistent"] {
        assert!(!clinic.stands(kind).await);
    }
}
