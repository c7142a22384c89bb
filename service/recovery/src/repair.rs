//! What was done: technique, gap, nerve, targets and dates of one repair.

use crate::anatomy::{Kind, Limb, Nerve, Structure};
use crate::growth::Course;
use crate::normal::LogNormal;
use crate::protocol::{Protocol, TechniqueFactors};
use crate::unit::{Date, DateRange, Days, Mm, Probability};

/// How continuity, or the lost movement, was restored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Technique {
    /// Two nerve ends sutured to each other.
    DirectCoaptation,
    /// A gap bridged by the patient's own nerve.
    Autograft,
    /// A gap bridged by processed donor nerve.
    ProcessedAllograft,
    /// A gap bridged by a tube.
    Conduit,
    /// A healthy branch coapted to the nerve near its target.
    NerveTransfer,
    /// A healthy muscle's tendon moved to do the lost movement: nothing regenerates.
    TendonTransfer,
    /// A nerve freed of scar: the repair it freed keeps its own timeline.
    Neurolysis,
}

impl Technique {
    /// All techniques.
    pub const ALL: [Self; 7] = [
        Self::DirectCoaptation,
        Self::Autograft,
        Self::ProcessedAllograft,
        Self::Conduit,
        Self::NerveTransfer,
        Self::TendonTransfer,
        Self::Neurolysis,
    ];

    /// Its code in `CodeSystem/repair-technique`.
    pub fn code(self) -> &'static str {
        match self {
            Self::DirectCoaptation => "direct-coaptation",
            Self::Autograft => "autograft",
            Self::ProcessedAllograft => "processed-allograft",
            Self::Conduit => "conduit",
            Self::NerveTransfer => "nerve-transfer",
            Self::TendonTransfer => "tendon-transfer",
            Self::Neurolysis => "neurolysis",
        }
    }

    /// As a person would write it.
    pub fn display(self) -> &'static str {
        match self {
            Self::DirectCoaptation => "direct coaptation",
            Self::Autograft => "autograft",
            Self::ProcessedAllograft => "processed allograft",
            Self::Conduit => "conduit",
            Self::NerveTransfer => "nerve transfer",
            Self::TendonTransfer => "tendon transfer",
            Self::Neurolysis => "neurolysis",
        }
    }

    /// The technique of a code.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|technique| technique.code() == code)
    }

    /// Whether it bridges a gap, which must then be recorded.
    pub fn bridges_gap(self) -> bool {
        matches!(self, Self::Autograft | Self::ProcessedAllograft | Self::Conduit)
    }

    /// Whether it starts a regeneration with a timeline of its own.
    pub fn regenerates(self) -> bool {
        !matches!(self, Self::TendonTransfer | Self::Neurolysis)
    }

    /// Its growth factors; none where nothing regenerates.
    fn factors(self, protocol: &Protocol) -> Option<&TechniqueFactors> {
        let techniques = &protocol.technique;
        match self {
            Self::DirectCoaptation => Some(&techniques.direct_coaptation),
            Self::Autograft => Some(&techniques.autograft),
            Self::ProcessedAllograft => Some(&techniques.processed_allograft),
            Self::Conduit => Some(&techniques.conduit),
            Self::NerveTransfer => Some(&techniques.nerve_transfer),
            Self::TendonTransfer | Self::Neurolysis => None,
        }
    }

    /// The way of the axons over a gap by this technique.
    pub fn course(self, gap: Mm, protocol: &Protocol) -> Course {
        match self.factors(protocol) {
            Some(factors) if self.bridges_gap() && gap.0 > 0.0 => Course {
                gap,
                graft_factor: factors.graft,
                second_coaptation: factors.second_coaptation,
                beyond_factor: factors.beyond,
            },
            Some(factors) => {
                Course { graft_factor: factors.graft, beyond_factor: factors.beyond, ..Course::DIRECT }
            }
            None => Course::DIRECT,
        }
    }
}

/// Left or right.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Side {
    /// Left.
    Left,
    /// Right.
    Right,
}

impl Side {
    /// `left` or `right`.
    pub fn code(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
        }
    }
}

/// The nerve of a repair: one of the anatomy table, or any other by name, which then needs measured targets.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum RepairedNerve {
    /// In the table.
    Known(Nerve),
    /// Not in the table.
    Named(String),
}

impl RepairedNerve {
    /// As a person would write it.
    pub fn display(&self) -> &str {
        match self {
            Self::Known(nerve) => nerve.display(),
            Self::Named(name) => name,
        }
    }
}

/// A muscle or skin territory: one of the anatomy table, or any other by name.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Place {
    /// In the table.
    Known(Structure),
    /// Not in the table.
    Named {
        /// As recorded.
        text: String,
        /// Whether it is a muscle or skin.
        kind: Kind,
    },
}

impl Place {
    /// Muscle or skin.
    pub fn kind(&self) -> Kind {
        match self {
            Self::Known(structure) => structure.kind(),
            Self::Named { kind, .. } => *kind,
        }
    }

    /// As a person would write it.
    pub fn display(&self) -> &str {
        match self {
            Self::Known(structure) => structure.display(),
            Self::Named { text, .. } => text,
        }
    }

