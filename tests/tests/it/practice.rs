//! Does the service say what the trade expects? Each check names its basis: common practice, or the published source.

use crate::clinic::{
    Clinic, after, gap, injury, mm, motor, number, patient, repair, sudomotor, target, text, tinel,
};
use endplate_fhir::Json;
use endplate_recovery::anatomy::Nerve;
use endplate_recovery::assessment::assess;
use endplate_recovery::protocol::Protocol;
use endplate_recovery::repair::{PathBasis, Place, Repair, RepairedNerve, Target, Technique};
use endplate_recovery::unit::{DateRange, Days, Mm};
use jiff::civil::Date;
use serde_json::json;

const FINGERS: &str = "extensor-digitorum";
const OPERATED: &str = "2026-03-02";
/// Paths from a posterior interosseous repair in the proximal forearm to the finger extensors, mm.
const PATHS: [f64; 5] = [60.0, 70.0, 80.0, 90.0, 100.0];

fn published() -> Json {
    serde_json::from_str(include_str!("../../reference/published.json")).unwrap()
}

/// So many whole months after the operation.
fn months(count: i32) -> Date {
    let operated: Date = OPERATED.parse().unwrap();
    operated.saturating_add(jiff::Span::new().months(count))
}

/// A patient of 30 with a graft of 30 mm in the posterior interosseous nerve, a week after the injury.
async fn interosseous(technique: &str, path: f64) -> Clinic {
    let extensions = [gap(30.0), target(FINGERS, path)];
    let graft = repair("r1", "p1", "c1", technique, "posterior-interosseous", OPERATED, &extensions);
    Clinic::with("2026-03-03", [patient("p1", "1995-05-05"), injury("c1", "p1", "2026-02-23"), graft]).await
}

/// Common practice: the finger extensors first move some six months after an autograft of the posterior interosseous nerve.
#[tokio::test]
async fn six_months_after_an_autograft_the_fingers_may_begin_to_move() {
    for path in PATHS {
        let clinic = interosseous("autograft", path).await;
        let [p10, _, p90] = clinic.window("r1", FINGERS, "first-contraction").await;
        assert!((p10..=p90).contains(&months(6)), "{path} mm: {p10} to {p90}");
    }
}

/// Common practice: a processed allograft is slower than the patient's own nerve, and at eleven months some contraction but
/// not yet strength is usual.
#[tokio::test]
async fn a_processed_allograft_is_slower_than_an_autograft() {
    for path in PATHS {
        let own = interosseous("autograft", path).await;
        let processed = interosseous("processed-allograft", path).await;
        for milestone in ["nascent-potentials", "first-contraction", "antigravity", "strong"] {
            let earlier = own.window("r1", FINGERS, milestone).await;
            let later = processed.window("r1", FINGERS, milestone).await;
            assert!(
                earlier.iter().zip(&later).all(|(a, b)| a < b),
                "{path} mm, {milestone}: {earlier:?} {later:?}"
            );
        }
        let [first, ..] = processed.window("r1", FINGERS, "first-contraction").await;
        let [_, _, last] = processed.window("r1", FINGERS, "antigravity").await;
        assert!((first..=last).contains(&months(11)), "{path} mm: {first} to {last}");
    }
}

/// Common practice: strength is gained until about 18 months.
#[tokio::test]
async fn eighteen_months_after_the_operation_strength_is_due() {
    for technique in ["autograft", "processed-allograft"] {
        for path in PATHS {
            let [p10, _, p90] = interosseous(technique, path).await.window("r1", FINGERS, "strong").await;
            assert!((p10..=p90).contains(&months(18)), "{technique}, {path} mm: {p10} to {p90}");
        }
    }
}

