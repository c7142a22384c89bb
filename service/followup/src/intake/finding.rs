//! Observation -> finding.

use super::example;
use crate::code;
use crate::element::{self, coded, items, text, timing, worded};
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::quantity;
use endplate_recovery::anatomy::{Kind, Nerve, Structure};
use endplate_recovery::assessment::Sign;
use endplate_recovery::milestone::{MotorGrade, SensoryGrade};
use endplate_recovery::repair::Place;
use endplate_recovery::unit::{DateRange, Mm};

/// A finding as recorded, not yet assigned to a repair.
#[derive(Clone, Debug)]
pub struct Read {
    /// `Observation/…`.
    pub reference: String,
    /// When it was made.
    pub on: DateRange,
    /// What was found.
    pub sign: Sign,
    /// The Procedure it names as its focus, as written.
    pub focus: Option<String>,
    /// The nerve it names, for signs of the nerve as a whole.
    pub nerve: Option<NerveName>,
}

/// A nerve as a finding names it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NerveName {
    /// By code.
    Known(Nerve),
    /// By text.
    Named(String),
}

/// The kind of finding; none if the Observation is none of ours.
pub fn kind(observation: &Json) -> Option<&str> {
    observation.get("code").and_then(|concept| coded(concept, "exam-finding"))
}

/// Whether the Observation still counts.
pub fn counts(observation: &Json) -> bool {
    !matches!(text(observation, &["status"]), Some("entered-in-error" | "cancelled"))
}

/// Reads a finding, or says everything that is wrong with it.
///
/// # Errors
/// All problems at once: no date, no place, a value of the wrong kind, unit or range, an unknown code.
pub fn read(observation: &Json, kind: &str) -> Result<Read, Vec<Issue>> {
    let mut reader = Reader { observation, issues: Vec::new() };
    let on = reader.on();
    let sign = reader.sign(kind);
    let nerve = observation.get("bodySite").and_then(|site| match coded(site, "nerve") {
        Some(code) => Nerve::from_code(code).map(NerveName::Known),
        None => worded(site).map(|name| NerveName::Named(name.to_owned())),
    });
    match (on, sign) {
        (Some(on), Some(sign)) if reader.issues.is_empty() => Ok(Read {
            reference: element::reference_of(observation),
            on,
            sign,
            focus: items(observation, "focus")
                .find_map(|focus| text(focus, &["reference"]))
                .map(str::to_owned),
            nerve,
        }),
        _ => Err(reader.issues),
    }
}

struct Reader<'a> {
    observation: &'a Json,
    issues: Vec<Issue>,
}

