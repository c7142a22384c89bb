//! The table. Distances in mm from the landmark of [`Nerve::landmark`](super::Nerve::landmark), distal positive.

use super::Basis::{Derived, Estimate, Memory, Published};
use super::Landmark as Mark;
use super::Nerve::{
    AnteriorInterosseous, Axillary, CommonFibular, DeepFibular, DeepUlnar, Digital, Median, Musculocutaneous,
    PosteriorInterosseous, Radial, SuperficialFibular, SuperficialRadial, Tibial, Ulnar,
};
use super::Structure::{self as S};
use super::{Basis, Branch, Landmark, Level, Nerve};

const ABRAMS: &str = "Abrams 1997, 20 arms: along the shortest branch from a point 100 mm proximal to the lateral epicondyle";
const ORDER: &str = "estimate between the first and last branch of Abrams 1997; order as published there";
const WRIST: &str = "estimate: forearm 250 mm (220 to 290, Canovas 1998) and the hand";
const FOREARM: &str = "estimate; branch origins vary by more than 48 % (Canovas 1998)";
const TUBBS: &str = "Tubbs, 20 arms: origin plus branch length";
const GUYON: &str = "J Hand Surg Am 2023;48:309.e1, 5 hands, from the pisiform; pisiform 255 mm from the epicondyle is an estimate";
const UPPER_ARM: &str = "Chiarapattanakom 1998 (112) and Pacha Vicente 2005 (46): origin plus branch length";
const KNEE: &str = "estimate; first branches leave about the fibular neck and the nerve runs up to 100 mm beyond it (linkedlifedata 1519891)";
const CALF: &str = "Picelli 2019, ultrasound, 25 legs";
const LEG: &str = "estimate";

const PIN: &[Nerve] = &[Radial, PosteriorInterosseous];
const AIN: &[Nerve] = &[Median, AnteriorInterosseous];
const DEEP: &[Nerve] = &[Ulnar, DeepUlnar];
const FRONT: &[Nerve] = &[CommonFibular, DeepFibular];
const SIDE: &[Nerve] = &[CommonFibular, SuperficialFibular];

const fn row(
    nerves: &'static [Nerve],
    structure: S,
    [mm, low, high]: [f64; 3],
    basis: Basis,
    source: &'static str,
) -> Branch {
    Branch { nerves, structure, mm, low, high, basis, source }
}