/// Common practice: sweating returns before useful sensory or motor recovery.
#[tokio::test]
async fn sweating_returns_first() {
    let (thumb, pulp) = ("abductor-pollicis-brevis", "thumb-and-index-pulp");
    for path in [40.0, 100.0, 250.0] {
        let targets = [gap(30.0), target(thumb, path), target(pulp, path)];
        let graft = repair("r1", "p1", "c1", "autograft", "median", OPERATED, &targets);
        let people = [patient("p1", "1995-05-05"), injury("c1", "p1", "2026-02-23"), graft];
        let clinic = Clinic::with("2026-03-03", people).await;
        let [_, sweat, _] = clinic.window("r1", pulp, "sudomotor-return").await;
        for (place, milestone) in [
            (pulp, "protective-sensation"),
            (pulp, "useful-sensation"),
            (thumb, "nascent-potentials"),
            (thumb, "first-contraction"),
            (thumb, "antigravity"),
            (thumb, "strong"),
        ] {
            let [_, median, _] = clinic.window("r1", place, milestone).await;
            assert!(sweat < median, "{path} mm: {milestone} on {median}, sweat on {sweat}");
        }
    }
}

/// Common practice: a graft with a Tinel sign that does not move, no sweating and no contraction at three and at six months has
/// failed until proved otherwise.
#[tokio::test]
async fn a_graft_without_any_sign_is_reported_by_six_months() {
    let (thumb, pulp) = ("abductor-pollicis-brevis", "thumb-and-index-pulp");
    let targets = [gap(30.0), target(thumb, 90.0), target(pulp, 120.0)];
    let graft = repair("r1", "p1", "c1", "autograft", "median", OPERATED, &targets);
    let people = [patient("p1", "1995-05-05"), injury("c1", "p1", "2026-02-23"), graft];
    let mixed = Clinic::with("2026-03-03", people).await;
    let motor_only = interosseous("autograft", 80.0).await;
    for month in [3, 6] {
        let on = months(month).to_string();
        for (clinic, muscle) in [(&mixed, thumb), (&motor_only, FINGERS)] {
            clinic.sweep_on(&on).await;
            let name = |sign| format!("{sign}{month}");
            clinic.put(tinel(&name("tinel"), "p1", "r1", &on, 20.0)).await.unwrap();
            clinic.put(motor(&name("motor"), "p1", "r1", muscle, &on, 0)).await.unwrap();
        }
        mixed.put(sudomotor(&format!("sweat{month}"), "p1", "r1", pulp, &on, false)).await.unwrap();
    }
    for (nerve, clinic) in [("mixed", mixed), ("motor only", motor_only)] {
        let standing = clinic.standing("front-static").await;
        assert_eq!(standing.len(), 1, "{nerve}");
        assert!(
            text(&standing[0], "/detail").contains("would still reach"),
            "{nerve}: while something helps"
        );
    }
}

/// The counterpart: a front that advances a millimetre a day ("an inch a month" at the least: Ehni 1991, Am Fam Physician 43:897)
/// raises nothing.
#[tokio::test]
async fn a_front_that_advances_a_millimetre_a_day_raises_nothing() {
    let clinic = interosseous("autograft", 80.0).await;
    for (month, at) in [(2, 25.0), (4, 80.0)] {
        let on = months(month).to_string();
        clinic.sweep_on(&on).await;
        clinic.put(tinel(&format!("o{month}"), "p1", "r1", &on, at)).await.unwrap();
    }
    for kind in ["front-static", "reach-in-doubt", "recovery-overdue"] {
        assert!(!clinic.stands(kind).await, "{kind}");
    }
}

