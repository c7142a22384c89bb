//! The signs of recovery and when each is due once axons have arrived.
//!
//! Milestone `m` at target `j` happens at `T = A(g + d_j) + E_m` with `ln E_m ~ N(ln e_m, s_m²)`.

use crate::anatomy::Kind;
use crate::unit::{Date, Days};

/// A sign of recovery at one target, in the order in which the signs are expected there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Milestone {
    /// Muscle: needle EMG shows reinnervation potentials.
    NascentPotentials,
    /// Muscle: M1, a flicker.
    FirstContraction,
    /// Muscle: M3, moves against gravity.
    Antigravity,
    /// Muscle: M4, moves against resistance.
    Strong,
    /// Skin: sweating returns, before useful sensory or motor recovery.
    SudomotorReturn,
    /// Skin: S2 to S3.
    ProtectiveSensation,
    /// Skin: S3+.
    UsefulSensation,
}

impl Milestone {
    /// All milestones: those of a muscle, then those of skin, each in order.
    pub const ALL: [Self; 7] = [
        Self::NascentPotentials,
        Self::FirstContraction,
        Self::Antigravity,
        Self::Strong,
        Self::SudomotorReturn,
        Self::ProtectiveSensation,
        Self::UsefulSensation,
    ];

    /// The milestones of a muscle or of a skin territory, in order.
    pub fn of(kind: Kind) -> &'static [Self] {
        match kind {
            Kind::Muscle => &Self::ALL[..4],
            Kind::Skin => &Self::ALL[4..],
        }
    }

    /// The first sign that an examination without instruments can show: a flicker, or sweat.
    ///
    /// Nascent potentials come earlier but need a needle examination, which no clinic does at every review.
    pub fn first(kind: Kind) -> Self {
        match kind {
            Kind::Muscle => Self::FirstContraction,
            Kind::Skin => Self::SudomotorReturn,
        }
    }

    /// The sign at which a target counts as recovered.
    pub fn end(kind: Kind) -> Self {
        match kind {
            Kind::Muscle => Self::Strong,
            Kind::Skin => Self::UsefulSensation,
        }
    }

    /// Its code in `CodeSystem/milestone`.
    pub fn code(self) -> &'static str {
        match self {
            Self::NascentPotentials => "nascent-potentials",
            Self::FirstContraction => "first-contraction",
            Self::Antigravity => "antigravity",
            Self::Strong => "strong",
            Self::SudomotorReturn => "sudomotor-return",
            Self::ProtectiveSensation => "protective-sensation",
            Self::UsefulSensation => "useful-sensation",
        }
    }

    /// What is seen, as a person would say it.
    pub fn display(self) -> &'static str {
        match self {
            Self::NascentPotentials => "reinnervation potentials on needle EMG",
            Self::FirstContraction => "first contraction (M1)",
            Self::Antigravity => "movement against gravity (M3)",
            Self::Strong => "movement against resistance (M4)",
            Self::SudomotorReturn => "return of sweating",
            Self::ProtectiveSensation => "protective sensation (S2 to S3)",
            Self::UsefulSensation => "useful sensation (S3+)",
        }
    }
}

/// Motor grade of a single muscle, Medical Research Council scale M0 to M5.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct MotorGrade(u8);

impl MotorGrade {
    /// Grades 0 to 5; `None` beyond.
    pub fn new(grade: u8) -> Option<Self> {
        (grade <= 5).then_some(Self(grade))
    }

    /// 0 to 5.
    pub fn value(self) -> u8 {
        self.0
    }

    /// Whether this grade shows `milestone`; `None` if a motor grade says nothing about it.
    pub fn shows(self, milestone: Milestone) -> Option<bool> {
        match milestone {
            Milestone::FirstContraction => Some(self.0 >= 1),
            Milestone::Antigravity => Some(self.0 >= 3),
            Milestone::Strong => Some(self.0 >= 4),
            _ => None,
        }
    }
}

/// Sensory grade of one territory, S0 to S4 with the intermediate grades of Highet's scale as modified by Zachary.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum SensoryGrade {
    /// No sensation.
    S0,
    /// Deep pain.
    S1,
    /// Superficial pain.
    S1Plus,
    /// Superficial pain and some touch.
    S2,
    /// S2 with over-response.
    S2Plus,
    /// Pain and touch without over-response.
    S3,
    /// S3 with localisation; two-point discrimination 7 to 15 mm.
    S3Plus,
    /// Normal.
    S4,
}

impl SensoryGrade {
    /// All grades from none to normal.
    pub const ALL: [Self; 8] =
        [Self::S0, Self::S1, Self::S1Plus, Self::S2, Self::S2Plus, Self::S3, Self::S3Plus, Self::S4];

    /// The grade as written, `S3+`.
    pub fn code(self) -> &'static str {
        match self {
            Self::S0 => "S0",
            Self::S1 => "S1",
            Self::S1Plus => "S1+",
            Self::S2 => "S2",
            Self::S2Plus => "S2+",
            Self::S3 => "S3",
            Self::S3Plus => "S3+",
            Self::S4 => "S4",
        }
    }

    /// Whether this grade shows `milestone`; `None` if a sensory grade says nothing about it.
    pub fn shows(self, milestone: Milestone) -> Option<bool> {
        match milestone {
            Milestone::ProtectiveSensation => Some(self >= Self::S2),
            Milestone::UsefulSensation => Some(self >= Self::S3Plus),
            _ => None,
        }
    }
}

/// The 10th, 50th and 90th percentile of the day of a milestone, in days after the repair.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Percentiles {
    /// One in ten repairs shows the sign by then.
    pub p10: Days,
    /// Half do.
    pub p50: Days,
    /// Nine in ten do.
    pub p90: Days,
}

/// The window of a milestone in the calendar: p10 rounded down, p90 up, the median to the nearest day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// Not before this date in nine of ten repairs.
    pub opens_on: Date,
    /// Half by this date.
    pub median_on: Date,
    /// By this date in nine of ten repairs.
    pub closes_on: Date,
}

impl Percentiles {
    /// As dates, counted from the day of the repair.
    pub fn window(self, repaired_on: Date) -> Window {
        Window {
            opens_on: repaired_on.plus_floor(self.p10),
            median_on: repaired_on.plus_nearest(self.p50),
            closes_on: repaired_on.plus_ceil(self.p90),
        }
    }
}
