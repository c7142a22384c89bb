use super::*;
use crate::date;
use proptest::prelude::*;

const BASE: &str = "https://records.example/fhir";

fn query(text: &str) -> Result<Query, Vec<Issue>> {
    criteria(text, BASE)
}

/// The parameters of a search, decoded.
fn pairs(text: &str) -> Vec<(String, String)> {
    form_urlencoded::parse(text.as_bytes()).into_owned().collect()
}

fn only(text: &str) -> Match {
    let mut query = query(text).unwrap();
    assert_eq!(query.clauses.len(), 1);
    query.clauses.remove(0).any.remove(0)
}

fn refusal(text: &str) -> String {
    query(text).unwrap_err().remove(0).text
}

// FHIR R4 search page, token: [code], [system]|[code], |[code], [system]|; escaping of $ , | and \.
#[test]
fn tokens() {
    let token = |system, code: Option<&str>| Match::Token { system, code: code.map(str::to_owned) };
    assert_eq!(only("Task?status=requested"), token(TokenSystem::Any, Some("requested")));
    assert_eq!(only("Task?code=http%3A%2F%2Fx%7Ca"), token(TokenSystem::Is("http://x".into()), Some("a")));
    assert_eq!(only("Task?code=%7Ca"), token(TokenSystem::None, Some("a")));
    assert_eq!(only("Task?code=http://x|"), token(TokenSystem::Is("http://x".into()), None));
    assert_eq!(only(r"Task?identifier=a\,b\|c\\d\$e"), token(TokenSystem::Any, Some(r"a,b|c\d$e")));
    assert!(refusal("Task?code=a|b|c").contains("system|code"));
    assert!(refusal("Task?code=|").contains("system|code"));
    assert_eq!(query("Task?code=").unwrap().clauses, [], "R4 search, errors: an empty value is passed over");
    assert!(refusal("Task?code=a,").contains("empty"));
    assert_eq!(query("Task?status=requested,accepted").unwrap().clauses[0].any.len(), 2);
    assert!(query("Task?status:not=cancelled").unwrap().clauses[0].negated);
}

#[test]
fn references_ids_texts_and_urls() {
    let reference =
        |kind: Option<&str>, id: &str| Match::Reference { kind: kind.map(str::to_owned), id: id.into() };
    assert_eq!(only("Task?patient=23"), reference(Some("Patient"), "23"));
    assert_eq!(only("Task?owner=23"), reference(None, "23"));
    assert_eq!(only("Task?patient=Patient/23"), reference(Some("Patient"), "23"));
    assert_eq!(only("Task?patient:Patient=23"), reference(Some("Patient"), "23"));
    assert_eq!(
        only("Task?owner=https://records.example/fhir/Practitioner/7"),
        reference(Some("Practitioner"), "7")
    );
    let other = "https://other.example/fhir/Practitioner/7";
    assert_eq!(only(&format!("Task?owner={other}")), reference(Some(""), other));
    assert!(refusal("Task?patient:Patient=Group/1").contains("Type/id"));
    assert_eq!(only("Task?_id=a-1"), Match::Id("a-1".into()));
    assert!(refusal("Task?_id=a_1").contains("64"));
    let text = |part, text: &str| Match::Text { part, text: text.into() };
    assert_eq!(only("Patient?family=M%C3%9CLL"), text(Part::Start, "mull"));
    assert_eq!(only("Patient?family:contains=%C3%9Cl"), text(Part::Anywhere, "ul"));
    assert_eq!(only("Patient?family:exact=M%C3%9CLL"), text(Part::Whole, "MÜLL"));
    assert_eq!(
        only("CarePlan?instantiates-canonical=https://x.example/P|1"),
        Match::Token { system: TokenSystem::Any, code: Some("https://x.example/P|1".into()) }
    );
}

#[test]
fn what_is_refused_says_what_is_known() {
    assert!(refusal("Task?statuss=requested").contains("status"));
    assert!(refusal("Task?statuss=requested").contains("`statuss`"));
    assert!(refusal("Medication?code=a").contains("CarePlan"));
    assert!(refusal("Patient?family:text=A").contains("modifier"));
    assert!(refusal("Task?patient.identifiers=A").contains("not known"));
    assert!(refusal("Task?subject.identifier=A").contains("several types"));
    assert!(refusal("Task?due=xx2024").contains("eb"));
    assert!(refusal("Task?_include=Task:patient").contains("condition"));
    assert!(refusal("Task?due=2024-02-30").contains("YYYY"));
    assert_eq!(query("Task?a=1&b=2&_count=x&_sort=owner").unwrap_err().len(), 4);
}