/// A repair as a published case describes it, over one of its possible paths.
async fn case(row: &Json, path: f64) -> Clinic {
    let named = json!({ "url": format!("{}/StructureDefinition/target", crate::clinic::EP), "extension": [
        { "url": "structure", "valueCodeableConcept": { "text": "the muscle of the case" } },
        { "url": "path-length", "valueQuantity": mm(path) },
    ] });
    let mut operation = repair("r1", "p1", "c1", text(row, "/technique"), "", OPERATED, &[named]);
    operation["bodySite"] = json!([{ "text": "the nerve of the case" }]);
    let mut person = json!({ "resourceType": "Patient", "id": "p1" });
    if let Some(age) = row["age_years"].as_f64() {
        let years = i32::try_from(age.floor() as i64).unwrap();
        let birth: Date = OPERATED.parse().unwrap();
        person["birthDate"] =
            json!(birth.saturating_sub(jiff::Span::new().years(years).days(30)).to_string());
    }
    Clinic::with("2026-03-03", [person, injury("c1", "p1", "2026-02-23"), operation]).await
}

/// The windows of published cases as another program computed them (`tests/reference/published.py`), and what they say: the sign
/// was written down at a clinic visit, so it came on at some time in the three months before. That interval must meet the
/// window at one of the paths the case allows. One series is a known miss: Bao 2022 (Front Neurol 13:745746) saw potentials at 10
/// to 15 months over 19 mm. Sources of the others: in the file, each with its row.
#[tokio::test]
async fn published_first_signs_fall_into_the_windows() {
    let observed = published()["observed_first_signs"].clone();
    let rows =
        ["single_patients", "series"].map(|group| observed[group].as_array().unwrap().clone()).concat();
    let operated: Date = OPERATED.parse().unwrap();
    let mut missed = Vec::new();
    let mut checked = 0;
    for row in rows.iter().filter(|row| row["milestone"] != "axon-arrival") {
        let [from, to] = [0, 1].map(|k| number(row, &format!("/interval_days/{k}")));
        let mut meets = false;
        for k in 0..3 {
            let clinic = case(row, number(row, &format!("/path_mm/{k}"))).await;
            let window = clinic.window("r1", "the muscle of the case", text(row, "/milestone")).await;
            let days = window.map(|on| f64::from((on - operated).get_days()));
            for (p, day) in days.iter().enumerate() {
                let expected = number(row, &format!("/windows_days/{k}/{p}"));
                assert!((day - expected).abs() <= 1.5, "{}: {days:?}, {expected} expected", row["id"]);
            }
            meets |= days[0] <= to && days[2] >= from;
        }
        checked += 1;
        if !meets {
            missed.push(text(row, "/id"));
        }
    }
    assert_eq!((checked, missed), (8, vec!["soleus-branch-to-deep-fibular"]));
}

/// The rule of delay and distance (hand-surgery teaching page, <http://www.e-hand.com/pot/pot506.htm>, "not always true"): months of
/// delay plus inches of distance above 18 make recovery unlikely. The muscles are the brachioradialis and the first dorsal
/// interosseous of the worked examples.
#[tokio::test]
async fn the_rule_of_delay_and_distance_agrees() {
    let mut chances = Vec::new();
    for row in published()["delay_and_distance_rule"]["worked"].as_array().unwrap() {
        let (nerve, muscle) = match text(row, "/muscle") {
            "BR" => ("radial", "brachioradialis"),
            _ => ("ulnar", "first-dorsal-interosseous"),
        };
        let injured = months(-i32::try_from(row["delay_months"].as_i64().unwrap()).unwrap()).to_string();
        let targets = [target(muscle, number(row, "/distance_mm"))];
        let suture = repair("r1", "p1", "c1", "direct-coaptation", nerve, OPERATED, &targets);
        let clinic =
            Clinic::with("2026-03-03", [patient("p1", "1995-05-05"), injury("c1", "p1", &injured), suture])
                .await;
        chances.push((
            row["unlikely"] == true,
            number(&clinic.assessment("r1").await, "/prediction/0/probabilityDecimal"),
        ));
    }
    let unlikely: Vec<f64> =
        chances.iter().filter(|(unlikely, _)| *unlikely).map(|(_, chance)| *chance).collect();
    assert!(!unlikely.is_empty() && unlikely.iter().all(|chance| *chance < 25.0), "{chances:?}");
    assert!(
        chances.iter().filter(|(unlikely, _)| !unlikely).all(|(_, chance)| *chance > 40.0),
        "{chances:?}"
    );
}

