//! Nerves, the muscles and skin they reach, and how far it is.
//!
//! Every nerve has one axis: millimetres along the nerve from one bony landmark, distal positive, in an adult of average
//! size. A row says where the nerve enters a muscle, or where its skin territory lies, with the range that was
//! published or is likely, and where the number comes from. A path length is the difference of two positions. What was
//! measured at the operation always wins over this table.
//!
//! Branch nerves (posterior and anterior interosseous, deep ulnar, deep and superficial fibular and others) keep the axis
//! of their parent, and the parent's rows include theirs.
//!
//! Limits. Most entry distances were never published; two rows in three are estimates between those that were, and say
//! so. The order along a nerve is firmer than the distances. Limb length is not scaled.

mod lower_limb;
mod structure;
mod upper_limb;

pub use structure::{Kind, Structure};

use crate::unit::Mm;

/// A coded enum: its variants, codes and displays in one list, so that none can be forgotten.
macro_rules! coded {
    ($(#[$about:meta])* $name:ident { $($variant:ident, $code:literal, $display:literal;)+ }) => {
        $(#[$about])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name {
            $(#[doc = concat!($display, ".")] $variant,)+
        }

        impl $name {
            /// All of them, in the order of the published code system.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// Its code in the published code system.
            pub fn code(self) -> &'static str {
                match self {
                    $(Self::$variant => $code,)+
                }
            }

            /// As a person would write it.
            pub fn display(self) -> &'static str {
                match self {
                    $(Self::$variant => $display,)+
                }
            }

            /// The one with this code.
            pub fn from_code(code: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|known| known.code() == code)
            }
        }
    };
}
use coded;

/// Arm or leg: the growing front is felt less precisely in the leg.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Limb {
    /// Shoulder to fingers.
    Upper,
    /// Hip to toes.
    Lower,
}

coded! {
    /// A nerve of the table; codes of `CodeSystem/nerve`. Any other nerve is followed by measured targets.
    Nerve {
        Axillary, "axillary", "axillary nerve";
        Musculocutaneous, "musculocutaneous", "musculocutaneous nerve";
        Radial, "radial", "radial nerve";
        PosteriorInterosseous, "posterior-interosseous", "posterior interosseous nerve";
        SuperficialRadial, "superficial-radial", "superficial radial nerve";
        Median, "median", "median nerve";
        AnteriorInterosseous, "anterior-interosseous", "anterior interosseous nerve";
        Ulnar, "ulnar", "ulnar nerve";
        DeepUlnar, "deep-ulnar", "deep branch of the ulnar nerve";
        Digital, "digital", "proper digital nerve of the hand";
        Femoral, "femoral", "femoral nerve";
        Sciatic, "sciatic", "sciatic nerve";
        CommonFibular, "common-fibular", "common fibular nerve";
        DeepFibular, "deep-fibular", "deep fibular nerve";
        SuperficialFibular, "superficial-fibular", "superficial fibular nerve";
        Tibial, "tibial", "tibial nerve";
        Sural, "sural", "sural nerve";
    }
}

coded! {
    /// A landmark that a repair's level is measured from; codes of `CodeSystem/landmark`.
    Landmark {
        Acromion, "acromion", "lateral edge of the acromion";
        CoracoidProcess, "coracoid-process", "tip of the coracoid process";
        QuadrangularSpace, "quadrangular-space", "quadrangular space";
        LateralEpicondyle, "lateral-epicondyle", "lateral epicondyle of the humerus";
        MedialEpicondyle, "medial-epicondyle", "medial epicondyle of the humerus";
        InterepicondylarLine, "interepicondylar-line", "line between the epicondyles of the humerus";
        WristCrease, "wrist-crease", "distal wrist crease";
        Pisiform, "pisiform", "pisiform";
        HookOfHamate, "hook-of-hamate", "hook of the hamate";
        PalmodigitalCrease, "palmodigital-crease", "palmar crease at the base of the digit";
        InguinalLigament, "inguinal-ligament", "inguinal ligament";
        IschialTuberosity, "ischial-tuberosity", "ischial tuberosity";
        PoplitealCrease, "popliteal-crease", "popliteal crease";
        FibularHead, "fibular-head", "tip of the fibular head";
        FibularNeck, "fibular-neck", "neck of the fibula";
        AnkleCrease, "ankle-crease", "anterior crease of the ankle";
        MedialMalleolus, "medial-malleolus", "tip of the medial malleolus";
        LateralMalleolus, "lateral-malleolus", "tip of the lateral malleolus";
    }
}

/// How well a number is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Basis {
    /// Read in the publication named.
    Published,
    /// Computed from numbers read in the publications named.
    Derived,
    /// Placed between published neighbours, or by proportion; no publication gives it.
    Estimate,
    /// Common knowledge of the trade, not verified in a publication.
    Memory,
}

