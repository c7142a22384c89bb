//! Reads the protocol from TOML: the published version 1, overridden where a clinic says so.

use endplate_recovery::milestone::Milestone;
use endplate_recovery::normal::LogNormal;
use endplate_recovery::protocol::{
    AgeFactor, Alerts, Arrest, ArrestRow, Denervation, DonorPath, Evidence, Growth, Protocol, Schedule,
    TechniqueFactors, Techniques,
};
use endplate_recovery::unit::{Date, Days, Mm, Probability};
use serde::{Deserialize, Serialize};
use toml::{Table, Value};
use uuid::Uuid;

pub mod written;

/// The published parameter set, each value with its source.
pub const VERSION_1: &str = include_str!("../../../profiles/protocol.toml");

/// Why a parameter set cannot be used. The text says what to change.
#[derive(Debug, thiserror::Error)]
pub enum ProtocolError {
    /// Not TOML, or a key or type that is not known.
    #[error("the protocol cannot be read: {0}")]
    Unreadable(String),
    /// Values out of bounds.
    #[error("the protocol has values out of bounds: {}", .0.join("; "))]
    OutOfBounds(Vec<String>),
}

/// The protocol in force: version 1 with `overrides` laid over it, key by key.
///
/// The version is part of every plan, so it changes when a parameter does: whoever does not give one of their own gets the
/// published one with `-site.` and eight hexadecimal digits, which are made of what differs and of nothing else.
///
/// # Errors
/// A key that does not exist, a value of the wrong type, or one out of bounds.
pub fn load(overrides: Option<&Table>) -> Result<Protocol, ProtocolError> {
    let unreadable = |error: toml::de::Error| ProtocolError::Unreadable(error.message().to_owned());
    let published: Table = toml::from_str(VERSION_1).map_err(unreadable)?;
    let mut table = published.clone();
    if let Some(overrides) = overrides {
        lay_over(&mut table, overrides);
    }
    if table.get("version") == published.get("version") {
        name_site(&mut table, &published);
    }
    let raw: RawProtocol = table.try_into().map_err(unreadable)?;
    let protocol = Protocol::try_from(raw)?;
    let wrong = protocol.check();
    if wrong.is_empty() { Ok(protocol) } else { Err(ProtocolError::OutOfBounds(wrong)) }
}

/// Gives a table that differs from the published one a version of its own.
fn name_site(table: &mut Table, published: &Table) {
    let mut differing = Vec::new();
    differences(table, published, "", &mut differing);
    let named = table.get_mut("version");
    if let (Some(Value::String(version)), false) = (named, differing.is_empty()) {
        let name = Uuid::new_v5(&Uuid::NAMESPACE_URL, differing.join("\n").as_bytes()).simple().to_string();
        *version = format!("{version}-site.{}", name.get(..8).unwrap_or(&name));
    }
}

/// What differs, as `key = value` in order of the keys; a number is the same with and without a decimal point.
fn differences(table: &Table, published: &Table, path: &str, found: &mut Vec<String>) {
    let mut keys: Vec<&String> = table.keys().collect();
    keys.sort();
    for key in keys {
        match (table.get(key), published.get(key)) {
            (Some(Value::Table(one)), Some(Value::Table(other))) => {
                differences(one, other, &format!("{path}{key}."), found);
            }
            (Some(one), other) => {
                let one = plain(one);
                if other.map(plain).as_ref() != Some(&one) {
                    found.push(format!("{path}{key} = {one}"));
                }
            }
            (None, _) => {}
        }
    }
}

/// A value as text that does not depend on how it was written.
fn plain(value: &Value) -> String {
    match value {
        Value::Integer(number) => format!("{:?}", *number as f64),
        Value::Float(number) => format!("{number:?}"),
        Value::Array(all) => format!("[{}]", all.iter().map(plain).collect::<Vec<_>>().join(", ")),
        Value::Table(members) => {
            let mut all: Vec<String> =
                members.iter().map(|(key, value)| format!("{key} = {}", plain(value))).collect();
            all.sort();
            format!("{{{}}}", all.join(", "))
        }
        other => other.to_string(),
    }
}

const WEEKDAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

