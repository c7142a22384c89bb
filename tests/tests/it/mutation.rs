//! Ten thousand seeded mutations of the official examples and of a repair: refused or taken, but never a fault, never a panic,
//! and nothing stored of what was refused.
//!
//! Through the use case and not HTTP, which adds nothing here: bytes are read by the same reader, and a fault is what becomes
//! a 500.

use crate::clinic::{Clinic, interosseous_graft, motor, tinel};
use crate::conformance::d_examples::{examples, refused, together};
use endplate_fhir::Json;
use endplate_followup::{Endplate, Reason, Refusal};
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::task::JoinHandle;

const SEED: u64 = 0x0E4D_014A_7E00_2026;
const CASES: usize = 10_000;
const LANES: usize = 4;

/// SplitMix64 (Steele, Lea and Flood 2014): small, and the same on every machine.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.roll() % u64::try_from(end.max(1)).unwrap()).unwrap()
    }

    fn pick<T: Clone>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())].clone()
    }
}

/// The JSON pointers of all nodes below the root.
fn nodes(value: &Json) -> Vec<String> {
    fn walk(value: &Json, at: &str, all: &mut Vec<String>) {
        let mut child = |name: &str, value: &Json| {
            let at = format!("{at}/{}", name.replace('~', "~0").replace('/', "~1"));
            all.push(at.clone());
            walk(value, &at, all);
        };
        match value {
            Json::Array(items) => {
                items.iter().enumerate().for_each(|(n, item)| child(&n.to_string(), item));
            }
            Json::Object(members) => members.iter().for_each(|(name, member)| child(name, member)),
            _ => {}
        }
    }
    let mut all = Vec::new();
    walk(value, "", &mut all);
    all
}

/// Stands in a mutated text for what no `Json` can hold; no example contains it.
const MARK: &str = "a-mark-of-the-mutation";

