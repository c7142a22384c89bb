//! B: how the values of each kind of search parameter are matched, as FHIR R4 search.html has it.

use super::b_search::{finds, page, refused, served};

// FHIR R4 search.html#3.1.1.4.1: _id, exact and case-sensitive.
#[tokio::test]
async fn b11_id_is_exact() {
    finds(
        &served().await,
        &[("Task?_id=t1", "t1"), ("Task?_id=T1", ""), ("Task?_id=t", ""), ("Task?_id=t1,t3", "t1 t3")],
    )
    .await;
}

// FHIR R4 search.html#3.1.1.4.17, composing queries.
#[tokio::test]
async fn b12_commas_are_or_and_repeats_are_and() {
    let cases = [
        ("Task?status=requested,accepted", "t1 t2 t3"),
        ("Task?code=x&code=y", "t1"),
        ("Task?code=x,y&status=accepted", "t2"),
        ("Task?code=urn:c|x,urn:d|x&status=requested,accepted", "t1 t2"),
        ("Task?status=requested&status=accepted", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#escaping.
#[tokio::test]
async fn b13_escaped_separators_are_part_of_the_value() {
    let cases = [
        (r"Patient?identifier=B\,2\|x", "bob"),
        ("Patient?identifier=urn:mrn|B%5C%2C2%5C%7Cx", "bob"),
        (r"Patient?identifier=B\,2\|x,urn:other|A-1", "bob cyd"),
    ];
    let served = served().await;
    finds(&served, &cases).await;
    refused(&served, &["Patient?identifier=a|B,2|x|y"]).await;
}

// FHIR R4 search.html#3.1.1.4.7: a + in a URL is a space; a colon may be escaped.
#[tokio::test]
async fn b14_a_plus_must_be_escaped_and_a_colon_may_be() {
    let served = served().await;
    let cases = [
        ("Observation?date=2026-02-01T10:00:00%2B02:00", "o1"),
        ("Observation?date=2026-02-01T10%3A00%3A00%2B02%3A00", "o1"),
        ("Observation?date=2026-02-01T08:00:00Z", "o1"),
        ("Task?patient%3APatient=ann", "t1 t3"),
    ];
    finds(&served, &cases).await;
    refused(&served, &["Observation?date=2026-02-01T10:00:00+02:00"]).await;
}

// FHIR R4 search.html#3.1.1.4.10, the forms of a token.
#[tokio::test]
async fn b15_tokens_in_each_form() {
    let served = served().await;
    let cases = [
        ("Patient?identifier=A-1", "ann bob cyd"),
        ("Patient?identifier=urn:mrn|A-1", "ann"),
        ("Patient?identifier=|A-1", "bob"),
        ("Patient?identifier=urn:mrn|", "ann bob"),
        ("Task?code=y", "t1"),
        ("Task?status=http://hl7.org/fhir/task-status|requested", "t1 t3"),
        ("Task?status=http://hl7.org/fhir/request-status|requested", ""),
        ("Patient?active=true", "ann"),
        ("Patient?telecom=555", "ann"),
        ("Patient?phone=555", "ann"),
        ("Patient?email=555", ""),
        ("Patient?email=ann@x.example", "ann"),
        ("Patient?deceased=false", "ann bob cyd"),
    ];
    finds(&served, &cases).await;
    let queries =
        ["Patient?active=x|true", "Patient?telecom=phone|555", "ConceptMap?url=x|y", "Patient?identifier=|"];
    refused(&served, &queries).await;
}

// FHIR R4 search.html#3.1.1.4.10: matches are literal. A code system that ignores case is not known here, so case counts.
#[tokio::test]
async fn b16_tokens_are_case_sensitive() {
    let cases = [
        ("Task?status=Requested", ""),
        ("Patient?identifier=a-1", ""),
        ("Observation?value-quantity=100||MG", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.10: :not is the complement of the set.
#[tokio::test]
async fn b17_not_includes_what_has_no_value() {
    let cases = [
        ("Task?priority:not=urgent", "t2 t3"),
        ("Task?code:not=x", "t3"),
        ("Task?status:not=requested,accepted", ""),
        ("Patient?gender:not=male", "ann cyd"),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.10, :of-type: system, code and value, all three.
#[tokio::test]
async fn b18_of_type_is_offered_and_the_terminology_modifiers_are_not() {
    let served = served().await;
    let mr = "http://terminology.hl7.org/CodeSystem/v2-0203|MR";
    finds(
        &served,
        &[
            (&format!("Patient?identifier:of-type={mr}|A-1"), "ann"),
            (&format!("Patient?identifier:of-type={mr}|B"), ""),
        ],
    )
    .await;
    let parts = format!("Patient?identifier:of-type={mr}");
    let queries = [
        parts.as_str(),
        "Patient?identifier:of-type=|MR|A-1",
        "Patient?identifier:otype=a|b|c",
        "Task?code:text=x",
        "Task?code:not-in=x",
        "Task?code:above=x",
        "Task?code:below=x",
        "Task?code:of-type=a|b|c",
    ];
    refused(&served, &queries).await;
}

// FHIR R4 search.html#3.1.1.4.8.
#[tokio::test]
async fn b19_strings_by_beginning_without_case_and_accents() {
    let cases = [
        ("Patient?family=mull", "ann bob"),
        ("Patient?family=M%C3%9CLL", "ann bob"),
        ("Patient?name=jose", "ann"),
        ("Patient?given=nn", ""),
        ("Patient?given:contains=NN", "ann"),
        ("Patient?family:exact=M%C3%BCller", "ann"),
        ("Patient?family:exact=Muller", ""),
        ("Patient?family:exact=m%C3%BCller", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.9.
#[tokio::test]
async fn b20_uris_exactly_above_and_below() {
    let cases = [
        ("ConceptMap?url=https://x.example/a/b", "m1"),
        ("ConceptMap?url=https://x.example/a", ""),
        ("ConceptMap?url=https://x.example/A/b", ""),
        ("ConceptMap?url:below=https://x.example/a", "m1"),
        ("ConceptMap?url:below=https://x.example/a/b/c", ""),
        ("ConceptMap?url:above=https://x.example/a/b/c", "m1"),
        ("Patient?_profile=https://x.example/P|1", "ann"),
        ("Patient?_profile=https://x.example/P", "ann"),
        ("Patient?_profile=https://x.example/P|2", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.12: the forms of a reference; an id alone that means two is refused.
#[tokio::test]
async fn b21_references_in_each_form() {
    let served = served().await;
    let own = format!("http://{}/fhir", served.server.local_addr());
    let absolute = format!("Task?patient={own}/Patient/ann");
    let cases = [
        ("Task?patient=ann", "t1 t3"),
        ("Task?subject=ann", "t1 t3"),
        ("Task?patient=Patient/ann", "t1 t3"),
        (&absolute, "t1 t3"),
        ("Task?owner=drew", "t1"),
        ("Task?owner=Practitioner/ann", "t2"),
        ("Task?owner=https://elsewhere.example/fhir/Practitioner/drew", ""),
    ];
    finds(&served, &cases).await;
    refused(&served, &["Task?owner=ann", "Task?owner=not an id"]).await;
}

// FHIR R4 search.html#3.1.1.4.12: type and identifier.
#[tokio::test]
async fn b22_references_by_type_and_by_identifier() {
    let served = served().await;
    let cases = [
        ("Task?owner:Practitioner=ann", "t2"),
        ("Task?owner:Patient=ann", "t3"),
        ("Task?requester:identifier=urn:org|o1", "t3"),
        ("Task?requester:identifier=o1", "t3"),
        ("Task?requester:identifier=urn:org|o2", ""),
        ("Task?patient:identifier=o1", ""),
    ];
    finds(&served, &cases).await;
    refused(&served, &["Task?owner:Patient=Practitioner/ann", "Task?requester:identifier.name=x"]).await;
}

// FHIR R4 search.html#3.1.1.4.7: what a date of each precision means.
#[tokio::test]
async fn b23_dates_are_as_precise_as_they_are_written() {
    let served = served().await;
    let cases = [
        ("Observation?date=2026", "o1 o2"),
        ("Observation?date=2026-02", "o1 o2"),
        ("Observation?date=2026-02-01", "o1"),
        ("Observation?date=2026-02-01T08:00Z", "o1"),
        ("Observation?date=2026-02-01T08:00:00Z", "o1"),
        ("Observation?date=2026-02-01T08:00:00.000Z", ""),
        ("Observation?date=2026-02-01T08:01Z", ""),
    ];
    finds(&served, &cases).await;
    refused(
        &served,
        &["Observation?date=2026-2-1", "Observation?date=2026-02-01T08", "Observation?date=02-2026"],
    )
    .await;
}

// FHIR R4 search.html#3.1.1.4.5, each prefix against a day, a month, and a period without an end. "ap" is a tenth of the time
// between then and now, which is 2026-03-02 here.
#[tokio::test]
async fn b24_every_prefix_of_a_date() {
    let cases = [
        ("Observation?date=eq2026-02-01", "o1"),
        ("Observation?date=ne2026-02-01", "o2 o3"),
        ("Observation?date=gt2026-02-01", "o2 o3"),
        ("Observation?date=lt2026-02-01", "o3"),
        ("Observation?date=ge2026-02-01", "o1 o2 o3"),
        ("Observation?date=le2026-02-01", "o1 o3"),
        ("Observation?date=sa2026-01-31", "o1 o2"),
        ("Observation?date=eb2026-03-01", "o1 o2"),
        ("Observation?date=ap2026-02-03", "o1 o2 o3"),
        ("Observation?date=ap2026-02-10", "o2 o3"),
        ("Task?due=gt2030", "t2"),
        ("Task?due=lt2000", "t3"),
        ("Task?due=sa2026-03-15", "t2"),
        ("Task?due=eb2026-02-20", "t3"),
        ("Task?due=le2026-03-02", "t1 t3"),
        ("Task?due=ge2026-03-05&due=le2026-03-05", "t1"),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.5: of the two readings of "gt" with a day, the one after the day ends.
#[tokio::test]
async fn b25_gt_of_a_day_is_after_that_day_ends() {
    let cases = [
        ("Patient?birthdate=gt1985-06-15", "ann"),
        ("Patient?birthdate=gt1985-06-14", "ann bob"),
        ("Patient?birthdate=lt1985-06-15", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.7: an instant is a moment, a date a day, an open end reaches for ever.
#[tokio::test]
async fn b26_instants_days_and_open_ends() {
    let cases = [
        ("Task?authored-on=2026-01-10", "t1"),
        ("Task?authored-on=2026-01-11", "t2"),
        ("Task?authored-on=2026-01-11T10:00:00Z", ""),
        ("Task?authored-on=ge2026-01-11T10:00:00Z", "t2"),
        ("Task?due=gt2999", "t2"),
        ("Task?due=eq2026-02", ""),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.7: a day without a zone is not shifted; where no zone is said, UTC is meant.
#[tokio::test]
async fn b27_days_are_not_shifted_and_utc_is_meant() {
    let served = served().await;
    let cases = [
        ("Patient?birthdate=1985-06-15", "bob"),
        ("Observation?date=2026-02-01T08:00:00", "o1"),
        ("Observation?date=2026-02-01T10:00:00", ""),
    ];
    finds(&served, &cases).await;
    let statement = page(&served, "metadata").await;
    assert!(statement["rest"][0]["documentation"].as_str().unwrap().contains("UTC"));
}

// FHIR R4 search.html#3.1.1.4.6: its own examples of precision, and comparison without.
#[tokio::test]
async fn b28_numbers_to_the_precision_written() {
    let cases = [
        ("Observation?value-quantity=100", "o1 o2"),
        ("Observation?value-quantity=100.00", "o1"),
        ("Observation?value-quantity=1e2", "o1 o2 o3"),
        ("Observation?value-quantity=gt100", "o2 o3"),
        ("Observation?value-quantity=ge100", "o1 o2 o3"),
        ("Observation?value-quantity=le100", "o1"),
        ("Observation?value-quantity=lt100", ""),
        ("Observation?value-quantity=sa100", "o2 o3"),
        ("Observation?value-quantity=eb101", "o1 o2"),
        ("Observation?value-quantity=ne100", "o3"),
        ("Observation?value-quantity=ap110", "o1 o2 o3"),
        ("RiskAssessment?probability=0.8", "r1"),
        ("RiskAssessment?probability=gt0.8", ""),
        ("RiskAssessment?probability=ge0.8", "r1"),
        ("RiskAssessment?probability=lt1", "r1"),
    ];
    finds(&served().await, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.11: number, system and code; units are not converted, and the statement says so.
#[tokio::test]
async fn b29_quantities_with_and_without_unit() {
    let served = served().await;
    let cases = [
        ("Observation?value-quantity=100|http://unitsofmeasure.org|mg", "o1"),
        ("Observation?value-quantity=100||mg", "o1 o2"),
        ("Observation?value-quantity=100||milligram", "o1"),
        ("Observation?value-quantity=gt1|http://unitsofmeasure.org|g", "o3"),
        ("Observation?value-quantity=0.1|http://unitsofmeasure.org|g", ""),
        ("Observation?combo-value-quantity=102", "o3"),
    ];
    finds(&served, &cases).await;
    let statement = page(&served, "metadata").await;
    assert!(statement["rest"][0]["documentation"].as_str().unwrap().contains("not converted"));
}

// FHIR R4 search.html#3.1.1.4.4, :missing.
#[tokio::test]
async fn b30_missing_also_where_there_are_only_extensions() {
    let cases = [
        ("Patient?birthdate:missing=true", "cyd"),
        ("Patient?birthdate:missing=false", "ann bob"),
        ("Task?code:missing=true", "t3"),
        ("Task?patient:missing=false", "t1 t2 t3"),
        ("Task?requester:missing=false", "t3"),
        ("Patient?email:missing=false", "ann"),
        ("Patient?name:missing=true", "cyd"),
        ("Observation?value-quantity:missing=true", ""),
        ("Task?_lastUpdated:missing=true", ""),
    ];
    finds(&served().await, &cases).await;
}
