//! The invented clinic: who is operated on, and what nature does with each repair.
//!
//! The records are in `fixtures/clinic`; here stands only what no record knows: the true growth of each nerve. Nothing of it is
//! evidence of anything.

use endplate_recovery::growth::Course;
use endplate_recovery::milestone::Milestone;
use endplate_recovery::protocol::Protocol;
use endplate_recovery::repair::Technique;
use endplate_recovery::unit::{Days, Mm, MmPerDay};
use jiff::civil::Date;

/// One patient of the clinic.
pub(super) struct Patient {
    /// Name, as in the record.
    pub name: &'static str,
    /// Record number.
    pub number: &'static str,
    /// Transactions that arrive, each on its day.
    pub arrivals: Vec<(Date, &'static str)>,
    /// The repairs as nature sees them.
    pub repairs: Vec<Nature>,
    /// From this day on the patient does not come any more.
    pub lost_from: Option<Date>,
    /// Days on which the patient does not come though booked.
    pub misses: Vec<u32>,
    /// Whether the surgeon answers alerts about this patient.
    pub answered: bool,
}

/// One repair as nature sees it.
pub(super) struct Nature {
    /// Identifier of the Procedure.
    pub operation: &'static str,
    /// Nerve code.
    pub nerve: &'static str,
    /// Day of the operation.
    pub on: Date,
    technique: Technique,
    gap: f64,
    rate: f64,
    latency: f64,
    /// Whether signs come early or late once axons have arrived, in standard deviations.
    lateness: f64,
    arrest: Option<f64>,
    /// Structure code, whether it is skin, path length.
    targets: &'static [(&'static str, bool, f64)],
}

/// What can be found at one target on one day.
pub(super) struct Found {
    /// Structure code.
    pub structure: &'static str,
    /// Whether it is skin.
    pub skin: bool,
    /// The furthest milestone there, if any.
    pub furthest: Option<Milestone>,
}

impl Nature {
    fn course(&self, protocol: &Protocol) -> Course {
        self.technique.course(Mm(self.gap), protocol)
    }

    fn end(&self, course: &Course) -> Mm {
        let furthest = self.targets.iter().map(|(_, _, path)| *path).fold(0.0, f64::max);
        course.gap + Mm(furthest)
    }

    /// Where a Tinel sign is found, with the error of an examiner; none once the front has arrived everywhere.
    pub fn tinel(&self, day: i32, protocol: &Protocol) -> Option<Mm> {
        let course = self.course(protocol);
        let end = self.end(&course);
        let front = course.front(Days(f64::from(day)), MmPerDay(self.rate), Days(self.latency), end);
        let front = self.arrest.map_or(front.0, |at| front.0.min(at));
        // An error that looks like one and is the same every time: between -5 and 5 mm.
        let error = f64::from((day * 7919).rem_euclid(11) - 5);
        (front < end.0).then_some(Mm((front + error).max(0.0).round()))
    }

    /// What can be found at each target.
    pub fn signs(&self, day: i32, protocol: &Protocol) -> Vec<Found> {
        let course = self.course(protocol);
        let of = |&(structure, skin, path): &(&'static str, bool, f64)| {
            let position = course.gap + Mm(path);
            let arrested = self.arrest.is_some_and(|at| position.0 > at);
            let arrival = course.arrival(position, MmPerDay(self.rate), Days(self.latency)).0;
            let there = |milestone: &&Milestone| {
                !arrested && arrival + protocol.delay(**milestone).at(self.lateness) <= f64::from(day)
            };
            let milestones = if skin { &Milestone::ALL[4..] } else { &Milestone::ALL[1..4] };
            Found { structure, skin, furthest: milestones.iter().rev().find(there).copied() }
        };
        self.targets.iter().map(of).collect()
    }
}

macro_rules! record {
    ($name:literal) => {
        include_str!(concat!("../../../../fixtures/clinic/", $name, ".json"))
    };
}

