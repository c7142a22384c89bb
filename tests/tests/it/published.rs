//! What is published agrees with what the service does, resolves, and is R4 to others.

use crate::clinic::{EP, code, gap, injury, mm, observation, patient, repair, target};
use crate::emitted::votes;
use crate::served::Served;
use endplate_fhir::Json;
use endplate_fhir::{index, quantity};
use endplate_followup::subscription::TOPICS;
use endplate_recovery::alert;
use endplate_recovery::anatomy::{Kind, Landmark, Nerve, Structure};
use endplate_recovery::milestone::{Milestone, SensoryGrade};
use endplate_recovery::repair::{Side, Technique};
use endplate_recovery::salvage::Salvage;
use endplate_recovery::schedule::Purpose;
use endplate_server::offer::Kinds;
use endplate_server::publish;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

/// The published resource of a type and an id.
pub fn published(kind: &str, id: &str) -> Json {
    publish::find(kind, id).unwrap_or_else(|| panic!("{kind}/{id} is not published")).resource()
}

fn items<'a>(value: &'a Json, pointer: &str) -> impl Iterator<Item = &'a Json> + use<'a> {
    value.pointer(pointer).and_then(Json::as_array).into_iter().flatten()
}

fn text<'a>(value: &'a Json, name: &str) -> &'a str {
    value[name].as_str().unwrap_or_default()
}

/// Codes and displays of a code system.
fn concepts(name: &str) -> Vec<(String, String)> {
    let system = published("CodeSystem", name);
    items(&system, "/concept")
        .map(|one| (text(one, "code").to_owned(), text(one, "display").to_owned()))
        .collect()
}

fn each_string(value: &Json, act: &mut dyn FnMut(&str)) {
    match value {
        Json::String(text) => act(text),
        Json::Array(all) => all.iter().for_each(|one| each_string(one, act)),
        Json::Object(all) => all.values().for_each(|one| each_string(one, act)),
        _ => {}
    }
}

fn each_coding(value: &Json, act: &mut dyn FnMut(&str, &str)) {
    match value {
        Json::Array(all) => all.iter().for_each(|one| each_coding(one, act)),
        Json::Object(all) => {
            if let (Some(system), Some(code)) = (value["system"].as_str(), value["code"].as_str()) {
                act(system, code);
            }
            all.values().for_each(|one| each_coding(one, act));
        }
        _ => {}
    }
}

/// Canonical URLs and codes of ours in these resources that nothing published stands for. Identifier systems are names,
/// not canonicals.
pub fn unresolved(resources: &[Json]) -> BTreeSet<String> {
    let known: BTreeMap<&str, &str> =
        publish::all().iter().map(|one| (one.url.as_str(), one.version.as_str())).collect();
    let codes: BTreeSet<(String, String)> = publish::all()
        .iter()
        // Of a fragment not all codes are listed.
        .filter(|one| one.kind == "CodeSystem" && one.resource()["content"] == "complete")
        .flat_map(|one| concepts(&one.id).into_iter().map(|(code, _)| (one.url.clone(), code)))
        .collect();
    let mut missing = BTreeSet::new();
    for resource in resources {
        each_string(resource, &mut |text| {
            let ours = text.strip_prefix(EP).is_some_and(|rest| rest.starts_with('/')) && !text.contains(' ');
            let (url, version) = text.split_once('|').unwrap_or((text, ""));
            let found = known.get(url).is_some_and(|known| version.is_empty() || version == *known);
            // R4 has no resource for a topic: its URL is all there is.
            let topic = TOPICS.iter().any(|topic| topic.url() == url);
            if ours && !found && !topic && !text.starts_with(&format!("{EP}/identifier/")) {
                missing.insert(text.to_owned());
            }
        });
        each_coding(resource, &mut |system, code| {
            let ours = system.starts_with(&format!("{EP}/CodeSystem/")) && !system.ends_with("/issue");
            if ours && !codes.contains(&(system.to_owned(), code.to_owned())) {
                missing.insert(format!("{system}|{code}"));
            }
        });
    }
    missing
}

