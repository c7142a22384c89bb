//! Thigh, leg and foot.
//!
//! The leg is 320 mm from fibular head to lateral malleolus in a straight line (Yi 2017, 110 legs: SD 19; and 99.8 mm is
//! 31.7 % of the fibula in another study, which makes 315). Along the nerves, round the fibular neck and behind the
//! malleolus, the table takes 350 mm to the ankle.

use super::Basis::{Derived, Estimate, Memory, Published};
use super::{Axis, Branch, Landmark, LandmarkPosition, Nerve, Structure};
use super::{at, level, origin, placed};

const BY_ESTIMATE: &str = "estimate";
const ANKLE: &str = "estimate along the nerve; 320 mm in a straight line (Yi 2017, n = 110)";

const FIBULAR_HEAD: LandmarkPosition = origin(Landmark::FibularHead);
const FIBULAR_NECK: LandmarkPosition =
    placed(Landmark::FibularNeck, 20.0, Memory, "common knowledge: 15 to 30 mm");
const POPLITEAL_CREASE: LandmarkPosition =
    placed(Landmark::PoplitealCrease, -15.0, Estimate, "estimate: the level of the knee joint");
const ANKLE_CREASE: LandmarkPosition = placed(Landmark::AnkleCrease, 350.0, Estimate, ANKLE);

// Common fibular nerve, from the tip of the fibular head.
//
// The first branches to tibialis anterior and the long toe extensor leave about the fibular neck.
const TIBIALIS_ANTERIOR: Branch = at(
    Structure::TibialisAnterior,
    42.0,
    (25.0, 70.0),
    Published,
    "Narita 2011 J Phys Ther Sci, 16 legs: thickest branch enters at 42 mm; Yi 2017: first entries at 30 to 43 mm",
);
const FIBULARIS_LONGUS: Branch =
    at(Structure::FibularisLongus, 45.0, (20.0, 80.0), Estimate, "estimate: 20 to 60 mm is common knowledge");
const EDL: Branch = at(
    Structure::ExtensorDigitorumLongus,
    55.0,
    (30.0, 90.0),
    Estimate,
    "estimate: branch leaves about the fibular neck",
);
const FIBULARIS_BREVIS: Branch =
    at(Structure::FibularisBrevis, 110.0, (70.0, 160.0), Estimate, "estimate: beyond fibularis longus");
// Two studies give 74 to 82 mm (n = 13) and 99.8 mm (n = 20) for its motor branch, a third a run of up to 100 mm below the
// neck before the muscle. The first two are where the branch leaves; the entry is taken from the third.
const EHL: Branch = at(
    Structure::ExtensorHallucisLongus,
    120.0,
    (74.0, 160.0),
    Derived,
    "dissection of the fibular neck: runs up to 100 mm below the neck, taken at 20 mm; branch at 74 to 100 mm in two others",
);
const EDB: Branch = at(
    Structure::ExtensorDigitorumBrevis,
    380.0,
    (340.0, 420.0),
    Estimate,
    "estimate: 30 mm beyond the ankle crease",
);
const DORSUM_OF_FOOT: Branch = at(Structure::DorsumOfFoot, 420.0, (370.0, 470.0), Estimate, BY_ESTIMATE);
const FIRST_WEB: Branch = at(Structure::FirstDorsalWebOfFoot, 470.0, (430.0, 510.0), Estimate, BY_ESTIMATE);

const SCIATIC_DIVISION: &str =
    "origin of the common fibular nerve 99.7 mm (89 to 139) proximal to the fibular head, n = 30";
const FIBULAR_DIVISION: &str =
    "origin of the deep fibular nerve 26.4 mm (19 to 38) distal to the fibular head, n = 30";

pub(super) const COMMON_FIBULAR: Axis = Axis {
    landmarks: &[FIBULAR_HEAD, FIBULAR_NECK, POPLITEAL_CREASE],
    branches: &[
        TIBIALIS_ANTERIOR,
        FIBULARIS_LONGUS,
        EDL,
        FIBULARIS_BREVIS,
        EHL,
        EDB,
        DORSUM_OF_FOOT,
        FIRST_WEB,
    ],
    levels: &[
        level(
            Nerve::CommonFibular,
            ("sciatic-division", "division of the sciatic nerve"),
            -99.7,
            (-139.0, -60.0),
            Published,
            SCIATIC_DIVISION,
        ),
        level(
            Nerve::CommonFibular,
            ("fibular-neck", "fibular neck"),
            20.0,
            (15.0, 30.0),
            Memory,
            "common knowledge",
        ),
    ],
};

