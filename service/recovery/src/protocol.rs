//! The parameter set of the forecast, the schedule and the alerts.
//!
//! [`Protocol::default`] is version 1; the same values, with the source of each, are published as data in
//! `profiles/protocol.toml`, and a test keeps the two equal. A clinic may override any of them within [`Protocol::check`].

use crate::milestone::Milestone;
use crate::normal::LogNormal;
use crate::unit::{Date, Days, Mm, MmPerDay, Probability};

/// Everything that may be set, in one value.
#[derive(Clone, Debug, PartialEq)]
pub struct Protocol {
    /// Version, part of every plan.
    pub version: String,
    /// Rate, latency and age.
    pub growth: Growth,
    /// What each technique does to the growth, and how often it arrests.
    pub technique: Techniques,
    /// Arrest of the front.
    pub arrest: Arrest,
    /// Delay of each milestone after arrival, days, in the order of [`Milestone::ALL`].
    pub milestone: [LogNormal; 7],
    /// How far findings are to be trusted.
    pub evidence: Evidence,
    /// How long a muscle waits.
    pub denervation: Denervation,
    /// When to look.
    pub schedule: Schedule,
    /// When to say so.
    pub alert: Alerts,
    /// Path from the coaptation of a distal transfer to its muscle, where the record names none.
    pub donor_path: DonorPath,
}

/// Growth of the front: `ln r ~ N(ln(rate × age factor), rate_log_sd²)`, `ln L ~ N(ln latency, latency_log_sd²)`.
#[derive(Clone, Debug, PartialEq)]
pub struct Growth {
    /// Rate in mm a day.
    pub rate: LogNormal,
    /// Latency in days before axons cross the suture line.
    pub latency: LogNormal,
    /// Rate factor by age at the repair; the first row whose `below_years` exceeds the age.
    pub age_factor: Vec<AgeFactor>,
}

/// One row of the age table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AgeFactor {
    /// Applies to patients younger than this, in completed years.
    pub below_years: u16,
    /// Factor on the rate.
    pub factor: f64,
}

/// The techniques that start a regeneration of their own.
#[derive(Clone, Debug, PartialEq)]
pub struct Techniques {
    /// Direct coaptation.
    pub direct_coaptation: TechniqueFactors,
    /// Autograft.
    pub autograft: TechniqueFactors,
    /// Processed allograft.
    pub processed_allograft: TechniqueFactors,
    /// Conduit.
    pub conduit: TechniqueFactors,
    /// Nerve transfer.
    pub nerve_transfer: TechniqueFactors,
}

/// What a technique does to the growth.
#[derive(Clone, Debug, PartialEq)]
pub struct TechniqueFactors {
    /// Rate factor `φ` inside the graft.
    pub graft: f64,
    /// Rate factor `ψ` beyond it.
    pub beyond: f64,
    /// Pause `δ` at the distal coaptation.
    pub second_coaptation: Days,
    /// Prior chance of arrest by gap; the first row whose `below` exceeds the gap.
    pub arrest: Vec<ArrestRow>,
}

/// One row of a technique's arrest table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ArrestRow {
    /// Applies to gaps shorter than this.
    pub below: Mm,
    /// Prior chance `π`.
    pub probability: Probability,
}

impl TechniqueFactors {
    /// Prior chance of arrest for a gap; beyond the last row, that of the last row.
    pub fn arrest(&self, gap: Mm) -> Probability {
        let row = self.arrest.iter().find(|row| gap < row.below).or(self.arrest.last());
        row.map_or(Probability(0.0), |row| row.probability)
    }
}

/// Arrest of the front.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arrest {
    /// An arrested front stops evenly within `[0, max(gap, this)]`.
    pub spread_min: Mm,
    /// Prior chance of arrest of a nerve transfer to a muscle of the common fibular nerve.
    pub fibular_transfer: Probability,
}

/// How far findings are to be trusted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evidence {
    /// Standard deviation of a Tinel distance, arm.
    pub tinel_sd: Mm,
    /// The same, leg.
    pub tinel_sd_lower_limb: Mm,
    /// The same on a nerve without sensory fibres, where the sign is weak.
    pub tinel_sd_motor_only: Mm,
    /// Chance that a sign is seen that is not there (trick movement).
    pub false_positive: Probability,
    /// Chance that a sign that is there is not seen.
    pub false_negative: Probability,
    /// A Tinel sign beyond the end of the nerve by more than this many standard deviations cannot be.
    pub tinel_beyond_end_sd: f64,
    /// A motor grade may fall by fewer than this many grades before it is queried.
    pub grade_fall: u8,
}