#[test]
fn every_canonical_and_every_code_in_what_is_published_is_published() {
    let all: Vec<Json> = publish::all().iter().map(publish::Published::resource).collect();
    assert_eq!(unresolved(&all), BTreeSet::new());
    let stray = json!({ "code": { "coding": [{ "system": format!("{EP}/CodeSystem/nerve"), "code": "vagus" }] },
        "url": format!("{EP}/StructureDefinition/other") });
    assert_eq!(unresolved(&[stray]).len(), 2, "the check can fail");
}

// FHIR R4 structuredefinition.html: url is globally unique; the id is the last part of it here.
#[test]
fn ids_and_urls_are_unique_and_names_are_names() {
    let mut urls = BTreeSet::new();
    for one in publish::all() {
        assert!(urls.insert(&one.url), "{} twice", one.url);
        assert_eq!(one.url, format!("{EP}/{}/{}", one.kind, one.id));
        assert!(endplate_fhir::is_id(&one.id), "{}", one.id);
        // FHIR R4 invariants sdf-0, vsd-0, csd-0, spd-0, opd-0, pdf-0, lib-0, cpb-0, cmd-0.
        assert!(one.name.starts_with(|c: char| c.is_ascii_uppercase()), "{}", one.name);
        assert!(one.name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_'), "{}", one.name);
        assert_eq!((one.status.as_str(), one.version.is_empty()), ("active", false), "{}", one.url);
    }
    assert!(urls.len() > 70, "{}", urls.len());
}

#[test]
fn code_systems_are_those_of_the_code_in_both_directions() {
    macro_rules! coded {
        ($all:expr) => {
            $all.iter().map(|one| (one.code().to_owned(), one.display().to_owned())).collect()
        };
    }
    let table: [(&str, Vec<(String, String)>); 8] = [
        ("nerve", coded!(Nerve::ALL)),
        ("landmark", coded!(Landmark::ALL)),
        ("reinnervation-target", coded!(Structure::ALL)),
        ("repair-technique", coded!(Technique::ALL)),
        ("milestone", coded!(Milestone::ALL)),
        ("review-purpose", coded!(Purpose::ALL)),
        ("alert-kind", coded!(alert::Kind::ALL)),
        ("salvage", coded!([Salvage::SecondGraft, Salvage::DistalTransfer])),
    ];
    for (name, known) in table {
        assert_eq!(concepts(name), known, "{name}");
    }
    let codes = |name: &str| -> Vec<String> { concepts(name).into_iter().map(|(code, _)| code).collect() };
    assert_eq!(codes("sensory-grade"), SensoryGrade::ALL.map(SensoryGrade::code));
    assert_eq!(codes("motor-grade"), ["M0", "M1", "M2", "M3", "M4", "M5"]);
    let keys = endplate_fhir::issue::KEYS.iter().map(|(key, _)| (*key).to_owned());
    let invariants = endplate_fhir::invariant::published().iter().map(|row| text(row, "key").to_owned());
    let told: BTreeSet<String> = keys.chain(invariants).collect();
    assert_eq!(codes("issue"), told.into_iter().collect::<Vec<_>>());
    assert_eq!(codes("laterality"), [Side::Left, Side::Right].map(Side::code));
    for (name, kind) in [("muscle", Kind::Muscle), ("skin-territory", Kind::Skin)] {
        let set = published("ValueSet", name);
        let listed: Vec<&str> =
            items(&set, "/compose/include/0/concept").map(|one| text(one, "code")).collect();
        let of_kind: Vec<&str> =
            Structure::ALL.iter().filter(|one| one.kind() == kind).map(|one| one.code()).collect();
        assert_eq!(listed, of_kind, "{name}");
    }
}

// UCUM, table of units: lengths that are in use besides those that are understood.
#[test]
fn the_units_of_length_are_those_that_are_understood() {
    let set = published("ValueSet", "length-unit");
    let listed: BTreeSet<&str> =
        items(&set, "/compose/include/0/concept").map(|one| text(one, "code")).collect();
    for unit in
        ["mm", "cm", "m", "um", "[in_i]", "[ft_i]", "km", "dm", "nm", "[yd_i]", "[mi_i]", "d", "1", ""]
    {
        let quantity = json!({ "value": 1, "system": "http://unitsofmeasure.org", "code": unit });
        assert_eq!(quantity::millimetres(&quantity).is_ok(), listed.contains(unit), "{unit}");
    }
}

#[test]
fn search_parameters_of_our_own_are_published_and_no_others() {
    let published: BTreeSet<String> =
        publish::all().iter().filter(|one| one.kind == "SearchParameter").map(|one| one.id.clone()).collect();
    let ours: BTreeSet<String> = endplate_fhir::TYPES
        .iter()
        .flat_map(|kind| {
            index::params(kind).iter().filter(|param| param.ours).map(move |p| format!("{kind}-{}", p.name))
        })
        .collect();
    assert_eq!(published, ours);
    let due = self::published("SearchParameter", "Task-due");
    assert_eq!(due["expression"], "Task.restriction.period");
    assert_eq!((&due["type"], &due["base"]), (&json!("date"), &json!(["Task"])));
}

/// An element of a profile's snapshot.
fn element(profile: &Json, id: &str) -> Json {
    items(profile, "/snapshot/element")
        .find(|one| text(one, "id") == id)
        .unwrap_or_else(|| panic!("{id}"))
        .clone()
}

// FHIR R4 profiling.html#snapshot: what the differential says holds in the snapshot, and parents come before children.
#[test]
fn snapshots_hold_what_their_differentials_say() {
    let structures = publish::all().iter().filter(|one| one.kind == "StructureDefinition");
    for one in structures {
        let definition = one.resource();
        for said in items(&definition, "/differential/element") {
            let full = element(&definition, text(said, "id"));
            for (name, value) in said.as_object().unwrap() {
                assert_eq!(&full[name], value, "{} {} {name}", one.id, said["id"]);
            }
        }
        let mut seen = BTreeSet::new();
        for full in items(&definition, "/snapshot/element") {
            let (id, path) = (text(full, "id"), text(full, "path"));
            assert!(seen.insert(id.to_owned()), "{id} twice");
            // FHIR R4 sdf-3: each element of a snapshot has a definition, min and max.
            assert!(
                full["definition"].is_string() && full["min"].is_u64() && full["max"].is_string(),
                "{id}"
            );
            if let Some((parent, _)) = path.rsplit_once('.') {
                let above =
                    items(&definition, "/snapshot/element").any(|other| text(other, "path") == parent);
                assert!(above, "{id} has no parent");
            }
        }
    }
}

fn graft() -> Json {
    let extensions = [
        json!({ "url": format!("{EP}/StructureDefinition/laterality"), "valueCode": "left" }),
        gap(30.0),
        json!({ "url": format!("{EP}/StructureDefinition/repair-level"), "extension": [
            { "url": "landmark", "valueCode": "lateral-epicondyle" }, { "url": "distance", "valueQuantity": mm(10.0) } ] }),
        target("extensor-digitorum", 80.0),
        json!({ "url": format!("{EP}/StructureDefinition/donor-nerve"), "valueCodeableConcept": code("nerve", "sural") }),
        json!({ "url": format!("{EP}/StructureDefinition/cable-count"), "valuePositiveInt": 3 }),
        json!({ "url": format!("{EP}/StructureDefinition/donor-path-length"), "extension": [
            { "url": "structure", "valueCodeableConcept": code("reinnervation-target", "extensor-digitorum") },
            { "url": "path-length", "valueQuantity": mm(60.0) } ] }),
    ];
    repair("r1", "p1", "c1", "autograft", "posterior-interosseous", "2026-03-02", &extensions)
}

async fn clinic() -> Served {
    let served = Served::open("2026-06-15").await;
    served.put(&patient("p1", "1995-05-05")).await.done();
    served.put(&injury("c1", "p1", "2026-02-23")).await.done();
    served
}

// Each element that the profile demands is demanded by the service, and each that it leaves free may be left out.
#[tokio::test]
async fn the_profile_of_repairs_demands_what_the_service_demands() {
    let served = clinic().await;
    let profile = published("StructureDefinition", "nerve-repair");
    let whole = graft();
    served.put(&whole).await.done();
    let mut number = 0;
    let mut send = async |changed: &mut Json| {
        number += 1;
        changed["id"] = json!(format!("try-{number}"));
        served.put(changed).await.status
    };
    for (member, id) in [
        ("status", "status"),
        ("subject", "subject"),
        ("performedDateTime", "performed[x]"),
        ("bodySite", "bodySite"),
        ("reasonReference", "reasonReference"),
    ] {
        let mut changed = whole.clone();
        changed.as_object_mut().unwrap().remove(member);
        let demanded = element(&profile, &format!("Procedure.{id}"))["min"] == json!(1);
        assert_eq!(send(&mut changed).await, if demanded { 422 } else { 201 }, "without {member}");
    }
    // A Procedure without a code is R4, and no repair.
    let mut changed = whole.clone();
    changed.as_object_mut().unwrap().remove("code");
    assert_eq!(send(&mut changed).await, 201);
    let slices: Vec<Json> = items(&profile, "/snapshot/element")
        .filter(|one| text(one, "path") == "Procedure.extension" && one["sliceName"].is_string())
        .cloned()
        .collect();
    assert_eq!(slices.len(), 7);
    for slice in slices {
        let name = text(&slice, "sliceName");
        let url = slice["type"][0]["profile"][0].as_str().unwrap();
        let position =
            whole["extension"].as_array().unwrap().iter().position(|one| one["url"] == url).unwrap();
        let mut changed = whole.clone();
        changed["extension"].as_array_mut().unwrap().remove(position);
        // The gap is demanded of grafts and conduits, which a cardinality cannot say; the profile's text does.
        let demanded = name == "gap-length";
        assert!(!demanded || text(&slice, "short").contains("required for grafts"), "{slice}");
        assert_eq!(slice["min"], 0, "{name}");
        assert_eq!(send(&mut changed).await, if demanded { 422 } else { 201 }, "without {name}");
        // Each part that the extension demands is demanded.
        let extension = published("StructureDefinition", name);
        for part in items(&extension, "/snapshot/element").filter(|one| one["sliceName"].is_string()) {
            let part_name = text(part, "sliceName");
            let mut changed = whole.clone();
            changed["extension"][position]["extension"]
                .as_array_mut()
                .unwrap()
                .retain(|one| one["url"] != part_name);
            // The table knows this path from the level that stands beside it.
            let expected = if part["min"] == json!(1) { 422 } else { 201 };
            assert_eq!(send(&mut changed).await, expected, "{name} without {part_name}");
        }
    }
}

/// A value of each type, as a finding of this kind has it.
fn value_of(kind: &str, bound: Option<&str>) -> (&'static str, Json) {
    match kind {
        "Quantity" => ("valueQuantity", mm(40.0)),
        "boolean" => ("valueBoolean", json!(true)),
        "integer" => ("valueInteger", json!(3)),
        "CodeableConcept" => {
            let name = bound.and_then(|url| url.rsplit('/').next()).filter(|name| name.ends_with("-grade"));
            let system = name.unwrap_or("motor-grade");
            ("valueCodeableConcept", code(system, &concepts(system)[1].0))
        }
        _ => ("valueString", json!("some")),
    }
}

// Cardinality and types of each finding's profile against what is taken, by sending each.
#[tokio::test]
async fn the_profiles_of_findings_demand_what_the_service_demands() {
    let served = clinic().await;
    served.put(&graft()).await.done();
    let mut number = 0;
    for (name, _) in concepts("exam-finding") {
        let profile = published("StructureDefinition", &name);
        let value = element(&profile, "Observation.value[x]");
        let site = element(&profile, "Observation.bodySite");
        let types: Vec<&str> = items(&value, "/type").map(|one| text(one, "code")).collect();
        let bound = value.pointer("/binding/valueSet").and_then(Json::as_str);
        let place = match site.pointer("/binding/valueSet").and_then(Json::as_str).unwrap() {
            set if set.ends_with("/muscle") => code("reinnervation-target", "extensor-digitorum"),
            set if set.ends_with("/skin-territory") => code("reinnervation-target", "digit-pulp"),
            _ => code("nerve", "posterior-interosseous"),
        };
        let mut send = async |made: &mut Json| {
            number += 1;
            made["id"] = json!(format!("o{number}"));
            served.put(made).await.status
        };
        for kind in ["Quantity", "CodeableConcept", "integer", "boolean", "string"] {
            let mut made = observation("o", "p1", "r1", &name, "2026-06-08", value_of(kind, bound));
            made["bodySite"] = place.clone();
            let expected = if types.contains(&kind) { 201 } else { 422 };
            assert_eq!(send(&mut made).await, expected, "{name} as {kind}");
            if expected == 422 {
                continue;
            }
            for (member, least) in [
                ("effectiveDateTime", &element(&profile, "Observation.effective[x]")["min"]),
                ("bodySite", &site["min"]),
            ] {
                let mut changed = made.clone();
                changed.as_object_mut().unwrap().remove(member);
                let expected = if *least == json!(1) { 422 } else { 201 };
                assert_eq!(send(&mut changed).await, expected, "{name} without {member}");
            }
        }
        for (end, member) in [(-1, "minValueInteger"), (1, "maxValueInteger")] {
            if let Some(limit) = value[member].as_i64() {
                for (given, expected) in [(limit, 201), (limit + end, 422)] {
                    let mut made =
                        observation("o", "p1", "r1", &name, "2026-06-08", ("valueInteger", json!(given)));
                    assert_eq!(send(&mut made).await, expected, "{name} {given}");
                }
            }
        }
    }
}

// FHIR R4 http.html#read, #search, RFC 9110 section 13.1.2 (If-None-Match) and 15.5.6 (Allow).
#[tokio::test]
async fn everything_published_is_served_and_nobody_writes_it() {
    let served = Served::open("2026-03-09").await;
    for one in publish::all() {
        let path = format!("/fhir/{}/{}", one.kind, one.id);
        let reply = served.get(&path).await;
        assert_eq!((reply.status, reply.text.as_str()), (200, one.body.as_ref()), "{path}");
        let tag = reply.header("etag").to_owned();
        assert!(tag.starts_with("W/\""), "{tag}");
        let again = served.send(served.request("GET", &path).header("if-none-match", &tag)).await;
        assert_eq!((again.status, again.text.as_str(), again.header("etag")), (304, "", tag.as_str()));
        let other = served.send(served.request("GET", &path).header("if-none-match", "W/\"0\"")).await;
        assert_eq!(other.status, 200);
        for method in ["PUT", "DELETE", "PATCH", "POST"] {
            let reply = served.send(served.request(method, &path).body("{}")).await;
            assert_eq!((reply.status, reply.header("allow")), (405, "GET,HEAD"), "{method} {path}");
        }
    }
    for kind in publish::TYPES {
        let found = served.get(&format!("/fhir/{kind}")).await.json();
        let known = publish::all().iter().filter(|one| one.kind == *kind).count();
        assert_eq!((&found["type"], &found["total"]), (&json!("searchset"), &json!(known)), "{kind}");
        assert_eq!(served.post(&format!("/fhir/{kind}"), &json!({ "resourceType": kind })).await.status, 405);
        assert_eq!(served.get(&format!("/fhir/{kind}/none")).await.status, 404);
        assert_eq!(served.get(&format!("/fhir/{kind}?colour=red")).await.status, 400);
    }
}

// FHIR R4 search.html#combining, #string, #uri.
#[tokio::test]
async fn published_definitions_are_found_by_what_identifies_them() {
    let served = Served::open("2026-03-09").await;
    let repair = format!("url={EP}/StructureDefinition/nerve-repair");
    for (query, expected) in [
        (repair.as_str(), 1),
        ("name=nerverep", 1),
        ("_id=nerve-repair,motor-grade,none", 2),
        ("_id=nerve-repair&version=1.0.0&status=active", 1),
        ("_id=nerve-repair&status=draft", 0),
        ("name=NerveRepair&_id=motor-grade", 0),
    ] {
        let found = served.get(&format!("/fhir/StructureDefinition?{query}")).await.json();
        assert_eq!(found["total"], json!(expected), "{query}");
        assert_eq!(items(&found, "/entry").count(), expected, "{query}");
    }
    let found = served.get(&format!("/fhir/StructureDefinition?{repair}")).await.json();
    let entry = &found["entry"][0];
    assert_eq!(entry["search"]["mode"], "match");
    let address = entry["fullUrl"].as_str().unwrap().split_once("/fhir/").unwrap().1;
    assert_eq!(served.get(&format!("/fhir/{address}")).await.json(), entry["resource"]);
    assert_eq!(votes(std::slice::from_ref(&found))[0], "3 resources, 0 rejected");
}

/// The files of a package, unpacked by Python's tarfile.
fn unpacked(archive: &Path, into: &Path) -> BTreeMap<String, Vec<u8>> {
    let script = "import sys, tarfile; t = tarfile.open(sys.argv[1], 'r:gz'); \
                  assert all(m.isfile() and m.mtime == 0 for m in t.getmembers()); t.extractall(sys.argv[2])";
    let done = Command::new("python3").args(["-c", script]).arg(archive).arg(into).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    files(&into.join("package"))
}

fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let name = |entry: &std::fs::DirEntry| entry.file_name().into_string().unwrap();
    std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap())
        .map(|entry| (name(&entry), std::fs::read(entry.path()).unwrap()))
        .collect()
}

