//! Nerves, their branches and territories, and how far along the nerve each lies.
//!
//! Distances are millimetres along the nerve from one landmark of that nerve, distal positive, to the point where axons enter
//! the muscle or reach the territory, as a mean and a range. They come from small anatomical series and vary with the size of
//! the limb, so a path length measured at the operation always wins. Every row names its source and says how it was come by.
//! Neighbours on a nerve swap places between dissections: compare by distance, not by rank.

mod table;

use crate::unit::Mm;
use table::{LEVELS, ROWS};

/// A muscle, or a territory of skin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// A muscle; its place is its motor entry point.
    Muscle,
    /// A skin territory.
    Skin,
}

/// Arm or leg.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Limb {
    /// Arm.
    Upper,
    /// Leg.
    Lower,
}

/// How a distance was come by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Basis {
    /// Read in the source.
    Published,
    /// Computed from figures read in the source.
    Derived,
    /// Recalled, not read again.
    Memory,
    /// Interpolated by us; no source.
    Estimate,
}

/// Makes an enum with a code and a name for each variant.
macro_rules! coded {
    ($(#[$doc:meta])* $name:ident { $($variant:ident = $code:literal, $display:literal;)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $(#[doc = $display] $variant,)* }

        impl $name {
            /// All of them.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// Its code.
            pub fn code(self) -> &'static str {
                match self { $(Self::$variant => $code,)* }
            }

            /// As a person would write it.
            pub fn display(self) -> &'static str {
                match self { $(Self::$variant => $display,)* }
            }

            /// The one with this code.
            pub fn from_code(code: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|one| one.code() == code)
            }
        }
    };
}

coded! {
    /// A nerve of the table. Its code is its code in `CodeSystem/nerve`.
    Nerve {
        Radial = "radial", "radial nerve";
        PosteriorInterosseous = "posterior-interosseous", "posterior interosseous nerve";
        SuperficialRadial = "superficial-radial", "superficial radial nerve";
        Median = "median", "median nerve";
        AnteriorInterosseous = "anterior-interosseous", "anterior interosseous nerve";
        Ulnar = "ulnar", "ulnar nerve";
        DeepUlnar = "deep-ulnar", "deep branch of the ulnar nerve";
        Musculocutaneous = "musculocutaneous", "musculocutaneous nerve";
        Axillary = "axillary", "axillary nerve";
        CommonFibular = "common-fibular", "common fibular nerve";
        DeepFibular = "deep-fibular", "deep fibular nerve";
        SuperficialFibular = "superficial-fibular", "superficial fibular nerve";
        Tibial = "tibial", "tibial nerve";
        Digital = "digital", "proper digital nerve of the hand";
    }
}

coded! {
    /// A landmark from which a level is measured. Its code is its code in `CodeSystem/landmark`.
    Landmark {
        LateralEpicondyle = "lateral-epicondyle", "lateral epicondyle";
        InterepicondylarLine = "interepicondylar-line", "interepicondylar line";
        MedialEpicondyle = "medial-epicondyle", "medial epicondyle";
        Acromion = "acromion", "edge of the acromion";
        WristCrease = "wrist-crease", "distal wrist crease";
        Pisiform = "pisiform", "pisiform";
        FibularHead = "fibular-head", "tip of the fibular head";
        MedialMalleolus = "medial-malleolus", "medial malleolus";
        PalmodigitalCrease = "palmodigital-crease", "palmodigital crease";
    }
}