/// Within each nerve from proximal to distal.
pub(super) const ROWS: &[Branch] = &[
    // The radial nerve. A lesion of the posterior interosseous nerve may spare the short radial wrist extensor, whose branch
    // leaves it in 45 % of arms only (Branovacki, 60 arms), so that muscle is listed under the trunk alone.
    row(&[Radial], S::Triceps, [-180.0, -230.0, -130.0], Estimate, "estimate"),
    row(&[Radial], S::Brachioradialis, [-3.0, -20.0, 15.0], Derived, ABRAMS),
    row(&[Radial], S::ExtensorCarpiRadialisLongus, [10.0, -10.0, 30.0], Estimate, ORDER),
    row(PIN, S::Supinator, [45.0, 30.0, 60.0], Estimate, ORDER),
    row(&[Radial], S::ExtensorCarpiRadialisBrevis, [60.0, 40.0, 80.0], Estimate, ORDER),
    row(PIN, S::ExtensorDigitorum, [110.0, 90.0, 130.0], Estimate, ORDER),
    row(PIN, S::ExtensorCarpiUlnaris, [115.0, 95.0, 140.0], Estimate, ORDER),
    row(PIN, S::ExtensorDigitiMinimi, [125.0, 105.0, 150.0], Estimate, ORDER),
    row(PIN, S::AbductorPollicisLongus, [140.0, 115.0, 160.0], Estimate, ORDER),
    row(PIN, S::ExtensorPollicisLongus, [165.0, 140.0, 185.0], Estimate, ORDER),
    row(PIN, S::ExtensorPollicisBrevis, [180.0, 155.0, 200.0], Estimate, ORDER),
    row(PIN, S::ExtensorIndicis, [200.0, 170.0, 230.0], Derived, ABRAMS),
    row(&[Radial, SuperficialRadial], S::FirstDorsalWebOfHand, [260.0, 240.0, 290.0], Estimate, WRIST),
    // The median nerve.
    row(&[Median], S::PronatorTeres, [45.0, 15.0, 65.0], Estimate, "estimate; the nerve passes between the heads at 54 mm (Korean J Anat 2007, 100 arms)"),
    row(&[Median], S::FlexorCarpiRadialis, [75.0, 50.0, 100.0], Estimate, FOREARM),
    row(&[Median], S::FlexorDigitorumSuperficialis, [95.0, 60.0, 140.0], Estimate, FOREARM),
    row(AIN, S::FlexorDigitorumProfundusIndex, [110.0, 90.0, 140.0], Estimate, FOREARM),
    row(AIN, S::FlexorPollicisLongus, [120.0, 95.0, 150.0], Estimate, FOREARM),
    row(AIN, S::PronatorQuadratus, [200.0, 180.0, 225.0], Estimate, FOREARM),
    row(&[Median], S::AbductorPollicisBrevis, [290.0, 270.0, 310.0], Estimate, WRIST),
    row(&[Median], S::ThumbAndIndexPulp, [410.0, 370.0, 450.0], Estimate, WRIST),
    // The ulnar nerve.
    row(&[Ulnar], S::FlexorCarpiUlnaris, [60.0, 40.0, 80.0], Derived, TUBBS),
    row(&[Ulnar], S::FlexorDigitorumProfundusUlnar, [83.0, 60.0, 100.0], Derived, TUBBS),
    row(DEEP, S::AbductorDigitiMinimi, [262.0, 238.0, 296.0], Derived, GUYON),
    row(&[Ulnar], S::DorsalUlnarHand, [300.0, 270.0, 330.0], Estimate, "estimate; the dorsal branch leaves 77 mm (42 to 101) proximal to the pisiform (J Hand Surg Am 2023;48:309.e1)"),
    row(DEEP, S::FirstDorsalInterosseous, [320.0, 290.0, 350.0], Derived, GUYON),
    row(&[Ulnar], S::LittleFingerPulp, [380.0, 350.0, 410.0], Estimate, WRIST),
    // Musculocutaneous and axillary nerve.
    row(&[Musculocutaneous], S::Biceps, [162.0, 150.0, 178.0], Derived, UPPER_ARM),
    row(&[Musculocutaneous], S::Brachialis, [210.0, 203.0, 218.0], Derived, UPPER_ARM),
    row(&[Musculocutaneous], S::LateralForearm, [340.0, 310.0, 370.0], Estimate, "estimate"),
    row(&[Axillary], S::TeresMinor, [40.0, 30.0, 50.0], Estimate, "estimate"),
    row(&[Axillary], S::Deltoid, [68.0, 50.0, 76.0], Published, "Stecco 2010, 16 shoulders: distance on the surface"),
    row(&[Axillary], S::LateralShoulder, [110.0, 90.0, 130.0], Estimate, "estimate"),
    // The fibular nerves.
    row(FRONT, S::TibialisAnterior, [45.0, 25.0, 70.0], Estimate, KNEE),
    row(SIDE, S::FibularisLongus, [45.0, 20.0, 80.0], Estimate, KNEE),
    row(FRONT, S::ExtensorDigitorumLongus, [55.0, 30.0, 90.0], Estimate, KNEE),
    row(FRONT, S::ExtensorHallucisLongus, [120.0, 80.0, 160.0], Estimate, KNEE),
    row(SIDE, S::DorsumOfFoot, [400.0, 360.0, 440.0], Estimate, LEG),
    row(FRONT, S::FirstDorsalWebOfFoot, [470.0, 430.0, 510.0], Estimate, LEG),
    // The tibial nerve.
    row(&[Tibial], S::GastrocnemiusMedial, [-15.0, -42.0, 12.0], Published, CALF),
    row(&[Tibial], S::GastrocnemiusLateral, [-9.0, -31.0, 13.0], Published, CALF),
    row(&[Tibial], S::Soleus, [14.0, 3.0, 25.0], Published, CALF),
    row(&[Tibial], S::TibialisPosterior, [43.0, 28.0, 58.0], Published, CALF),
    row(&[Tibial], S::FlexorHallucisLongus, [140.0, 110.0, 180.0], Estimate, LEG),
    row(&[Tibial], S::FlexorDigitorumLongus, [150.0, 120.0, 190.0], Estimate, LEG),
    row(&[Tibial], S::AbductorHallucis, [375.0, 350.0, 400.0], Estimate, LEG),
    row(&[Tibial], S::Sole, [500.0, 460.0, 540.0], Estimate, LEG),
    // A proper digital nerve, from the crease at the base of the digit to its pulp.
    row(&[Digital], S::DigitPulp, [65.0, 50.0, 80.0], Estimate, "estimate"),
];