// FHIR NPM package specification (hl7.fhir.r4.core 4.0.1 is laid out the same way): package/package.json,
// package/.index.json, package/Type-id.json.
#[test]
fn the_package_is_whole_and_r4_to_other_libraries_and_to_this_one() {
    let (out, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    publish::run(out.path()).unwrap();
    let archive = out.path().join("package.tgz");
    let inside = unpacked(&archive, other.path());
    assert_eq!(inside, files(&out.path().join("package")), "the folder and the archive");
    let first = std::fs::read(&archive).unwrap();
    publish::run(out.path()).unwrap();
    assert_eq!(std::fs::read(&archive).unwrap(), first, "the same bytes every time");

    let json = |name: &str| -> Json { serde_json::from_slice(&inside[name]).unwrap() };
    let manifest = json("package.json");
    assert_eq!(manifest["fhirVersions"], json!(["4.0.1"]));
    assert_eq!(manifest["dependencies"], json!({ "hl7.fhir.r4.core": "4.0.1" }));
    assert_eq!(manifest["canonical"], EP);
    let index = json(".index.json");
    let listed: BTreeSet<&str> = items(&index, "/files").map(|one| text(one, "filename")).collect();
    let resources: BTreeMap<&str, Json> = inside
        .keys()
        .filter(|name| !matches!(name.as_str(), "package.json" | ".index.json"))
        .map(|name| (name.as_str(), json(name)))
        .collect();
    assert_eq!(listed, resources.keys().copied().collect());
    for (name, resource) in &resources {
        assert_eq!(*name, format!("{}-{}.json", text(resource, "resourceType"), text(resource, "id")));
        // R4's schemas of these two are not among those that the service needs.
        if !matches!(text(resource, "resourceType"), "Measure" | "OperationDefinition") {
            assert_eq!(endplate_fhir::validate::resource(resource), [], "{name}");
        }
    }
    let all: Vec<Json> = resources.into_values().collect();
    let votes = votes(&all);
    assert_eq!(votes[0], format!("{} resources, 0 rejected", all.len() + 1), "{}", votes.join("\n"));
}

#[test]
fn a_folder_that_cannot_be_written_is_said_in_one_line() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let fault = publish::run(file.path()).unwrap_err();
    assert_eq!(fault.code(), 3);
    assert!(fault.to_string().contains("--out") && !fault.to_string().contains('\n'), "{fault}");
}

