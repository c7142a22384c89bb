//! The mapping guide does what it says: its examples are sent to a service, and those that come back are what came back.

use crate::profiled::breaches;
use crate::published::unresolved;
use crate::served::Served;
use endplate_fhir::Json;
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;

const GUIDE: &str = include_str!("../../../profiles/README.md");
const WIDTH: usize = 120;

/// JSON for people: what fits on a line stands on one.
fn pretty(value: &Json, indent: usize, out: &mut String) {
    let line = spaced(value);
    let (open, close, items): (char, char, Vec<(String, &Json)>) = match value {
        Json::Object(all) if indent + line.len() > WIDTH || indent == 0 => {
            ('{', '}', all.iter().map(|(name, one)| (format!("\"{name}\": "), one)).collect())
        }
        Json::Array(all) if indent + line.len() > WIDTH => {
            ('[', ']', all.iter().map(|one| (String::new(), one)).collect())
        }
        _ => return out.push_str(&line),
    };
    out.push(open);
    for (position, (name, one)) in items.iter().enumerate() {
        let comma = if position == 0 { "" } else { "," };
        write!(out, "{comma}\n{:1$}{name}", "", indent + 2).unwrap();
        pretty(one, indent + 2, out);
    }
    write!(out, "\n{:indent$}{close}", "").unwrap();
}

/// JSON on one line, with the spaces that people put.
fn spaced(value: &Json) -> String {
    match value {
        Json::Object(all) => {
            let members: Vec<String> =
                all.iter().map(|(name, one)| format!("\"{name}\": {}", spaced(one))).collect();
            format!("{{ {} }}", members.join(", "))
        }
        Json::Array(all) => format!("[{}]", all.iter().map(spaced).collect::<Vec<_>>().join(", ")),
        _ => value.to_string(),
    }
}

/// Sends what a block says: a transaction, or one resource to its own address.
async fn send(served: &Served, text: &str) {
    let resource: Json = serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}: {text}"));
    assert_eq!(unresolved(std::slice::from_ref(&resource)), BTreeSet::new());
    let bundled = resource["entry"].as_array().into_iter().flatten().map(|entry| entry["resource"].clone());
    let all: Vec<Json> = bundled.chain([resource.clone()]).collect();
    assert_eq!(breaches(&all).0, Vec::<String>::new());
    let reply = match resource["resourceType"].as_str() {
        Some("Bundle") => served.post("/fhir", &resource).await,
        _ => served.put(&resource).await,
    };
    assert!(matches!(reply.status, 200 | 201), "{}: {text}", reply.text);
}

// Each example that is sent is accepted, in the order of the guide; each that comes back is what the service then holds.
// Where it is not, the guide with what came back is written to a file, to be looked at and taken over.
#[tokio::test]
async fn the_examples_of_the_guide_are_sent_and_come_back() {
    let served = Served::open("2026-03-09").await;
    let mut made = String::new();
    let mut counts = [0; 3];
    let mut lines = GUIDE.lines();
    while let Some(line) = lines.next() {
        writeln!(made, "{line}").unwrap();
        if let Some(day) = line.strip_prefix("<!-- clock: ") {
            served.turn_to(day.trim_end_matches(" -->")).await;
        }
        let Some(info) = line.strip_prefix("```").filter(|info| !info.is_empty()) else { continue };
        let block: Vec<&str> = lines.by_ref().take_while(|line| *line != "```").collect();
        let text = block.join("\n");
        if info == "json in" {
            send(&served, &text).await;
            counts[0] += 1;
            writeln!(made, "{text}").unwrap();
        } else if let Some(query) = info.strip_prefix("json out ") {
            let found = served.all(query).await;
            let first = found.first().unwrap_or_else(|| panic!("nothing is found by {query}"));
            pretty(first, 0, &mut made);
            made.push('\n');
            counts[1] += 1;
        } else if let Some(query) = info.strip_prefix("json add ") {
            let mut resource = served.all(query).await.first().cloned().unwrap_or_default();
            let added: Json = serde_json::from_str(&text).unwrap_or_else(|error| panic!("{error}: {text}"));
            resource.as_object_mut().unwrap().extend(added.as_object().unwrap().clone());
            send(&served, &resource.to_string()).await;
            counts[0] += 1;
            writeln!(made, "{text}").unwrap();
        } else {
            assert_eq!(info, "sh");
            for query in text.split("curl -s \"$BASE").skip(1).filter_map(|rest| rest.split('"').next()) {
                assert_eq!(served.get(&format!("/fhir{query}")).await.status, 200, "{query}");
                counts[2] += 1;
            }
            writeln!(made, "{text}").unwrap();
        }
        made.push_str("```\n");
    }
    if made != GUIDE {
        let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join("guide.md");
        std::fs::write(&file, &made).unwrap();
        let differs = made.lines().zip(GUIDE.lines()).find(|(now, then)| now != then);
        panic!("profiles/README.md is not what came back; see {}: {differs:?}", file.display());
    }
    assert!(counts[0] >= 15 && counts[1] >= 10 && counts[2] >= 4, "{counts:?}");
}

// FHIR R4 terms aside, each extension, finding and technique that there is has its place in the guide.
#[test]
fn the_guide_speaks_of_everything_that_goes_in() {
    let repair = crate::published::published("StructureDefinition", "nerve-repair");
    let slices = repair["differential"]["element"].as_array().unwrap();
    let names = slices.iter().filter_map(|one| one["sliceName"].as_str());
    let findings = crate::published::published("CodeSystem", "exam-finding");
    let codes = findings["concept"].as_array().unwrap().iter().filter_map(|one| one["code"].as_str());
    for name in names.chain(codes) {
        assert!(GUIDE.contains(&format!("`{name}`")) || GUIDE.contains(&format!("### {name}\n")), "{name}");
    }
}
