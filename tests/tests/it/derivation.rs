//! A write and everything that follows from it.

use crate::clinic::{Clinic, interosseous_graft, motor, tinel};

#[tokio::test]
async fn a_repair_has_its_plan_the_moment_it_is_accepted() {
    let clinic = Clinic::open("2026-03-03").await;
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    let plans = clinic.all("CarePlan?patient=p1").await;
    assert_eq!(plans.len(), 1);
    println!("{}", serde_json::to_string_pretty(&plans[0]).unwrap());
    for task in clinic.all("Task?patient=p1&_sort=due").await {
        println!("{} {} {}", task["description"], task["restriction"], task["input"]);
    }
    for risk in clinic.all("RiskAssessment?patient=p1").await {
        println!("{}", serde_json::to_string_pretty(&risk).unwrap());
    }
    clinic.clock.turn_to("2026-09-10");
    clinic.put(tinel("o1", "p1", "r1", "2026-06-01", 20.0)).await.unwrap();
    clinic.put(tinel("o2", "p1", "r1", "2026-09-10", 22.0)).await.unwrap();
    clinic.put(motor("o3", "p1", "r1", "extensor-digitorum", "2026-09-10", 0)).await.unwrap();
    for issue in clinic.all("DetectedIssue?patient=p1").await {
        println!("{}", issue["detail"]);
    }
    for task in clinic.all("Task?patient=p1&_sort=due").await {
        println!(
            "{} {} {} {}",
            task["id"],
            task["description"],
            task["businessStatus"]["coding"][0]["code"],
            task["restriction"]["period"]
        );
    }
}