coded! {
    /// A muscle or skin territory of the table. Its code is its code in `CodeSystem/reinnervation-target`.
    Structure {
        Triceps = "triceps", "triceps";
        Brachioradialis = "brachioradialis", "brachioradialis";
        ExtensorCarpiRadialisLongus = "extensor-carpi-radialis-longus", "extensor carpi radialis longus";
        Supinator = "supinator", "supinator";
        ExtensorCarpiRadialisBrevis = "extensor-carpi-radialis-brevis", "extensor carpi radialis brevis";
        ExtensorDigitorum = "extensor-digitorum", "extensor digitorum";
        ExtensorCarpiUlnaris = "extensor-carpi-ulnaris", "extensor carpi ulnaris";
        ExtensorDigitiMinimi = "extensor-digiti-minimi", "extensor digiti minimi";
        AbductorPollicisLongus = "abductor-pollicis-longus", "abductor pollicis longus";
        ExtensorPollicisLongus = "extensor-pollicis-longus", "extensor pollicis longus";
        ExtensorPollicisBrevis = "extensor-pollicis-brevis", "extensor pollicis brevis";
        ExtensorIndicis = "extensor-indicis", "extensor indicis";
        FirstDorsalWebOfHand = "first-dorsal-web-of-hand", "dorsal skin of the first web of the hand";
        PronatorTeres = "pronator-teres", "pronator teres";
        FlexorCarpiRadialis = "flexor-carpi-radialis", "flexor carpi radialis";
        FlexorDigitorumSuperficialis = "flexor-digitorum-superficialis", "flexor digitorum superficialis";
        FlexorDigitorumProfundusIndex = "flexor-digitorum-profundus-index", "flexor digitorum profundus of the index finger";
        FlexorPollicisLongus = "flexor-pollicis-longus", "flexor pollicis longus";
        PronatorQuadratus = "pronator-quadratus", "pronator quadratus";
        AbductorPollicisBrevis = "abductor-pollicis-brevis", "abductor pollicis brevis";
        ThumbAndIndexPulp = "thumb-and-index-pulp", "pulp of thumb and index finger";
        FlexorCarpiUlnaris = "flexor-carpi-ulnaris", "flexor carpi ulnaris";
        FlexorDigitorumProfundusUlnar = "flexor-digitorum-profundus-ulnar", "flexor digitorum profundus of ring and little finger";
        DorsalUlnarHand = "dorsal-ulnar-hand", "dorsal ulnar skin of the hand";
        AbductorDigitiMinimi = "abductor-digiti-minimi", "abductor digiti minimi";
        FirstDorsalInterosseous = "first-dorsal-interosseous", "first dorsal interosseous";
        LittleFingerPulp = "little-finger-pulp", "pulp of the little finger";
        Biceps = "biceps", "biceps";
        Brachialis = "brachialis", "brachialis";
        LateralForearm = "lateral-forearm", "lateral skin of the forearm";
        TeresMinor = "teres-minor", "teres minor";
        Deltoid = "deltoid", "deltoid";
        LateralShoulder = "lateral-shoulder", "lateral skin of the shoulder";
        TibialisAnterior = "tibialis-anterior", "tibialis anterior";
        FibularisLongus = "fibularis-longus", "fibularis longus";
        ExtensorDigitorumLongus = "extensor-digitorum-longus", "extensor digitorum longus";
        ExtensorHallucisLongus = "extensor-hallucis-longus", "extensor hallucis longus";
        FirstDorsalWebOfFoot = "first-dorsal-web-of-foot", "dorsal skin of the first web of the foot";
        DorsumOfFoot = "dorsum-of-foot", "dorsal skin of the foot";
        GastrocnemiusMedial = "gastrocnemius-medial", "medial gastrocnemius";
        GastrocnemiusLateral = "gastrocnemius-lateral", "lateral gastrocnemius";
        Soleus = "soleus", "soleus";
        TibialisPosterior = "tibialis-posterior", "tibialis posterior";
        FlexorHallucisLongus = "flexor-hallucis-longus", "flexor hallucis longus";
        FlexorDigitorumLongus = "flexor-digitorum-longus", "flexor digitorum longus";
        AbductorHallucis = "abductor-hallucis", "abductor hallucis";
        Sole = "sole", "skin of the sole";
        DigitPulp = "digit-pulp", "pulp of the digit";
    }
}

impl Nerve {
    /// Arm or leg.
    pub fn limb(self) -> Limb {
        match self {
            Self::CommonFibular | Self::DeepFibular | Self::SuperficialFibular | Self::Tibial => Limb::Lower,
            _ => Limb::Upper,
        }
    }

    /// Whether it carries no fibres to skin, so that a Tinel sign along it is weak evidence.
    pub fn is_motor_only(self) -> bool {
        matches!(self, Self::PosteriorInterosseous | Self::AnteriorInterosseous | Self::DeepUlnar)
    }

    /// The landmark from which its distances are measured.
    pub fn landmark(self) -> Landmark {
        match self {
            Self::Radial | Self::PosteriorInterosseous | Self::SuperficialRadial => Landmark::LateralEpicondyle,
            Self::Median | Self::AnteriorInterosseous => Landmark::InterepicondylarLine,
            Self::Ulnar | Self::DeepUlnar => Landmark::MedialEpicondyle,
            Self::Musculocutaneous | Self::Axillary => Landmark::Acromion,
            Self::CommonFibular | Self::DeepFibular | Self::SuperficialFibular | Self::Tibial => Landmark::FibularHead,
            Self::Digital => Landmark::PalmodigitalCrease,
        }
    }
}

