//! Procedure -> repair.

use super::example;
use crate::element::{coded, extensions, items, parts, text, timing, value, worded};
use crate::{code, element};
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::quantity;
use endplate_recovery::anatomy::{self, Kind, Landmark, Nerve, Structure};
use endplate_recovery::repair::{PathBasis, Place, Repair, RepairedNerve, Side, Target, Technique};
use endplate_recovery::unit::{DateRange, Mm};

/// The longest length along a nerve that can be meant, mm: from the spine to the toes of a tall person.
const LENGTH_MAX_MM: f64 = 1500.0;

/// The technique of a Procedure; none if it is no repair.
pub fn technique(procedure: &Json) -> Option<Technique> {
    procedure
        .get("code")
        .and_then(|concept| coded(concept, "repair-technique"))
        .and_then(Technique::from_code)
}

/// Reads a repair, or says everything that is wrong with it.
///
/// # Errors
/// All problems at once: no date, no nerve, a gap missing or negative, neither targets nor level, unknown codes or units.
pub fn read(procedure: &Json, technique: Technique, birth: Option<DateRange>) -> Result<Repair, Vec<Issue>> {
    let mut reader = Reader { procedure, issues: Vec::new() };
    let operated = reader.operated();
    let nerve = reader.nerve();
    let gap = reader.gap(technique);
    let side = reader.side();
    let targets = nerve.as_ref().map(|nerve| reader.targets(technique, nerve)).unwrap_or_default();
    let donor_paths = reader.donor_paths();
    match (operated, nerve) {
        (Some(operated), Some(nerve)) if reader.issues.is_empty() => Ok(Repair {
            id: element::reference_of(procedure),
            nerve,
            side,
            technique,
            gap,
            operated,
            age_years: birth.map(|birth| age(birth, operated)),
            targets,
            donor_paths,
        }),
        _ => Err(reader.issues),
    }
}

/// Age in completed years, the higher where not sure.
fn age(birth: DateRange, operated: DateRange) -> u16 {
    let (born, on) = (birth.earliest.civil(), operated.latest.civil());
    let had_birthday = (on.month(), on.day()) >= (born.month(), born.day());
    u16::try_from(on.year() - born.year() - i16::from(!had_birthday)).unwrap_or(0)
}

/// FHIRPath of one of our extensions on a Procedure.
fn path(name: &str) -> String {
    format!("Procedure.extension('{}')", code::structure(name))
}

struct Reader<'a> {
    procedure: &'a Json,
    issues: Vec<Issue>,
}