#[test]
fn paging_and_order() {
    let read = query("Task?_sort=-due,status&_count=9999&_after=i-12~t61~a-1").unwrap();
    let key = |param: &str, descending| Sort { param: param.into(), descending };
    assert_eq!(read.sort, [key("due", true), key("status", false)]);
    assert_eq!(read.count, COUNT_MAX);
    let values = vec![SortValue::Time(-12), SortValue::Text("a".into())];
    assert_eq!(read.after, Some(Cursor { values, id: "a-1".into() }));
    assert_eq!(query("Task").unwrap().count, COUNT_DEFAULT);
    assert!(refusal("Task?_count=-1").contains("0 to 500"));
    assert!(refusal("Task?_after=x_").contains("next"));
    assert!(refusal("Task?_after=i1~x").contains("next"), "a cursor of another order");
    assert!(refusal("Task?_sort=owner").contains("_lastUpdated"));
}

// FHIR R4 search.html#3.1.1.5.2: what is asked for of the total is a hint; 3.1.1.5.8, _summary=count: the number alone.
#[test]
fn matches_are_counted_as_far_as_is_asked_for() {
    for (text, total) in [
        ("Task", Total::Near),
        ("Task?_total=estimate", Total::Near),
        ("Task?_total=accurate", Total::Whole),
        ("Task?_summary=count", Total::Whole),
        ("Task?_count=0", Total::Whole),
        ("Task?_total=none", Total::None),
    ] {
        let (kind, parameters) = text.split_once('?').unwrap_or((text, ""));
        assert_eq!(request(kind, &pairs(parameters), BASE, true).unwrap().query.total, total, "{text}");
    }
}

// FHIR R4 search, number: the ranges of its own examples; and the other prefixes, which take the number as it is.
#[test]
fn numbers_are_as_precise_as_they_are_written() {
    let asked = |text: &str| match only(&format!("RiskAssessment?probability={text}")) {
        Match::Quantity { asked, .. } => asked,
        other => panic!("{other:?}"),
    };
    let ranges = [
        ("100", 99.5, 100.5),
        ("100.00", 99.995, 100.005),
        ("1e2", 95.0, 105.0),
        ("5.40e-3", 0.005_395, 0.005_405),
        ("-2", -2.5, -1.5),
        ("ap100", 90.0, 110.0),
    ];
    for (text, low, high) in ranges {
        let asked = asked(text);
        assert_eq!((asked.low, asked.high), (low, high), "{text}");
    }
    for text in ["", "1e", "1.", "abc", "1e999", "0x10", "NaN", "1 2", "+1"] {
        assert!(text.is_empty() || query(&format!("RiskAssessment?probability=lt{text}")).is_err(), "{text}");
    }
    let holds = |text: &str, row: f64| {
        let Match::Quantity { prefix, asked, .. } = only(&format!("RiskAssessment?probability={text}"))
        else {
            return false;
        };
        asked.holds(prefix, row, row)
    };
    assert!(holds("0.8", 0.84) && !holds("0.8", 0.85) && holds("0.80", 0.8) && !holds("0.80", 0.81));
    assert!(holds("gt0.8", 0.81) && !holds("gt0.8", 0.8) && holds("ge0.8", 0.8) && !holds("lt0.8", 0.8));
    assert!(holds("sa0.8", 0.81) && holds("eb0.8", 0.79) && holds("ne0.8", 0.9) && holds("le0.8", 0.8));
}

// FHIR R4 search: chaining and reverse chaining; what cannot be told without other resources says so.
#[test]
fn chains_and_what_refers_here() {
    let read = query("Task?patient.identifier=x&owner:Practitioner.name:exact=N").unwrap();
    assert!(matches!(&read.clauses[0].any[0], Match::Chain { kind, .. } if kind == "Patient"));
    assert!(matches!(&read.clauses[1].any[0], Match::Chain { kind, .. } if kind == "Practitioner"));
    assert_eq!(read.clauses[0].params, ["subject"]);
    let has = query("Patient?_has:Observation:patient:code=1234-5").unwrap();
    let Match::Referrer { kind, params, clause } = &has.clauses[0].any[0] else { panic!("{has:?}") };
    assert_eq!(
        (kind.as_str(), &params[..], &clause.params[..]),
        ("Observation", &["subject".to_owned()][..], &["code".to_owned()][..])
    );
    assert!(!read.is_of_rows() && !has.is_of_rows() && query("Task?due=lt2026").unwrap().is_of_rows());
    assert!(refusal("Patient?_has:Observation:patient=1").contains("_has:Type"));
    assert!(refusal("Device?_has:Encounter:practitioner:status=x").contains("does not lead"));
    assert!(refusal("Task?part-of.part-of.part-of.part-of.part-of.status=x").contains("at most 3"));
}

// FHIR R4 search, errors: an unknown parameter is passed over unless the client wants it strictly.
#[test]
fn what_is_not_known_is_passed_over_or_refused() {
    let read =
        request("Task", &pairs("a=1&status=x&_sort=owner,due&b=&_include=Task:x"), BASE, false).unwrap();
    assert_eq!(read.ignored.len(), 3);
    assert_eq!(read.used, pairs("status=x&_sort=due"));
    assert_eq!(request("Task", &pairs("a=1&_sort=owner"), BASE, true).unwrap_err().len(), 2);
    assert!(request("Task", &pairs("status:text=x"), BASE, false).is_err(), "a modifier narrows");
}