impl Structure {
    /// Muscle or skin.
    pub fn kind(self) -> Kind {
        match self {
            Self::FirstDorsalWebOfHand
            | Self::ThumbAndIndexPulp
            | Self::DorsalUlnarHand
            | Self::LittleFingerPulp
            | Self::LateralForearm
            | Self::LateralShoulder
            | Self::FirstDorsalWebOfFoot
            | Self::DorsumOfFoot
            | Self::Sole
            | Self::DigitPulp => Kind::Skin,
            _ => Kind::Muscle,
        }
    }

    /// A small muscle of the hand.
    pub fn is_hand_intrinsic(self) -> bool {
        matches!(self, Self::AbductorPollicisBrevis | Self::AbductorDigitiMinimi | Self::FirstDorsalInterosseous)
    }

    /// Whether the shorter denervation limit applies: hand intrinsics and muscles of the common fibular nerve.
    pub fn is_distal_limit(self) -> bool {
        self.is_hand_intrinsic()
            || matches!(
                self,
                Self::TibialisAnterior
                    | Self::FibularisLongus
                    | Self::ExtensorDigitorumLongus
                    | Self::ExtensorHallucisLongus
            )
    }
}

/// One row of the table: where a structure lies on a nerve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Branch {
    /// The nerves on which it lies: a trunk and those of its branches that carry the axons.
    pub nerves: &'static [Nerve],
    /// The muscle or territory.
    pub structure: Structure,
    /// Mean distance from the nerve's landmark, mm, distal positive.
    pub mm: f64,
    /// Shortest.
    pub low: f64,
    /// Longest.
    pub high: f64,
    /// How the distance was come by.
    pub basis: Basis,
    /// The source, or what the estimate rests on.
    pub source: &'static str,
}

/// A level at which a nerve is commonly repaired, or another landmark on its axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// The nerve.
    pub nerve: Nerve,
    /// What it is called.
    pub name: &'static str,
    /// The landmark that it is, if a level may be measured from there.
    pub landmark: Option<Landmark>,
    /// Distance from the nerve's own landmark, mm, distal positive.
    pub mm: f64,
    /// How the distance was come by.
    pub basis: Basis,
    /// The source.
    pub source: &'static str,
}

/// A structure distal to a repair.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnatomyTarget {
    /// The muscle or territory.
    pub structure: Structure,
    /// Path length from the distal coaptation.
    pub path: Mm,
    /// Shortest.
    pub low: Mm,
    /// Longest.
    pub high: Mm,
    /// How the distance was come by.
    pub basis: Basis,
    /// The source.
    pub source: &'static str,
}

/// Two muscles nearer to each other than this swap places between dissections.
const SWAP_TOLERANCE: Mm = Mm(40.0);

/// The structures of a nerve in order of expected recovery: from proximal to distal.
pub fn branches(nerve: Nerve) -> impl Iterator<Item = &'static Branch> {
    ROWS.iter().filter(move |row| row.nerves.contains(&nerve))
}

/// The levels at which a nerve is commonly repaired, from proximal to distal.
pub fn levels(nerve: Nerve) -> impl Iterator<Item = &'static Level> {
    LEVELS.iter().filter(move |level| level.nerve == nerve)
}

/// A level given from any landmark of a nerve, as a distance from the nerve's own landmark; none if it is not on this nerve.
pub fn position(nerve: Nerve, landmark: Landmark, distance: Mm) -> Option<Mm> {
    if landmark == nerve.landmark() {
        return Some(distance);
    }
    levels(nerve).find(|level| level.landmark == Some(landmark)).map(|level| Mm(level.mm) + distance)
}

/// What lies distal to a coaptation at `position`. Branches that leave above it are not listed: their axons were not cut.
pub fn targets(nerve: Nerve, position: Mm) -> Vec<AnatomyTarget> {
    let distal = branches(nerve).filter(|row| row.mm > position.0);
    distal
        .map(|row| AnatomyTarget {
            structure: row.structure,
            path: Mm(row.mm) - position,
            low: Mm((row.low - position.0).max(0.0)),
            high: Mm(row.high) - position,
            basis: row.basis,
            source: row.source,
        })
        .collect()
}

/// Whether `distal` lies beyond `proximal` on a nerve by more than neighbours are known to swap.
pub fn clearly_distal(nerve: Nerve, proximal: Structure, distal: Structure) -> bool {
    let place = |structure| branches(nerve).find(|row| row.structure == structure).map(|row| row.mm);
    match (place(proximal), place(distal)) {
        (Some(near), Some(far)) => far - near >= SWAP_TOLERANCE.0,
        _ => false,
    }
}