fn lay_over(table: &mut Table, overrides: &Table) {
    for (key, value) in overrides {
        match (table.get_mut(key), value) {
            (Some(Value::Table(below)), Value::Table(above)) => lay_over(below, above),
            _ => {
                table.insert(key.clone(), value.clone());
            }
        }
    }
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct RawProtocol {
    version: String,
    growth: RawGrowth,
    technique: RawTechniques,
    arrest: RawArrest,
    milestone: RawMilestones,
    evidence: RawEvidence,
    denervation: RawDenervation,
    schedule: RawSchedule,
    alert: RawAlert,
    donor_path_mm: RawDonorPath,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct RawGrowth {
    rate_mm_per_day: f64,
    rate_log_sd: f64,
    latency_days: f64,
    latency_log_sd: f64,
    age_factor: Vec<RawAgeFactor>,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct RawAgeFactor {
    below_years: u16,
    factor: f64,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RawTechniques {
    direct_coaptation: RawTechnique,
    autograft: RawTechnique,
    processed_allograft: RawTechnique,
    conduit: RawTechnique,
    nerve_transfer: RawTechnique,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct RawTechnique {
    graft_factor: f64,
    beyond_factor: f64,
    second_coaptation_days: f64,
    arrest: Vec<RawArrestRow>,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct RawArrestRow {
    below_mm: f64,
    probability: f64,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct RawArrest {
    spread_min_mm: f64,
    fibular_transfer: f64,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct RawDelay {
    days: f64,
    log_sd: f64,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RawMilestones {
    nascent_potentials: RawDelay,
    first_contraction: RawDelay,
    antigravity: RawDelay,
    strong: RawDelay,
    sudomotor_return: RawDelay,
    protective_sensation: RawDelay,
    useful_sensation: RawDelay,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct RawEvidence {
    tinel_sd_mm: f64,
    tinel_sd_lower_limb_mm: f64,
    tinel_sd_motor_only_mm: f64,
    false_positive: f64,
    false_negative: f64,
    tinel_beyond_end_sd: f64,
    grade_fall: u8,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[allow(clippy::struct_field_names)] // the unit is part of each name
struct RawDenervation {
    limit_days: f64,
    caution_days: f64,
    distal_limit_days: f64,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct RawSchedule {
    wound: [i32; 2],
    baseline: [i32; 2],
    outcome: [i32; 2],
    rehabilitation: Vec<[i32; 2]>,
    catch_up_days: i32,
    spacing_first_year_days: i32,
    spacing_second_year_days: i32,
    first_year_days: i32,
    decision_before_last_date_days: [i32; 2],
    clinic_weekdays: Vec<String>,
    closed_dates: Vec<String>,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct RawAlert {
    unbooked_before_days: i32,
    overdue_grace_days: i32,
    arrest_probability: f64,
    arrest_probability_clear: f64,
    static_advance_mm: f64,
    static_over_days: i32,
    in_time_probability: f64,
    in_time_probability_clear: f64,
    salvage_notice_days: i32,
    unanswered_days: i32,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RawDonorPath {
    default: f64,
    intrinsics_of_the_hand: f64,
}

impl TryFrom<RawProtocol> for Protocol {
    type Error = ProtocolError;

    fn try_from(raw: RawProtocol) -> Result<Self, ProtocolError> {
        Ok(Self {
            version: raw.version,
            growth: raw.growth.into(),
            technique: raw.technique.into(),
            arrest: Arrest {
                spread_min: Mm(raw.arrest.spread_min_mm),
                fibular_transfer: Probability(raw.arrest.fibular_transfer),
            },
            milestone: raw.milestone.in_order(),
            evidence: raw.evidence.into(),
            denervation: Denervation {
                limit: Days(raw.denervation.limit_days),
                caution: Days(raw.denervation.caution_days),
                distal_limit: Days(raw.denervation.distal_limit_days),
            },
            schedule: raw.schedule.try_into()?,
            alert: raw.alert.into(),
            donor_path: DonorPath {
                default: Mm(raw.donor_path_mm.default),
                hand_intrinsics: Mm(raw.donor_path_mm.intrinsics_of_the_hand),
            },
        })
    }
}

impl From<RawGrowth> for Growth {
    fn from(raw: RawGrowth) -> Self {
        let row = |row: RawAgeFactor| AgeFactor { below_years: row.below_years, factor: row.factor };
        Self {
            rate: LogNormal { median: raw.rate_mm_per_day, log_sd: raw.rate_log_sd },
            latency: LogNormal { median: raw.latency_days, log_sd: raw.latency_log_sd },
            age_factor: raw.age_factor.into_iter().map(row).collect(),
        }
    }
}

impl From<RawTechniques> for Techniques {
    fn from(raw: RawTechniques) -> Self {
        Self {
            direct_coaptation: raw.direct_coaptation.into(),
            autograft: raw.autograft.into(),
            processed_allograft: raw.processed_allograft.into(),
            conduit: raw.conduit.into(),
            nerve_transfer: raw.nerve_transfer.into(),
        }
    }
}

impl From<RawTechnique> for TechniqueFactors {
    fn from(raw: RawTechnique) -> Self {
        let row = |row: RawArrestRow| ArrestRow {
            below: Mm(row.below_mm),
            probability: Probability(row.probability),
        };
        Self {
            graft: raw.graft_factor,
            beyond: raw.beyond_factor,
            second_coaptation: Days(raw.second_coaptation_days),
            arrest: raw.arrest.into_iter().map(row).collect(),
        }
    }
}

impl RawMilestones {
    /// In the order of [`Milestone::ALL`].
    fn in_order(self) -> [LogNormal; 7] {
        let delay = |raw: &RawDelay| LogNormal { median: raw.days, log_sd: raw.log_sd };
        Milestone::ALL.map(|milestone| {
            delay(match milestone {
                Milestone::NascentPotentials => &self.nascent_potentials,
                Milestone::FirstContraction => &self.first_contraction,
                Milestone::Antigravity => &self.antigravity,
                Milestone::Strong => &self.strong,
                Milestone::SudomotorReturn => &self.sudomotor_return,
                Milestone::ProtectiveSensation => &self.protective_sensation,
                Milestone::UsefulSensation => &self.useful_sensation,
            })
        })
    }
}

impl From<RawEvidence> for Evidence {
    fn from(raw: RawEvidence) -> Self {
        Self {
            tinel_sd: Mm(raw.tinel_sd_mm),
            tinel_sd_lower_limb: Mm(raw.tinel_sd_lower_limb_mm),
            tinel_sd_motor_only: Mm(raw.tinel_sd_motor_only_mm),
            false_positive: Probability(raw.false_positive),
            false_negative: Probability(raw.false_negative),
            tinel_beyond_end_sd: raw.tinel_beyond_end_sd,
            grade_fall: raw.grade_fall,
        }
    }
}

impl TryFrom<RawSchedule> for Schedule {
    type Error = ProtocolError;

    fn try_from(raw: RawSchedule) -> Result<Self, ProtocolError> {
        let mut clinic_weekdays = [false; 7];
        for name in &raw.clinic_weekdays {
            let Some(day) = WEEKDAYS.iter().position(|weekday| weekday == name) else {
                let allowed = WEEKDAYS.join(", ");
                return Err(ProtocolError::Unreadable(format!("schedule.clinic_weekdays: use {allowed}")));
            };
            clinic_weekdays[day] = true;
        }
        let mut closed = Vec::new();
        for text in &raw.closed_dates {
            let date: jiff::civil::Date = text.parse().map_err(|_| {
                ProtocolError::Unreadable(format!(
                    "schedule.closed_dates: '{text}' is no date; write 2026-12-25"
                ))
            })?;
            closed.push(Date::from_civil(date));
        }
        Ok(Self {
            wound: raw.wound,
            baseline: raw.baseline,
            outcome: raw.outcome,
            spacing_first_year: raw.spacing_first_year_days,
            spacing_second_year: raw.spacing_second_year_days,
            first_year: raw.first_year_days,
            decision_before_last_date: raw.decision_before_last_date_days,
            rehabilitation: raw.rehabilitation,
            catch_up: raw.catch_up_days,
            clinic_weekdays,
            closed,
        })
    }
}

impl From<RawAlert> for Alerts {
    fn from(raw: RawAlert) -> Self {
        Self {
            unbooked_before: raw.unbooked_before_days,
            overdue_grace: raw.overdue_grace_days,
            arrest_probability: Probability(raw.arrest_probability),
            arrest_probability_clear: Probability(raw.arrest_probability_clear),
            static_advance: Mm(raw.static_advance_mm),
            static_over: raw.static_over_days,
            in_time_probability: Probability(raw.in_time_probability),
            in_time_probability_clear: Probability(raw.in_time_probability_clear),
            salvage_notice: raw.salvage_notice_days,
            unanswered: raw.unanswered_days,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_data_and_the_code_are_the_same_version_1() {
        assert_eq!(load(None).unwrap(), Protocol::default());
    }

    #[test]
    fn other_parameters_are_another_version_and_the_same_are_not() {
        let version = |text: &str| load(Some(&toml::from_str(text).unwrap())).unwrap().version;
        let slow = version("[growth]\nrate_mm_per_day = 1.0");
        assert!(slow.starts_with("1-site.") && slow.len() == 15, "{slow}");
        assert_eq!(version("[growth]\nrate_mm_per_day = 1"), slow, "however it is written");
        assert_ne!(version("[growth]\nrate_mm_per_day = 1.1"), slow);
        assert_eq!(version("[growth]\nrate_mm_per_day = 1.3"), "1", "nothing differs");
        assert_eq!(version("version = \"own\"\n[growth]\nrate_mm_per_day = 1.0"), "own");
    }

    #[test]
    fn a_clinic_overrides_one_value_and_a_wrong_one_is_named() {
        let table = |text: &str| toml::from_str::<Table>(text).unwrap();
        let slower = load(Some(&table("version = \"1-slow\"\n[growth]\nrate_mm_per_day = 1.0"))).unwrap();
        assert_eq!(slower.growth.rate, LogNormal { median: 1.0, log_sd: 0.30 });
        assert_eq!(slower.version, "1-slow");
        for (text, named) in [
            ("[growth]\nrate_mm_per_day = 12.0", "growth.rate_mm_per_day"),
            ("[growth]\nrate = 1.0", "rate"),
            ("[schedule]\nclinic_weekdays = [\"monday\"]", "schedule.clinic_weekdays"),
            ("[schedule]\nclosed_dates = [\"25.12.2026\"]", "schedule.closed_dates"),
        ] {
            let error = load(Some(&table(text))).unwrap_err().to_string();
            assert!(error.contains(named), "{error}");
        }
    }
}
