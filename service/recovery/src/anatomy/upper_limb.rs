//! Shoulder, arm, forearm and hand.
//!
//! Two scales recur: the forearm is 250 mm from the line between the epicondyles to the distal wrist crease (Canovas
//! 1998: 250, SD 24, range 220 to 290), and the arm 298 mm from acromion to lateral epicondyle (Pacha Vicente 2005: 133.8
//! mm is 45.3 % and 185.3 mm is 61.5 %).

use super::Basis::{Derived, Estimate, Memory, Published};
use super::{Axis, Branch, Landmark, LandmarkPosition, Nerve, Structure};
use super::{at, leaving_by, level, origin, placed};

const BY_ESTIMATE: &str = "estimate";
const BY_ORDER: &str = "estimate between the ends given by Abrams 1997 J Hand Surg, in its order";
const FOREARM: &str = "Canovas 1998: forearm 250 mm, SD 24";
const PISIFORM: &str = "estimate: forearm 250 mm (Canovas 1998) to the wrist crease on the ulnar side";
const HAND_ULNAR: &str = "J Hand Surg Am 2023;48:309.e1";
const PIN_BRANCHES: &str = "posterior interosseous branching study, 30 arms: common stem at 80 mm, SD 16";

// Radial nerve, from the lateral epicondyle.
//
// Abrams 1997 gives only the ends, as mm from a point 100 mm proximal to the lateral epicondyle along the shortest branch
// to the muscle; the rest lies between them in its order. It also gives 115.8 mm from the radial styloid to the last
// branch: that is where the branch leaves (134 mm on this axis), the 199.8 mm is where it enters. The common stem to the
// finger extensors (80 mm, SD 16) and the deep division to the thumb (101 mm, SD 32) are likewise where branches leave.
const TRICEPS: Branch = at(Structure::Triceps, -180.0, (-230.0, -130.0), Estimate, BY_ESTIMATE);
const BRACHIORADIALIS: Branch = at(
    Structure::Brachioradialis,
    -2.8,
    (-30.0, 20.0),
    Derived,
    "Abrams 1997 J Hand Surg: 97.2 mm from a point 100 mm proximal to the lateral epicondyle",
);
const ECRL: Branch = at(Structure::ExtensorCarpiRadialisLongus, 10.0, (-10.0, 30.0), Estimate, BY_ORDER);
const SUPINATOR: Branch = at(Structure::Supinator, 45.0, (30.0, 60.0), Estimate, BY_ORDER);
// Abrams 1997 and the supinator/wrist extensor order: Branovacki and Sawyer 2020 find the wrist extensor first.
const ECRB: Branch = at(
    Structure::ExtensorCarpiRadialisBrevis,
    60.0,
    (40.0, 80.0),
    Estimate,
    "estimate in the order of Abrams 1997; Colborn 1993: enters 35 mm beyond an origin at the humeroradial joint",
);
const EXTENSOR_DIGITORUM: Branch = at(
    Structure::ExtensorDigitorum,
    110.0,
    (90.0, 130.0),
    Estimate,
    "estimate in the order of Abrams 1997, beyond the common stem at 80 mm",
);
const ECU: Branch = at(Structure::ExtensorCarpiUlnaris, 115.0, (95.0, 140.0), Estimate, BY_ORDER);
const EDM: Branch = at(Structure::ExtensorDigitiMinimi, 125.0, (105.0, 150.0), Estimate, BY_ORDER);
const APL: Branch = at(Structure::AbductorPollicisLongus, 140.0, (115.0, 160.0), Estimate, BY_ORDER);
const EPL: Branch = at(Structure::ExtensorPollicisLongus, 165.0, (140.0, 185.0), Estimate, BY_ORDER);
const EPB: Branch = at(Structure::ExtensorPollicisBrevis, 180.0, (155.0, 200.0), Estimate, BY_ORDER);
const EXTENSOR_INDICIS: Branch = at(
    Structure::ExtensorIndicis,
    199.8,
    (175.0, 225.0),
    Derived,
    "Abrams 1997 J Hand Surg: 299.8 mm from a point 100 mm proximal to the lateral epicondyle",
);
const DORSAL_WEB: Branch = at(Structure::FirstDorsalWebOfHand, 260.0, (240.0, 290.0), Estimate, BY_ESTIMATE);