/// Days from injury to the arrival of axons after which a muscle is not expected to recover.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Denervation {
    /// Most muscles.
    pub limit: Days,
    /// From here on recovery is expected to be poorer.
    pub caution: Days,
    /// Hand intrinsics and muscles of the common fibular nerve.
    pub distal_limit: Days,
}

/// When to look. All spans in days after the operation unless said otherwise.
#[derive(Clone, Debug, PartialEq)]
pub struct Schedule {
    /// Wound check, first and last day.
    pub wound: [i32; 2],
    /// Baseline examination.
    pub baseline: [i32; 2],
    /// Outcome examination.
    pub outcome: [i32; 2],
    /// Longest time between reviews in the first year.
    pub spacing_first_year: i32,
    /// Longest time between reviews after it.
    pub spacing_second_year: i32,
    /// Length of the first year.
    pub first_year: i32,
    /// A decision is due between these two spans before a last useful date.
    pub decision_before_last_date: [i32; 2],
    /// Reviews after a tendon transfer.
    pub rehabilitation: Vec<[i32; 2]>,
    /// A review that was due before the repair was known here is due within this span.
    pub catch_up: i32,
    /// Clinic days, Monday first.
    pub clinic_weekdays: [bool; 7],
    /// Dates on which the clinic is closed.
    pub closed: Vec<Date>,
}

/// When to say so.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Alerts {
    /// Days before a window opens without a booking.
    pub unbooked_before: i32,
    /// Days after a window closed.
    pub overdue_grace: i32,
    /// Chance of arrest that raises `front-static`.
    pub arrest_probability: Probability,
    /// Chance of arrest below which it clears.
    pub arrest_probability_clear: Probability,
    /// A Tinel front that moves less than this over `static_over` stands still.
    pub static_advance: Mm,
    /// The span for `static_advance`.
    pub static_over: i32,
    /// Chance in time below which `reach-in-doubt` is raised.
    pub in_time_probability: Probability,
    /// Chance in time above which it clears.
    pub in_time_probability_clear: Probability,
    /// Days before a last useful date.
    pub salvage_notice: i32,
    /// Days without an answer to an alert of high severity.
    pub unanswered: i32,
}

/// Path of a distal transfer, where the record names none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DonorPath {
    /// Most muscles.
    pub default: Mm,
    /// Intrinsics of the hand.
    pub hand_intrinsics: Mm,
}

impl Protocol {
    /// Delay of `milestone` after the arrival of axons, days.
    pub fn delay(&self, milestone: Milestone) -> LogNormal {
        self.milestone[milestone as usize]
    }

    /// Median growth rate at an age in completed years; unknown age counts as 20 to 39.
    pub fn rate(&self, age_years: Option<u16>) -> LogNormal {
        let age = age_years.unwrap_or(30);
        let row = self.growth.age_factor.iter().find(|row| age < row.below_years);
        let factor = row.or(self.growth.age_factor.last()).map_or(1.0, |row| row.factor);
        LogNormal { median: self.growth.rate.median * factor, ..self.growth.rate }
    }

    /// Median rate for display.
    pub fn median_rate(&self) -> MmPerDay {
        MmPerDay(self.growth.rate.median)
    }

    /// What is wrong with this parameter set, one sentence a parameter; empty if nothing is.
    pub fn check(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        let mut within = |name: &str, value: f64, low: f64, high: f64| {
            if !(low..=high).contains(&value) {
                wrong.push(format!("{name} is {value}; give a value from {low} to {high}"));
            }
        };
        self.check_growth(&mut within);
        self.check_evidence(&mut within);
        self.check_times(&mut within);
        if !self.schedule.clinic_weekdays.contains(&true) {
            wrong.push("schedule.clinic_weekdays is empty; name at least one day".to_owned());
        }
        wrong
    }

