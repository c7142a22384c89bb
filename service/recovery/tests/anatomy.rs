//! The anatomy table against the publications it was made from, and its own laws.

use std::collections::HashSet;

use endplate_recovery::anatomy::{self, Basis, Kind, Landmark, Limb, Nerve, SWAP_TOLERANCE, Structure};
use endplate_recovery::unit::Mm;

/// Position of a structure on a nerve's axis, mm.
fn mm(nerve: Nerve, structure: Structure) -> f64 {
    let row = anatomy::branches(nerve).iter().find(|row| row.structure == structure);
    row.unwrap_or_else(|| panic!("{} is not on the {}", structure.code(), nerve.display())).mm
}

/// Path length by the table from a repair, mm.
fn path(nerve: Nerve, landmark: Landmark, distance: f64, structure: Structure) -> Option<f64> {
    let position = anatomy::position(nerve, landmark, Mm(distance)).expect("a landmark of the nerve");
    anatomy::targets(nerve, position).iter().find(|row| row.structure == structure).map(|row| row.path.0)
}

fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{found} is not within {tolerance} of {expected}");
}

#[test]
fn the_ends_of_the_radial_nerve_are_those_of_abrams_1997() {
    // Abrams 1997 J Hand Surg, 20 arms: mean distance from a point 100 mm proximal to the lateral epicondyle to the muscle
    // along the shortest branch, 97.2 mm for brachioradialis (first) and 299.8 mm for extensor indicis (last).
    let first = path(Nerve::Radial, Landmark::LateralEpicondyle, -100.0, Structure::Brachioradialis);
    let last = path(Nerve::Radial, Landmark::LateralEpicondyle, -100.0, Structure::ExtensorIndicis);
    near(first.unwrap(), 97.2, 1e-9);
    near(last.unwrap(), 299.8, 1e-9);
    let muscles = anatomy::branches(Nerve::Radial).iter().filter(|row| row.structure.kind() == Kind::Muscle);
    assert_eq!(muscles.max_by(|a, b| a.mm.total_cmp(&b.mm)).unwrap().structure, Structure::ExtensorIndicis);
}

#[test]
fn the_forearm_branches_of_the_ulnar_nerve_are_those_of_tubbs() {
    // Tubbs, 20 arms: the branch to the deep flexor leaves 27 mm distal to the medial epicondyle and is 56 mm long; those to
    // flexor carpi ulnaris leave at 27 and 33 mm and are 32 and 33 mm long.
    near(mm(Nerve::Ulnar, Structure::FlexorDigitorumProfundusUlnar), 27.0 + 56.0, 1e-9);
    let carpi_ulnaris = mm(Nerve::Ulnar, Structure::FlexorCarpiUlnaris);
    assert!((27.0 + 32.0..=33.0 + 33.0).contains(&carpi_ulnaris), "{carpi_ulnaris}");
}

#[test]
fn the_branches_in_the_hand_are_measured_from_the_pisiform() {
    // J Hand Surg Am 2023;48:309.e1, 5 hands: abductor digiti minimi 6.5 mm distal; first dorsal interosseous 46 mm distal
    // and 45 mm radial.
    let little = path(Nerve::Ulnar, Landmark::Pisiform, 0.0, Structure::AbductorDigitiMinimi).unwrap();
    let index = path(Nerve::DeepUlnar, Landmark::Pisiform, 0.0, Structure::FirstDorsalInterosseous).unwrap();
    near(little, 6.5, 1e-9);
    near(index, 46.0_f64.hypot(45.0), 0.5);
    // 54 hands from the hook of the hamate (PMID 39704339): 5.2 mm proximal, and 32.1 mm distal and 22.8 mm radial. Straight
    // lines of the two small studies differ from the path by up to 12 mm.
    assert_eq!(path(Nerve::Ulnar, Landmark::HookOfHamate, 0.0, Structure::AbductorDigitiMinimi), None);
    let index = path(Nerve::Ulnar, Landmark::HookOfHamate, 0.0, Structure::FirstDorsalInterosseous).unwrap();
    near(index, 32.1_f64.hypot(22.8), 12.0);
}

