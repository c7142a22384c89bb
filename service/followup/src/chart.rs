//! The recovery chart of one repair: what was expected, what was found, what is still to come, as a picture and in words.
//!
//! A pure function of the facts draws a small [`scene::Scene`]; [`svg`] and [`pdf`] write it down. The same facts on the same
//! day give the same bytes. It is made when it is asked for and not stored: R4's DiagnosticReport with the picture as
//! `presentedForm`.

mod drawing;
pub mod pdf;
pub mod scene;
mod sheet;
pub mod svg;
mod words;

use crate::Endplate;
use crate::capacity;
use crate::document::{CAUTION, derived, identifier, reference};
use crate::dossier::Dossier;
use crate::element::{day, items, text};
use crate::identity;
use crate::intake::{self, Injury};
use crate::operation::{Inputs, cannot};
use crate::preview::is_derived;
use crate::refusal::Refusal;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use endplate_fhir::Json;
use endplate_fhir::issue::Code;
use endplate_fhir::narrative::Narrative;
use endplate_recovery::assessment::{Assessment, Finding};
use endplate_recovery::episode::{Outlook, Review};
use endplate_recovery::repair::Repair;
use endplate_recovery::unit::{Date, DateRange, Days, Mm};
use serde_json::json;

/// Media type of a picture.
pub const SVG: &str = "image/svg+xml";
/// Media type of a page to print.
pub const PDF: &str = "application/pdf";

/// Everything that a chart shows.
#[derive(Clone, Copy)]
pub struct Facts<'a> {
    /// Whose repair, as a person reads it.
    pub who: &'a str,
    /// What was done.
    pub repair: &'a Repair,
    /// When the injury was.
    pub injured: DateRange,
    /// What was found of it, in any order.
    pub findings: &'a [Finding],
    /// What is believed of it.
    pub assessment: &'a Assessment,
    /// Days on which the patient was seen.
    pub visits: &'a [Date],
    /// Reviews to come, in order.
    pub reviews: &'a [Review],
    /// The day of the chart.
    pub today: Date,
}

impl Facts<'_> {
    /// Where the front was expected to be on a day before any finding: 10th, 50th and 90th percentile.
    pub fn expected(&self, on: Date) -> [Mm; 3] {
        let day = Days(f64::from(on.days_since(self.assessment.growth_starts_on)));
        self.assessment.expected.front_quantiles(day, [0.1, 0.5, 0.9])
    }
}

/// A chart, ready to be read, looked at or printed.
#[derive(Clone, Debug)]
pub struct Chart {
    /// R4 DiagnosticReport with the picture in both forms as `presentedForm`.
    pub report: Json,
    /// The picture as SVG.
    pub svg: String,
    /// The picture as PDF.
    pub pdf: Vec<u8>,
}

/// Draws the chart of some facts.
pub fn scene(facts: &Facts<'_>) -> scene::Scene {
    drawing::scene(facts)
}

impl Endplate {
    /// The chart of the repair that a derived RiskAssessment is about: `RiskAssessment/{id}/$chart`. Nothing is stored.
    ///
    /// # Errors
    /// No such RiskAssessment, one that was not derived here, or one of a repair that is not followed any more.
    pub async fn chart(&self, id: &str, inputs: &Inputs) -> Result<Chart, Refusal> {
        inputs.only(&["format"])?;
        let stored = self.read("RiskAssessment", id).await?;
        let forecast: Json = endplate_fhir::json::stored(&stored.body);
        let subject = text(&forecast, &["subject", "reference"]).and_then(|to| to.strip_prefix("Patient/"));
        let Some(patient) = subject.filter(|_| is_derived(&forecast)) else {
            let text = "Only a RiskAssessment that this service derived from a repair has a chart.";
            return Err(cannot(Code::BusinessRule, text));
        };
        let mut dossier = Dossier::of(self.store.compartment(patient).await?);
        dossier.translate(&self.maps().await?.1);
        let today = day(self.clock.today());
        let intake = intake::read(&dossier, patient, today, &self.settings.base);
        let who = who(dossier.resolve(&intake.patient), patient);
        let followed = intake.injuries.iter().filter(|injury| !(intake.dead || injury.ended));
        for injury in followed {
            let named = |index: usize| {
                let name = injury.procedures.get(index).map_or("", |procedure| procedure.name.as_str());
                identity::id("RiskAssessment", &[&injury.key, name]) == id
            };
            if let Some(index) = (0..injury.procedures.len()).find(|index| named(*index)) {
                let context = self.context(self.clock.now(), today);
                let outlook = capacity::outlook(&dossier, injury, &[], &context);
                let told = told(injury, index, &outlook, &who, today, &forecast);
                return told.ok_or_else(over);
            }
        }
        Err(over())
    }
}

