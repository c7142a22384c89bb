//! The recovery chart of one repair: what was expected, what was found, what is still to come, as a picture and in words.
//!
//! A pure function of the facts draws a small [`scene::Scene`]; [`svg`] and [`pdf`] write it down. The same facts on the same
//! day give the same bytes. The picture is drawn when it is asked for. What is stored is R4's DiagnosticReport, written here
//! and nowhere else: the same in words, and in `presentedForm` the address at which the picture is drawn.

mod drawing;
pub mod pdf;
pub mod scene;
mod sheet;
pub mod svg;
mod words;

use crate::Endplate;
use crate::capacity;
use crate::derivation::{Context, bare};
use crate::document::{CAUTION, concept, derived, identifier, refer, reference};
use crate::element::{day, items, text};
use crate::grant::{RECORDS, Right};
use crate::identity;
use crate::intake::{self, Injury};
use crate::object::json;
use crate::operation::{Inputs, cannot};
use crate::plan::Source;
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

/// Where the front was expected to be on a day before any finding: 10th, 50th and 90th percentile.
pub fn expected(assessment: &Assessment, on: Date) -> [Mm; 3] {
    let day = Days(f64::from(on.days_since(assessment.growth_starts_on)));
    assessment.expected.front_quantiles(day, [0.1, 0.5, 0.9])
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
        self.permit_all(Right::Read, &RECORDS)?;
        self.permit(Right::Read, "RiskAssessment")?;
        inputs.only(&["format"])?;
        let stored = self.read("RiskAssessment", id).await?;
        let forecast: Json = endplate_fhir::json::stored(&stored.body);
        let subject = text(&forecast, &["subject", "reference"]).and_then(|to| to.strip_prefix("Patient/"));
        let Some(patient) = subject.filter(|_| is_derived(&forecast)) else {
            let text = "Only a RiskAssessment that this service derived from a repair has a chart.";
            return Err(cannot(Code::BusinessRule, text));
        };
        let (survivor, mut dossier) = self.person(patient).await?;
        dossier.translate(&self.maps().await?.1);
        let kept = self.kept(&dossier).await?;
        let today = day(self.clock.today());
        let intake = intake::read(&dossier, &survivor, today, &self.settings.base);
        let who = who(dossier.resolve(&intake.patient), &survivor);
        let followed = intake.injuries.iter().filter(|injury| !(intake.dead || injury.ended));
        for injury in followed {
            let named = |index: usize| {
                let name = injury.procedures.get(index).map_or("", |procedure| procedure.name.as_str());
                identity::id("RiskAssessment", &[&injury.key, name]) == id
            };
            if let Some(index) = (0..injury.procedures.len()).find(|index| named(*index)) {
                let context = Context { kept: &kept, ..self.context(self.clock.now(), today) };
                let outlook = capacity::outlook(&dossier, injury, &[], &context.of(&dossier, injury));
                let report = identity::id("DiagnosticReport", &report_parts(injury, index));
                let report = dossier.get("DiagnosticReport", &report).map(|entry| bare(&entry.resource));
                return told(injury, index, &outlook, &who, today, report).ok_or_else(over);
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

/// The chart of one repair of an injury; none if nothing is believed of it, or nothing is stored about it.
fn told(
    injury: &Injury,
    index: usize,
    outlook: &Outlook,
    who: &str,
    today: Date,
    report: Option<Json>,
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
    let mut report = report?;
    let form = |(kind, bytes): (&str, &[u8])| {
        json!({
            "contentType": kind,
            "language": "en",
            "data": STANDARD.encode(bytes),
            "size": bytes.len(),
            "title": scene.title.as_str(),
        })
    };
    let forms = [(SVG, svg.as_bytes()), (PDF, pdf.as_slice())].map(form);
    report.as_object_mut()?.insert("presentedForm".to_owned(), json!(forms));
    Some(Chart { report, svg, pdf })
}

fn report_parts(injury: &Injury, index: usize) -> [&str; 2] {
    [&injury.key, injury.procedures.get(index).map_or("", |procedure| procedure.name.as_str())]
}

/// R4 DiagnosticReport of one repair: what is found and expected in words, and where the chart is drawn. It rests on the
/// findings and the forecast alone: neither a day that passes nor a booking changes it.
pub fn report(source: &Source<'_>, index: usize, assessment: &Assessment) -> Json {
    let Some(followed) = source.injury.episode.repairs.get(index) else { return Json::Null };
    let mut findings: Vec<(Date, &str)> = followed.findings.iter().map(|f| (f.on, f.id.as_str())).collect();
    findings.sort_unstable();
    let last = findings.last().map_or(followed.repair.growth_starts_on(), |(on, _)| *on);
    let results: Vec<Json> = findings.iter().map(|(_, id)| reference(id)).collect();
    let parts = report_parts(source.injury, index);
    let forecast = refer("RiskAssessment", &parts);
    let title = words::title(&followed.repair);
    // Relative to the address of the service, as R4 has it of Attachment.url: true wherever the service is moved to.
    let form = |(kind, format): (&str, &str)| {
        json!({
            "contentType": kind,
            "language": "en",
            "url": format!("{forecast}/$chart?format={format}"),
            "title": title.as_str(),
        })
    };
    let forms = [(SVG, "svg"), (PDF, "pdf")].map(form);
    let conclusion = words::conclusion(&followed.repair, &followed.findings, assessment);
    derived(
        "DiagnosticReport",
        &identity::id("DiagnosticReport", &parts),
        json!({
            "text": Narrative::titled(&title).paragraph(&conclusion).paragraph(CAUTION).build(),
            "extension": [{
                "url": "http://hl7.org/fhir/StructureDefinition/diagnosticReport-risk",
                "valueReference": reference(&forecast),
            }],
            "identifier": identifier("chart", &format!("{}/{}", source.injury.plan, source.injury.episode.label(index))),
            "basedOn": [reference(&format!("CarePlan/{}", source.injury.plan))],
            "status": "partial",
            "code": concept("report", "recovery-chart", "recovery chart"),
            "subject": reference(&source.intake.patient),
            "effectiveDateTime": last.to_string(),
            "result": if results.is_empty() { Json::Null } else { Json::Array(results) },
            "conclusion": format!("{conclusion} {CAUTION}"),
            "presentedForm": forms,
        }),
    )
}