/// Where a nerve enters a muscle, or where its skin territory lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Branch {
    /// The muscle or territory.
    pub structure: Structure,
    /// Position on the nerve's axis, mm from its landmark, distal positive.
    pub mm: f64,
    /// Least position, published or likely, mm.
    pub low: f64,
    /// Greatest position, published or likely, mm.
    pub high: f64,
    /// The most distal position, mm, at which its branch has been found to leave the trunk, where it leaves well before
    /// the muscle: a trunk divided beyond this still has the branch. None where the branch is short, where it is the
    /// nerve's own end, or where no limit is known.
    pub leaves_by: Option<f64>,
    /// How well `mm` is known.
    pub basis: Basis,
    /// Author, year and how the number follows, or "estimate" and why.
    pub source: &'static str,
}

/// A common level of division of a nerve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// A short name, unique for its nerve, such as "mid-humerus".
    pub code: &'static str,
    /// As a person would write it.
    pub display: &'static str,
    /// The nerve.
    pub nerve: Nerve,
    /// Position on the nerve's axis, mm from its landmark, distal positive.
    pub mm: f64,
    /// Least position, mm.
    pub low: f64,
    /// Greatest position, mm.
    pub high: f64,
    /// How well `mm` is known.
    pub basis: Basis,
    /// Author, year and how the number follows, or "estimate".
    pub source: &'static str,
}

/// A landmark's place on the axis of a nerve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LandmarkPosition {
    /// The landmark.
    pub landmark: Landmark,
    /// Position on the nerve's axis, mm, distal positive.
    pub mm: f64,
    /// How well `mm` is known.
    pub basis: Basis,
    /// Author, year and how the number follows, or "estimate".
    pub source: &'static str,
}

/// What a repair at some level should reach, by the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnatomyTarget {
    /// The muscle or territory.
    pub structure: Structure,
    /// Path length from the coaptation, mm along the nerve; not negative.
    pub path: Mm,
    /// Shortest likely path, mm; not negative.
    pub low: Mm,
    /// Longest likely path, mm.
    pub high: Mm,
    /// How well the structure's position is known.
    pub basis: Basis,
    /// Where it comes from.
    pub source: &'static str,
}

/// All the table knows of one nerve. The first landmark is the origin of the axis.
struct Axis {
    landmarks: &'static [LandmarkPosition],
    branches: &'static [Branch],
    levels: &'static [Level],
}

impl Nerve {
    /// The limb it supplies.
    pub fn limb(self) -> Limb {
        match self {
            Self::Axillary
            | Self::Musculocutaneous
            | Self::Radial
            | Self::PosteriorInterosseous
            | Self::SuperficialRadial
            | Self::Median
            | Self::AnteriorInterosseous
            | Self::Ulnar
            | Self::DeepUlnar
            | Self::Digital => Limb::Upper,
            Self::Femoral
            | Self::Sciatic
            | Self::CommonFibular
            | Self::DeepFibular
            | Self::SuperficialFibular
            | Self::Tibial
            | Self::Sural => Limb::Lower,
        }
    }

    /// Whether it carries no skin sensation, so that a Tinel sign over it says little.
    pub fn is_motor_only(self) -> bool {
        matches!(self, Self::PosteriorInterosseous | Self::AnteriorInterosseous | Self::DeepUlnar)
    }

    /// The landmark at the origin of its axis.
    pub fn landmark(self) -> Landmark {
        match self {
            Self::Axillary => Landmark::QuadrangularSpace,
            Self::Musculocutaneous => Landmark::Acromion,
            Self::Radial | Self::PosteriorInterosseous | Self::SuperficialRadial => {
                Landmark::LateralEpicondyle
            }
            Self::Median | Self::AnteriorInterosseous => Landmark::InterepicondylarLine,
            Self::Ulnar | Self::DeepUlnar => Landmark::MedialEpicondyle,
            Self::Digital => Landmark::PalmodigitalCrease,
            Self::Femoral => Landmark::InguinalLigament,
            Self::Sciatic
            | Self::CommonFibular
            | Self::DeepFibular
            | Self::SuperficialFibular
            | Self::Tibial => Landmark::FibularHead,
            Self::Sural => Landmark::LateralMalleolus,
        }
    }