fn over() -> Refusal {
    cannot(Code::BusinessRule, "The repair is not followed any more: ask for the chart of one that is.")
}

/// Whose chart it is: the id, date of birth, and the name as recorded.
fn who(patient: Option<&Json>, id: &str) -> String {
    let Some(patient) = patient else { return format!("Patient {id}") };
    let name = items(patient, "name").next().map(|name| {
        text(name, &["text"]).map_or_else(
            || {
                let given = items(name, "given").filter_map(Json::as_str);
                given.chain(text(name, &["family"])).collect::<Vec<_>>().join(" ")
            },
            str::to_owned,
        )
    });
    let born = text(patient, &["birthDate"]).map(|on| format!("born {on}"));
    // The name comes last: it is what may be cut, or in a PDF have letters that the standard fonts lack.
    let parts = [Some(format!("Patient {id}")), born, name.filter(|name| !name.is_empty())];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// The chart of one repair of an injury; none if nothing is believed of it.
fn told(
    injury: &Injury,
    index: usize,
    outlook: &Outlook,
    who: &str,
    today: Date,
    forecast: &Json,
) -> Option<Chart> {
    let followed = injury.episode.repairs.get(index)?;
    let facts = Facts {
        who,
        repair: &followed.repair,
        injured: injury.episode.injured,
        findings: &followed.findings,
        assessment: outlook.assessments.get(index)?.as_ref()?,
        visits: &injury.episode.visits,
        reviews: &outlook.reviews,
        today,
    };
    let scene = scene(&facts);
    let (svg, pdf) = (svg::svg(&scene), pdf::pdf(&scene));
    let report = report(injury, index, forecast, &scene, [(SVG, svg.as_bytes()), (PDF, &pdf)]);
    Some(Chart { report, svg, pdf })
}

/// R4 DiagnosticReport: the chart in words, and as `presentedForm`.
fn report(
    injury: &Injury,
    index: usize,
    forecast: &Json,
    scene: &scene::Scene,
    forms: [(&str, &[u8]); 2],
) -> Json {
    let name = injury.procedures.get(index).map_or("", |procedure| procedure.name.as_str());
    let id = identity::id("DiagnosticReport", &[&injury.key, name]);
    let findings = injury.episode.repairs.get(index).map_or(&[][..], |followed| &followed.findings);
    let mut findings: Vec<(Date, &str)> =
        findings.iter().map(|finding| (finding.on, finding.id.as_str())).collect();
    findings.sort_unstable();
    let results: Vec<Json> = findings.iter().map(|(_, id)| reference(id)).collect();
    let form = |(kind, bytes): (&str, &[u8])| {
        json!({
            "contentType": kind,
            "language": "en",
            "data": STANDARD.encode(bytes),
            "size": bytes.len(),
            "title": scene.title,
        })
    };
    let said = Narrative::titled(&scene.title).paragraph(&scene.description).paragraph(CAUTION).build();
    let mut report = derived(
        "DiagnosticReport",
        &id,
        json!({
            "text": said,
            "identifier": identifier("chart", &format!("{}/{}", injury.plan, injury.episode.label(index))),
            "basedOn": [reference(&format!("CarePlan/{}", injury.plan))],
            "status": "partial",
            "code": { "text": "Recovery chart of a nerve repair" },
            "subject": forecast.get("subject").cloned().unwrap_or(Json::Null),
            "effectiveDateTime": forecast.get("occurrenceDateTime").cloned().unwrap_or(Json::Null),
            "result": if results.is_empty() { Json::Null } else { Json::Array(results) },
            "conclusion": format!("{} {CAUTION}", scene.description),
            "presentedForm": forms.map(form),
        }),
    );
    // It is handled with the same care as what it rests on.
    if let (Some(meta), Some(labels)) =
        (report.get_mut("meta").and_then(Json::as_object_mut), forecast.pointer("/meta/security"))
    {
        meta.insert("security".to_owned(), labels.clone());
    }
    if let (Some(meta), Some(tags)) =
        (report.get_mut("meta").and_then(Json::as_object_mut), forecast.pointer("/meta/tag"))
    {
        meta.insert("tag".to_owned(), tags.clone());
    }
    report
}