impl Reader<'_> {
    fn wrong(&mut self, code: Code, expression: impl Into<String>, text: impl Into<String>) {
        let issue = Issue::error(code, expression, text);
        self.issues.push(example::beside(issue, kind(self.observation)));
    }

    fn on(&mut self) -> Option<DateRange> {
        let on = timing(self.observation, "effective");
        if on.is_none() {
            self.wrong(
                Code::Required,
                "Observation.effective",
                "A finding needs the date of the examination: send effectiveDateTime, for example \"2026-06-20\".",
            );
        }
        on
    }

    fn sign(&mut self, kind: &str) -> Option<Sign> {
        match kind {
            "tinel-distance" => self.tinel().map(Sign::Tinel),
            "motor-grade" => {
                let (place, grade) = (self.place(Kind::Muscle), self.motor_grade());
                Some(Sign::Motor(place?, grade?))
            }
            "sensory-grade" => {
                let (place, grade) = (self.place(Kind::Skin), self.sensory_grade());
                Some(Sign::Sensory(place?, grade?))
            }
            "sudomotor-function" => {
                let (place, seen) = (self.place(Kind::Skin), self.truth());
                Some(Sign::Sudomotor(place?, seen?))
            }
            "nascent-potentials" => {
                let (place, seen) = (self.place(Kind::Muscle), self.truth());
                Some(Sign::NascentPotentials(place?, seen?))
            }
            "pain-score" => self.whole(10).map(Sign::Pain),
            _ => {
                self.wrong(
                    Code::CodeInvalid,
                    "Observation.code",
                    format!(
                        "This code is not in {}; use tinel-distance, motor-grade, sensory-grade, sudomotor-function, nascent-potentials or pain-score.",
                        code::system("exam-finding")
                    ),
                );
                None
            }
        }
    }

    fn tinel(&mut self) -> Option<Mm> {
        let Some(quantity) = self.observation.get("valueQuantity") else {
            self.wrong(
                Code::Required,
                "Observation.value",
                "A Tinel distance is a valueQuantity: a UCUM length distal to the proximal coaptation, for example 45 mm.",
            );
            return None;
        };
        match quantity::millimetres(quantity) {
            Ok(mm) if (0.0..=1500.0).contains(&mm) => Some(Mm(mm)),
            Ok(mm) => {
                let text = if mm < 0.0 {
                    "A Tinel distance cannot be negative; it is measured distally from the proximal coaptation."
                } else {
                    "This is longer than any nerve (1500 mm); check the number and its unit."
                };
                self.wrong(Code::Value, "Observation.value", text);
                None
            }
            Err(error) => {
                self.wrong(Code::Value, "Observation.value", error.to_string());
                None
            }
        }
    }

    /// The muscle or territory examined.
    fn place(&mut self, kind: Kind) -> Option<Place> {
        let (what, other) = match kind {
            Kind::Muscle => ("muscle", "territory"),
            Kind::Skin => ("territory", "muscle"),
        };
        let Some(site) = self.observation.get("bodySite") else {
            self.wrong(
                Code::Required,
                "Observation.bodySite",
                format!(
                    "Say which {what} was examined: a code of {}, or text.",
                    code::system("reinnervation-target")
                ),
            );
            return None;
        };
        let Some(code) = coded(site, "reinnervation-target") else {
            return worded(site).map(|text| Place::Named { text: text.to_owned(), kind });
        };
        match Structure::from_code(code) {
            Some(structure) if structure.kind() == kind => Some(Place::Known(structure)),
            Some(_) => {
                self.wrong(
                    Code::Value,
                    "Observation.bodySite",
                    format!("This finding is made at a {what}, and this code is a {other}; correct code or bodySite."),
                );
                None
            }
            None => {
                self.wrong(
                    Code::CodeInvalid,
                    "Observation.bodySite.coding",
                    format!(
                        "This code is not in {}; use one that is, or send the {what} as text.",
                        code::system("reinnervation-target")
                    ),
                );
                None
            }
        }
    }

    fn motor_grade(&mut self) -> Option<MotorGrade> {
        if let Some(concept) = self.observation.get("valueCodeableConcept") {
            let digits = coded(concept, "motor-grade").and_then(|code| code.strip_prefix('M'));
            let grade = digits.and_then(|digit| digit.parse().ok()).and_then(MotorGrade::new);
            if grade.is_none() {
                self.wrong(
                    Code::CodeInvalid,
                    "Observation.value",
                    format!("A motor grade is M0 to M5 of {}.", code::system("motor-grade")),
                );
            }
            return grade;
        }
        self.whole(5).and_then(MotorGrade::new)
    }

    fn sensory_grade(&mut self) -> Option<SensoryGrade> {
        let code =
            self.observation.get("valueCodeableConcept").and_then(|concept| coded(concept, "sensory-grade"));
        let grade = code.and_then(|code| SensoryGrade::ALL.into_iter().find(|grade| grade.code() == code));
        if grade.is_none() {
            let all = SensoryGrade::ALL.map(SensoryGrade::code).join(", ");
            self.wrong(
                Code::CodeInvalid,
                "Observation.value",
                format!(
                    "A sensory grade is a valueCodeableConcept with one of {all} of {}.",
                    code::system("sensory-grade")
                ),
            );
        }
        grade
    }

    fn truth(&mut self) -> Option<bool> {
        let truth = self.observation.get("valueBoolean").and_then(Json::as_bool);
        if truth.is_none() {
            self.wrong(
                Code::Required,
                "Observation.value",
                "Say whether the sign was there: send valueBoolean true or false.",
            );
        }
        truth
    }

    fn whole(&mut self, most: u8) -> Option<u8> {
        let whole =
            self.observation.get("valueInteger").and_then(Json::as_u64).and_then(|n| u8::try_from(n).ok());
        let whole = whole.filter(|n| *n <= most);
        if whole.is_none() {
            self.wrong(Code::Value, "Observation.value", format!("Send valueInteger from 0 to {most}."));
        }
        whole
    }
}