const OTHER_TYPES: [&str; 11] =
    ["null", "true", "0", "-7.50", r#""""#, r#""text""#, "[]", "{}", "[null]", "[[1]]", r#"{"a":{}}"#];

const TEXTS: [&str; 15] = [
    "\u{0}",
    "\u{202e}\u{feff}",
    "9999-99-99",
    "2026-02-30",
    "2026-13",
    "-1",
    "1e9999",
    "Patient/",
    "#",
    "urn:uuid:",
    "' OR 1=1 --",
    "<script>alert(1)</script>",
    "../../etc/passwd",
    "%00%ff",
    "Patient?x=y",
];

const NUMBERS: [&str; 8] = [
    "1e999",
    "-1e-999",
    "123456789012345678901234567890",
    "0.000000000000000000000000000001",
    "-0",
    "1E400000000",
    "00",
    "1.",
];

/// A mutated copy, as bytes that may be no JSON and no UTF-8.
fn mutated(example: &Json, dice: &mut Dice) -> Vec<u8> {
    let mut value = example.clone();
    let all = nodes(&value);
    let at = dice.pick(&all);
    let (parent, name) = at.rsplit_once('/').unwrap();
    let name = name.replace("~1", "/").replace("~0", "~");
    let node = value.pointer(&at).unwrap().clone();
    let how = dice.below(10);
    match (how, value.pointer_mut(parent).unwrap()) {
        (0, Json::Object(members)) => _ = members.shift_remove(&name),
        (0, Json::Array(items)) => _ = items.remove(name.parse().unwrap()),
        (1, Json::Object(members)) => _ = members.insert(MARK.to_owned(), node.clone()),
        (1, Json::Array(items)) => items.push(node.clone()),
        _ => {}
    }
    let instead = match how {
        2 => Some(serde_json::from_str(dice.pick::<&str>(&OTHER_TYPES)).unwrap()),
        3 => Some(Json::Array(vec![node])),
        4 if dice.below(8) == 0 => Some(Json::String("x".repeat(70_000))),
        4 => Some(Json::String(dice.pick::<&str>(&TEXTS).to_owned())),
        // What stands elsewhere.
        5 => value.pointer(&dice.pick(&all)).cloned(),
        6 | 7 => Some(Json::String(MARK.to_owned())),
        _ => None,
    };
    if let Some(instead) = instead {
        *value.pointer_mut(&at).unwrap() = instead;
    }
    let text = value.to_string();
    let quoted = format!("\"{MARK}\"");
    match how {
        1 => text.replace(MARK, &name).into_bytes(),
        6 => text.replace(&quoted, dice.pick::<&str>(&NUMBERS)).into_bytes(),
        7 => {
            let depth = dice.pick(&[60, 600, 6_000, 60_000]);
            let (open, close) = dice.pick(&[("[", "]"), (r#"{"extension":["#, "]}"), (r#"{"a":"#, "}")]);
            let deep = format!("{}1{}", open.repeat(depth), close.repeat(depth));
            text.replace(&quoted, &deep).into_bytes()
        }
        8 => text.as_bytes()[..dice.below(text.len())].to_vec(),
        9 => encoded(&text, dice),
        _ => text.into_bytes(),
    }
}

/// The same text in another encoding, or broken.
fn encoded(text: &str, dice: &mut Dice) -> Vec<u8> {
    let mut bytes = text.as_bytes().to_vec();
    match dice.below(6) {
        0 => text.encode_utf16().flat_map(u16::to_le_bytes).collect(),
        1 => text.encode_utf16().flat_map(u16::to_be_bytes).collect(),
        2 => text.chars().map(|c| u8::try_from(u32::from(c)).unwrap_or(b'?')).collect(),
        3 => [&[0xEF, 0xBB, 0xBF], &bytes[..]].concat(),
        4 => {
            let at = dice.below(bytes.len());
            bytes[at] = dice.pick(&[0x00, 0x1B, 0x80, 0xC0, 0xED, 0xFF]);
            bytes
        }
        _ => text.replacen(r#"":""#, r#"":"\ud800"#, 1).into_bytes(),
    }
}

/// Sends a resource, alone or after a Location named `beside`, in a task of its own as the service does it: a panic is an error.
fn send(
    endplate: Endplate,
    kind: &str,
    id: &str,
    resource: Json,
    beside: Option<String>,
) -> JoinHandle<Result<(), Refusal>> {
    let (kind, id) = (kind.to_owned(), id.to_owned());
    tokio::spawn(async move {
        let Some(beside) = beside else {
            return endplate.update(&kind, &id, resource, None).await.map(|_| ());
        };
        let put = |kind: &str, id: &str, resource: Json| json!({ "resource": resource, "request": { "method": "PUT", "url": format!("{kind}/{id}") } });
        let place = json!({ "resourceType": "Location", "id": beside });
        let entries = [put("Location", &beside, place), put(&kind, &id, resource)];
        let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
        endplate.transaction(bundle).await.map(|_| ())
    })
}

/// Sends the cases of one lane; each example belongs to one lane, so that nobody else writes it. Gives how many were taken.
async fn lane(clinic: Arc<Clinic>, examples: Vec<Json>, lane: usize) -> usize {
    let mut dice = Dice(SEED.wrapping_add(u64::try_from(lane).unwrap() << 32));
    let mut versions: BTreeMap<(String, String), u64> = BTreeMap::new();
    let mut taken = 0;
    for case in 0..CASES / LANES {
        let example = &examples[case % examples.len()];
        let (kind, id) = (example["resourceType"].as_str().unwrap(), example["id"].as_str().unwrap());
        let named = format!("seed {SEED:#x}, lane {lane}, case {case}: {kind}/{id}");
        let bytes = mutated(example, &mut dice);
        // What is no JSON never reaches a use case.
        let Ok(resource) = endplate_fhir::json::parse(&bytes) else { continue };
        let before = clinic.endplate.read(kind, id).await.unwrap().version;
        let beside = format!("beside-{lane}-{case}");
        // One in four comes in a transaction, after an entry that nothing is wrong with.
        let bundled = case % 4 == 0;
        let sent = send(clinic.endplate.clone(), kind, id, resource, bundled.then(|| beside.clone()));
        let written = sent.await.unwrap_or_else(|panic| panic!("{named}: {panic}"));
        let after = clinic.endplate.read(kind, id).await.unwrap().version;
        match written {
            Ok(()) => {
                taken += 1;
                versions.insert((kind.to_owned(), id.to_owned()), after);
            }
            Err(refusal) => {
                let at_fault = matches!(
                    refusal.reason,
                    Reason::Malformed | Reason::Unprocessable | Reason::UnknownType | Reason::TooLarge
                );
                assert!(at_fault && !refusal.issues.is_empty(), "{named}: {refusal}");
                assert_eq!(before, after, "{named}: something of a refused request was stored");
                assert!(
                    clinic.endplate.read("Location", &beside).await.is_err(),
                    "{named}: half of it was stored"
                );
            }
        }
    }
    for ((kind, id), version) in versions {
        assert_eq!(clinic.endplate.read(&kind, &id).await.unwrap().version, version, "{kind}/{id}");
    }
    taken
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn ten_thousand_mutations_are_taken_or_refused_and_nothing_else() {
    let mut all = examples();
    all.retain(|name, _| refused(name).is_none());
    let clinic = Arc::new(Clinic::with("2026-09-10", interosseous_graft()).await);
    clinic.endplate.transaction(together(&all)).await.unwrap();
    let findings = [
        tinel("o1", "p1", "r1", "2026-06-09", 25.0),
        motor("m1", "p1", "r1", "extensor-digitorum", "2026-09-10", 1),
    ];
    for finding in &findings {
        clinic.put(finding.clone()).await.unwrap();
    }
    let mut lanes = vec![Vec::new(); LANES];
    for (n, example) in all.into_values().enumerate() {
        lanes[n % LANES].push(example);
    }
    // The repair and its findings are the heart of the matter: each comes as often as six examples.
    for record in interosseous_graft().into_iter().chain(findings) {
        lanes[0].extend(std::iter::repeat_n(record, 6));
    }
    let before = clinic.versions().await;
    let mut sent = Vec::new();
    for (n, examples) in lanes.into_iter().enumerate() {
        sent.push(tokio::spawn(lane(clinic.clone(), examples, n)));
    }
    let mut taken = 0;
    for lane in sent {
        taken += lane.await.unwrap();
    }
    println!("seed {SEED:#x}: {taken} of {CASES} taken");
    // A mutation test that refuses all, or takes all, says nothing.
    assert!((CASES / 20..CASES * 9 / 10).contains(&taken), "{taken} taken");
    // No address but those written to, and what follows from the repair.
    let derived = [
        "Location/beside-",
        "CarePlan/",
        "Communication/",
        "DetectedIssue/",
        "DiagnosticReport/",
        "Flag/",
        "Goal/",
        "Provenance/",
        "RiskAssessment/",
        "ServiceRequest/",
        "Task/",
    ];
    let after = clinic.versions().await;
    let mut fresh = after.keys().filter(|address| !before.contains_key(*address));
    assert!(fresh.all(|address| derived.iter().any(|kind| address.starts_with(kind))));
}
