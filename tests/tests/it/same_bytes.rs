//! The same facts give the same resources: on any instance, in any order of arrival, stored or only previewed, and with the
//! dates that the equations of the forecast give.

use crate::clinic::{EP, gap, injury, interosseous_graft, motor, patient, repair, target, tinel};
use crate::served::{Served, config};
use endplate_fhir::Json;
use jiff::civil::Date;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Types of derived resources but Provenance, which tells of one change and not of the plan.
const PLANNED: [&str; 9] = [
    "CarePlan",
    "Communication",
    "DetectedIssue",
    "DiagnosticReport",
    "Flag",
    "Goal",
    "RiskAssessment",
    "ServiceRequest",
    "Task",
];

/// The repair of the contract: four measured targets, three muscles and skin, and everything by its record number.
fn radial_graft() -> Json {
    let named = |mut resource: Json, url: &str, value: &str| {
        let members = resource.as_object_mut().unwrap();
        members.shift_remove("id");
        let identifier = json!([{ "system": "https://clinic.example/record", "value": value }]);
        members.insert("identifier".to_owned(), identifier);
        let kind = members["resourceType"].clone();
        json!({ "fullUrl": url, "resource": resource, "request": { "method": "POST", "url": kind } })
    };
    let [who, what, how] = [1, 2, 3].map(|n| format!("urn:uuid:00000000-0000-4000-8000-00000000000{n}"));
    let to = |mut resource: Json, member: &str, target: Json| {
        resource[member] = target;
        resource
    };
    let extensions = [
        gap(40.0),
        target("brachioradialis", 60.0),
        target("extensor-carpi-radialis-longus", 85.0),
        target("extensor-digitorum", 170.0),
        target("first-dorsal-web-of-hand", 260.0),
    ];
    let repair = repair("", "", "", "autograft", "radial", "2026-03-02", &extensions);
    let repair = to(repair, "subject", json!({ "reference": who }));
    let repair = to(repair, "reasonReference", json!([{ "reference": what }]));
    let injury = to(injury("", "", "2026-02-23"), "subject", json!({ "reference": who }));
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
        named(patient("", "1979-05-05"), &who, "p-1"),
        named(injury, &what, "i-1"),
        named(repair, &how, "r-1"),
    ] })
}

/// The text of every derived resource as a GET gives it, by type and id.
async fn derived(served: &Served, kinds: &[&str]) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    for kind in kinds {
        for found in served.all(&format!("{kind}?_tag={EP}/CodeSystem/origin|derived")).await {
            let address = format!("{kind}/{}", found["id"].as_str().unwrap());
            let text = served.get(&format!("/fhir/{address}")).await.done();
            all.insert(address, text);
        }
    }
    all
}

#[tokio::test]
async fn two_services_derive_the_same_bytes() {
    let bundle = radial_graft();
    let kinds = [&PLANNED[..], &["Device", "Provenance"]].concat();
    let mut each = Vec::new();
    for _ in 0..2 {
        let served = Served::open("2026-03-03").await;
        served.post("/fhir", &bundle).await.done();
        each.push(derived(&served, &kinds).await);
    }
    assert_eq!(each[0], each[1]);
    let count =
        |kind: &str| each[0].keys().filter(|address| address.starts_with(&format!("{kind}/"))).count();
    let counted = ["CarePlan", "RiskAssessment", "DiagnosticReport", "Goal", "Device"].map(count);
    assert_eq!(counted, [1, 1, 1, 4, 1]);
    assert!(count("Task") >= 8 && count("Task") == count("ServiceRequest"), "{} tasks", count("Task"));
}

/// Without version and time of storing.
fn bare(mut resource: Json) -> Json {
    let meta = resource["meta"].as_object_mut().unwrap();
    meta.shift_remove("versionId");
    meta.shift_remove("lastUpdated");
    resource
}

#[tokio::test]
async fn the_preview_is_what_the_service_stores() {
    let bundle = radial_graft();
    let served = Served::open("2026-03-03").await;
    served.post("/fhir", &bundle).await.done();
    let stored = derived(&served, &PLANNED).await;
    let stored: Vec<Json> = stored.values().map(|text| bare(serde_json::from_str(text).unwrap())).collect();

    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("repair.json");
    std::fs::write(&file, bundle.to_string()).unwrap();
    let files = [file.to_str().unwrap().to_owned()];
    let printed = endplate_server::plan::run(&config(), &files, Some("2026-03-03T12:00:00Z")).await;
    let printed: Json = serde_json::from_str(&printed.ok().unwrap()).unwrap();
    let planned: Vec<Json> =
        printed["entry"].as_array().unwrap().iter().map(|entry| entry["resource"].clone()).collect();
    assert_eq!(planned.len(), stored.len());
    for (planned, stored) in planned.iter().zip(&stored) {
        assert_eq!(planned.to_string(), stored.to_string());
    }
}

/// The standard normal distribution function as the running trapezoid sum of its density.
struct Normal {
    sums: Vec<f64>,
}

