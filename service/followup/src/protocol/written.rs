//! A protocol as text, and back: what is kept of every protocol by which a plan was made.

use super::{
    ProtocolError, RawAgeFactor, RawAlert, RawArrest, RawArrestRow, RawDelay, RawDenervation, RawDonorPath,
    RawEvidence, RawGrowth, RawMilestones, RawProtocol, RawSchedule, RawTechnique, RawTechniques, WEEKDAYS,
};
use endplate_recovery::milestone::Milestone;
use endplate_recovery::protocol::{Protocol, TechniqueFactors};

/// The whole parameter set as TOML, in the form of the published one.
pub fn text(protocol: &Protocol) -> String {
    toml::to_string(&RawProtocol::from(protocol)).unwrap_or_default()
}

/// Reads what [`text`] wrote.
///
/// # Errors
/// It is no whole parameter set.
pub fn read(text: &str) -> Result<Protocol, ProtocolError> {
    let raw: RawProtocol =
        toml::from_str(text).map_err(|error| ProtocolError::Unreadable(error.message().to_owned()))?;
    Protocol::try_from(raw)
}

impl From<&Protocol> for RawProtocol {
    fn from(p: &Protocol) -> Self {
        Self {
            version: p.version.clone(),
            growth: RawGrowth {
                rate_mm_per_day: p.growth.rate.median,
                rate_log_sd: p.growth.rate.log_sd,
                latency_days: p.growth.latency.median,
                latency_log_sd: p.growth.latency.log_sd,
                age_factor: p
                    .growth
                    .age_factor
                    .iter()
                    .map(|row| RawAgeFactor { below_years: row.below_years, factor: row.factor })
                    .collect(),
            },
            technique: RawTechniques {
                direct_coaptation: (&p.technique.direct_coaptation).into(),
                autograft: (&p.technique.autograft).into(),
                processed_allograft: (&p.technique.processed_allograft).into(),
                conduit: (&p.technique.conduit).into(),
                nerve_transfer: (&p.technique.nerve_transfer).into(),
            },
            arrest: RawArrest {
                spread_min_mm: p.arrest.spread_min.0,
                fibular_transfer: p.arrest.fibular_transfer.0,
            },
            milestone: milestones(p),
            evidence: RawEvidence {
                tinel_sd_mm: p.evidence.tinel_sd.0,
                tinel_sd_lower_limb_mm: p.evidence.tinel_sd_lower_limb.0,
                tinel_sd_motor_only_mm: p.evidence.tinel_sd_motor_only.0,
                false_positive: p.evidence.false_positive.0,
                false_negative: p.evidence.false_negative.0,
                tinel_beyond_end_sd: p.evidence.tinel_beyond_end_sd,
                grade_fall: p.evidence.grade_fall,
            },
            denervation: RawDenervation {
                limit_days: p.denervation.limit.0,
                caution_days: p.denervation.caution.0,
                distal_limit_days: p.denervation.distal_limit.0,
            },
            schedule: schedule(p),
            alert: alert(p),
            donor_path_mm: RawDonorPath {
                default: p.donor_path.default.0,
                intrinsics_of_the_hand: p.donor_path.hand_intrinsics.0,
            },
        }
    }
}

impl From<&TechniqueFactors> for RawTechnique {
    fn from(factors: &TechniqueFactors) -> Self {
        let arrest = factors.arrest.iter();
        Self {
            graft_factor: factors.graft,
            beyond_factor: factors.beyond,
            second_coaptation_days: factors.second_coaptation.0,
            arrest: arrest
                .map(|row| RawArrestRow { below_mm: row.below.0, probability: row.probability.0 })
                .collect(),
        }
    }
}

fn milestones(p: &Protocol) -> RawMilestones {
    let delay = |milestone| {
        let delay = p.delay(milestone);
        RawDelay { days: delay.median, log_sd: delay.log_sd }
    };
    RawMilestones {
        nascent_potentials: delay(Milestone::NascentPotentials),
        first_contraction: delay(Milestone::FirstContraction),
        antigravity: delay(Milestone::Antigravity),
        strong: delay(Milestone::Strong),
        sudomotor_return: delay(Milestone::SudomotorReturn),
        protective_sensation: delay(Milestone::ProtectiveSensation),
        useful_sensation: delay(Milestone::UsefulSensation),
    }
}

fn schedule(p: &Protocol) -> RawSchedule {
    let s = &p.schedule;
    let days = WEEKDAYS.iter().zip(s.clinic_weekdays).filter(|(_, open)| *open);
    RawSchedule {
        wound: s.wound,
        baseline: s.baseline,
        outcome: s.outcome,
        rehabilitation: s.rehabilitation.clone(),
        catch_up_days: s.catch_up,
        spacing_first_year_days: s.spacing_first_year,
        spacing_second_year_days: s.spacing_second_year,
        first_year_days: s.first_year,
        decision_before_last_date_days: s.decision_before_last_date,
        clinic_weekdays: days.map(|(name, _)| (*name).to_owned()).collect(),
        closed_dates: s.closed.iter().map(ToString::to_string).collect(),
    }
}

fn alert(p: &Protocol) -> RawAlert {
    let a = &p.alert;
    RawAlert {
        unbooked_before_days: a.unbooked_before,
        overdue_grace_days: a.overdue_grace,
        arrest_probability: a.arrest_probability.0,
        arrest_probability_clear: a.arrest_probability_clear.0,
        static_advance_mm: a.static_advance.0,
        static_over_days: a.static_over,
        in_time_probability: a.in_time_probability.0,
        in_time_probability_clear: a.in_time_probability_clear.0,
        salvage_notice_days: a.salvage_notice,
        unanswered_days: a.unanswered,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::load;

    #[test]
    fn a_protocol_comes_back_from_its_text_as_it_was() {
        let site = "version = \"x\"\n[growth]\nrate_mm_per_day = 1.05\n[schedule]\nclosed_dates = [\"2026-12-25\"]\nclinic_weekdays = [\"tue\"]";
        for overrides in ["", site] {
            let protocol = load(Some(&toml::from_str(overrides).unwrap())).unwrap();
            assert_eq!(read(&text(&protocol)).unwrap(), protocol);
        }
    }
}