const LATERAL_EPICONDYLE: LandmarkPosition = origin(Landmark::LateralEpicondyle);
const RADIAL_WRIST: LandmarkPosition = placed(Landmark::WristCrease, 250.0, Published, FOREARM);
const RADIAL_BIFURCATION: &str =
    "anatomical study of the posterior interosseous nerve, 28 arms: 13 mm proximal to the elbow joint";

pub(super) const RADIAL: Axis = Axis {
    landmarks: &[LATERAL_EPICONDYLE],
    branches: &[
        TRICEPS,
        BRACHIORADIALIS,
        ECRL,
        SUPINATOR,
        ECRB,
        EXTENSOR_DIGITORUM,
        ECU,
        EDM,
        APL,
        EPL,
        EPB,
        EXTENSOR_INDICIS,
        DORSAL_WEB,
    ],
    levels: &[
        level(Nerve::Radial, ("axilla", "axilla"), -230.0, (-260.0, -200.0), Estimate, BY_ESTIMATE),
        level(
            Nerve::Radial,
            ("mid-humerus", "mid-humerus (spiral groove)"),
            -142.0,
            (-148.0, -101.0),
            Published,
            "Gerwin by Ljungquist 2015; exit from the groove 101 to 148 mm, Zlotolow by the same",
        ),
        level(
            Nerve::Radial,
            ("lateral-septum", "lateral intermuscular septum"),
            -126.0,
            (-142.0, -100.0),
            Published,
            "Guse and Ostrum by Ljungquist 2015: never nearer than 100 mm",
        ),
        level(Nerve::Radial, ("elbow", "elbow"), 0.0, (-20.0, 20.0), Published, RADIAL_BIFURCATION),
    ],
};

// The short wrist extensor is not listed: its branch leaves the posterior interosseous nerve in 45 % of arms only, and in
// the others the superficial branch or the bifurcation (Branovacki, 60 arms). A lesion of this nerve may spare it.
pub(super) const POSTERIOR_INTEROSSEOUS: Axis = Axis {
    landmarks: &[LATERAL_EPICONDYLE, RADIAL_WRIST],
    branches: &[SUPINATOR, EXTENSOR_DIGITORUM, ECU, EDM, APL, EPL, EPB, EXTENSOR_INDICIS],
    levels: &[
        level(
            Nerve::PosteriorInterosseous,
            ("supinator", "entry into the supinator"),
            35.0,
            (20.0, 50.0),
            Estimate,
            BY_ESTIMATE,
        ),
        level(
            Nerve::PosteriorInterosseous,
            ("supinator-exit", "exit from the supinator"),
            80.0,
            (48.0, 112.0),
            Published,
            PIN_BRANCHES,
        ),
    ],
};

pub(super) const SUPERFICIAL_RADIAL: Axis = Axis {
    landmarks: &[LATERAL_EPICONDYLE, RADIAL_WRIST],
    branches: &[DORSAL_WEB],
    levels: &[
        level(
            Nerve::SuperficialRadial,
            ("elbow", "elbow"),
            0.0,
            (-20.0, 20.0),
            Published,
            RADIAL_BIFURCATION,
        ),
        level(
            Nerve::SuperficialRadial,
            ("mid-forearm", "mid-forearm"),
            120.0,
            (100.0, 140.0),
            Estimate,
            "estimate: half of the forearm",
        ),
        level(Nerve::SuperficialRadial, ("wrist", "wrist"), 250.0, (220.0, 290.0), Published, FOREARM),
    ],
};

