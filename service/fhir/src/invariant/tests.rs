use super::*;
use std::collections::BTreeSet;

/// Published constraints that have no function here, each with the reason.
const UNCHECKED: &[(&str, &str)] = &[
    ("txt-1", "checked by the reader of XHTML, under this key"),
    ("txt-2", "checked by the reader of XHTML, under this key"),
    ("sdf-19", "is about definitions under http://hl7.org/fhir alone"),
    ("sdf-22", "is about definitions under http://hl7.org/fhir alone"),
];

// FHIR R4, StructureDefinitions: every constraint on a type that is known here has a function, and no function is invented.
#[test]
fn every_published_constraint_has_a_function() {
    let published: BTreeSet<String> =
        published().iter().map(|one| one["key"].as_str().unwrap().to_owned()).collect();
    let ours: BTreeSet<String> = all().map(|one| one.key.to_owned()).collect();
    let unchecked: BTreeSet<String> = UNCHECKED.iter().map(|(key, _)| (*key).to_owned()).collect();
    let missing: Vec<_> = published.difference(&ours).filter(|key| !unchecked.contains(*key)).collect();
    assert!(missing.is_empty(), "{missing:?}");
    assert!(ours.is_subset(&published), "{:?}", ours.difference(&published).collect::<Vec<_>>());
    assert!(ours.is_disjoint(&unchecked));
}

#[test]
fn every_constraint_applies_to_a_definition() {
    for one in all() {
        for name in one.on {
            assert!(crate::schema::definition(name).is_some(), "{} {name}", one.key);
        }
        assert!(one.send.ends_with('.'), "{}", one.key);
    }
}

#[test]
fn keys_of_issues_are_sorted_and_none_is_that_of_an_invariant() {
    assert!(crate::issue::KEYS.is_sorted());
    assert!(all().all(|one| crate::issue::KEYS.iter().all(|(key, _)| *key != one.key)));
}