/// Arrival reckoned by hand at one millimetre a day after a month, over published distances (Abrams 1997; Tubbs; J Hand Surg Am
/// 2023;48:309.e1: sources in the file), lies where the model has the front in eight of ten.
#[test]
fn arrival_by_hand_lies_within_the_band_of_the_front() {
    let protocol = Protocol::default();
    let table = published()["arrival_by_hand"].clone();
    for row in table["rows"].as_array().unwrap() {
        let distance = number(row, "/distance_mm");
        let operated = DateRange::exact(endplate_recovery::unit::Date::from_civil(OPERATED.parse().unwrap()));
        let suture = Repair {
            id: "suture".to_owned(),
            nerve: RepairedNerve::Known(Nerve::Radial),
            side: None,
            technique: Technique::DirectCoaptation,
            gap: Mm(0.0),
            operated,
            age_years: Some(30),
            // Far enough that the end of the path does not hide how far the front may be.
            targets: vec![Target {
                place: Place::Named {
                    text: "far".to_owned(),
                    kind: endplate_recovery::anatomy::Kind::Muscle,
                },
                path: Mm(900.0),
                basis: PathBasis::Measured,
            }],
            donor_paths: Vec::new(),
        };
        let belief = assess(&suture, operated, &[], &protocol, |_| true).belief;
        let (low, high) = belief.front_band(Days(number(row, "/days/0")));
        assert!((low.0..=high.0).contains(&distance), "{}: {low:?} to {high:?}", row["muscle"]);
        // An inch a month is slower still: by then the model has most fronts beyond the muscle.
        let (_, high) = belief.front_band(Days(number(row, "/days/1")));
        assert!(high.0 > distance);
    }
}

/// Donoso 1979 (JNNP 42:97; 34 median and 33 ulnar repairs): re-explore a suture if there is no visible movement at ten months, a
/// graft without voluntary units at twelve. The service must have said so by then, examined every three months. The paths are
/// those of the anatomy table for a division 60 mm above the wrist.
#[tokio::test]
async fn a_nerve_that_ought_to_be_explored_again_has_been_reported_by_then() {
    let level = json!({ "url": format!("{}/StructureDefinition/repair-level", crate::clinic::EP), "extension": [
        { "url": "landmark", "valueCodeableConcept": crate::clinic::code("landmark", "wrist-crease") },
        { "url": "distance", "valueQuantity": mm(-60.0) },
    ] });
    let limits = published()["re_exploration_limits_months"].clone();
    let suture = i32::try_from(limits["no_visible_movement"]["suture"].as_i64().unwrap()).unwrap();
    let graft = i32::try_from(limits["no_voluntary_units"]["graft"].as_i64().unwrap()).unwrap();
    for (technique, limit) in [("direct-coaptation", suture), ("autograft", graft)] {
        for (nerve, muscle) in [("median", "abductor-pollicis-brevis"), ("ulnar", "abductor-digiti-minimi")] {
            let extensions = [level.clone(), gap(30.0)];
            let repaired = repair("r1", "p1", "c1", technique, nerve, OPERATED, &extensions);
            let people = [patient("p1", "1995-05-05"), injury("c1", "p1", &after(OPERATED, -1)), repaired];
            let clinic = Clinic::with("2026-03-03", people).await;
            for month in (1..=limit / 3).map(|quarter| 3 * quarter).chain([limit]) {
                let on = months(month).to_string();
                clinic.sweep_on(&on).await;
                clinic.put(motor(&format!("m{month}"), "p1", "r1", muscle, &on, 0)).await.unwrap();
            }
            let reported = clinic.stands("recovery-overdue").await || clinic.stands("front-static").await;
            assert!(reported, "{technique} of the {nerve} nerve at {limit} months");
        }
    }
}