impl Reader<'_> {
    fn wrong(&mut self, code: Code, expression: impl Into<String>, text: impl Into<String>) {
        self.issues.push(example::beside(Issue::error(code, expression, text), None));
    }

    fn operated(&mut self) -> Option<DateRange> {
        // An operation that took several days is done when it ends.
        let end = self.procedure.get("performedPeriod").and_then(|period| text(period, &["end"]));
        let operated = end.map_or_else(|| timing(self.procedure, "performed"), element::range);
        let vague = ["performedString", "performedAge", "performedRange"];
        if vague.iter().any(|name| self.procedure.get(name).is_some()) {
            self.wrong(
                Code::Value,
                "Procedure.performed",
                "Nothing can be reckoned from a text, an age or a range: send performedDateTime, for example \"2026-03-14\"; a month or a year will do.",
            );
        } else if operated.is_none() {
            self.wrong(
                Code::Required,
                "Procedure.performed",
                "A repair needs the date of operation: send performedDateTime, for example \"2026-03-14\"; a month or a year will do.",
            );
        }
        operated
    }

    fn nerve(&mut self) -> Option<RepairedNerve> {
        // Other sites, such as the side or the segment, may stand beside the nerve.
        let of_nerve = |site: &&Json| coded(site, "nerve").is_some();
        if items(self.procedure, "bodySite").filter(of_nerve).count() > 1 {
            self.wrong(
                Code::BusinessRule,
                "Procedure.bodySite",
                "Each repaired nerve has its own timeline: send one Procedure for each nerve, all with the same partOf or reasonReference.",
            );
            return None;
        }
        let named = items(self.procedure, "bodySite").find(of_nerve);
        let Some(site) = named.or_else(|| items(self.procedure, "bodySite").next()) else {
            self.wrong(
                Code::Required,
                "Procedure.bodySite",
                format!(
                    "A repair needs its nerve: send one bodySite with a code of {}.",
                    code::system("nerve")
                ),
            );
            return None;
        };
        let Some(code) = coded(site, "nerve") else {
            return worded(site).map(|name| RepairedNerve::Named(name.to_owned()));
        };
        let nerve = Nerve::from_code(code);
        if nerve.is_none() {
            self.wrong(
                Code::CodeInvalid,
                "Procedure.bodySite[0].coding",
                format!(
                    "This nerve code is not known; use one of {}, or send the nerve as text with measured targets.",
                    list(Nerve::ALL.iter().map(|nerve| nerve.code()))
                ),
            );
        }
        nerve.map(RepairedNerve::Known)
    }

    fn side(&mut self) -> Option<Side> {
        let extension = extensions(self.procedure, "laterality").next()?;
        match value(extension).and_then(|value| coded(value, "laterality")) {
            Some("left") => Some(Side::Left),
            Some("right") => Some(Side::Right),
            _ => {
                self.wrong(
                    Code::CodeInvalid,
                    format!("{}.value", path("laterality")),
                    "Laterality is a valueCode: send \"left\" or \"right\".",
                );
                None
            }
        }
    }

    /// The gap; 0 where the technique bridges none.
    fn gap(&mut self, technique: Technique) -> Mm {
        let Some(extension) = extensions(self.procedure, "gap-length").next() else {
            if technique.bridges_gap() {
                self.wrong(
                    Code::Required,
                    path("gap-length"),
                    format!(
                        "A repair by {} needs the gap between the trimmed ends: send the extension gap-length with a valueQuantity, for example 30 mm.",
                        technique.display()
                    ),
                );
            }
            return Mm(0.0);
        };
        let gap = self.length(extension, &path("gap-length"));
        match gap {
            Some(gap) if technique.bridges_gap() && gap.0 <= 0.0 => {
                self.wrong(
                    Code::Value,
                    path("gap-length"),
                    "The gap of a graft or conduit is more than 0 mm.",
                );
                Mm(0.0)
            }
            Some(gap) if technique.bridges_gap() => gap,
            _ => Mm(0.0),
        }
    }

    /// A length in an extension's valueQuantity: not negative, not beyond a human limb.
    fn length(&mut self, extension: &Json, expression: &str) -> Option<Mm> {
        let length = self.signed_length(extension, expression)?;
        if length.0 < 0.0 {
            self.wrong(
                Code::Value,
                format!("{expression}.value"),
                "A length along the nerve cannot be negative; send 0 mm or more.",
            );
            return None;
        }
        Some(length)
    }

    fn signed_length(&mut self, extension: &Json, expression: &str) -> Option<Mm> {
        let Some(quantity) = value(extension) else {
            self.wrong(
                Code::Required,
                format!("{expression}.value"),
                "Send a valueQuantity with a UCUM length, for example 30 mm.",
            );
            return None;
        };
        match quantity::millimetres(quantity) {
            Ok(mm) if mm.abs() <= LENGTH_MAX_MM => Some(Mm(mm)),
            Ok(_) => {
                self.wrong(
                    Code::Value,
                    format!("{expression}.value"),
                    format!(
                        "This is longer than any nerve ({LENGTH_MAX_MM} mm); check the number and its unit."
                    ),
                );
                None
            }
            Err(error) => {
                self.wrong(Code::Value, format!("{expression}.value"), error.to_string());
                None
            }
        }
    }

    /// Measured targets where there are any, else those of the anatomy table distal to the level.
    fn targets(&mut self, technique: Technique, nerve: &RepairedNerve) -> Vec<Target> {
        let named: Vec<&Json> = extensions(self.procedure, "target").collect();
        let from_table = self.table(nerve);
        if named.is_empty() {
            if from_table.is_empty() && technique.regenerates() && self.issues.is_empty() {
                self.no_target(nerve);
            }
            return from_table;
        }
        let mut targets: Vec<Target> = Vec::new();
        for (index, extension) in named.into_iter().enumerate() {
            if let Some(target) = self.target(extension, index, technique, &from_table) {
                if targets.iter().any(|other| other.place == target.place) {
                    self.wrong(
                        Code::Duplicate,
                        format!("{}[{index}]", path("target")),
                        "The same target is named twice; send each structure once.",
                    );
                } else {
                    targets.push(target);
                }
            }
        }
        targets
    }

    fn no_target(&mut self, nerve: &RepairedNerve) {
        let level = extensions(self.procedure, "repair-level").next().is_some();
        let text = match (nerve, level) {
            (RepairedNerve::Named(_), _) => {
                "This nerve is not in the anatomy table, so its targets must be measured: send the extension target with structure and path-length.".to_owned()
            }
            (RepairedNerve::Known(_), true) => {
                "No target of the anatomy table lies distal to this level: check landmark and distance, or send the extension target with structure and path-length.".to_owned()
            }
            (RepairedNerve::Known(_), false) => {
                "A repair needs targets: send either the extension target (structure and measured path-length), or the extension repair-level (landmark and distance) from which the anatomy table yields them.".to_owned()
            }
        };
        self.wrong(Code::Required, path("target"), text);
    }

    /// What the anatomy table says lies distal to the repair's level; nothing without a level.
    fn table(&mut self, nerve: &RepairedNerve) -> Vec<Target> {
        let Some(level) = extensions(self.procedure, "repair-level").next() else { return Vec::new() };
        let expression = path("repair-level");
        let landmark = parts(level, "landmark").next().and_then(value).and_then(|v| coded(v, "landmark"));
        let Some(landmark) = landmark.and_then(Landmark::from_code) else {
            self.wrong(
                Code::CodeInvalid,
                format!("{expression}.extension('landmark').value"),
                format!(
                    "The landmark is one of {}.",
                    list(Landmark::ALL.iter().map(|landmark| landmark.code()))
                ),
            );
            return Vec::new();
        };
        let Some(distance) = parts(level, "distance").next() else {
            self.wrong(
                Code::Required,
                format!("{expression}.extension('distance')"),
                "Send the distance of the distal coaptation from the landmark, distal positive, for example 20 mm.",
            );
            return Vec::new();
        };
        let Some(distance) = self.signed_length(distance, &format!("{expression}.extension('distance')"))
        else {
            return Vec::new();
        };
        let RepairedNerve::Known(nerve) = nerve else { return Vec::new() };
        let Some(position) = anatomy::position(*nerve, landmark, distance) else {
            self.wrong(
                Code::Value,
                format!("{expression}.extension('landmark').value"),
                "This landmark does not lie on this nerve; use one that does, or send measured targets.",
            );
            return Vec::new();
        };
        let target = |row: anatomy::AnatomyTarget| Target {
            place: Place::Known(row.structure),
            path: row.path,
            basis: PathBasis::Table { low: row.low, high: row.high, source: row.source },
        };
        anatomy::targets(*nerve, position).into_iter().map(target).collect()
    }

    fn target(
        &mut self,
        extension: &Json,
        index: usize,
        technique: Technique,
        table: &[Target],
    ) -> Option<Target> {
        let expression = format!("{}[{index}]", path("target"));
        let place = self.structure(extension, &expression)?;
        if let Some(length) = parts(extension, "path-length").next() {
            let length = self.length(length, &format!("{expression}.extension('path-length')"))?;
            return Some(Target { place, path: length, basis: PathBasis::Measured });
        }
        if let Some(known) = table.iter().find(|known| known.place == place) {
            return Some(known.clone());
        }
        if !technique.regenerates() {
            return Some(Target { place, path: Mm(0.0), basis: PathBasis::Measured });
        }
        self.wrong(
            Code::Required,
            format!("{expression}.extension('path-length')"),
            "Send the measured path length from the distal coaptation to this structure, for example 80 mm, or a repair-level from which the anatomy table yields it.",
        );
        None
    }

    /// A structure by code, or by text, which is then taken as a muscle.
    fn structure(&mut self, extension: &Json, expression: &str) -> Option<Place> {
        let structure = parts(extension, "structure").next().and_then(value);
        let Some(structure) = structure else {
            self.wrong(
                Code::Required,
                format!("{expression}.extension('structure')"),
                format!(
                    "Name the muscle or territory: a code of {}, or text.",
                    code::system("reinnervation-target")
                ),
            );
            return None;
        };
        let is_code =
            structure.is_object() || Structure::from_code(structure.as_str().unwrap_or_default()).is_some();
        match coded(structure, "reinnervation-target").filter(|_| is_code) {
            Some(code) => {
                let known = Structure::from_code(code);
                if known.is_none() {
                    self.wrong(
                        Code::CodeInvalid,
                        format!("{expression}.extension('structure').value"),
                        format!(
                            "This code is not in {}; use one that is, or send the structure as text.",
                            code::system("reinnervation-target")
                        ),
                    );
                }
                known.map(Place::Known)
            }
            None => worded(structure).map(|text| Place::Named { text: text.to_owned(), kind: Kind::Muscle }),
        }
    }

    fn donor_paths(&mut self) -> Vec<(Place, Mm)> {
        let named: Vec<&Json> = extensions(self.procedure, "donor-path-length").collect();
        let mut paths = Vec::new();
        for (index, extension) in named.into_iter().enumerate() {
            let expression = format!("{}[{index}]", path("donor-path-length"));
            let Some(place) = self.structure(extension, &expression) else { continue };
            let Some(length) = parts(extension, "path-length").next() else {
                self.wrong(
                    Code::Required,
                    format!("{expression}.extension('path-length')"),
                    "Send the path length from the coaptation of the transfer to this muscle, for example 60 mm.",
                );
                continue;
            };
            if let Some(length) = self.length(length, &format!("{expression}.extension('path-length')")) {
                paths.push((place, length));
            }
        }
        paths
    }
}

/// A list for a message.
fn list<'a>(codes: impl Iterator<Item = &'a str>) -> String {
    codes.collect::<Vec<_>>().join(", ")
}

/// Whether the Procedure still counts: done, and not withdrawn.
pub fn is_done(procedure: &Json) -> bool {
    text(procedure, &["status"]) == Some("completed")
}
