//! Options side by side -> one Composition with the table, one RiskAssessment a candidate.

use super::{Candidate, Wanted};
use crate::Endplate;
use crate::document::{CAUTION, author, concept, derived, extension, extension_of, place, reference};
use crate::element::{reference_of, text};
use crate::identity;
use crate::plan::{self, Source};
use crate::write::instant_ms;
use endplate_fhir::narrative::Narrative;
use endplate_fhir::{Json, bundle};
use endplate_recovery::assessment::TargetAssessment;
use endplate_recovery::milestone::Milestone;
use endplate_recovery::unit::{Date, Probability};
use serde_json::json;
use std::collections::BTreeMap;

/// Said before every comparison.
const NEUTRAL: &str = "This shows consequences of options and recommends none. The options are in the order in which they were sent. \
What is given up is a summary of the trade and not complete; the choice is made by the patient and the surgeon together.";

/// The answer: a collection Bundle with the Composition first, then each candidate's RiskAssessment and Procedure.
pub(super) fn comparison(candidates: &[Candidate], wishes: &[Wanted], endplate: &Endplate) -> Json {
    let options: Vec<Choice<'_>> = candidates
        .iter()
        .enumerate()
        .map(|(index, candidate)| Choice { number: index + 1, candidate, wishes, endplate })
        .collect();
    let assessments: Vec<Json> = options.iter().map(Choice::risk_assessment).collect();
    let mut all = vec![composition(&options, &assessments)];
    for (option, assessment) in options.iter().zip(assessments) {
        all.push(assessment);
        all.push(option.candidate.procedure.clone());
    }
    let base = &endplate.settings().base;
    let named = all.into_iter().map(|one| (format!("{base}/{}", reference_of(&one)), one)).collect();
    bundle::collection(Some(&instant_ms(endplate.clock.now())), named)
}

/// One column of the comparison.
struct Choice<'a> {
    number: usize,
    candidate: &'a Candidate,
    wishes: &'a [Wanted],
    endplate: &'a Endplate,
}