// Median nerve, from the line between the epicondyles.
//
// Branches leave it at variable heights: coefficient of variation over 48 % for pronator teres, flexor carpi radialis and
// the superficial flexor (Canovas 1998). The anterior interosseous nerve leaves at 41.6 (Ankolekar 2021, n = 44), 55
// (memory) or 67.8 mm (n = 11), 80 at most: a median nerve divided beyond has its muscles still supplied.
const AIN_LEAVES_BY: f64 = 80.0;
const PRONATOR_TERES: Branch = leaving_by(
    35.0,
    at(
        Structure::PronatorTeres,
        45.0,
        (15.0, 65.0),
        Estimate,
        "estimate: branches leave at -13 and 12 mm (n = 50), the nerve passes between the heads at 54 mm (n = 100)",
    ),
);
const FCR: Branch = at(
    Structure::FlexorCarpiRadialis,
    73.0,
    (50.0, 100.0),
    Published,
    "Friden, Lovering and Lieber 2004 J Hand Surg Am 29:909: second branch enters about 73 mm distal",
);
const FDS: Branch = at(
    Structure::FlexorDigitorumSuperficialis,
    95.0,
    (60.0, 140.0),
    Estimate,
    "estimate beyond the arch at 81 mm (Korean J Anat 2007, n = 100)",
);
// Hwang 2007 projects two clusters of entry points on the forearm's axis, at 1/3 and 2/5 of its length. The nerve's way is
// longer than its projection, so the further one is taken.
const FDP_INDEX: Branch = at(
    Structure::FlexorDigitorumProfundusIndex,
    100.0,
    (76.0, 140.0),
    Derived,
    "Hwang 2007 Surg Radiol Anat: entries at 1/3 and 2/5 of a forearm of 250 mm",
);
const FPL: Branch = at(
    Structure::FlexorPollicisLongus,
    120.0,
    (95.0, 150.0),
    Estimate,
    "estimate: 100 to 120 mm is common knowledge",
);
const PQ: Branch = at(
    Structure::PronatorQuadratus,
    200.0,
    (180.0, 225.0),
    Estimate,
    "estimate: the nerve ends 40 to 60 mm above the wrist crease",
);
const APB: Branch = at(
    Structure::AbductorPollicisBrevis,
    290.0,
    (270.0, 310.0),
    Estimate,
    "estimate: 40 mm beyond the wrist crease; Wilhelmi: leaves 6 mm proximal to the hook of the hamate's line",
);
// A thumb is some 30 mm shorter from the wrist than an index finger: the low end is the thumb's.
const THUMB_AND_INDEX_PULP: Branch = at(
    Structure::ThumbAndIndexPulp,
    410.0,
    (350.0, 450.0),
    Estimate,
    "estimate: 160 mm beyond the wrist crease to the index finger",
);

const ELBOW_LINE: LandmarkPosition = origin(Landmark::InterepicondylarLine);
const ELBOW_MEDIAL: LandmarkPosition =
    placed(Landmark::MedialEpicondyle, 0.0, Derived, "an end of the line between the epicondyles");
const MEDIAN_WRIST: LandmarkPosition = placed(Landmark::WristCrease, 250.0, Published, FOREARM);

pub(super) const MEDIAN: Axis = Axis {
    landmarks: &[ELBOW_LINE, ELBOW_MEDIAL, MEDIAN_WRIST],
    branches: &[
        PRONATOR_TERES,
        FCR,
        FDS,
        leaving_by(AIN_LEAVES_BY, FDP_INDEX),
        leaving_by(AIN_LEAVES_BY, FPL),
        leaving_by(AIN_LEAVES_BY, PQ),
        APB,
        THUMB_AND_INDEX_PULP,
    ],
    levels: &[
        level(Nerve::Median, ("axilla", "axilla"), -250.0, (-280.0, -220.0), Estimate, BY_ESTIMATE),
        level(Nerve::Median, ("mid-humerus", "mid-humerus"), -140.0, (-160.0, -120.0), Estimate, BY_ESTIMATE),
        level(
            Nerve::Median,
            ("pronator-teres", "between the heads of pronator teres"),
            54.0,
            (35.0, 75.0),
            Published,
            "Korean J Anat 2007, 100 arms",
        ),
        level(
            Nerve::Median,
            ("mid-forearm", "mid-forearm"),
            125.0,
            (105.0, 145.0),
            Estimate,
            "estimate: half of the forearm",
        ),
        level(Nerve::Median, ("wrist", "wrist"), 250.0, (220.0, 290.0), Published, FOREARM),
    ],
};

pub(super) const ANTERIOR_INTEROSSEOUS: Axis = Axis {
    landmarks: &[ELBOW_LINE, ELBOW_MEDIAL, MEDIAN_WRIST],
    branches: &[FDP_INDEX, FPL, PQ],
    levels: &[level(
        Nerve::AnteriorInterosseous,
        ("origin", "origin from the median nerve"),
        55.0,
        (20.0, 80.0),
        Memory,
        "common knowledge; 41.6 mm in Ankolekar 2021 (n = 44), 67.8 in another study (n = 11)",
    )],
};