pub(super) const DEEP_FIBULAR: Axis = Axis {
    landmarks: &[FIBULAR_HEAD, FIBULAR_NECK, ANKLE_CREASE],
    branches: &[TIBIALIS_ANTERIOR, EDL, EHL, EDB, FIRST_WEB],
    levels: &[
        level(
            Nerve::DeepFibular,
            ("origin", "origin from the common fibular nerve"),
            26.4,
            (19.0, 38.0),
            Published,
            FIBULAR_DIVISION,
        ),
        level(Nerve::DeepFibular, ("ankle", "ankle"), 350.0, (320.0, 380.0), Estimate, ANKLE),
    ],
};

pub(super) const SUPERFICIAL_FIBULAR: Axis = Axis {
    landmarks: &[FIBULAR_HEAD, FIBULAR_NECK, ANKLE_CREASE],
    branches: &[FIBULARIS_LONGUS, FIBULARIS_BREVIS, DORSUM_OF_FOOT],
    levels: &[
        level(
            Nerve::SuperficialFibular,
            ("origin", "origin from the common fibular nerve"),
            26.4,
            (19.0, 38.0),
            Published,
            FIBULAR_DIVISION,
        ),
        level(Nerve::SuperficialFibular, ("ankle", "ankle"), 350.0, (320.0, 380.0), Estimate, ANKLE),
    ],
};

// Tibial nerve, on the level of the fibular head. Ranges of the calf muscles are two standard deviations.
const GASTROCNEMIUS_MEDIAL: Branch = at(
    Structure::GastrocnemiusMedial,
    -15.0,
    (-69.0, 39.0),
    Published,
    "Picelli 2019, ultrasound, 25 legs: SD 27; branches leave at -33 mm (Jang 2004)",
);
const GASTROCNEMIUS_LATERAL: Branch = at(
    Structure::GastrocnemiusLateral,
    -9.0,
    (-53.0, 35.0),
    Published,
    "Picelli 2019, ultrasound, 25 legs: SD 22; branches leave at -33 mm (Jang 2004)",
);
const SOLEUS: Branch =
    at(Structure::Soleus, 14.0, (-8.0, 36.0), Published, "Picelli 2019, ultrasound, 25 legs: SD 11");
// Gao 2021 has the middle of the branch at about 50 mm (28 legs), within the range.
const TIBIALIS_POSTERIOR: Branch = at(
    Structure::TibialisPosterior,
    43.0,
    (13.0, 73.0),
    Published,
    "Picelli 2019, ultrasound, 25 legs: SD 15",
);
const FHL: Branch = at(
    Structure::FlexorHallucisLongus,
    140.0,
    (110.0, 180.0),
    Estimate,
    "estimate: 120 to 180 mm is common knowledge",
);
const FDL: Branch = at(
    Structure::FlexorDigitorumLongus,
    150.0,
    (120.0, 190.0),
    Estimate,
    "estimate: beside flexor hallucis longus",
);
const ABDUCTOR_HALLUCIS: Branch = at(
    Structure::AbductorHallucis,
    375.0,
    (340.0, 410.0),
    Estimate,
    "estimate: 25 mm beyond the medial malleolus",
);
const SOLE: Branch = at(Structure::Sole, 500.0, (460.0, 540.0), Estimate, BY_ESTIMATE);

pub(super) const TIBIAL: Axis = Axis {
    landmarks: &[FIBULAR_HEAD, POPLITEAL_CREASE, placed(Landmark::MedialMalleolus, 350.0, Estimate, ANKLE)],
    branches: &[
        GASTROCNEMIUS_MEDIAL,
        GASTROCNEMIUS_LATERAL,
        SOLEUS,
        TIBIALIS_POSTERIOR,
        FHL,
        FDL,
        ABDUCTOR_HALLUCIS,
        SOLE,
    ],
    levels: &[
        level(
            Nerve::Tibial,
            ("sciatic-division", "division of the sciatic nerve"),
            -99.7,
            (-139.0, -60.0),
            Published,
            SCIATIC_DIVISION,
        ),
        level(
            Nerve::Tibial,
            ("popliteal-fossa", "popliteal fossa"),
            -15.0,
            (-60.0, 20.0),
            Estimate,
            BY_ESTIMATE,
        ),
        level(Nerve::Tibial, ("ankle", "medial malleolus"), 350.0, (320.0, 380.0), Estimate, ANKLE),
    ],
};