    fn check_growth(&self, within: &mut impl FnMut(&str, f64, f64, f64)) {
        within("growth.rate_mm_per_day", self.growth.rate.median, 0.2, 5.0);
        within("growth.rate_log_sd", self.growth.rate.log_sd, 0.05, 1.0);
        within("growth.latency_days", self.growth.latency.median, 1.0, 120.0);
        within("growth.latency_log_sd", self.growth.latency.log_sd, 0.05, 1.0);
        for row in &self.growth.age_factor {
            within("growth.age_factor.factor", row.factor, 0.2, 3.0);
        }
        let t = &self.technique;
        let all = [
            ("direct-coaptation", &t.direct_coaptation),
            ("autograft", &t.autograft),
            ("processed-allograft", &t.processed_allograft),
            ("conduit", &t.conduit),
            ("nerve-transfer", &t.nerve_transfer),
        ];
        for (name, factors) in all {
            within(&format!("technique.{name}.graft_factor"), factors.graft, 0.1, 2.0);
            within(&format!("technique.{name}.beyond_factor"), factors.beyond, 0.1, 2.0);
            within(
                &format!("technique.{name}.second_coaptation_days"),
                factors.second_coaptation.0,
                0.0,
                180.0,
            );
            for row in &factors.arrest {
                within(&format!("technique.{name}.arrest"), row.probability.0, 0.001, 0.99);
            }
        }
        within("arrest.spread_min_mm", self.arrest.spread_min.0, 1.0, 50.0);
        within("arrest.fibular_transfer", self.arrest.fibular_transfer.0, 0.001, 0.99);
        for milestone in Milestone::ALL {
            let delay = self.delay(milestone);
            within(&format!("milestone.{}.days", milestone.code()), delay.median, 1.0, 1500.0);
            within(&format!("milestone.{}.log_sd", milestone.code()), delay.log_sd, 0.05, 1.5);
        }
    }

    fn check_evidence(&self, within: &mut impl FnMut(&str, f64, f64, f64)) {
        let evidence = &self.evidence;
        within("evidence.tinel_sd_mm", evidence.tinel_sd.0, 2.0, 100.0);
        within("evidence.tinel_sd_lower_limb_mm", evidence.tinel_sd_lower_limb.0, 2.0, 100.0);
        within("evidence.tinel_sd_motor_only_mm", evidence.tinel_sd_motor_only.0, 2.0, 200.0);
        within("evidence.false_positive", evidence.false_positive.0, 0.001, 0.4);
        within("evidence.false_negative", evidence.false_negative.0, 0.001, 0.4);
        within("evidence.tinel_beyond_end_sd", evidence.tinel_beyond_end_sd, 1.0, 10.0);
        within("evidence.grade_fall", f64::from(evidence.grade_fall), 1.0, 5.0);
        within("denervation.limit_days", self.denervation.limit.0, 90.0, 1500.0);
        within("denervation.caution_days", self.denervation.caution.0, 30.0, 1500.0);
        within("denervation.distal_limit_days", self.denervation.distal_limit.0, 90.0, 1500.0);
        within("donor_path_mm.default", self.donor_path.default.0, 1.0, 500.0);
        within("donor_path_mm.intrinsics-of-the-hand", self.donor_path.hand_intrinsics.0, 1.0, 500.0);
    }

    fn check_times(&self, within: &mut impl FnMut(&str, f64, f64, f64)) {
        let s = &self.schedule;
        let named = [("wound", s.wound), ("baseline", s.baseline), ("outcome", s.outcome)];
        for (name, [first, last]) in
            named.into_iter().chain(s.rehabilitation.iter().map(|days| ("rehabilitation", *days)))
        {
            within(&format!("schedule.{name} first day"), f64::from(first), 0.0, 1500.0);
            within(&format!("schedule.{name} last day"), f64::from(last), f64::from(first), 1500.0);
        }
        within("schedule.spacing_first_year_days", f64::from(s.spacing_first_year), 14.0, 366.0);
        let year = f64::from(s.spacing_first_year);
        within("schedule.spacing_second_year_days", f64::from(s.spacing_second_year), year, 732.0);
        within("schedule.first_year_days", f64::from(s.first_year), 30.0, 1500.0);
        let [early, late] = s.decision_before_last_date;
        within("schedule.decision_before_last_date_days last", f64::from(late), 0.0, 365.0);
        within("schedule.decision_before_last_date_days first", f64::from(early), f64::from(late), 365.0);
        within("schedule.catch_up_days", f64::from(s.catch_up), 1.0, 90.0);
        let a = &self.alert;
        within("alert.unbooked_before_days", f64::from(a.unbooked_before), 0.0, 90.0);
        within("alert.overdue_grace_days", f64::from(a.overdue_grace), 0.0, 90.0);
        within("alert.arrest_probability", a.arrest_probability.0, 0.1, 0.999);
        within("alert.arrest_probability_clear", a.arrest_probability_clear.0, 0.01, a.arrest_probability.0);
        within("alert.static_advance_mm", a.static_advance.0, 1.0, 100.0);
        within("alert.static_over_days", f64::from(a.static_over), 14.0, 365.0);
        within("alert.in_time_probability", a.in_time_probability.0, 0.01, 0.99);
        within(
            "alert.in_time_probability_clear",
            a.in_time_probability_clear.0,
            a.in_time_probability.0,
            0.999,
        );
        within("alert.salvage_notice_days", f64::from(a.salvage_notice), 1.0, 365.0);
        within("alert.unanswered_days", f64::from(a.unanswered), 1.0, 90.0);
    }
}