#[test]
fn a_radial_repair_at_mid_humerus_has_the_paths_of_the_hand_check() {
    // Clinical reference, hand check H1: a suture 140 mm above the lateral epicondyle has 137 mm to brachioradialis and 340
    // to extensor indicis; at the 142 mm of Gerwin, 139 and 342.
    for (above, first, last) in [(140.0, 137.0, 340.0), (142.0, 139.0, 342.0)] {
        let path = |structure| path(Nerve::Radial, Landmark::LateralEpicondyle, -above, structure).unwrap();
        near(path(Structure::Brachioradialis), first, 0.5);
        near(path(Structure::ExtensorIndicis), last, 0.5);
    }
    let groove = anatomy::levels(Nerve::Radial).iter().find(|level| level.code == "mid-humerus").unwrap();
    near(groove.mm, -142.0, 1e-9);
}

#[test]
fn an_ulnar_repair_at_the_elbow_has_the_paths_of_the_hand_check() {
    // Clinical reference, hand check H2: 83 mm to the deep flexor, 310 mm to the first dorsal interosseous; its anatomy
    // table has 320 mm.
    let path = |structure| path(Nerve::Ulnar, Landmark::MedialEpicondyle, 0.0, structure).unwrap();
    near(path(Structure::FlexorDigitorumProfundusUlnar), 83.0, 1e-9);
    let index = path(Structure::FirstDorsalInterosseous);
    assert!((310.0..=320.0).contains(&index), "{index}");
}

/// The muscles of a nerve keep a published order, but for neighbours no further apart than the swap tolerance.
fn keeps(nerve: Nerve, published: &[Structure]) {
    for (rank, near) in published.iter().enumerate() {
        for far in &published[rank + 1..] {
            let (near_mm, far_mm) = (mm(nerve, *near), mm(nerve, *far));
            assert!(
                near_mm - far_mm <= SWAP_TOLERANCE.0,
                "{} at {near_mm} should not lie beyond {} at {far_mm}",
                near.code(),
                far.code()
            );
            assert!(!anatomy::clearly_distal(nerve, *far, *near), "{} {}", near.code(), far.code());
        }
    }
}

#[test]
fn the_radial_order_is_that_of_three_dissections() {
    use Structure::{
        AbductorPollicisLongus as Apl, Brachioradialis as Br, ExtensorCarpiRadialisBrevis as Ecrb,
        ExtensorCarpiRadialisLongus as Ecrl, ExtensorCarpiUlnaris as Ecu, ExtensorDigitiMinimi as Edm,
        ExtensorDigitorum as Edc, ExtensorIndicis as Eip, ExtensorPollicisBrevis as Epb,
        ExtensorPollicisLongus as Epl, Supinator as Sup, Triceps,
    };
    // Abrams 1997, 20 arms: our rows are in exactly this order.
    let abrams = [Br, Ecrl, Sup, Ecrb, Edc, Ecu, Edm, Apl, Epl, Epb, Eip];
    let rows: Vec<Structure> = anatomy::branches(Nerve::Radial).iter().map(|row| row.structure).collect();
    assert_eq!(rows[0], Triceps);
    assert_eq!(rows[1..12], abrams);
    keeps(Nerve::Radial, &abrams);
    // Branovacki, 60 arms; Sawyer 2020, 35 arms (brachialis, from the radial nerve in some, left out).
    keeps(Nerve::Radial, &[Br, Ecrl, Ecrb, Sup, Edc, Ecu, Edm, Apl, Epb, Epl, Eip]);
    keeps(Nerve::Radial, &[Br, Ecrl, Ecrb, Sup, Edc, Ecu, Apl, Edm, Epb, Epl, Eip]);
}

