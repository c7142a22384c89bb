//! `$unit-report` through HTTP: counts of a period as a MeasureReport.

use crate::clinic::{appointment, code, encounter, gap, injury, motor, patient, repair, target, tinel, with};
use crate::served::Served;
use endplate_fhir::{Json, validate};
use serde_json::json;

const REPORT: &str = "/fhir/PlanDefinition/nerve-repair-follow-up/$unit-report";

fn group<'a>(report: &'a Json, code: &str) -> &'a Json {
    let groups = report["group"].as_array().unwrap();
    groups.iter().find(|one| one["code"]["coding"][0]["code"] == code).unwrap()
}

fn count(part: &Json, code: &str) -> u64 {
    let all = part["population"].as_array().unwrap();
    all.iter().find(|one| one["code"]["coding"][0]["code"] == code).unwrap()["count"].as_u64().unwrap()
}

async fn report(served: &Served, start: &str, end: &str) -> Json {
    let reply = served.get(&format!("{REPORT}?start={start}&end={end}")).await;
    assert_eq!(reply.status, 200, "{}", reply.text);
    let report = reply.json();
    assert!(!validate::resource(&report).iter().any(endplate_fhir::issue::Issue::is_error), "{report}");
    report
}

/// Six patients with the same graft of the radial nerve on 2 March 2026.
async fn clinic() -> Served {
    let served = Served::open("2026-03-02").await;
    for n in 1..=6 {
        let (p, c, r) = (format!("p{n}"), format!("c{n}"), format!("r{n}"));
        served.put(&patient(&p, "1995-05-05")).await.done();
        served.put(&injury(&c, &p, "2026-02-23")).await.done();
        let parts = [gap(30.0), target("extensor-digitorum", 120.0)];
        served.put(&repair(&r, &p, &c, "autograft", "radial", "2026-03-02", &parts)).await.done();
    }
    served
}

// FHIR R4 MeasureReport: type `summary`, population counts, stratifier components. Newcombe 1998 for the method of intervals.
#[tokio::test]
async fn a_unit_sees_its_own_counts_with_their_intervals() {
    let served = clinic().await;
    // Of six wound reviews one is held and one is missed.
    let task = |tasks: &[Json], patient: &str| {
        let mut own: Vec<Json> = tasks
            .iter()
            .filter(|task| task["for"]["reference"] == format!("Patient/{patient}").as_str())
            .cloned()
            .collect();
        own.sort_by_key(|task| task["restriction"]["period"]["start"].to_string());
        own.remove(0)
    };
    let tasks = served.all("Task").await;
    let day = task(&tasks, "p1")["input"][0]["valueDate"].as_str().unwrap().to_owned();
    served.turn_to("2026-04-10").await;
    served.put(&encounter("e1", "p1", &task(&tasks, "p1"), "finished", &day)).await.done();
    served.put(&appointment("a2", "p2", &task(&tasks, "p2"), "noshow", &day)).await.done();
    let wound = report(&served, "2026-03-03", "2026-03-31").await;
    let reviews = group(&wound, "reviews");
    assert_eq!(["due", "attended", "missed"].map(|code| count(reviews, code)), [6, 1, 1]);
    // Wilson 1927 for 1 of 6: 3.0 % to 56.4 %.
    let interval = &reviews["measureScore"]["extension"][0]["extension"];
    assert_eq!(interval[0]["valueDecimal"], json!(3.0));
    assert_eq!(interval[1]["valueDecimal"], json!(56.4));
    // Fronts that stand still raise alerts; signs are seen; two years later outcomes are counted.
    for (n, on, at) in [(1, "2026-06-01", 40.0), (2, "2026-09-01", 41.0)] {
        served.turn_to(on).await;
        served.put(&tinel(&format!("t{n}"), "p1", "r1", on, at)).await.done();
    }
    let stalled = report(&served, "2026-09-01", "2026-09-01").await;
    let stall = group(&stalled, "stall-to-alert");
    assert_eq!(count(stall, "alerts"), 1);
    assert_eq!(stall["measureScore"]["value"], json!(92.0), "from 1 June to 1 September: {stall}");
    served.turn_to("2026-11-20").await;
    for n in 2..=6 {
        let (id, p, r) = (format!("m{n}"), format!("p{n}"), format!("r{n}"));
        served.put(&motor(&id, &p, &r, "extensor-digitorum", "2026-11-20", 3)).await.done();
    }
    let again = with(
        &repair(
            "r9",
            "p1",
            "c1",
            "autograft",
            "radial",
            "2026-11-19",
            &[gap(40.0), target("extensor-digitorum", 120.0)],
        ),
        "reasonCode",
        json!([code("arrest-cause", "tension")]),
    );
    served.put(&again).await.done();
    let signs = report(&served, "2026-11-01", "2026-11-20").await;
    let first = group(&signs, "first-signs");
    assert_eq!(
        ["before-window", "in-window", "after-window"].iter().map(|code| count(first, code)).sum::<u64>(),
        5
    );
    assert_eq!(count(group(&signs, "arrest-cause"), "tension"), 1);
    served.turn_to("2028-06-30").await;
    let outcome = report(&served, "2028-03-01", "2028-06-30").await;
    let motor = group(&outcome, "outcome-motor");
    assert_eq!((count(motor, "targets"), count(motor, "reached")), (5, 5));
    let stratum = &motor["stratifier"][0]["stratum"][0];
    assert_eq!(stratum["component"][0]["value"]["text"], "autograft");
    assert_eq!((count(stratum, "targets"), count(stratum, "reached")), (5, 5));
    // Cautions first; nothing of single patients; too few signs to suggest anything.
    for one in [&wound, &stalled, &signs, &outcome] {
        let div = one["text"]["div"].as_str().unwrap();
        assert!(div.find("Small numbers mislead").unwrap() < div.find("<table").unwrap());
        let whole = one.to_string();
        assert!(
            !whole.contains("Patient/") && !whole.contains("Procedure/") && !whole.contains("\"reference\"")
        );
        assert!(!whole.contains("suggested-parameter"));
    }
}