impl Choice<'_> {
    fn title(&self) -> String {
        let Some(repair) = self.candidate.repair() else { return format!("Option {}", self.number) };
        let gap = if repair.gap.0 > 0.0 { format!(", gap {:.0} mm", repair.gap.0) } else { String::new() };
        format!(
            "Option {}: {} of the {}{gap}, planned for {}",
            self.number,
            repair.technique.display(),
            repair.nerve.display(),
            self.candidate.on
        )
    }

    fn targets(&self) -> impl Iterator<Item = &TargetAssessment> {
        let assessed = self.candidate.outlook.assessments.first().and_then(Option::as_ref);
        assessed.into_iter().flat_map(|assessment| &assessment.targets)
    }

    /// The last day on which this operation would still reach a target in time.
    fn operate_by(&self, target: &TargetAssessment) -> Option<Date> {
        let assessment = self.candidate.outlook.assessments.first()?.as_ref()?;
        let protocol = &self.endplate.settings().protocol;
        assessment.operate_by(self.candidate.repair()?, target, protocol)
    }

    /// The wishes that speak against it, each with why.
    fn against(&self) -> impl Iterator<Item = (Json, &'static str, &'static str)> {
        let against = |wanted: &Wanted| match wanted {
            Wanted::Known(wish) => wish.against(&self.candidate.given_up).map(|consequence| {
                (concept("patient-wish", wish.code, wish.display), wish.display, consequence.text)
            }),
            Wanted::InWords(_) => None,
        };
        self.wishes.iter().filter_map(against)
    }

    fn extensions(&self) -> Vec<Json> {
        let reviews = json!(self.candidate.outlook.reviews.len());
        let mut all = vec![extension("review-count", "UnsignedInt", reviews)];
        for target in self.targets() {
            if let Some(on) = self.operate_by(target) {
                all.push(extension_of(
                    "operate-by",
                    vec![
                        ("structure", "CodeableConcept", place(&target.target.place)),
                        ("date", "Date", json!(on.to_string())),
                    ],
                ));
            }
        }
        for one in &self.candidate.given_up {
            all.push(extension_of(
                "given-up",
                vec![
                    ("consequence", "Code", json!(one.code)),
                    ("text", "String", json!(one.text)),
                    ("source", "String", json!(one.source)),
                ],
            ));
        }
        for (wish, _, because) in self.against() {
            all.push(extension_of(
                "wish-against",
                vec![("wish", "CodeableConcept", wish), ("because", "String", json!(because))],
            ));
        }
        all
    }

    /// What would be written of it as a plan's RiskAssessment, and what the option asks besides.
    fn risk_assessment(&self) -> Json {
        let Candidate { procedure, intake, injury, outlook, on, .. } = self.candidate;
        let settings = self.endplate.settings();
        let source = Source {
            intake,
            injury,
            outlook,
            attended: &BTreeMap::new(),
            protocol: &settings.protocol,
            scheduler: &settings.scheduler,
            reviews_per_day_max: settings.reviews_per_day_max,
            today: *on,
        };
        let written = plan::documents(&source)
            .into_iter()
            .find(|document| text(document, &["resourceType"]) == Some("RiskAssessment"));
        let id = identity::id("RiskAssessment", &["option", &reference_of(procedure), &injury.key]);
        let mut notes = vec![CAUTION.to_owned(), NEUTRAL.to_owned()];
        notes.extend(injury.assumptions.iter().cloned());
        if outlook.assessments.iter().all(Option::is_none) {
            notes.push(
                "Nothing regenerates by this operation, so no window, no chance in time and no last useful date apply."
                    .to_owned(),
            );
        }
        let of_written = |name: &str| written.as_ref().and_then(|one| one.get(name)).cloned();
        let mut extensions: Vec<Json> =
            of_written("extension").and_then(|all| all.as_array().cloned()).unwrap_or_default();
        extensions.extend(self.extensions());
        derived(
            "RiskAssessment",
            &id,
            json!({
                "text": self.narrative(),
                "extension": extensions,
                "status": "preliminary",
                "method": { "text": format!("recovery model, protocol version {}", settings.protocol.version) },
                "subject": reference(&intake.patient),
                "occurrenceDateTime": on.to_string(),
                "condition": injury.condition.as_ref().map_or(Json::Null, |condition| reference(condition)),
                "performer": author(),
                "basis": [reference(&reference_of(procedure))],
                "prediction": of_written("prediction").unwrap_or(Json::Null),
                "note": notes.into_iter().map(|text| json!({ "text": text })).collect::<Vec<_>>(),
            }),
        )
    }

    fn narrative(&self) -> Json {
        let mut rows = Vec::new();
        for target in self.targets() {
            for m in &target.milestones {
                rows.push(vec![
                    target.target.place.display().to_owned(),
                    m.milestone.display().to_owned(),
                    format!("{} to {}", m.window.opens_on, m.window.closes_on),
                    m.window.median_on.to_string(),
                ]);
            }
        }
        let mut text = Narrative::titled(&self.title()).paragraph(CAUTION).paragraph(NEUTRAL);
        if let Some(Some(assessment)) = self.candidate.outlook.assessments.first() {
            text = text.paragraph(&format!(
                "The chance that the front stops in or near the repair is {}. Windows hold eight in ten repairs whose front does not stop.",
                assessment.arrest.percent()
            ));
        }
        text = text
            .heading("Expected")
            .table(&["target", "sign", "window", "median"], &rows)
            .paragraph(&format!("{} reviews are planned after it.", self.candidate.outlook.reviews.len()))
            .heading("What is given up")
            .list(&self.given_up());
        let wishes: Vec<String> =
            self.against().map(|(_, wish, because)| format!("{wish}: {because}")).collect();
        if !wishes.is_empty() {
            text = text.heading("Wishes that speak against it").list(&wishes);
        }
        text.heading("Assumed").list(&self.candidate.injury.assumptions).build()
    }

    fn given_up(&self) -> Vec<String> {
        self.candidate.given_up.iter().map(|one| format!("{} ({})", one.text, one.source)).collect()
    }

    /// Its rows of the table: one a target, or one where nothing regenerates.
    fn rows(&self) -> Vec<Vec<String>> {
        let reviews = self.candidate.outlook.reviews.len().to_string();
        let wishes: Vec<&str> = self.against().map(|(_, wish, _)| wish).collect();
        let wishes =
            if wishes.is_empty() { "none of those that can be judged".to_owned() } else { wishes.join("; ") };
        let row = |target: &TargetAssessment| {
            let first = target.milestone(Milestone::first(target.target.place.kind()));
            vec![
                self.title(),
                target.target.place.display().to_owned(),
                first.map_or(String::new(), |m| {
                    format!("{}: {} to {}", m.milestone.display(), m.window.opens_on, m.window.closes_on)
                }),
                target.in_time.map_or("no limit".to_owned(), Probability::percent),
                self.operate_by(target).map_or("no limit".to_owned(), |on| on.to_string()),
                reviews.clone(),
                wishes.clone(),
            ]
        };
        let mut rows: Vec<Vec<String>> = self.targets().map(row).collect();
        if rows.is_empty() {
            let none = "nothing regenerates".to_owned();
            rows.push(vec![
                self.title(),
                none.clone(),
                none,
                "no limit".to_owned(),
                "no limit".to_owned(),
                reviews,
                wishes,
            ]);
        }
        rows
    }
}