#[test]
fn the_other_orders_are_those_of_the_clinical_reference() {
    use Structure::{
        AbductorDigitiMinimi, AbductorHallucis, AbductorPollicisBrevis, AdductorPollicis, Biceps, Brachialis,
        Deltoid, ExtensorDigitorumLongus, ExtensorHallucisLongus, FibularisLongus, FirstDorsalInterosseous,
        FlexorCarpiRadialis, FlexorCarpiUlnaris, FlexorDigitorumLongus, FlexorDigitorumProfundusIndex,
        FlexorDigitorumProfundusUlnar, FlexorDigitorumSuperficialis, FlexorHallucisLongus,
        FlexorPollicisLongus, GastrocnemiusMedial, HandInterossei, PronatorQuadratus, PronatorTeres, Soleus,
        TeresMinor, TibialisAnterior, TibialisPosterior,
    };
    // Clinical reference, section 5, "order of motor recovery, proximal to distal". Palmaris longus, opponens and lumbricals
    // have no usable distance (Canovas 1998: coefficient of variation over 48 %) and are not in the table; coracobrachialis
    // cannot be tested alone.
    keeps(
        Nerve::Median,
        &[
            PronatorTeres,
            FlexorCarpiRadialis,
            FlexorDigitorumSuperficialis,
            FlexorPollicisLongus,
            PronatorQuadratus,
            AbductorPollicisBrevis,
        ],
    );
    // Long thumb flexor and deep flexor of the index finger stand together in the reference.
    keeps(Nerve::AnteriorInterosseous, &[FlexorPollicisLongus, PronatorQuadratus]);
    keeps(Nerve::AnteriorInterosseous, &[FlexorDigitorumProfundusIndex, PronatorQuadratus]);
    keeps(
        Nerve::Ulnar,
        &[
            FlexorCarpiUlnaris,
            FlexorDigitorumProfundusUlnar,
            AbductorDigitiMinimi,
            HandInterossei,
            AdductorPollicis,
            FirstDorsalInterosseous,
        ],
    );
    keeps(Nerve::Musculocutaneous, &[Biceps, Brachialis]);
    keeps(Nerve::Axillary, &[TeresMinor, Deltoid]);
    keeps(Nerve::CommonFibular, &[FibularisLongus, ExtensorDigitorumLongus, ExtensorHallucisLongus]);
    keeps(Nerve::CommonFibular, &[TibialisAnterior, ExtensorDigitorumLongus, ExtensorHallucisLongus]);
    keeps(
        Nerve::Tibial,
        &[
            GastrocnemiusMedial,
            Soleus,
            TibialisPosterior,
            FlexorDigitorumLongus,
            FlexorHallucisLongus,
            AbductorHallucis,
        ],
    );
}