impl Normal {
    const STEP: f64 = 0.001;
    const END: f64 = 8.0;

    fn new() -> Self {
        let nodes = 16_000;
        let density = |z: f64| (-z * z / 2.0).exp() / std::f64::consts::TAU.sqrt();
        let mut sums = vec![0.0];
        for node in 0..nodes {
            let z = f64::from(node) * Self::STEP - Self::END;
            let strip = f64::midpoint(density(z), density(z + Self::STEP)) * Self::STEP;
            sums.push(sums.last().unwrap() + strip);
        }
        Self { sums }
    }

    fn up_to(&self, z: f64) -> f64 {
        let place = (z.clamp(-Self::END + Self::STEP, Self::END - 2.0 * Self::STEP) + Self::END) / Self::STEP;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped into the table")]
        let node = place as usize;
        let (below, above) = (self.sums[node], self.sums[node + 1]);
        below + (above - below) * place.fract()
    }
}

/// Design section 4.1 to 4.4 for this repair: an autograft over 40 mm in a patient of 46.
///
/// `T = L + g/(rφ) + δ + d/(rψ) + E`, with `ln r ~ N(ln(1.3·0.9), 0.30²)`, `ln L ~ N(ln 28, 0.35²)`, `φ` 0.85, `ψ` 1, `δ` 14 days.
fn chance(normal: &Normal, day: f64, path_mm: f64, after: (f64, f64)) -> f64 {
    const STEP: f64 = 0.1;
    let nodes = || (-60..=60).map(|node| f64::from(node) * STEP);
    let weight = |z: f64| (-z * z / 2.0).exp() / std::f64::consts::TAU.sqrt() * STEP;
    let (e, s) = after;
    let mut sum = 0.0;
    for z in nodes() {
        let rate = 1.3 * 0.9 * (0.30 * z).exp();
        let travel = 40.0 / (rate * 0.85) + 14.0 + path_mm / rate;
        for y in nodes() {
            let left = day - travel - 28.0 * (0.35 * y).exp();
            if left > 0.0 {
                sum += weight(z) * weight(y) * normal.up_to((left / e).ln() / s);
            }
        }
    }
    sum
}

/// The day by which `share` of such repairs show the sign.
fn quantile(normal: &Normal, share: f64, path_mm: f64, after: (f64, f64)) -> f64 {
    let (mut early, mut late) = (0.0, 5000.0);
    while late - early > 0.01 {
        let middle = f64::midpoint(early, late);
        if chance(normal, middle, path_mm, after) < share { early = middle } else { late = middle }
    }
    early
}

/// Each prediction of the RiskAssessment: structure and milestone, with p10, p50 and p90.
fn windows(risk: &Json) -> BTreeMap<(String, String), [Date; 3]> {
    let coded = |concept: &Json| concept["coding"][0]["code"].as_str().unwrap().to_owned();
    let date = |value: &Json| value.as_str().unwrap().parse::<Date>().unwrap();
    let one = |prediction: &Json| {
        let extension = |name: &str| {
            let url = format!("{EP}/StructureDefinition/{name}");
            let all = prediction["extension"].as_array().unwrap();
            all.iter().find(|extension| extension["url"] == url.as_str()).unwrap().clone()
        };
        let structure = coded(&extension("target-structure")["valueCodeableConcept"]);
        let when = &prediction["whenPeriod"];
        let dates = [date(&when["start"]), date(&extension("median-date")["valueDate"]), date(&when["end"])];
        ((structure, coded(&prediction["outcome"])), dates)
    };
    risk["prediction"].as_array().unwrap().iter().map(one).collect()
}

// Contract section 4: p10 is rounded down, p90 up, the median to the nearest day. Parameters: profiles/protocol.toml, version 1.
#[tokio::test]
async fn windows_are_those_of_the_equations_to_a_day() {
    let served = Served::open("2026-03-03").await;
    served.post("/fhir", &radial_graft()).await.done();
    let windows = windows(&served.all("RiskAssessment").await[0]);
    let normal = Normal::new();
    let operated: Date = "2026-03-02".parse().unwrap();
    let rows = [
        ("extensor-digitorum", 170.0, "nascent-potentials", (28.0, 0.35)),
        ("extensor-digitorum", 170.0, "first-contraction", (60.0, 0.40)),
        ("extensor-digitorum", 170.0, "antigravity", (120.0, 0.40)),
        ("extensor-digitorum", 170.0, "strong", (300.0, 0.45)),
        ("first-dorsal-web-of-hand", 260.0, "sudomotor-return", (14.0, 0.50)),
        ("first-dorsal-web-of-hand", 260.0, "protective-sensation", (75.0, 0.50)),
        ("first-dorsal-web-of-hand", 260.0, "useful-sensation", (365.0, 0.60)),
    ];
    for (structure, path_mm, milestone, after) in rows {
        let found = windows[&(structure.to_owned(), milestone.to_owned())];
        let rounded: [fn(f64) -> f64; 3] = [f64::floor, f64::round, f64::ceil];
        for ((share, round), found) in [0.1, 0.5, 0.9].into_iter().zip(rounded).zip(found) {
            let computed = quantile(&normal, share, path_mm, after);
            let days = f64::from((found - operated).get_days());
            let apart = days - round(computed);
            assert!(
                apart.abs() <= 1.0,
                "{structure}, {milestone}, {share}: {days} days, computed {computed:.2}"
            );
        }
    }
}

