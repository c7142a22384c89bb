use super::*;

const LOCAL: &str = "https://hospital.example/codes";

fn ours(name: &str) -> String {
    code::system(name)
}

fn map(status: &str, target: &str, rows: &[(&str, &str, &str)]) -> Json {
    let element = |(code, equivalence, to): &(&str, &str, &str)| json!({ "code": code, "target": [{ "code": to, "equivalence": equivalence }] });
    json!({ "resourceType": "ConceptMap", "status": status, "group": [{
        "source": LOCAL, "target": ours(target), "element": rows.iter().map(element).collect::<Vec<_>>(),
    }] })
}

fn procedure(codes: &[&str]) -> Json {
    let codings: Vec<Json> = codes.iter().map(|code| json!({ "system": LOCAL, "code": code })).collect();
    json!({ "resourceType": "Procedure", "code": { "coding": codings, "text": "as the surgeon wrote it" } })
}

fn technique(maps: &Maps, procedure: &Json) -> Option<String> {
    let translated = maps.translate(procedure)?;
    crate::element::coded(&translated["code"], "repair-technique").map(str::to_owned)
}

// FHIR R4 valueset-concept-map-equivalence: read from the target; wider and subsumes: the target means more.
#[test]
fn only_equivalences_that_say_no_more_than_was_recorded_are_acted_on() {
    for (equivalence, acted_on) in [
        ("equal", true),
        ("equivalent", true),
        ("wider", true),
        ("subsumes", true),
        ("relatedto", false),
        ("narrower", false),
        ("specializes", false),
        ("inexact", false),
        ("unmatched", false),
        ("disjoint", false),
    ] {
        let maps = Maps::of(&[map("active", "repair-technique", &[("X", equivalence, "autograft")])]);
        assert_eq!(technique(&maps, &procedure(&["X"])).is_some(), acted_on, "{equivalence}");
    }
}

#[test]
fn a_draft_map_and_a_target_that_depends_say_nothing() {
    let row = [("X", "equal", "autograft")];
    assert_eq!(Maps::of(&[map("draft", "repair-technique", &row)]), Maps::default());
    let mut depends = map("active", "repair-technique", &row);
    depends["group"][0]["element"][0]["target"][0]["dependsOn"] = json!([{ "property": "x", "value": "y" }]);
    assert_eq!(technique(&Maps::of(&[depends]), &procedure(&["X"])), None);
}

#[test]
fn two_answers_are_none() {
    let one = map("active", "repair-technique", &[("X", "equal", "autograft"), ("Y", "equal", "conduit")]);
    let two = map("active", "repair-technique", &[("X", "equal", "conduit")]);
    assert_eq!(technique(&Maps::of(&[one.clone(), two]), &procedure(&["X"])), None);
    // Two codings of one concept that mean different things.
    assert_eq!(technique(&Maps::of(std::slice::from_ref(&one)), &procedure(&["X", "Y"])), None);
    assert_eq!(technique(&Maps::of(&[one]), &procedure(&["Y", "Z"])).as_deref(), Some("conduit"));
}

#[test]
fn what_the_sender_says_in_our_codes_stands() {
    let maps = Maps::of(&[map("active", "repair-technique", &[("X", "equal", "autograft")])]);
    let mut said = procedure(&["X"]);
    said["code"]["coding"]
        .as_array_mut()
        .expect("codings")
        .push(json!({ "system": ours("repair-technique"), "code": "conduit" }));
    assert_eq!(maps.translate(&said), None);
}

#[test]
fn codings_of_extensions_are_translated_too() {
    let maps = Maps::of(&[map("active", "laterality", &[("L", "equal", "left")])]);
    let url = code::structure("laterality");
    for value in [
        json!({ "url": url, "valueCoding": { "system": LOCAL, "code": "L" } }),
        json!({ "url": url, "valueCodeableConcept": { "coding": [{ "system": LOCAL, "code": "L" }] } }),
    ] {
        let translated = maps.translate(&json!({ "extension": [value] })).expect("translated");
        let value = crate::element::value(&translated["extension"][0]).expect("a value");
        assert_eq!(crate::element::coded(value, "laterality"), Some("left"));
    }
}

#[test]
fn what_keeps_a_record_from_being_understood_is_named() {
    let maps = Maps::of(&[map("active", "repair-technique", &[("X", "equal", "autograft")])]);
    let site = json!([{ "coding": [{ "system": LOCAL, "code": "N" }] }]);
    let named = |procedure: &Json| -> Vec<(String, String)> {
        maps.unmapped(procedure).into_iter().map(|one| (one.element, one.code)).collect()
    };
    let mut understood = procedure(&["X"]);
    understood["bodySite"] = site.clone();
    assert_eq!(named(&understood), [("Procedure.bodySite".to_owned(), "N".to_owned())]);
    // Of what is no repair, only the code counts.
    let mut other = procedure(&["Z"]);
    other["bodySite"] = site;
    assert_eq!(named(&other), [("Procedure.code".to_owned(), "Z".to_owned())]);
}