#[test]
fn every_row_of_the_reference_table_is_used_or_left_with_a_reason() {
    // The clinical reference's anatomy table, rows of kind entry and skin: nerve, structure, mm. A row whose value differs by
    // more than rounding is in the second list, with the better reading. Of its rows of kind origin, those of abductor
    // digiti minimi and first dorsal interosseous stand for the entry; the others limit where a branch leaves.
    use Structure as S;
    let kept: [(Nerve, S, f64); 41] = [
        (Nerve::Radial, S::Triceps, -180.0),
        (Nerve::Radial, S::Brachioradialis, -3.0),
        (Nerve::Radial, S::ExtensorCarpiRadialisLongus, 10.0),
        (Nerve::Radial, S::Supinator, 45.0),
        (Nerve::Radial, S::ExtensorCarpiRadialisBrevis, 60.0),
        (Nerve::Radial, S::ExtensorDigitorum, 110.0),
        (Nerve::Radial, S::ExtensorCarpiUlnaris, 115.0),
        (Nerve::Radial, S::ExtensorDigitiMinimi, 125.0),
        (Nerve::Radial, S::AbductorPollicisLongus, 140.0),
        (Nerve::Radial, S::ExtensorPollicisLongus, 165.0),
        (Nerve::Radial, S::ExtensorPollicisBrevis, 180.0),
        (Nerve::Radial, S::ExtensorIndicis, 200.0),
        (Nerve::Radial, S::FirstDorsalWebOfHand, 260.0),
        (Nerve::Median, S::PronatorTeres, 45.0),
        (Nerve::Median, S::FlexorDigitorumSuperficialis, 95.0),
        (Nerve::Median, S::FlexorPollicisLongus, 120.0),
        (Nerve::Median, S::PronatorQuadratus, 200.0),
        (Nerve::Median, S::AbductorPollicisBrevis, 290.0),
        (Nerve::Median, S::ThumbAndIndexPulp, 410.0),
        (Nerve::Ulnar, S::FlexorCarpiUlnaris, 60.0),
        (Nerve::Ulnar, S::FlexorDigitorumProfundusUlnar, 83.0),
        (Nerve::Ulnar, S::AbductorDigitiMinimi, 262.0),
        (Nerve::Ulnar, S::FirstDorsalInterosseous, 320.0),
        (Nerve::Ulnar, S::LittleFingerPulp, 380.0),
        (Nerve::Musculocutaneous, S::Biceps, 162.0),
        (Nerve::Musculocutaneous, S::Brachialis, 210.0),
        (Nerve::Musculocutaneous, S::LateralForearm, 340.0),
        (Nerve::CommonFibular, S::ExtensorDigitorumLongus, 55.0),
        (Nerve::CommonFibular, S::FibularisLongus, 45.0),
        (Nerve::CommonFibular, S::ExtensorHallucisLongus, 120.0),
        (Nerve::CommonFibular, S::FirstDorsalWebOfFoot, 470.0),
        (Nerve::Tibial, S::GastrocnemiusMedial, -15.0),
        (Nerve::Tibial, S::GastrocnemiusLateral, -9.0),
        (Nerve::Tibial, S::Soleus, 14.0),
        (Nerve::Tibial, S::TibialisPosterior, 43.0),
        (Nerve::Tibial, S::FlexorHallucisLongus, 140.0),
        (Nerve::Tibial, S::FlexorDigitorumLongus, 150.0),
        (Nerve::Tibial, S::AbductorHallucis, 375.0),
        (Nerve::Tibial, S::Sole, 500.0),
        (Nerve::AnteriorInterosseous, S::PronatorQuadratus, 200.0),
        (Nerve::DeepFibular, S::ExtensorHallucisLongus, 120.0),
    ];
    for (nerve, structure, expected) in kept {
        near(mm(nerve, structure), expected, 1.0);
    }
    // An estimate of 75 mm; Friden, Lovering and Lieber 2004 read 73 mm for the second branch's entry.
    near(mm(Nerve::Median, S::FlexorCarpiRadialis), 73.0, 1e-9);
    // An estimate of 110 mm; Hwang 2007 has clusters of entries at 1/3 and 2/5 of the forearm, 83 and 100 of 250 mm.
    near(mm(Nerve::Median, S::FlexorDigitorumProfundusIndex), 0.4 * 250.0, 1e-9);
    // An estimate of 45 mm; Narita 2011 read 42 mm for the thickest branch, and Yi 2017 has the first entries at 86.5 to
    // 90.6 % of 320 mm from malleolus to fibular head: 30 to 43 mm below it.
    let tibialis = mm(Nerve::CommonFibular, S::TibialisAnterior);
    near(tibialis, 42.0, 1e-9);
    assert!((320.0 * (1.0 - 0.906)..=320.0 * (1.0 - 0.865)).contains(&tibialis));
    // Teres minor 40, deltoid 68 and lateral shoulder 110 mm from the acromion run down the surface of the arm and are no
    // path along the axillary nerve. From the quadrangular space the anterior branch is 44.5 mm long (26 to 62, 36 cadavers).
    near(mm(Nerve::Axillary, S::Deltoid), 44.5, 1e-9);
    assert_eq!(anatomy::position(Nerve::Axillary, Landmark::Acromion, Mm(0.0)), None);
}

#[test]
fn the_quadriceps_branches_keep_the_shares_of_the_femoral_dissection() {
    // Femoral motor branches, 16 thighs (Cureus): share of the way from inguinal ligament to patella, mean and SD.
    let shares = [
        (Structure::RectusFemoris, 0.19, 0.11),
        (Structure::VastusLateralis, 0.26, 0.08),
        (Structure::VastusMedialis, 0.55, 0.06),
    ];
    for (structure, mean, sd) in shares {
        let row = anatomy::branches(Nerve::Femoral).iter().find(|row| row.structure == structure).unwrap();
        near(row.mm / 400.0, mean, 1e-9);
        near((row.high - row.low) / 400.0, 2.0 * sd, 1e-9);
    }
}