// The offers and the router, both ways: OpenAPI 3.1 "Paths Object".
#[tokio::test]
async fn the_openapi_document_names_every_route_and_each_of_them_answers() {
    // Wherever a route is made; the demonstration's receiver is another service.
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../service/server/src");
    let sources: Vec<String> = [folder.clone(), folder.join("http"), folder.join("access")]
        .iter()
        .flat_map(|folder| std::fs::read_dir(folder).unwrap())
        .map(|file| file.unwrap().path())
        .filter(|path| path.is_file())
        .map(|path| std::fs::read_to_string(path).unwrap())
        .collect();
    let routed: BTreeSet<String> = sources
        .iter()
        .flat_map(|source| source.split(".route(").skip(1))
        .filter_map(|rest| rest.trim_start().strip_prefix('"')?.split('"').next())
        .map(|path| path.replace("{kind}", "{type}"))
        .collect();
    // Operations of one type are routed under its name.
    let offered: BTreeSet<String> = endplate_server::offer::OFFERS
        .iter()
        .map(|offer| match offer.kinds {
            Kinds::Only(kind) if offer.path.contains('$') => offer.path.replace("{type}", kind),
            _ => offer.path.to_owned(),
        })
        .collect();
    assert_eq!(offered, routed);

    let served = Served::open("2026-03-09").await;
    let reply = served.get("/openapi.json").await;
    assert_eq!((reply.status, reply.header("content-type")), (200, "application/json"));
    let document = reply.json();
    assert_eq!(document["openapi"], "3.1.0");
    let paths = document["paths"].as_object().unwrap();
    assert!(paths.len() > 50, "{}", paths.len());
    for (path, item) in paths {
        for method in ["get", "put", "post", "patch", "delete"] {
            let address = path
                .replace("{type}", "Task")
                .replace("{id}", "none")
                .replace("{version}", "1")
                .replace("{member}", "Task");
            let reply = served.send(served.request(&method.to_uppercase(), &address)).await;
            let unknown = reply.status == 404
                && (reply.text.contains("nothing at this address") || reply.text.contains("not offered"));
            // A method that the router has and no offer names would have no row in the matrix of access either.
            let is_offered = item.get(method).is_some();
            let is_answered = reply.status != 405 && !unknown;
            // All stored types have the same routes, and what a type does not take is refused behind them: one stands for all.
            let kind =
                path.strip_prefix("/fhir/").and_then(|rest| rest.split('/').next()).unwrap_or_default();
            let is_one_of_many =
                endplate_fhir::TYPES.contains(&kind) && kind != "Task" && !path.contains('$');
            let agree = is_answered == is_offered || (is_one_of_many && !is_offered);
            assert!(agree, "{method} {path}: {}", reply.status);
            assert!(
                !is_offered || !item[method]["responses"][reply.status.to_string()].is_null(),
                "{method} {path}: {}",
                reply.status
            );
        }
    }
}
