//! Counts -> MeasureReport.

use super::{Share, Span, Tally};
use crate::Endplate;
use crate::code::EP;
use crate::document::{CAUTION, concept, days, decimal, derived, extension, extension_of, quantity};
use crate::identity;
use endplate_fhir::Json;
use endplate_fhir::narrative::Narrative;
use endplate_recovery::statistics::{median, wilson};
use serde_json::json;
use std::collections::BTreeMap;

/// Codes of `CodeSystem/arrest-cause` that are counted.
pub(super) const CAUSES: [&str; 7] = [
    "inadequate-debridement",
    "technical-failure",
    "failed-revascularisation",
    "failed-repopulation",
    "tension",
    "infection",
    "undetermined",
];

/// A stratum of fewer targets is told together with other such ones: a count of one is a patient.
const STRATUM_MIN: usize = 5;

/// First signs from which on a parameter is suggested.
const SIGNS_MIN: usize = 20;

const FEW: &str = "Small numbers mislead: read the intervals, not the shares. The unit's cases are not a random sample, signs are seen only \
when somebody looks, and the patients who do not come may be those who do worse. Nothing is changed by this report; a suggested parameter is \
for discussion and is never applied by itself.";

/// The report.
pub(super) fn report(tally: &Tally, span: Span, endplate: &Endplate) -> Json {
    let protocol = &endplate.settings().protocol;
    let signs = Share { hits: tally.inside, of: tally.early + tally.inside + tally.late };
    let mut groups = vec![
        group(
            "reviews",
            "reviews whose window closed in the period",
            &[
                population("due", "due", tally.due),
                population("attended", "attended", tally.attended),
                population("missed", "missed", tally.missed),
            ],
            Share { hits: tally.attended, of: tally.due },
        ),
        stall(tally),
    ];
    groups.push(outcomes(
        "outcome-motor",
        "muscles with M3 or better when the outcome was due",
        &tally.motor,
    ));
    groups.push(outcomes(
        "outcome-sensory",
        "skin with S3+ or better when the outcome was due",
        &tally.sensory,
    ));
    let causes = CAUSES.map(|cause| {
        population(cause, &cause.replace('-', " "), tally.causes.get(cause).copied().unwrap_or_default())
    });
    let mut arrest =
        group("arrest-cause", "why repairs arrested, as second repairs say", &causes, Share::default());
    strip(&mut arrest);
    groups.push(arrest);
    groups.push(group(
        "first-signs",
        "first signs against the window in which eight in ten were expected",
        &[
            population("before-window", "before the window", tally.early),
            population("in-window", "in the window", tally.inside),
            population("after-window", "after the window", tally.late),
        ],
        signs,
    ));
    let suggested = suggestion(tally, protocol.growth.rate.median);
    let mut extensions = vec![extension("caution", "String", json!(format!("{CAUTION} {FEW}")))];
    if let Some((value, basis)) = &suggested {
        extensions.push(extension_of(
            "suggested-parameter",
            vec![
                ("parameter", "String", json!("growth.rate_mm_per_day")),
                ("value", "Decimal", decimal(*value, 2)),
                ("basis", "String", json!(basis)),
            ],
        ));
    }
    let (start, end) = (span.start.to_string(), span.end.to_string());
    derived(
        "MeasureReport",
        &identity::id("MeasureReport", &["unit", &start, &end]),
        json!({
            "text": narrative(&groups, suggested.as_ref().map(|(_, basis)| basis.as_str()), &start, &end),
            "extension": extensions,
            "status": "complete",
            "type": "summary",
            "measure": format!("{EP}/Measure/nerve-repair-unit"),
            "date": endplate.clock.today().to_string(),
            "period": days(span.start, span.end),
            "group": groups,
        }),
    )
}

fn population(code: &str, display: &str, count: usize) -> Json {
    json!({ "code": concept("unit-report", code, display), "count": count })
}

/// A group with its counts and, where something was counted, the share in percent with its interval.
fn group(code: &str, display: &str, populations: &[Json], share: Share) -> Json {
    let mut group = json!({ "code": concept("unit-report", code, display), "population": populations });
    score(&mut group, share);
    group
}

fn score(part: &mut Json, share: Share) {
    let (Some(members), Some((low, high))) = (part.as_object_mut(), wilson(share.hits, share.of)) else {
        return;
    };
    let percent = |value: f64| decimal(value * 100.0, 1);
    let mut score = quantity(share.hits as f64 / share.of as f64 * 100.0, 1, "%");
    if let Some(score) = score.as_object_mut() {
        let interval = extension_of(
            "interval",
            vec![("low", "Decimal", percent(low)), ("high", "Decimal", percent(high))],
        );
        score.insert("extension".to_owned(), json!([interval]));
    }
    members.insert("measureScore".to_owned(), score);
}

/// Takes the score away where counts are no share of anything.
fn strip(group: &mut Json) {
    if let Some(members) = group.as_object_mut() {
        members.shift_remove("measureScore");
    }
}