#[test]
fn rows_are_in_order_and_inside_their_ranges() {
    for nerve in Nerve::ALL {
        let rows = anatomy::branches(*nerve);
        assert!(!rows.is_empty() && !anatomy::levels(*nerve).is_empty(), "{}", nerve.code());
        assert!(rows.is_sorted_by(|a, b| a.mm <= b.mm), "{}", nerve.code());
        assert!(anatomy::levels(*nerve).is_sorted_by(|a, b| a.mm <= b.mm), "{}", nerve.code());
        let structures: HashSet<Structure> = rows.iter().map(|row| row.structure).collect();
        assert_eq!(structures.len(), rows.len(), "{} lists a structure twice", nerve.code());
        for row in rows {
            assert!(row.low <= row.mm && row.mm <= row.high, "{}", row.structure.code());
            assert!(row.leaves_by.is_none_or(|leaves_by| leaves_by <= row.high), "{}", row.structure.code());
            assert!(!row.source.is_empty());
            assert_eq!(row.source.starts_with("estimate"), row.basis == Basis::Estimate, "{}", row.source);
        }
        for level in anatomy::levels(*nerve) {
            assert!(level.low <= level.mm && level.mm <= level.high, "{}", level.code);
            assert_eq!(level.nerve, *nerve);
        }
        let origin = anatomy::landmarks(*nerve)[0];
        assert_eq!((origin.landmark, origin.mm), (nerve.landmark(), 0.0));
    }
}

#[test]
fn every_structure_and_landmark_is_on_a_nerve() {
    let structures: HashSet<Structure> =
        Nerve::ALL.iter().flat_map(|nerve| anatomy::branches(*nerve)).map(|row| row.structure).collect();
    assert_eq!(structures.len(), Structure::ALL.len());
    let landmarks: HashSet<Landmark> = Nerve::ALL
        .iter()
        .flat_map(|nerve| anatomy::landmarks(*nerve))
        .map(|placed| placed.landmark)
        .collect();
    assert_eq!(landmarks.len(), Landmark::ALL.len());
}

#[test]
fn a_parent_lists_what_its_branch_nerves_reach_at_the_same_place() {
    let families = [
        (Nerve::Radial, [Nerve::PosteriorInterosseous, Nerve::SuperficialRadial].as_slice()),
        (Nerve::Median, &[Nerve::AnteriorInterosseous]),
        (Nerve::Ulnar, &[Nerve::DeepUlnar]),
        (Nerve::CommonFibular, &[Nerve::DeepFibular, Nerve::SuperficialFibular]),
        (Nerve::Sciatic, &[Nerve::CommonFibular, Nerve::Tibial]),
    ];
    for (parent, branches) in families {
        for branch in branches {
            for row in anatomy::branches(*branch) {
                near(mm(parent, row.structure), row.mm, 1e-9);
            }
        }
    }
    // Branovacki, 60 arms: the short wrist extensor's branch leaves the posterior interosseous nerve in 45 % only.
    let spared = |row: &anatomy::Branch| row.structure != Structure::ExtensorCarpiRadialisBrevis;
    assert!(anatomy::branches(Nerve::PosteriorInterosseous).iter().all(spared));
}

#[test]
fn targets_lie_distal_to_the_repair() {
    for nerve in Nerve::ALL {
        for level in anatomy::levels(*nerve) {
            for target in anatomy::targets(*nerve, Mm(level.mm)) {
                assert!(
                    target.path.0 >= 0.0 && target.low.0 >= 0.0,
                    "{} {}",
                    level.code,
                    target.structure.code()
                );
                assert!(
                    target.low <= target.path && target.path <= target.high,
                    "{}",
                    target.structure.code()
                );
            }
        }
    }
    assert!(anatomy::targets(Nerve::Radial, Mm(1000.0)).is_empty());
    assert!(anatomy::targets(Nerve::Radial, Mm(f64::NAN)).is_empty());
}

