//! R4's invariants twice: by our functions, and by their published FHIRPath expressions in an engine from PyPI
//! (`tests/reference/invariants.py`), over the official examples and seeded mutations of them.

use crate::python;
use endplate_fhir::{Json, json as reader, validate};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::PathBuf;

const SEED: u64 = 20_260_302;
/// Mutations of each example.
const MUTATIONS: usize = 24;

/// Invariants on which the two differ, each with the reason.
const DIFFERENCES: &[(&str, &str)] = &[
    ("ctm-1", "the engine does not know resolve()"),
    (
        "dom-3",
        "the expression asks as(canonical) of a collection, which FHIRPath does not allow and the engine refuses",
    ),
    ("qty-3", "the engine takes a Quantity without a system for a number with a unit and loses its members"),
];

/// SplitMix64 (Steele, Lea, Flood 2014): enough to choose mutations by.
pub struct Random(pub u64);

impl Random {
    fn below(&mut self, bound: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        usize::try_from((z ^ (z >> 31)) % bound.max(1) as u64).unwrap()
    }
}

fn main_folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..")
}

pub fn examples() -> Vec<(String, Json)> {
    let mut examples: Vec<_> = std::fs::read_dir(main_folder().join("fixtures/official"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "json"))
        .map(|path| {
            let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
            (name, reader::parse(&std::fs::read(&path).unwrap()).unwrap())
        })
        .collect();
    examples.sort_by(|a, b| a.0.cmp(&b.0));
    examples
}

/// The pointers of all objects, each with the name under which it stands: what stands under the same name in two
/// resources of a type is of the same kind.
fn objects(value: &Json, name: &str, at: &str, found: &mut Vec<(String, String)>) {
    match value {
        Json::Object(members) => {
            found.push((name.to_owned(), at.to_owned()));
            for (inner, member) in members.iter().filter(|(inner, _)| *inner != "contained") {
                objects(member, &format!("{name}.{inner}"), &format!("{at}/{inner}"), found);
            }
        }
        Json::Array(items) => {
            for (position, item) in items.iter().enumerate() {
                objects(item, name, &format!("{at}/{position}"), found);
            }
        }
        _ => {}
    }
}

/// Objects of every example by type and name.
pub type Pool = BTreeMap<String, Vec<Json>>;

pub fn pool(examples: &[(String, Json)]) -> Pool {
    let mut pool = Pool::new();
    for (_, example) in examples {
        let mut found = Vec::new();
        objects(example, example["resourceType"].as_str().unwrap(), "", &mut found);
        for (name, at) in found {
            pool.entry(name).or_default().push(example.pointer(&at).unwrap().clone());
        }
    }
    pool
}

/// Three small changes: a member taken away, all but one taken away, one taken over from an object of the same kind, or
/// start and end exchanged.
pub fn mutate(example: &Json, pool: &Pool, random: &mut Random) -> Json {
    let mut mutant = example.clone();
    for _ in 0..3 {
        let mut found = Vec::new();
        objects(&mutant, mutant["resourceType"].as_str().unwrap(), "", &mut found);
        let (name, at) = &found[random.below(found.len())];
        let members = mutant.pointer_mut(at).unwrap().as_object_mut().unwrap();
        let names: Vec<String> = members.keys().filter(|name| *name != "resourceType").cloned().collect();
        match random.below(5) {
            0 | 3 if names.len() > 1 => {
                members.shift_remove(&names[random.below(names.len())]);
            }
            1 if members.contains_key("start") && members.contains_key("end") => {
                let (start, end) = (members["start"].clone(), members["end"].clone());
                members.insert("start".into(), end);
                members.insert("end".into(), start);
            }
            4 if names.len() > 1 && !at.is_empty() => {
                let kept = &names[random.below(names.len())];
                members.retain(|name, _| name == kept);
            }
            _ => {
                let Some(others) = pool.get(name) else { continue };
                let other = others[random.below(others.len())].as_object().unwrap();
                let names: Vec<&String> = other.keys().filter(|name| *name != "resourceType").collect();
                if !names.is_empty() {
                    let name = names[random.below(names.len())];
                    members.insert(name.clone(), other[name].clone());
                }
            }
        }
    }
    mutant
}

fn line(name: &str, resource: &Json) -> Json {
    let mut told: BTreeMap<&str, usize> = BTreeMap::new();
    let published: BTreeSet<String> = endplate_fhir::invariant::published()
        .iter()
        .map(|one| one["key"].as_str().unwrap().to_owned())
        .collect();
    for key in validate::resource(resource).iter().filter_map(|issue| issue.key) {
        if published.contains(key) {
            *told.entry(key).or_default() += 1;
        }
    }
    json!({ "name": name, "resource": resource, "told": told })
}

#[test]
fn invariants_are_those_of_the_published_expressions() {
    println!("seed {SEED}");
    let examples = examples();
    let pool = pool(&examples);
    let mut random = Random(SEED);
    let mut lines = String::new();
    for (name, example) in &examples {
        writeln!(lines, "{}", line(name, example)).unwrap();
        for turn in 0..MUTATIONS {
            writeln!(lines, "{}", line(&format!("{name}~{turn}"), &mutate(example, &pool, &mut random)))
                .unwrap();
        }
    }
    // Kept, to run the script on it by hand.
    let resources = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("invariants.ndjson");
    std::fs::write(&resources, lines).unwrap();
    let definitions = main_folder().join("profiles/r4");
    let output =
        python::script("invariants.py", &[definitions.to_str().unwrap(), resources.to_str().unwrap()]);
    let text = String::from_utf8(output.stdout).unwrap();
    println!("{}", text.lines().next().unwrap_or_default());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let mut explained: BTreeMap<&str, &str> = DIFFERENCES.iter().copied().collect();
    let key = |line: &str| line.split(' ').next().unwrap_or_default().to_owned();
    let differences: Vec<&str> = text.lines().skip(1).collect();
    let wrong: Vec<&&str> =
        differences.iter().filter(|line| !DIFFERENCES.iter().any(|(one, _)| *one == key(line))).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
    for line in differences {
        explained.remove(key(line).as_str());
    }
    assert!(explained.is_empty(), "explained, but there is no difference: {explained:?}");
}