    /// A key for ids: the code, or the text as recorded.
    pub fn key(&self) -> &str {
        match self {
            Self::Known(structure) => structure.code(),
            Self::Named { text, .. } => text,
        }
    }
}

/// Where a path length comes from. A measured one always wins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PathBasis {
    /// Measured at the operation.
    Measured,
    /// From the anatomy table, with its range and source.
    Table {
        /// Shortest.
        low: Mm,
        /// Longest.
        high: Mm,
        /// The published source or "estimate".
        source: &'static str,
    },
}

/// What the axons should reach.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// The muscle or territory.
    pub place: Place,
    /// Path length `d` from the distal coaptation, mm along the nerve.
    pub path: Mm,
    /// Where `path` comes from.
    pub basis: PathBasis,
}

/// One nerve continuity restored in one operation.
#[derive(Clone, Debug, PartialEq)]
pub struct Repair {
    /// The caller's name for it; opaque here.
    pub id: String,
    /// The nerve.
    pub nerve: RepairedNerve,
    /// The side, where recorded.
    pub side: Option<Side>,
    /// The technique.
    pub technique: Technique,
    /// Graft length `g`; 0 without a graft.
    pub gap: Mm,
    /// Date of the operation.
    pub operated: DateRange,
    /// Age at the operation in completed years, the higher where not sure; none if unknown.
    pub age_years: Option<u16>,
    /// What the axons should reach.
    pub targets: Vec<Target>,
    /// Path of a distal transfer to a muscle, where the record names one.
    pub donor_paths: Vec<(Place, Mm)>,
}

impl Repair {
    /// The growth clock starts on the latest day the operation may have been.
    pub fn growth_starts_on(&self) -> Date {
        self.operated.latest
    }

    /// The way of its axons.
    pub fn course(&self, protocol: &Protocol) -> Course {
        self.technique.course(self.gap, protocol)
    }

    /// Position of a target, mm from the proximal coaptation: `g + d`.
    pub fn position(&self, target: &Target) -> Mm {
        self.course_gap() + target.path
    }

    /// End of the path of the furthest target.
    pub fn end(&self) -> Mm {
        let furthest = self.targets.iter().map(|target| target.path.0).fold(0.0, f64::max);
        self.course_gap() + Mm(furthest)
    }

    fn course_gap(&self) -> Mm {
        if self.technique.bridges_gap() { self.gap } else { Mm(0.0) }
    }

    /// Prior chance of arrest `π`.
    pub fn arrest(&self, protocol: &Protocol) -> Probability {
        let fibular = self.targets.iter().any(|target| is_fibular(&target.place, &self.nerve));
        match self.technique.factors(protocol) {
            Some(_) if self.technique == Technique::NerveTransfer && fibular => {
                protocol.arrest.fibular_transfer
            }
            Some(factors) => factors.arrest(self.gap),
            None => Probability(0.0),
        }
    }

    /// An arrested front stops evenly within `[0, this]`.
    pub fn arrest_spread(&self, protocol: &Protocol) -> Mm {
        Mm(self.course_gap().0.max(protocol.arrest.spread_min.0))
    }

    /// Growth rate of a patient of this age.
    pub fn rate(&self, protocol: &Protocol) -> LogNormal {
        protocol.rate(self.age_years)
    }

    /// Standard deviation of a Tinel distance on this nerve.
    pub fn tinel_sd(&self, protocol: &Protocol) -> Mm {
        let evidence = &protocol.evidence;
        match self.nerve {
            RepairedNerve::Known(nerve) if nerve.is_motor_only() => evidence.tinel_sd_motor_only,
            RepairedNerve::Known(nerve) if nerve.limb() == Limb::Lower => evidence.tinel_sd_lower_limb,
            _ => evidence.tinel_sd,
        }
    }

    /// Denervation limit `W` of a muscle, days from the injury; none for skin, which has no such limit.
    pub fn limit(&self, place: &Place, protocol: &Protocol) -> Option<Days> {
        if place.kind() == Kind::Skin {
            return None;
        }
        let distal = match place {
            Place::Known(structure) => structure.is_distal_limit(),
            Place::Named { .. } => is_fibular(place, &self.nerve),
        };
        Some(if distal { protocol.denervation.distal_limit } else { protocol.denervation.limit })
    }

    /// Path of a distal transfer to `place`: as recorded, else the protocol's default for that muscle.
    pub fn donor_path(&self, place: &Place, protocol: &Protocol) -> (Mm, bool) {
        if let Some((_, path)) = self.donor_paths.iter().find(|(to, _)| to == place) {
            return (*path, true);
        }
        let default = match place {
            Place::Known(structure) if structure.is_hand_intrinsic() => protocol.donor_path.hand_intrinsics,
            _ => protocol.donor_path.default,
        };
        (default, false)
    }
}

/// Whether a place is a muscle of the common fibular nerve: by the table, or because that is the nerve repaired.
fn is_fibular(place: &Place, nerve: &RepairedNerve) -> bool {
    match place {
        Place::Known(structure) => structure.is_distal_limit() && !structure.is_hand_intrinsic(),
        Place::Named { kind, .. } => {
            *kind == Kind::Muscle
                && matches!(
                    nerve,
                    RepairedNerve::Known(
                        Nerve::CommonFibular | Nerve::DeepFibular | Nerve::SuperficialFibular
                    )
                )
        }
    }
}