/// A median and the standard deviation of its logarithm.
const fn log_normal(median: f64, log_sd: f64) -> LogNormal {
    LogNormal { median, log_sd }
}

/// The factors of one technique.
fn factors(graft: f64, beyond: f64, pause: f64, arrest: &[(f64, f64)]) -> TechniqueFactors {
    let row = |&(below, probability): &(f64, f64)| ArrestRow {
        below: Mm(below),
        probability: Probability(probability),
    };
    TechniqueFactors {
        graft,
        beyond,
        second_coaptation: Days(pause),
        arrest: arrest.iter().map(row).collect(),
    }
}

impl Default for Protocol {
    /// Version 1. The source of every value is in `profiles/protocol.toml`.
    fn default() -> Self {
        let age = |below_years, factor| AgeFactor { below_years, factor };
        Self {
            version: "1".to_owned(),
            growth: Growth {
                rate: log_normal(1.3, 0.30),
                latency: log_normal(28.0, 0.35),
                age_factor: vec![age(12, 1.25), age(20, 1.10), age(40, 1.00), age(60, 0.90), age(200, 0.80)],
            },
            technique: Techniques {
                direct_coaptation: factors(1.0, 1.0, 0.0, &[(1000.0, 0.10)]),
                autograft: factors(0.85, 1.0, 14.0, &[(30.0, 0.12), (50.0, 0.18), (1000.0, 0.30)]),
                processed_allograft: factors(0.60, 0.85, 28.0, &[(30.0, 0.12), (50.0, 0.20), (1000.0, 0.31)]),
                conduit: factors(0.60, 0.85, 28.0, &[(30.0, 0.25), (50.0, 0.50), (1000.0, 0.70)]),
                nerve_transfer: factors(1.0, 1.0, 0.0, &[(1000.0, 0.10)]),
            },
            arrest: Arrest { spread_min: Mm(10.0), fibular_transfer: Probability(0.25) },
            milestone: [
                log_normal(28.0, 0.35),
                log_normal(60.0, 0.40),
                log_normal(120.0, 0.40),
                log_normal(300.0, 0.45),
                log_normal(14.0, 0.50),
                log_normal(75.0, 0.50),
                log_normal(365.0, 0.60),
            ],
            evidence: Evidence {
                tinel_sd: Mm(12.0),
                tinel_sd_lower_limb: Mm(18.0),
                tinel_sd_motor_only: Mm(40.0),
                false_positive: Probability(0.02),
                false_negative: Probability(0.10),
                tinel_beyond_end_sd: 3.0,
                grade_fall: 2,
            },
            denervation: Denervation { limit: Days(540.0), caution: Days(365.0), distal_limit: Days(365.0) },
            schedule: Schedule {
                wound: [10, 16],
                baseline: [35, 49],
                outcome: [700, 760],
                spacing_first_year: 91,
                spacing_second_year: 182,
                first_year: 365,
                decision_before_last_date: [56, 14],
                rehabilitation: vec![[28, 49], [77, 98]],
                catch_up: 14,
                clinic_weekdays: [true, true, true, true, true, false, false],
                closed: Vec::new(),
            },
            alert: Alerts {
                unbooked_before: 14,
                overdue_grace: 7,
                arrest_probability: Probability(0.80),
                arrest_probability_clear: Probability(0.60),
                static_advance: Mm(10.0),
                static_over: 84,
                in_time_probability: Probability(0.50),
                in_time_probability_clear: Probability(0.60),
                salvage_notice: 60,
                unanswered: 14,
            },
            donor_path: DonorPath { default: Mm(60.0), hand_intrinsics: Mm(90.0) },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn arrest_takes_the_first_row_above_the_gap() {
        let autograft = &Protocol::default().technique.autograft;
        for (gap, expected) in [(29.9, 0.12), (30.0, 0.18), (49.9, 0.18), (50.0, 0.30), (5000.0, 0.30)] {
            assert_eq!(autograft.arrest(Mm(gap)), Probability(expected));
        }
    }

    #[test]
    fn version_1_is_within_its_own_bounds_and_a_wild_value_is_named() {
        let mut protocol = Protocol::default();
        assert_eq!(protocol.check(), Vec::<String>::new());
        protocol.growth.rate.median = f64::NAN;
        protocol.alert.arrest_probability_clear = Probability(0.9);
        let wrong = protocol.check();
        assert_eq!(wrong.len(), 2, "{wrong:?}");
        assert!(wrong[0].contains("growth.rate_mm_per_day"));
    }
}