    fn axis(self) -> &'static Axis {
        match self {
            Self::Axillary => &upper_limb::AXILLARY,
            Self::Musculocutaneous => &upper_limb::MUSCULOCUTANEOUS,
            Self::Radial => &upper_limb::RADIAL,
            Self::PosteriorInterosseous => &upper_limb::POSTERIOR_INTEROSSEOUS,
            Self::SuperficialRadial => &upper_limb::SUPERFICIAL_RADIAL,
            Self::Median => &upper_limb::MEDIAN,
            Self::AnteriorInterosseous => &upper_limb::ANTERIOR_INTEROSSEOUS,
            Self::Ulnar => &upper_limb::ULNAR,
            Self::DeepUlnar => &upper_limb::DEEP_ULNAR,
            Self::Digital => &upper_limb::DIGITAL,
            Self::Femoral => &lower_limb::FEMORAL,
            Self::Sciatic => &lower_limb::SCIATIC,
            Self::CommonFibular => &lower_limb::COMMON_FIBULAR,
            Self::DeepFibular => &lower_limb::DEEP_FIBULAR,
            Self::SuperficialFibular => &lower_limb::SUPERFICIAL_FIBULAR,
            Self::Tibial => &lower_limb::TIBIAL,
            Self::Sural => &lower_limb::SURAL,
        }
    }
}

/// The rows of a nerve, proximal to distal: the expected order of recovery.
pub fn branches(nerve: Nerve) -> &'static [Branch] {
    nerve.axis().branches
}

/// The common levels of division of a nerve, proximal to distal.
pub fn levels(nerve: Nerve) -> &'static [Level] {
    nerve.axis().levels
}

/// The landmarks on a nerve's axis; the first is its origin at 0 mm.
pub fn landmarks(nerve: Nerve) -> &'static [LandmarkPosition] {
    nerve.axis().landmarks
}

/// The position on a nerve's axis, mm, of a point `distance` distal to a landmark. None if the landmark does not lie on
/// the nerve, or the distance is not a number.
pub fn position(nerve: Nerve, landmark: Landmark, distance: Mm) -> Option<Mm> {
    let placed = landmarks(nerve).iter().find(|placed| placed.landmark == landmark)?;
    let mm = placed.mm + distance.0;
    mm.is_finite().then_some(Mm(mm))
}

/// What lies distal to a coaptation at `position` on the nerve's axis, nearest first.
///
/// A structure nearer than the coaptation is left out, and so is one whose branch has left the trunk above it: neither
/// was cut off by the division. In doubt it is listed, and the surgeon's own targets overrule.
pub fn targets(nerve: Nerve, position: Mm) -> Vec<AnatomyTarget> {
    let distal = |row: &&Branch| row.mm >= position.0 && row.leaves_by.is_none_or(|mm| mm >= position.0);
    let target = |row: &Branch| AnatomyTarget {
        structure: row.structure,
        path: Mm(row.mm - position.0),
        low: Mm((row.low - position.0).max(0.0)),
        high: Mm(row.high - position.0),
        basis: row.basis,
        source: row.source,
    };
    branches(nerve).iter().filter(distal).map(target).collect()
}

/// The largest distance, mm, between two muscles of the table that published dissections list in opposite orders:
/// supinator and short wrist extensor, and short and long thumb extensor, 15 mm each (Abrams 1997 against Branovacki),
/// and small finger extensor and long thumb abductor, 15 mm (Abrams 1997 against Sawyer 2020).
pub const SWAP_TOLERANCE: Mm = Mm(15.0);

/// Whether, on this nerve, `distal` is a muscle that axons reach after the muscle `proximal` in every patient: further by
/// more than [`SWAP_TOLERANCE`], and with ranges that do not overlap. Neighbours may recover in either order.
pub fn clearly_distal(nerve: Nerve, proximal: Structure, distal: Structure) -> bool {
    let row = |structure: Structure| {
        branches(nerve).iter().find(|row| row.structure == structure && structure.kind() == Kind::Muscle)
    };
    match (row(proximal), row(distal)) {
        (Some(near), Some(far)) => far.mm - near.mm > SWAP_TOLERANCE.0 && far.low > near.high,
        _ => false,
    }
}

const fn at(structure: Structure, mm: f64, range: (f64, f64), basis: Basis, source: &'static str) -> Branch {
    Branch { structure, mm, low: range.0, high: range.1, leaves_by: None, basis, source }
}

const fn leaving_by(leaves_by: f64, branch: Branch) -> Branch {
    Branch { leaves_by: Some(leaves_by), ..branch }
}

const fn origin(landmark: Landmark) -> LandmarkPosition {
    LandmarkPosition { landmark, mm: 0.0, basis: Basis::Published, source: "origin of the axis" }
}

const fn placed(landmark: Landmark, mm: f64, basis: Basis, source: &'static str) -> LandmarkPosition {
    LandmarkPosition { landmark, mm, basis, source }
}

/// A level's code and display.
type Name = (&'static str, &'static str);

const fn level(
    nerve: Nerve,
    name: Name,
    mm: f64,
    range: (f64, f64),
    basis: Basis,
    source: &'static str,
) -> Level {
    Level { code: name.0, display: name.1, nerve, mm, low: range.0, high: range.1, basis, source }
}