/// Median days from the finding at which the front already stood where it stood when the alert was raised.
fn stall(tally: &Tally) -> Json {
    let mut group = json!({
        "code": concept("unit-report", "stall-to-alert", "days from the last advance of a front to its alert, median"),
        "population": [population("alerts", "alerts raised", tally.stall_to_alert.len())],
    });
    if let (Some(members), Some(days)) = (group.as_object_mut(), median(&tally.stall_to_alert)) {
        members.insert("measureScore".to_owned(), quantity(days, 1, "d"));
    }
    group
}

/// Outcomes of all, and by technique and nerve where there are enough.
fn outcomes(code: &str, display: &str, all: &BTreeMap<(String, String), Share>) -> Json {
    let mut sum = Share::default();
    let mut other = Share::default();
    let mut strata = Vec::new();
    for ((technique, nerve), share) in all {
        sum = Share { hits: sum.hits + share.hits, of: sum.of + share.of };
        if share.of >= STRATUM_MIN {
            strata.push(stratum(technique, nerve, *share));
        } else {
            other = Share { hits: other.hits + share.hits, of: other.of + share.of };
        }
    }
    if other.of > 0 {
        let few = format!("fewer than {STRATUM_MIN} targets each");
        strata.push(stratum(&few, &few, other));
    }
    let mut group = group(code, display, &counts(sum), sum);
    if let (Some(members), false) = (group.as_object_mut(), strata.is_empty()) {
        let by = concept("unit-report", "technique-and-nerve", "technique and nerve");
        members.insert("stratifier".to_owned(), json!([{ "code": [by], "stratum": strata }]));
    }
    group
}

fn counts(share: Share) -> Vec<Json> {
    vec![population("targets", "targets", share.of), population("reached", "reached", share.hits)]
}

fn stratum(technique: &str, nerve: &str, share: Share) -> Json {
    let component = |code: &str, value: &str| json!({ "code": concept("unit-report", code, code), "value": { "text": value } });
    let mut stratum = json!({
        "component": [component("technique", technique), component("nerve", nerve)],
        "population": counts(share),
    });
    score(&mut stratum, share);
    stratum
}

/// The rate at which the unit's first signs would have come at the expected median, and in words what that rests on.
fn suggestion(tally: &Tally, rate: f64) -> Option<(f64, String)> {
    let ratio = median(&tally.ratios).filter(|_| tally.ratios.len() >= SIGNS_MIN)?;
    let value = (rate / ratio.max(0.01)).clamp(0.2, 5.0);
    let basis = format!(
        "{} first signs came at a median of {ratio:.2} times the expected day; if all of that were growth, the rate would be {value:.2} mm a day instead of {rate:.2}. For discussion, not applied.",
        tally.ratios.len()
    );
    Some((value, basis))
}

/// Cautions first, then one row a count.
fn narrative(groups: &[Json], suggested: Option<&str>, start: &str, end: &str) -> Json {
    let word = |part: &Json| {
        let display = part.pointer("/code/coding/0/display").and_then(Json::as_str);
        display.unwrap_or_default().to_owned()
    };
    let score = |part: &Json| {
        let score = part.get("measureScore")?;
        let number = |pointer: &str| score.pointer(pointer).map(ToString::to_string);
        let unit = score.get("unit").and_then(Json::as_str).unwrap_or_default();
        let interval = number("/extension/0/extension/0/valueDecimal")
            .zip(number("/extension/0/extension/1/valueDecimal"))
            .map_or(String::new(), |(low, high)| format!(" (95 % interval {low} to {high})"));
        Some(format!("{} {unit}{interval}", number("/value")?))
    };
    let count = |part: &Json| {
        let populations = part.get("population").and_then(Json::as_array).into_iter().flatten();
        let one = |one: &Json| {
            format!("{} {}", word(one), one.get("count").map(ToString::to_string).unwrap_or_default())
        };
        populations.map(one).collect::<Vec<_>>().join(", ")
    };
    let mut rows = Vec::new();
    for group in groups {
        rows.push(vec![word(group), count(group), score(group).unwrap_or_default()]);
        let strata = group.pointer("/stratifier/0/stratum").and_then(Json::as_array).into_iter().flatten();
        for stratum in strata {
            let value = |n: usize| {
                stratum
                    .pointer(&format!("/component/{n}/value/text"))
                    .and_then(Json::as_str)
                    .unwrap_or_default()
            };
            let name = format!("{}: {}, {}", word(group), value(0), value(1));
            rows.push(vec![name, count(stratum), score(stratum).unwrap_or_default()]);
        }
    }
    let text = Narrative::titled(&format!("Follow-up of nerve repairs from {start} to {end}"))
        .paragraph(CAUTION)
        .paragraph(FEW)
        .table(&["what", "counts", "share or median"], &rows);
    match suggested {
        Some(basis) => text.heading("What the unit's own data suggest").paragraph(basis).build(),
        None => text
            .paragraph("There are too few first signs for the unit's own data to suggest a parameter.")
            .build(),
    }
}