#[test]
fn a_branch_that_left_above_the_repair_is_not_a_target() {
    // The anterior interosseous nerve leaves the median nerve 20 to 80 mm below the elbow (handbook range), the dorsal
    // cutaneous branch the ulnar nerve 42 to 101 mm above the pisiform: a division beyond spares what they supply.
    let at = |nerve, landmark, distance| -> Vec<Structure> {
        let position = anatomy::position(nerve, landmark, Mm(distance)).unwrap();
        anatomy::targets(nerve, position).iter().map(|target| target.structure).collect()
    };
    let forearm = at(Nerve::Median, Landmark::WristCrease, -125.0);
    assert_eq!(forearm, [Structure::AbductorPollicisBrevis, Structure::ThumbAndIndexPulp]);
    let elbow = at(Nerve::Median, Landmark::InterepicondylarLine, 0.0);
    assert!(
        elbow.contains(&Structure::PronatorQuadratus) && elbow.contains(&Structure::FlexorPollicisLongus)
    );
    assert!(!at(Nerve::Ulnar, Landmark::WristCrease, 0.0).contains(&Structure::DorsalUlnarHand));
    assert!(at(Nerve::Ulnar, Landmark::MedialEpicondyle, 0.0).contains(&Structure::DorsalUlnarHand));
    // 30 mm beyond the wrist crease the abductor's branch is above the repair as well.
    assert_eq!(
        at(Nerve::DeepUlnar, Landmark::WristCrease, 30.0),
        [Structure::HandInterossei, Structure::AdductorPollicis, Structure::FirstDorsalInterosseous]
    );
}

#[test]
fn a_level_is_placed_from_any_landmark_of_its_nerve() {
    // Canovas 1998: forearm 250 mm.
    let place = |nerve, landmark, distance| anatomy::position(nerve, landmark, Mm(distance));
    assert_eq!(place(Nerve::Median, Landmark::WristCrease, -50.0), Some(Mm(200.0)));
    assert_eq!(place(Nerve::PosteriorInterosseous, Landmark::LateralEpicondyle, 40.0), Some(Mm(40.0)));
    assert_eq!(place(Nerve::Radial, Landmark::FibularHead, 40.0), None);
    assert_eq!(place(Nerve::Radial, Landmark::LateralEpicondyle, f64::NAN), None);
    assert_eq!(place(Nerve::Radial, Landmark::LateralEpicondyle, f64::INFINITY), None);
}

#[test]
fn neighbours_are_not_out_of_order_but_distant_muscles_are() {
    use Structure as S;
    let radial = |near, far| anatomy::clearly_distal(Nerve::Radial, near, far);
    assert!(radial(S::Brachioradialis, S::ExtensorDigitorum));
    assert!(radial(S::ExtensorDigitorum, S::ExtensorIndicis));
    assert!(!radial(S::ExtensorIndicis, S::ExtensorDigitorum));
    assert!(!radial(S::ExtensorDigitorum, S::ExtensorDigitorum));
    // Skin has no motor order; a muscle of another nerve none here.
    assert!(!radial(S::Brachioradialis, S::FirstDorsalWebOfHand));
    assert!(!radial(S::Brachioradialis, S::FirstDorsalInterosseous));
    // First dorsal interosseous may end stronger than abductor digiti minimi (after a supercharged anterior interosseous
    // transfer): not contradictory.
    assert!(!anatomy::clearly_distal(Nerve::Ulnar, S::AbductorDigitiMinimi, S::FirstDorsalInterosseous));
    assert!(anatomy::clearly_distal(Nerve::Ulnar, S::FlexorDigitorumProfundusUlnar, S::AbductorDigitiMinimi));
    assert!(anatomy::clearly_distal(Nerve::CommonFibular, S::TibialisAnterior, S::ExtensorHallucisLongus));
    assert!(anatomy::clearly_distal(Nerve::Tibial, S::Soleus, S::FlexorHallucisLongus));
}