const fn day(year: i16, month: i8, day: i8) -> Date {
    Date::constant(year, month, day)
}

/// A repair of which only a few things are out of the ordinary.
fn nature(
    operation: &'static str,
    nerve: &'static str,
    on: Date,
    (technique, gap): (Technique, f64),
    (rate, latency, lateness): (f64, f64, f64),
    targets: &'static [(&'static str, bool, f64)],
) -> Nature {
    Nature { operation, nerve, on, technique, gap, rate, latency, lateness, arrest: None, targets }
}

fn patient(
    name: &'static str,
    number: &'static str,
    arrivals: Vec<(Date, &'static str)>,
    repairs: Vec<Nature>,
) -> Patient {
    Patient { name, number, arrivals, repairs, lost_from: None, misses: Vec::new(), answered: true }
}

/// Everybody.
pub(super) fn cast() -> Vec<Patient> {
    let mut all = those_who_recover();
    all.extend(those_who_do_not());
    all.sort_by_key(|patient| patient.number);
    all
}

/// Repairs whose front moves on.
#[allow(clippy::too_many_lines, reason = "a table: one patient after the other")]
fn those_who_recover() -> Vec<Patient> {
    use Technique::{Autograft, DirectCoaptation, NerveTransfer};
    vec![
        // Goes as expected.
        patient(
            "Alder",
            "P-001",
            vec![(day(2025, 1, 15), record!("01-alder"))],
            vec![nature(
                "O-001-1",
                "posterior-interosseous",
                day(2025, 1, 14),
                (Autograft, 30.0),
                (1.35, 26.0, 0.0),
                &[
                    ("extensor-digitorum", false, 70.0),
                    ("extensor-pollicis-longus", false, 125.0),
                    ("extensor-indicis", false, 160.0),
                ],
            )],
        ),
        // Misses one review.
        Patient {
            misses: vec![2],
            ..patient(
                "Birch",
                "P-002",
                vec![(day(2025, 1, 22), record!("02-birch"))],
                vec![nature(
                    "O-002-1",
                    "median",
                    day(2025, 1, 21),
                    (DirectCoaptation, 0.0),
                    (1.1, 30.0, 0.3),
                    &[("abductor-pollicis-brevis", false, 45.0), ("thumb-and-index-pulp", true, 165.0)],
                )],
            )
        },
        // Three nerves in one operation: one plan, one visit each time.
        patient(
            "Cedar",
            "P-003",
            vec![(day(2025, 2, 5), record!("03-cedar"))],
            vec![
                nature(
                    "O-003-1",
                    "median",
                    day(2025, 2, 4),
                    (DirectCoaptation, 0.0),
                    (1.5, 24.0, -0.2),
                    &[("abductor-pollicis-brevis", false, 165.0), ("thumb-and-index-pulp", true, 285.0)],
                ),
                nature(
                    "O-003-2",
                    "ulnar",
                    day(2025, 2, 4),
                    (DirectCoaptation, 0.0),
                    (1.4, 25.0, 0.0),
                    &[
                        ("abductor-digiti-minimi", false, 140.0),
                        ("first-dorsal-interosseous", false, 195.0),
                        ("little-finger-pulp", true, 255.0),
                    ],
                ),
                nature(
                    "O-003-3",
                    "superficial-radial",
                    day(2025, 2, 4),
                    (DirectCoaptation, 0.0),
                    (1.5, 24.0, -0.5),
                    &[("first-dorsal-web-of-hand", true, 140.0)],
                ),
            ],
        ),
        // A child who recovers early.
        patient(
            "Larch",
            "P-007",
            vec![(day(2025, 2, 26), record!("07-larch"))],
            vec![nature(
                "O-007-1",
                "digital",
                day(2025, 2, 25),
                (DirectCoaptation, 0.0),
                (1.9, 18.0, -1.2),
                &[("digit-pulp", true, 50.0)],
            )],
        ),
        // A transfer close to the muscle.
        patient(
            "Maple",
            "P-008",
            vec![(day(2025, 3, 5), record!("08-maple"))],
            vec![nature(
                "O-008-1",
                "axillary",
                day(2025, 3, 4),
                (NerveTransfer, 0.0),
                (1.3, 28.0, 0.1),
                &[("deltoid", false, 45.0)],
            )],
        ),
        // Known only to the month, and registered late.
        patient(
            "Willow",
            "P-010",
            vec![(day(2025, 3, 3), record!("10-willow"))],
            vec![nature(
                "O-010-1",
                "musculocutaneous",
                day(2025, 2, 10),
                (DirectCoaptation, 0.0),
                (1.3, 28.0, 0.0),
                &[("biceps", false, 60.0), ("brachialis", false, 110.0), ("lateral-forearm", true, 235.0)],
            )],
        ),
    ]
}

/// Repairs that stall, and a patient who is lost.
fn those_who_do_not() -> Vec<Patient> {
    use Technique::{Autograft, Conduit, DirectCoaptation, ProcessedAllograft};
    let radial: &[_] = &[
        ("brachioradialis", false, 60.0),
        ("extensor-carpi-radialis-longus", false, 75.0),
        ("extensor-digitorum", false, 170.0),
    ];
    vec![
        // Stalls, and nobody answers.
        Patient {
            answered: false,
            ..patient(
                "Elm",
                "P-004",
                vec![(day(2025, 1, 29), record!("04-elm"))],
                vec![Nature {
                    arrest: Some(18.0),
                    ..nature(
                        "O-004-1",
                        "radial",
                        day(2025, 1, 28),
                        (ProcessedAllograft, 45.0),
                        (1.2, 30.0, 0.0),
                        &[
                            ("brachioradialis", false, 95.0),
                            ("extensor-carpi-radialis-longus", false, 110.0),
                            ("extensor-digitorum", false, 205.0),
                        ],
                    )
                }],
            )
        },
        // Stalls, is grafted again in time, and recovers.
        patient(
            "Hazel",
            "P-005",
            vec![
                (day(2025, 2, 12), record!("05-hazel")),
                (day(2025, 9, 17), record!("05-hazel-second-graft")),
            ],
            vec![
                Nature {
                    arrest: Some(12.0),
                    ..nature(
                        "O-005-1",
                        "radial",
                        day(2025, 2, 11),
                        (Autograft, 50.0),
                        (1.2, 28.0, 0.0),
                        radial,
                    )
                },
                nature("O-005-2", "radial", day(2025, 9, 16), (Autograft, 65.0), (1.3, 26.0, -0.2), radial),
            ],
        ),
        // Is lost to follow-up.
        Patient {
            lost_from: Some(day(2025, 5, 1)),
            ..patient(
                "Juniper",
                "P-006",
                vec![(day(2025, 2, 21), record!("06-juniper"))],
                vec![nature(
                    "O-006-1",
                    "common-fibular",
                    day(2025, 2, 20),
                    (DirectCoaptation, 0.0),
                    (1.0, 30.0, 0.0),
                    &[("tibialis-anterior", false, 22.0), ("extensor-hallucis-longus", false, 67.0)],
                )],
            )
        },
        // Stalls in a conduit; a tendon transfer gives back what regeneration will not.
        patient(
            "Rowan",
            "P-009",
            vec![
                (day(2025, 3, 12), record!("09-rowan")),
                (day(2026, 4, 15), record!("09-rowan-tendon-transfer")),
            ],
            vec![Nature {
                arrest: Some(20.0),
                ..nature(
                    "O-009-1",
                    "posterior-interosseous",
                    day(2025, 3, 11),
                    (Conduit, 25.0),
                    (1.1, 30.0, 0.0),
                    &[("extensor-digitorum", false, 75.0), ("extensor-pollicis-longus", false, 130.0)],
                )
            }],
        ),
    ]
}