// Ulnar nerve, from the medial epicondyle.
//
// The first branch to flexor carpi ulnaris leaves at 19.4 mm (SD 4.4) in 88.5 % of elbows and 16.0 mm above in the rest
// (n = 113); Tubbs has the main branches at 27 and 33 mm. Entries are taken from Tubbs, who gives branch lengths; Hwang 2007
// projects the deep flexor's entries to 26.5 % of the forearm (66 mm), within the range. All leave within 50 mm (Tubbs).
const FOREARM_BRANCHES_LEAVE_BY: f64 = 50.0;
const FCU: Branch = leaving_by(
    FOREARM_BRANCHES_LEAVE_BY,
    at(
        Structure::FlexorCarpiUlnaris,
        60.0,
        (40.0, 80.0),
        Derived,
        "Tubbs, 20 arms: branches leave at 27 to 33 mm and are 32 to 33 mm long",
    ),
);
const FDP_ULNAR: Branch = leaving_by(
    FOREARM_BRANCHES_LEAVE_BY,
    at(
        Structure::FlexorDigitorumProfundusUlnar,
        83.0,
        (60.0, 100.0),
        Derived,
        "Tubbs, 20 arms: branch leaves at 27 mm and is 56 mm long",
    ),
);
// Its branch leaves 77 mm (42 to 101) above the pisiform: a repair at the wrist does not concern it.
const DORSAL_ULNAR_HAND: Branch = leaving_by(
    213.0,
    at(
        Structure::DorsalUlnarHand,
        300.0,
        (260.0, 330.0),
        Estimate,
        "estimate: some 120 mm beyond the origin of the dorsal branch (J Hand Surg Am 2023;48:309.e1)",
    ),
);
const ADM: Branch = at(
    Structure::AbductorDigitiMinimi,
    261.5,
    (233.0, 296.0),
    Derived,
    "J Hand Surg Am 2023;48:309.e1: 6.5 mm (3 to 11) distal to the pisiform, taken at 255 mm",
);
const INTEROSSEI: Branch = at(
    Structure::HandInterossei,
    300.0,
    (265.0, 335.0),
    Estimate,
    "estimate along the deep branch between abductor digiti minimi and first dorsal interosseous",
);
const ADDUCTOR_POLLICIS: Branch = at(
    Structure::AdductorPollicis,
    315.0,
    (285.0, 350.0),
    Estimate,
    "estimate: just before the first dorsal interosseous",
);
// 46 mm distal and 45 mm radial of the pisiform is 64 mm along the deep branch. With the pisiform at 250 mm it would be
// 314, with 246 mm the 310 mm of the hand check; the pisiform lies a little beyond the forearm's 250 mm.
const FDI: Branch = at(
    Structure::FirstDorsalInterosseous,
    319.0,
    (291.0, 351.0),
    Derived,
    "J Hand Surg Am 2023;48:309.e1: 46 mm distal and 45 mm radial of the pisiform, taken at 255 mm",
);
const LITTLE_PULP: Branch =
    at(Structure::LittleFingerPulp, 380.0, (350.0, 410.0), Estimate, "estimate: 125 mm beyond the pisiform");

const MEDIAL_EPICONDYLE: LandmarkPosition = origin(Landmark::MedialEpicondyle);
const ULNAR_WRIST: LandmarkPosition = placed(Landmark::WristCrease, 255.0, Estimate, PISIFORM);
const AT_PISIFORM: LandmarkPosition = placed(Landmark::Pisiform, 255.0, Estimate, PISIFORM);
const AT_HAMATE: LandmarkPosition = placed(
    Landmark::HookOfHamate,
    268.0,
    Derived,
    "12 to 14 mm beyond the pisiform: branches measured from both (n = 5 and n = 54)",
);

pub(super) const ULNAR: Axis = Axis {
    landmarks: &[MEDIAL_EPICONDYLE, ULNAR_WRIST, AT_PISIFORM, AT_HAMATE],
    branches: &[FCU, FDP_ULNAR, ADM, DORSAL_ULNAR_HAND, INTEROSSEI, ADDUCTOR_POLLICIS, FDI, LITTLE_PULP],
    levels: &[
        level(Nerve::Ulnar, ("axilla", "axilla"), -250.0, (-280.0, -220.0), Estimate, BY_ESTIMATE),
        level(Nerve::Ulnar, ("mid-humerus", "mid-humerus"), -140.0, (-160.0, -120.0), Estimate, BY_ESTIMATE),
        level(Nerve::Ulnar, ("elbow", "elbow"), 0.0, (-20.0, 20.0), Published, "origin of the axis"),
        level(
            Nerve::Ulnar,
            ("mid-forearm", "mid-forearm"),
            125.0,
            (105.0, 145.0),
            Estimate,
            "estimate: half of the forearm",
        ),
        level(
            Nerve::Ulnar,
            ("dorsal-branch", "origin of the dorsal cutaneous branch"),
            178.0,
            (154.0, 213.0),
            Derived,
            HAND_ULNAR,
        ),
        level(Nerve::Ulnar, ("wrist", "wrist"), 255.0, (230.0, 285.0), Estimate, PISIFORM),
    ],
};