#[test]
fn the_swap_tolerance_is_the_widest_published_swap() {
    // Abrams 1997 against Branovacki and Sawyer 2020: supinator and ECRB, EPL and EPB, EDM and APL.
    let gap = |a, b| (mm(Nerve::Radial, a) - mm(Nerve::Radial, b)).abs();
    let widest = gap(Structure::Supinator, Structure::ExtensorCarpiRadialisBrevis)
        .max(gap(Structure::ExtensorPollicisLongus, Structure::ExtensorPollicisBrevis))
        .max(gap(Structure::ExtensorDigitiMinimi, Structure::AbductorPollicisLongus));
    near(SWAP_TOLERANCE.0, widest, 1e-9);
}

#[test]
fn groups_are_those_of_the_protocol() {
    // Protocol, [denervation] and [donor_path_mm]: hand intrinsics, and muscles of the common fibular nerve.
    for row in anatomy::branches(Nerve::DeepUlnar) {
        assert!(row.structure.is_hand_intrinsic() && row.structure.is_distal_limit());
    }
    for row in anatomy::branches(Nerve::CommonFibular) {
        let muscle = row.structure.kind() == Kind::Muscle;
        assert_eq!(row.structure.is_distal_limit(), muscle, "{}", row.structure.code());
        assert!(!row.structure.is_hand_intrinsic());
    }
    for nerve in [Nerve::Radial, Nerve::Tibial, Nerve::Femoral, Nerve::Musculocutaneous, Nerve::Axillary] {
        assert!(
            anatomy::branches(nerve).iter().all(|row| !row.structure.is_distal_limit()),
            "{}",
            nerve.code()
        );
    }
    assert!(Structure::AbductorPollicisBrevis.is_hand_intrinsic());
    assert_eq!(Nerve::Sciatic.limb(), Limb::Lower);
    assert_eq!(Nerve::Digital.limb(), Limb::Upper);
}

#[test]
fn motor_only_nerves_reach_no_skin() {
    for nerve in Nerve::ALL {
        let skin = anatomy::branches(*nerve).iter().any(|row| row.structure.kind() == Kind::Skin);
        assert_eq!(nerve.is_motor_only(), !skin, "{}", nerve.code());
    }
}

/// Code and display of every concept line of a published code system.
fn published(text: &str) -> Vec<(&str, &str)> {
    text.lines()
        .filter_map(|line| {
            let (code, rest) =
                line.trim().strip_prefix("{ \"code\": \"")?.split_once("\", \"display\": \"")?;
            Some((code, rest.split_once('"')?.0))
        })
        .collect()
}

/// Codes round-trip, are unique, and agree with the published code system, in its order.
macro_rules! agrees {
    ($name:ident, $kind:ident, $file:literal) => {
        #[test]
        fn $name() {
            let text = include_str!(concat!("../../../profiles/codes/", $file, ".json"));
            let known: Vec<(&str, &str)> = $kind::ALL.iter().map(|one| (one.code(), one.display())).collect();
            assert_eq!(published(text), known);
            assert!(text.contains(&format!("\"count\": {},", known.len())));
            assert!(text.contains(concat!("\"https://endplate.example/fhir/CodeSystem/", $file, "\"")));
            let codes: HashSet<&str> = known.iter().map(|(code, _)| *code).collect();
            let displays: HashSet<&str> = known.iter().map(|(_, display)| *display).collect();
            assert_eq!((codes.len(), displays.len()), (known.len(), known.len()));
            for one in $kind::ALL {
                assert_eq!($kind::from_code(one.code()), Some(*one));
                assert!(one.code().bytes().all(|b| b.is_ascii_lowercase() || b == b'-'), "{}", one.code());
            }
            assert_eq!($kind::from_code(""), None);
        }
    };
}

agrees!(nerves_agree_with_their_code_system, Nerve, "nerve");
agrees!(landmarks_agree_with_their_code_system, Landmark, "landmark");
agrees!(structures_agree_with_their_code_system, Structure, "reinnervation-target");
