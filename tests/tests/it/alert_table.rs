//! The table of design section 6 over HTTP on a moving clock: raised when, cleared when, and told how often.

use crate::clinic::{appointment, encounter, interosseous_graft, motor, text, with};
use crate::served::Served;
use endplate_fhir::Json;
use serde_json::json;

const FINGERS: &str = "extensor-digitorum";
const INDEX: &str = "extensor-indicis";

/// What happens on a day.
enum Event {
    Nothing,
    Found(&'static str, &'static str, u8),
    Appointment(&'static str, &'static str),
    Visit,
    PlanCompleted,
    Answer(&'static str),
}

use Event::{Answer, Appointment, Found, Nothing, PlanCompleted, Visit};

/// The kind, on which day what happens and whether the alert then stands, and how many messages there are in the end.
type Row = (&'static str, &'static [(&'static str, Event, bool)], usize);

const ROWS: &[Row] = &[
    // The wound check may be held from 12 to 18 March.
    (
        "review-unbooked",
        &[
            ("2026-03-03", Nothing, true),
            ("2026-03-04", Appointment("booked", "2026-03-13"), false),
            ("2026-03-05", Appointment("cancelled", "2026-03-13"), true),
            ("2026-03-05", Nothing, true),
            ("2026-03-13", Visit, false),
        ],
        2,
    ),
    (
        "review-missed",
        &[
            ("2026-03-04", Appointment("booked", "2026-03-12"), false),
            ("2026-03-12", Appointment("noshow", "2026-03-12"), true),
            ("2026-03-13", Nothing, true),
            ("2026-03-13", Appointment("booked", "2026-03-17"), false),
        ],
        1,
    ),
    (
        "review-overdue",
        &[
            ("2026-03-25", Nothing, false),
            ("2026-03-26", Nothing, true),
            ("2026-03-30", Nothing, true),
            ("2026-03-31", Visit, false),
        ],
        2,
    ),
    // The first contraction of the finger extensors is expected by 13 November.
    (
        "recovery-overdue",
        &[
            ("2026-11-13", Found("m1", FINGERS, 0), false),
            ("2026-11-14", Found("m2", FINGERS, 0), true),
            ("2026-11-30", Nothing, true),
            ("2026-12-14", Found("m3", FINGERS, 1), false),
        ],
        1,
    ),
    (
        "finding-inconsistent",
        &[
            ("2026-11-02", Found("m1", FINGERS, 3), false),
            ("2027-02-01", Found("m2", FINGERS, 2), false),
            ("2027-02-02", Found("m3", FINGERS, 1), false),
            ("2027-02-03", Found("m2", FINGERS, 1), true),
            ("2027-02-04", Answer("acknowledged"), true),
            ("2027-02-05", Answer("confirmed"), false),
            ("2027-02-20", Nothing, false),
        ],
        1,
    ),
    (
        "front-static",
        &[
            ("2026-09-01", Found("m1", FINGERS, 0), false),
            ("2027-02-20", Found("m2", FINGERS, 0), true),
            ("2027-02-21", Nothing, true),
            ("2027-03-01", Found("m2", FINGERS, 2), false),
        ],
        1,
    ),
    (
        "recovered",
        &[
            ("2027-09-01", Found("m1", FINGERS, 4), false),
            ("2027-09-01", Found("m2", INDEX, 4), true),
            ("2027-09-20", Nothing, true),
            ("2027-09-21", PlanCompleted, false),
            ("2027-12-01", Nothing, false),
        ],
        2,
    ),
];

/// The standing alerts of a kind.
async fn standing(served: &Served, kind: &str) -> Vec<Json> {
    let all = served.all(&format!("DetectedIssue?patient=p1&code={kind}")).await;
    all.into_iter().filter(|issue| issue["identifiedPeriod"].get("end").is_none()).collect()
}

async fn happen(served: &Served, kind: &str, on: &str, event: &Event) {
    let wound = || async {
        let tasks = served.all("Task?patient=p1&_sort=due").await;
        tasks.into_iter().next().unwrap()
    };
    let resource = match event {
        Nothing => return,
        Found(id, muscle, grade) => motor(id, "p1", "r1", muscle, on, *grade),
        Appointment(status, day) => appointment(&format!("a-{day}"), "p1", &wound().await, status, day),
        Visit => encounter("e1", "p1", &wound().await, "finished", on),
        PlanCompleted => with(&served.all("CarePlan").await[0], "status", json!("completed")),
        Answer(code) => {
            let issue = standing(served, kind).await[0].clone();
            let mut all = issue["mitigation"].as_array().cloned().unwrap_or_default();
            all.push(json!({ "action": crate::clinic::code("alert-answer", code) }));
            with(&issue, "mitigation", json!(all))
        }
    };
    served.put(&resource).await.done();
}

#[tokio::test]
async fn each_row_is_raised_and_cleared_on_its_day_and_told_once() {
    for (kind, steps, told) in ROWS {
        let served = Served::open("2026-03-03").await;
        let [person, injury, graft] = interosseous_graft();
        served.put(&json!({ "resourceType": "Practitioner", "id": "s1" })).await.done();
        let by = json!([{ "actor": { "reference": "Practitioner/s1" } }]);
        for resource in [person, injury, with(&graft, "performer", by)] {
            served.put(&resource).await.done();
        }
        for (on, event, stands) in *steps {
            served.turn_to(on).await;
            happen(&served, kind, on, event).await;
            let found = standing(&served, kind).await;
            assert_eq!(found.len(), usize::from(*stands), "{kind} on {on}: {found:?}");
            for issue in &found {
                assert!(!text(issue, "/detail").is_empty() && issue.get("severity").is_some());
            }
        }
        let messages = served.all("Communication?patient=p1").await;
        let about = |one: &&Json| one["category"].to_string().contains(&format!("\"{kind}\""));
        assert_eq!(messages.iter().filter(about).count(), *told, "{kind}");
        // The same ids wherever it is raised again: one resource of each kind and subject.
        let issues = served.all(&format!("DetectedIssue?patient=p1&code={kind}")).await;
        let mut names: Vec<&str> = issues.iter().map(|one| text(one, "/identifier/0/value")).collect();
        names.sort_unstable();
        let count = names.len();
        names.dedup();
        assert_eq!(names.len(), count, "{kind}");
    }
}