// Sciatic nerve, on the axis of its two divisions: both are measured from the fibular head.
pub(super) const SCIATIC: Axis = Axis {
    landmarks: &[
        FIBULAR_HEAD,
        placed(
            Landmark::IschialTuberosity,
            -360.0,
            Estimate,
            "estimate from body proportions of an adult of 170 cm",
        ),
        POPLITEAL_CREASE,
    ],
    branches: &[
        at(
            Structure::Hamstrings,
            -240.0,
            (-300.0, -150.0),
            Estimate,
            "estimate: in the upper half of the thigh",
        ),
        GASTROCNEMIUS_MEDIAL,
        GASTROCNEMIUS_LATERAL,
        SOLEUS,
        TIBIALIS_ANTERIOR,
        TIBIALIS_POSTERIOR,
        FIBULARIS_LONGUS,
        EDL,
        FIBULARIS_BREVIS,
        EHL,
        FHL,
        FDL,
        ABDUCTOR_HALLUCIS,
        EDB,
        DORSUM_OF_FOOT,
        FIRST_WEB,
        SOLE,
    ],
    levels: &[
        level(Nerve::Sciatic, ("buttock", "buttock"), -360.0, (-400.0, -320.0), Estimate, BY_ESTIMATE),
        level(Nerve::Sciatic, ("mid-thigh", "mid-thigh"), -200.0, (-240.0, -160.0), Estimate, BY_ESTIMATE),
        level(
            Nerve::Sciatic,
            ("sciatic-division", "division of the sciatic nerve"),
            -99.7,
            (-139.0, -60.0),
            Published,
            SCIATIC_DIVISION,
        ),
    ],
};

// Femoral nerve, from the inguinal ligament. A dissection of 16 thighs gives entries as a share of the way from the
// ligament to the upper edge of the patella, taken as 400 mm. The first branch to each muscle counts.
pub(super) const FEMORAL: Axis = Axis {
    landmarks: &[origin(Landmark::InguinalLigament)],
    branches: &[
        at(
            Structure::RectusFemoris,
            76.0,
            (32.0, 120.0),
            Derived,
            "femoral branches, 16 thighs (Cureus): 0.19 (SD 0.11) of a thigh of 400 mm",
        ),
        at(
            Structure::VastusLateralis,
            104.0,
            (72.0, 136.0),
            Derived,
            "femoral branches, 16 thighs (Cureus): 0.26 (SD 0.08) of a thigh of 400 mm",
        ),
        at(
            Structure::VastusMedialis,
            220.0,
            (196.0, 244.0),
            Derived,
            "femoral branches, 16 thighs (Cureus): 0.55 (SD 0.06) of a thigh of 400 mm",
        ),
        at(
            Structure::MedialLeg,
            520.0,
            (450.0, 600.0),
            Estimate,
            "estimate: 120 mm beyond the patella by the saphenous nerve",
        ),
    ],
    levels: &[
        level(Nerve::Femoral, ("iliac-fossa", "iliac fossa"), -50.0, (-80.0, -20.0), Estimate, BY_ESTIMATE),
        level(Nerve::Femoral, ("groin", "groin"), 0.0, (-10.0, 10.0), Published, "origin of the axis"),
    ],
};

// Sural nerve, from the lateral malleolus: rarely repaired, but the commonest graft.
pub(super) const SURAL: Axis = Axis {
    landmarks: &[origin(Landmark::LateralMalleolus)],
    branches: &[at(Structure::LateralFoot, 80.0, (50.0, 120.0), Estimate, BY_ESTIMATE)],
    levels: &[
        level(Nerve::Sural, ("mid-calf", "mid-calf"), -150.0, (-180.0, -120.0), Estimate, BY_ESTIMATE),
        level(Nerve::Sural, ("ankle", "ankle"), 0.0, (-20.0, 20.0), Published, "origin of the axis"),
    ],
};