/// Sends the resources in this order; what leads to nothing yet is sent again after the others, as a real sender would.
async fn send_in_order(served: &Served, resources: &[&Json]) {
    let mut waiting: VecDeque<&Json> = resources.iter().copied().collect();
    let mut attempts = 0;
    while let Some(resource) = waiting.pop_front() {
        attempts += 1;
        assert!(attempts <= 32, "never accepted: {resource}");
        let reply = served.put(resource).await;
        if reply.status == 422 && reply.text.contains("leads to nothing here") {
            waiting.push_back(resource);
        } else {
            reply.done();
        }
    }
}

/// All orders of `0..n`.
fn orders(n: usize) -> Vec<Vec<usize>> {
    if n == 0 {
        return vec![Vec::new()];
    }
    let insert = |shorter: Vec<usize>| {
        (0..n).map(move |at| {
            let mut longer = shorter.clone();
            longer.insert(at, n - 1);
            longer
        })
    };
    orders(n - 1).into_iter().flat_map(insert).collect()
}

/// Whether a resource still stands. What was withdrawn or cleared again tells of the way there, and that differs: a service
/// that heard of the second finding first never asked for the review that the first one asks for.
fn stands(resource: &Json) -> bool {
    let withdrawn = matches!(resource["status"].as_str(), Some("cancelled" | "revoked" | "inactive"));
    // A review that is over keeps the window it had when it was asked for.
    let review = matches!(resource["resourceType"].as_str(), Some("ServiceRequest" | "Task"));
    let over = review && resource["status"] == "completed";
    let cleared = resource["identifiedPeriod"]["end"].is_string();
    let message = resource["resourceType"] == "Communication";
    !(withdrawn || over || cleared || message)
}

/// Sends a history in each of these orders to a service of its own: what stands in the end has the same ids and content.
async fn in_orders(history: &[Json; 5], orders: &[Vec<usize>], least: usize) {
    let mut first: Option<BTreeMap<String, String>> = None;
    for order in orders {
        let served = Served::open("2026-09-10").await;
        let resources: Vec<&Json> = order.iter().map(|index| &history[*index]).collect();
        send_in_order(&served, &resources).await;
        let standing: BTreeMap<String, String> = derived(&served, &PLANNED)
            .await
            .into_iter()
            .map(|(address, text)| (address, bare(serde_json::from_str(&text).unwrap())))
            .filter(|(_, resource)| stands(resource))
            .map(|(address, resource)| (address, resource.to_string()))
            .collect();
        let same = first.get_or_insert_with(|| standing.clone());
        let ids = |all: &BTreeMap<String, String>| all.keys().cloned().collect::<BTreeSet<String>>();
        assert_eq!(ids(&standing), ids(same), "{order:?}");
        for (address, text) in &standing {
            assert_eq!(Some(text), same.get(address), "{order:?}: {address}");
        }
    }
    let count = first.unwrap().len();
    assert!(count >= least, "{count} resources stand");
}

// Design section 6: the Tinel sign moved less than 10 mm in 84 days, so an alert stands, whichever exam was heard of first.
#[tokio::test]
async fn findings_of_a_stalled_front_may_come_in_any_order() {
    let extensions = [gap(40.0), target("brachioradialis", 60.0), target("extensor-digitorum", 170.0)];
    let repair = repair("r1", "p1", "c1", "autograft", "radial", "2026-03-02", &extensions);
    let early = tinel("o1", "p1", "r1", "2026-05-20", 31.0);
    let late = tinel("o2", "p1", "r1", "2026-09-01", 33.0);
    let history = [patient("p1", "1995-05-05"), injury("c1", "p1", "2026-02-23"), repair, early, late];
    in_orders(&history, &[vec![0, 1, 2, 3, 4], vec![2, 4, 1, 3, 0]], 14).await;
}

// Contract 3.2: without focus a finding is assigned by its bodySite; one that comes before its repair waits for it.
#[tokio::test]
async fn a_finding_that_names_no_repair_may_come_before_it() {
    let [who, what, how] = interosseous_graft();
    let mut still = motor("o1", "p1", "r1", "extensor-digitorum", "2026-06-01", 0);
    still.as_object_mut().unwrap().shift_remove("focus");
    let flicker = motor("o2", "p1", "r1", "extensor-digitorum", "2026-09-01", 1);
    let orders = orders(5);
    assert_eq!(orders.len(), 120);
    in_orders(&[who, what, how, still, flicker], &orders, 12).await;
}