/// The summary: cautions first, then the table, then what is given up, then the wishes.
fn composition(options: &[Choice<'_>], assessments: &[Json]) -> Json {
    const HEADER: [&str; 7] = [
        "option",
        "target",
        "first sign",
        "chance in time",
        "last useful date of this operation",
        "reviews",
        "wishes against",
    ];
    let Some(first) = options.first() else { return Json::Null };
    let rows: Vec<Vec<String>> = options.iter().flat_map(Choice::rows).collect();
    let table = Narrative::titled("Side by side").table(&HEADER, &rows).build();
    let mut given_up = Narrative::titled("What is given up");
    for option in options {
        given_up = given_up.heading(&option.title()).list(&option.given_up());
    }
    let entries: Vec<Json> = assessments.iter().map(|one| reference(&reference_of(one))).collect();
    let cautions = [CAUTION, NEUTRAL];
    let mut sections = vec![
        json!({ "title": "Cautions", "text": Narrative::titled("Cautions").list(&cautions).build() }),
        json!({ "title": "Side by side", "text": table, "entry": entries }),
        json!({ "title": "What is given up", "text": given_up.build() }),
    ];
    if !first.wishes.is_empty() {
        sections.push(json!({ "title": "Wishes", "text": wishes(options, first.wishes) }));
    }
    let now = instant_ms(first.endplate.clock.now());
    let names: Vec<String> = assessments.iter().map(reference_of).collect();
    let mut parts = vec!["options"];
    parts.extend(names.iter().map(String::as_str));
    derived(
        "Composition",
        &identity::id("Composition", &parts),
        json!({
            "text": Narrative::titled("Options for one injury, side by side")
                .list(&cautions)
                .table(&HEADER, &rows)
                .build(),
            "status": "preliminary",
            "type": { "text": "comparison of options for a nerve repair" },
            "subject": reference(&first.candidate.intake.patient),
            "date": now,
            "author": [author()],
            "title": "Options for one injury, side by side",
            "section": sections,
        }),
    )
}

/// Every wish with the options that it speaks against; those in words are left to people.
fn wishes(options: &[Choice<'_>], wishes: &[Wanted]) -> Json {
    let line = |wanted: &Wanted| match wanted {
        Wanted::Known(wish) => {
            let against: Vec<String> = options
                .iter()
                .filter_map(|option| {
                    let because = wish.against(&option.candidate.given_up)?;
                    Some(format!("option {} ({})", option.number, because.text))
                })
                .collect();
            let against = if against.is_empty() { "none".to_owned() } else { against.join("; ") };
            format!("{}: speaks against {against}", wish.display)
        }
        Wanted::InWords(words) => {
            format!("{words}: in words, to be weighed by people; no option is marked by it")
        }
    };
    let lines: Vec<String> = wishes.iter().map(line).collect();
    Narrative::titled("Wishes").list(&lines).build()
}
