//! A write and everything that follows from it, in one transaction.

use crate::clinic::{BASE, Clinic, EP, interosseous_graft};
use endplate_fhir::Json;
use std::collections::BTreeSet;

/// Goal: a repair that is accepted has its whole plan, and every part of it leads to every other.
#[tokio::test]
async fn a_repair_has_its_plan_the_moment_it_is_accepted() {
    let clinic = Clinic::open("2026-03-03").await;
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    let plans = clinic.all("CarePlan?patient=p1").await;
    let [plan] = plans.as_slice() else { panic!("{} plans", plans.len()) };
    assert_eq!(plan["status"], "active");
    assert_eq!(plan["addresses"][0]["reference"], "Condition/c1");
    assert_eq!(plan["instantiatesCanonical"][0], format!("{EP}/PlanDefinition/nerve-repair-follow-up|1"));
    assert!(plan["note"][0]["text"].as_str().unwrap().contains("does not replace the judgement"));

    let references = |member: &str| -> BTreeSet<String> {
        let list = plan[member].as_array().unwrap().iter();
        let reference = |one: &Json| one.pointer("/reference/reference").unwrap_or(&one["reference"]).clone();
        list.map(|one| reference(one).as_str().unwrap().to_owned()).collect()
    };
    for (member, query) in
        [("goal", "Goal"), ("supportingInfo", "RiskAssessment"), ("activity", "ServiceRequest")]
    {
        let stored = clinic.all(&format!("{query}?patient=p1")).await;
        let stored: BTreeSet<String> =
            stored.iter().map(|one| format!("{query}/{}", one["id"].as_str().unwrap())).collect();
        assert_eq!(references(member), stored, "{member}");
    }
    let requests = clinic.all("ServiceRequest?patient=p1").await;
    let reports = clinic.all("DiagnosticReport?patient=p1").await;
    let [report] = reports.as_slice() else { panic!("{} reports", reports.len()) };
    assert_eq!(report["basedOn"][0]["reference"], format!("CarePlan/{}", plan["id"].as_str().unwrap()));
    assert_eq!(report["extension"][0]["valueReference"], plan["supportingInfo"][0]);
    let tasks = clinic.all("Task?patient=p1&status=requested&_sort=due").await;
    assert_eq!(tasks.len(), requests.len());
    let focus: BTreeSet<&str> =
        tasks.iter().map(|task| task["focus"]["reference"].as_str().unwrap()).collect();
    assert_eq!(focus.len(), tasks.len());
    // Common practice: a wound check at about two weeks, a baseline at about six, then at most three months apart.
    let first = &tasks[0]["restriction"]["period"];
    assert_eq!((&first["start"], &first["end"]), (&"2026-03-12".into(), &"2026-03-18".into()));
    let due = clinic.all("Task?due=le2026-03-31").await;
    assert_eq!(due.len(), 1);
    let none = clinic.endplate.search("Task", &[("patient".into(), "nobody".into())], true).await.unwrap();
    let none: Json = serde_json::from_str(&none).unwrap();
    assert_eq!(none["total"], 0);
    assert!(none["link"][0]["url"].as_str().unwrap().starts_with(BASE));
}