const fn level(
    nerve: Nerve,
    name: &'static str,
    landmark: Option<Landmark>,
    mm: f64,
    basis: Basis,
    source: &'static str,
) -> Level {
    Level { nerve, name, landmark, mm, basis, source }
}

/// Common levels of repair, and landmarks other than the nerve's own, from proximal to distal.
pub(super) const LEVELS: &[Level] = &[
    level(Radial, "axilla", None, -230.0, Estimate, "estimate from arm length"),
    level(Radial, "mid-humerus", None, -142.0, Published, "Gerwin, after Ljungquist 2015: crossing of the posterior humerus"),
    level(Radial, "lateral intermuscular septum", None, -126.0, Published, "Guse and Ostrum, after Ljungquist 2015; never closer than 100 mm"),
    level(Radial, "mid-forearm", None, 120.0, Estimate, "estimate: half of the forearm"),
    level(Radial, "wrist", Some(Mark::WristCrease), 250.0, Published, "Canovas 1998: forearm 250 mm (SD 24)"),
    level(PosteriorInterosseous, "arcade of the supinator", None, 40.0, Estimate, "estimate: proximal edge of the supinator"),
    level(SuperficialRadial, "mid-forearm", None, 120.0, Estimate, "estimate: half of the forearm"),
    level(SuperficialRadial, "wrist", Some(Mark::WristCrease), 250.0, Published, "Canovas 1998: forearm 250 mm (SD 24)"),
    level(Median, "axilla", None, -250.0, Estimate, "estimate from arm length"),
    level(Median, "mid-humerus", None, -140.0, Estimate, "estimate from arm length"),
    level(Median, "between the heads of pronator teres", None, 54.0, Published, "Korean J Anat 2007, 100 arms"),
    level(Median, "mid-forearm", None, 125.0, Estimate, "estimate: half of the forearm"),
    level(Median, "wrist", Some(Mark::WristCrease), 250.0, Published, "Canovas 1998: forearm 250 mm (SD 24)"),
    level(AnteriorInterosseous, "origin", None, 55.0, Memory, "from memory: 30 to 80 mm; 67.8 mm in 11 arms"),
    level(Ulnar, "axilla", None, -250.0, Estimate, "estimate from arm length"),
    level(Ulnar, "mid-humerus", None, -140.0, Estimate, "estimate from arm length"),
    level(Ulnar, "elbow", None, 0.0, Estimate, "the landmark itself"),
    level(Ulnar, "mid-forearm", None, 125.0, Estimate, "estimate: half of the forearm"),
    level(Ulnar, "wrist", Some(Mark::WristCrease), 250.0, Published, "Canovas 1998: forearm 250 mm (SD 24)"),
    level(Ulnar, "pisiform", Some(Mark::Pisiform), 255.0, Estimate, "estimate: just beyond the wrist crease"),
    level(DeepUlnar, "wrist", Some(Mark::WristCrease), 250.0, Published, "Canovas 1998: forearm 250 mm (SD 24)"),
    level(DeepUlnar, "pisiform", Some(Mark::Pisiform), 255.0, Estimate, "estimate: just beyond the wrist crease"),
    level(Musculocutaneous, "entry into coracobrachialis", None, 76.0, Derived, "Flatow 1989: 56 mm from the coracoid, taken as 20 mm beyond the acromion"),
    level(Axillary, "quadrangular space", None, 40.0, Estimate, "estimate; the nerve divides inside the space (Leechavengvongs 2015)"),
    level(CommonFibular, "division of the sciatic nerve", None, -90.0, Estimate, "estimate: 60 to 120 mm; 99.7 mm in one series"),
    level(CommonFibular, "fibular neck", None, 20.0, Memory, "from memory: 15 to 30 mm"),
    level(DeepFibular, "fibular neck", None, 20.0, Memory, "from memory: 15 to 30 mm"),
    level(SuperficialFibular, "fibular neck", None, 20.0, Memory, "from memory: 15 to 30 mm"),
    level(Tibial, "popliteal fossa", None, -33.0, Published, "Jang 2004: origin of the gastrocnemius branches"),
    level(Tibial, "ankle", Some(Mark::MedialMalleolus), 350.0, Estimate, "estimate: 320 to 380 mm"),
    level(Digital, "base of the digit", None, 0.0, Estimate, "the landmark itself"),
];
