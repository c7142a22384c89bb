//! Least disturbance over a thousand simulated histories: no booked review is moved. A booked day is a fixed point: none need be
//! moved, so none may be. How little open reviews move is for `schedule.rs` beside this file.
//! Every history follows from the seed, which a failure prints.

use endplate_recovery::anatomy::{Kind, Nerve};
use endplate_recovery::assessment::{Finding, Sign};
use endplate_recovery::episode::{Booking, Episode, Followed};
use endplate_recovery::protocol::Protocol;
use endplate_recovery::repair::{PathBasis, Place, Repair, RepairedNerve, Target, Technique};
use endplate_recovery::unit::{Date, DateRange, Mm};

/// splitmix64 (Steele and others 2014).
struct Dice(u64);

impl Dice {
    fn roll(&mut self, low: i32, high: i32) -> i32 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        low + i32::try_from((z ^ (z >> 31)) % u64::try_from(high - low + 1).unwrap()).unwrap()
    }
}

fn episode(dice: &mut Dice) -> Episode {
    let on = Date::new(2026, 3, 2).unwrap();
    let target = |i: usize, mm: i32| Target {
        place: Place::Named { text: format!("muscle {i}"), kind: Kind::Muscle },
        path: Mm(f64::from(mm)),
        basis: PathBasis::Measured,
    };
    let graft = dice.roll(0, 1) == 1;
    let repair = Repair {
        id: "Procedure/r1".to_owned(),
        nerve: RepairedNerve::Known(Nerve::Median),
        side: None,
        technique: if graft { Technique::Autograft } else { Technique::DirectCoaptation },
        gap: Mm(if graft { f64::from(dice.roll(15, 60)) } else { 0.0 }),
        targets: vec![target(0, dice.roll(50, 120)), target(1, dice.roll(120, 260))],
        operated: DateRange::exact(on),
        age_years: u16::try_from(dice.roll(15, 60)).ok(),
        donor_paths: Vec::new(),
    };
    Episode {
        injured: DateRange::exact(on.plus(-dice.roll(0, 60))),
        repairs: vec![Followed { repair, findings: Vec::new() }],
        visits: Vec::new(),
        bookings: Vec::new(),
        closed: Vec::new(),
        known_since: on,
    }
}

/// Bookings, visits and findings follow each other for two years; after each, every booking still to come must stand.
#[test]
fn no_booked_review_is_moved_in_a_thousand_histories() {
    let protocol = Protocol::default();
    let (mut bookings, mut moved, mut steps) = (0, 0, 0);
    for seed in 0..1000 {
        let mut dice = Dice(seed);
        let mut episode = episode(&mut dice);
        for step in 0..dice.roll(3, 7) {
            steps += 1;
            let before = episode.outlook(&protocol);
            let Some(next) = before.reviews.first() else { break };
            match dice.roll(0, 2) {
                // Somebody books one of the next reviews, now and then outside its window.
                0 => {
                    let ahead = usize::try_from(dice.roll(0, 2)).unwrap().min(before.reviews.len() - 1);
                    let review = &before.reviews[ahead];
                    let room = review.closes_on.days_since(review.opens_on);
                    let on = review.opens_on.plus(dice.roll(-3, room + 3));
                    let taken = episode.bookings.iter().any(|b| b.review == review.key || b.on == on);
                    if on > episode.seen_on() && !taken {
                        episode.bookings.push(Booking { review: review.key.clone(), on });
                        bookings += 1;
                    }
                }
                // The patient is seen on the next day planned, with a finding.
                1 => {
                    let on = next.on;
                    episode.visits.push(on);
                    episode.closed.push(next.key.clone());
                    episode.bookings.retain(|booking| booking.on > on);
                    let days = on.days_since(Date::new(2026, 3, 2).unwrap());
                    let front = Mm(f64::from((days - 20).max(0)) * 0.9);
                    episode.repairs[0].findings.push(Finding {
                        id: format!("Observation/{step}"),
                        on,
                        sign: Sign::Tinel(front),
                    });
                }
                // The operation note is corrected.
                _ => {
                    let repair = &mut episode.repairs[0].repair;
                    repair.targets[0].path = Mm(repair.targets[0].path.0 + f64::from(dice.roll(-15, 15)));
                }
            }
            let after = episode.outlook(&protocol);
            for booking in episode.bookings.iter().filter(|booking| booking.on > episode.seen_on()) {
                let stands =
                    after.reviews.iter().any(|r| r.booked && r.on == booking.on && r.key == booking.review);
                moved += usize::from(!stands);
                assert!(stands, "seed {seed} step {step}: {booking:?} {:?}", after.reviews);
            }
        }
    }
    println!("{bookings} bookings through {steps} steps, {moved} moved");
    assert!(bookings > 500, "{bookings}");
}