// FHIR R4 search page, the table of prefixes; and a birth year found by a search of day precision.
#[test]
fn dates_are_intervals() {
    let born = |text: &str| {
        let (start_ms, end_ms) = date::instant_ms(text).unwrap();
        vec![IndexRow { param: "birthdate", value: IndexValue::Date { start_ms, end_ms } }]
    };
    let found = |asked: &str, born_on: &str| {
        query(&format!("Patient?birthdate={asked}")).unwrap().matches("Patient", "1", &born(born_on))
    };
    assert!(
        found("2013", "2013-05-01") && found("eq2013-01-14", "2013-01-14") && !found("2013-01-14", "2013")
    );
    assert!(found("ne2013-01-14", "2013-01-15") && !found("ne2013-01-14", "2013-01-14"));
    assert!(found("lt2013-01-14", "2013-01-13") && !found("lt2013-01-14", "2013-01-14"));
    assert!(found("gt2013-01-14", "2013-01-15") && !found("gt2013-01-14", "2013-01-14"));
    assert!(found("ge2013-01-14", "2013-01-14") && found("le2013-01-14", "2013-01-14"));
    assert!(found("sa2013-01-14", "2013-01-15") && !found("sa2013-01-14", "2013"));
    assert!(found("eb2013-01-14", "2013-01-13") && !found("eb2013-01-14", "2013"));
    assert!(found("gt2013-01-14", "2013"), "the year reaches beyond the day");
    assert!(found("lt2013-01-14", "2013"), "the year begins before the day");
}

#[test]
fn clauses_are_joined_by_and_values_by_or() {
    let rows = [
        IndexRow { param: "status", value: IndexValue::Token { system: None, code: "requested".into() } },
        IndexRow {
            param: "owner",
            value: IndexValue::Reference { kind: "Practitioner".into(), id: "1".into() },
        },
        IndexRow {
            param: "code",
            value: IndexValue::Token { system: Some("http://x".into()), code: "a".into() },
        },
    ];
    let matches = |text: &str| query(text).unwrap().matches("Task", "7", &rows);
    assert!(matches("Task"));
    assert!(!matches("CarePlan"));
    assert!(matches("Task?status=accepted,requested&owner=Practitioner/1"));
    assert!(!matches("Task?status=accepted&owner=Practitioner/1"));
    assert!(!matches("Task?owner=Patient/1"));
    assert!(matches("Task?_id=7") && !matches("Task?_id=8"));
    assert!(matches("Task?status:not=cancelled,failed") && !matches("Task?status:not=requested"));
    assert!(matches("Task?code=http://x|a") && matches("Task?code=http://x|") && !matches("Task?code=|a"));
    assert!(matches("Task?business-status:not=missed"), "an absent value is not the value");
}

proptest! {
    #[test]
    fn never_panics(kind in "Task|Patient|\\PC{0,8}", name in "(_id|due|status|patient|\\PC{0,6}):?(not|\\PC{0,4})", value in "\\PC{0,24}") {
        let _ = parse(&kind, &[(name, value.clone())], BASE);
        let _ = criteria(&value, BASE);
    }

    // Criteria are the same query as the decoded parameters, whatever the values hold.
    #[test]
    fn criteria_read_as_the_parameters_do(values in proptest::collection::vec(("status|code|_tag|identifier", "\\PC{1,12}"), 0..4)) {
        let pairs: Vec<(String, String)> = values;
        let text = form_urlencoded::Serializer::new("Task?".to_owned()).extend_pairs(&pairs).finish();
        let text = text.replacen("?&", "?", 1);
        prop_assert_eq!(criteria(&text, BASE), parse("Task", &pairs, BASE));
    }

    // An escaped value is found again as it was.
    #[test]
    fn escaping_is_undone(code in "[a-z,|$\\\\ü]{1,12}") {
        let escaped: String = code.chars().flat_map(|c| {
            let escape = matches!(c, ',' | '|' | '$' | '\\').then_some('\\');
            escape.into_iter().chain([c])
        }).collect();
        let query = parse("Task", &[("identifier".to_owned(), escaped)], BASE).unwrap();
        prop_assert_eq!(&query.clauses[0].any, &[Match::Token { system: TokenSystem::Any, code: Some(code) }]);
    }

    #[test]
    fn cursors_survive(ms in any::<i64>(), text in "\\PC{0,9}", real in -1e9..1e9, id in "[A-Za-z0-9.-]{1,64}") {
        let cursor = Cursor { values: vec![SortValue::Time(ms), SortValue::Text(text), SortValue::Real(real)], id };
        prop_assert_eq!(Cursor::parse(&cursor.to_string()), Some(cursor));
    }
}

#[test]
fn a_search_for_very_many_values_is_refused() {
    let values = vec!["requested"; VALUES_MAX + 1].join(",");
    let issues = criteria(&format!("Task?status={values}"), "").expect_err("too many values");
    assert!(issues[0].text.contains("at most 200 values"), "{issues:?}");
    assert!(criteria("Task?status=requested,accepted", "").is_ok());
}