pub(super) const DEEP_ULNAR: Axis = Axis {
    landmarks: &[MEDIAL_EPICONDYLE, ULNAR_WRIST, AT_PISIFORM, AT_HAMATE],
    branches: &[ADM, INTEROSSEI, ADDUCTOR_POLLICIS, FDI],
    levels: &[level(Nerve::DeepUlnar, ("wrist", "wrist"), 255.0, (230.0, 285.0), Estimate, PISIFORM)],
};

// Musculocutaneous nerve, from the acromion.
//
// Branches leave for biceps at 130 mm (Chiarapattanakom 1998, n = 112) or 133.8 (Pacha Vicente 2005, n = 46) and for
// brachialis at 170 or 185.3 mm; the means, 132 and 178, with the branch lengths of the second study, give the entries.
// The same branches lie 119 and 170 mm from the coracoid (n = 24): its tip is some 10 mm along the axis. Coracobrachialis
// cannot be tested alone in the clinic, so it is a level and not a target.
pub(super) const MUSCULOCUTANEOUS: Axis = Axis {
    landmarks: &[
        origin(Landmark::Acromion),
        placed(
            Landmark::CoracoidProcess,
            10.0,
            Derived,
            "branches measured from both: 132 against 119 mm, 178 against 170 mm",
        ),
        placed(
            Landmark::LateralEpicondyle,
            298.0,
            Derived,
            "Pacha Vicente 2005: 133.8 mm is 45.3 % and 185.3 mm is 61.5 % of the way",
        ),
    ],
    branches: &[
        at(
            Structure::Biceps,
            163.0,
            (150.0, 180.0),
            Derived,
            "Chiarapattanakom 1998 and Pacha Vicente 2005: branch leaves at 132 mm and is 31 mm long",
        ),
        at(
            Structure::Brachialis,
            211.0,
            (203.0, 218.0),
            Derived,
            "Chiarapattanakom 1998 and Pacha Vicente 2005: branch leaves at 170 to 185 mm and is 33 mm long",
        ),
        at(Structure::LateralForearm, 340.0, (300.0, 400.0), Estimate, BY_ESTIMATE),
    ],
    levels: &[level(
        Nerve::Musculocutaneous,
        ("coracobrachialis", "entry into coracobrachialis"),
        66.0,
        (41.0, 92.0),
        Derived,
        "Flatow 1989: 56 mm (31 to 82) from the coracoid",
    )],
};

// Axillary nerve, from the quadrangular space: published distances from the acromion (65 mm; 68 mm to the deltoid) run down
// the arm's surface, not along the nerve, so the acromion is no landmark of this axis.
pub(super) const AXILLARY: Axis = Axis {
    landmarks: &[origin(Landmark::QuadrangularSpace)],
    branches: &[
        at(
            Structure::TeresMinor,
            20.0,
            (5.0, 35.0),
            Estimate,
            "estimate: first branch of the posterior division",
        ),
        at(
            Structure::Deltoid,
            44.5,
            (26.0, 62.0),
            Published,
            "feasibility study of triceps to axillary transfer, 36 cadavers: anterior branch 44.5 mm (26 to 62)",
        ),
        at(Structure::LateralShoulder, 90.0, (60.0, 120.0), Estimate, BY_ESTIMATE),
    ],
    levels: &[
        level(
            Nerve::Axillary,
            ("posterior-cord", "origin from the posterior cord"),
            -45.0,
            (-60.0, -30.0),
            Estimate,
            BY_ESTIMATE,
        ),
        level(
            Nerve::Axillary,
            ("quadrangular-space", "quadrangular space"),
            0.0,
            (-10.0, 10.0),
            Published,
            "origin of the axis",
        ),
    ],
};

// A proper palmar digital nerve of any digit, from the crease at its base: one territory, the pulp on its side.
pub(super) const DIGITAL: Axis = Axis {
    landmarks: &[origin(Landmark::PalmodigitalCrease)],
    branches: &[at(
        Structure::DigitPulp,
        60.0,
        (40.0, 75.0),
        Estimate,
        "estimate: length of a digit to the middle of its pulp",
    )],
    levels: &[level(
        Nerve::Digital,
        ("proximal-phalanx", "proximal phalanx"),
        12.0,
        (0.0, 25.0),
        Estimate,
        BY_ESTIMATE,
    )],
};