#[tokio::test]
async fn a_report_needs_a_period_that_is_over() {
    let served = Served::open("2026-03-02").await;
    for (query, status, said) in [
        ("", 400, "start"),
        ("?start=2026-01-01", 400, "end"),
        ("?start=2026-01&end=2026-02-01", 400, "as a date"),
        ("?start=2026-02-01&end=2026-01-01", 422, "before the start"),
        ("?start=2026-01-01&end=2026-03-03", 422, "not ended"),
        ("?start=2026-01-01&end=2026-02-01&nerve=radial", 400, "not known"),
    ] {
        let reply = served.get(&format!("{REPORT}{query}")).await;
        assert_eq!(reply.status, status, "{query}: {}", reply.text);
        assert!(reply.text.contains(said), "{query}: {}", reply.text);
    }
    let other = "/fhir/PlanDefinition/other/$unit-report?start=2026-01-01&end=2026-02-01";
    assert_eq!(served.get(other).await.status, 404);
    let empty = report(&served, "2026-01-01", "2026-02-01").await;
    assert!(group(&empty, "reviews").get("measureScore").is_none(), "no share of nothing");
}

/// Codes of groups, populations and strata, in their order.
fn counted(of: &Json) -> Vec<(String, Vec<String>)> {
    let code = |one: &Json| one["code"]["coding"][0]["code"].as_str().unwrap().to_owned();
    let populations = |group: &Json| group["population"].as_array().unwrap().iter().map(code).collect();
    of["group"].as_array().unwrap().iter().map(|group| (code(group), populations(group))).collect()
}

// FHIR R4 measurereport.html: measure is a Measure that can be read, and groups and populations are its own, by code.
#[tokio::test]
async fn the_report_is_of_a_measure_that_is_published() {
    let served = clinic().await;
    served.put(&motor("m1", "p1", "r1", "extensor-digitorum", "2026-03-02", 0)).await.done();
    served.turn_to("2028-06-30").await;
    let report = report(&served, "2026-03-03", "2028-06-30").await;
    let url = report["measure"].as_str().unwrap();
    let found = served.get(&format!("/fhir/Measure?url={url}")).await.json();
    assert_eq!(found["total"], json!(1), "{url}");
    let measure = &found["entry"][0]["resource"];
    assert_eq!(served.get("/fhir/Measure/nerve-repair-unit").await.json(), *measure);
    assert_eq!(counted(&report), counted(measure));
    // R4 mea-1: a stratifier has a criteria or components; the report's components are those of the measure.
    let codes = |parts: &Json| -> Vec<Json> {
        parts.as_array().unwrap().iter().map(|part| part["code"]["coding"][0]["code"].clone()).collect()
    };
    let told = &group(&report, "outcome-motor")["stratifier"][0];
    let defined = &group(measure, "outcome-motor")["stratifier"][0];
    assert_eq!(told["code"][0]["coding"][0]["code"], defined["code"]["coding"][0]["code"]);
    assert!(defined.get("criteria").is_none());
    assert_eq!(codes(&told["stratum"][0]["component"]), codes(&defined["component"]));
}
