//! How long an assessment and a schedule take, beside the same assessment by NumPy and SciPy (tests/reference/speed.py).
//!
//! `cargo bench -p endplate-recovery`. Each figure is the median of many runs on one core.

use endplate_recovery::anatomy::{Kind, Nerve};
use endplate_recovery::assessment::{Finding, Sign, assess};
use endplate_recovery::episode::{Episode, Followed};
use endplate_recovery::milestone::MotorGrade;
use endplate_recovery::protocol::Protocol;
use endplate_recovery::repair::{PathBasis, Place, Repair, RepairedNerve, Target, Technique};
use endplate_recovery::schedule::{self, Calendar, Problem, Purpose, Requirement, Spacing};
use endplate_recovery::unit::{Date, DateRange, Mm};
use std::hint::black_box;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

const RUNS: usize = 2_000;

/// Median time of one run in µs.
fn median_us(mut run: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..RUNS)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed().as_secs_f64() * 1e6
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[RUNS / 2]
}

fn operated() -> Date {
    Date::new(2026, 3, 2).expect("a date")
}

fn muscle(name: &str) -> Place {
    Place::Named { text: name.to_owned(), kind: Kind::Muscle }
}

/// An autograft of 30 mm with targets at 60, 80 and 100 mm.
fn repair() -> Repair {
    let target = |(name, mm)| Target { place: muscle(name), path: Mm(mm), basis: PathBasis::Measured };
    Repair {
        id: "repair".to_owned(),
        nerve: RepairedNerve::Known(Nerve::Radial),
        side: None,
        technique: Technique::Autograft,
        gap: Mm(30.0),
        operated: DateRange::exact(operated()),
        age_years: Some(30),
        targets: [("a", 60.0), ("b", 80.0), ("c", 100.0)].map(target).to_vec(),
        donor_paths: Vec::new(),
    }
}

/// Six examinations: a Tinel distance and three motor grades each.
fn findings() -> Vec<Finding> {
    let exams = [
        (42, 10.0, [0, 0, 0]),
        (91, 45.0, [0, 0, 0]),
        (140, 95.0, [0, 0, 0]),
        (182, 128.0, [1, 0, 0]),
        (231, 131.0, [3, 1, 1]),
        (273, 125.0, [4, 3, 2]),
    ];
    let mut all = Vec::new();
    for (day, tinel, grades) in exams {
        let on = operated().plus(day);
        all.push(Finding { id: format!("tinel-{day}"), on, sign: Sign::Tinel(Mm(tinel)) });
        for (name, grade) in ["a", "b", "c"].into_iter().zip(grades) {
            let grade = MotorGrade::new(grade).expect("0 to 5");
            all.push(Finding { id: format!("{name}-{day}"), on, sign: Sign::Motor(muscle(name), grade) });
        }
    }
    all
}

fn main() {
    let protocol = Protocol::default();
    let (repair, findings, injured) = (repair(), findings(), DateRange::exact(operated()));
    let ours = median_us(|| {
        black_box(assess(black_box(&repair), injured, black_box(&findings), &protocol, |_| true));
    });
    println!("assessment, one repair, three targets, six exams: {ours:.0} µs (aim: at most 300)");
    match scipy_us() {
        Some(theirs) => println!("the same by NumPy and SciPy: {theirs:.0} µs; ratio {:.0}", theirs / ours),
        None => println!(
            "the same by NumPy and SciPy: not measured; it wants numpy and scipy in target/tmp/scipy (see this file)"
        ),
    }
    let schedule = schedule_us(&protocol);
    println!("schedule, three repairs: {schedule:.1} µs (aim: at most 50)");
    let episode = Episode {
        injured,
        repairs: vec![Followed { repair, findings }],
        visits: Vec::new(),
        bookings: Vec::new(),
        known_since: operated(),
        closed: Vec::new(),
    };
    let outlook = median_us(|| {
        black_box(black_box(&episode).outlook(&protocol));
    });
    println!("outlook of the same episode, assessments and reviews: {outlook:.0} µs");
}

/// A schedule for three repairs a week apart with the usual requirements of each.
fn schedule_us(protocol: &Protocol) -> f64 {
    let mut requirements = Vec::new();
    let mut spacing = Vec::new();
    for i in 0..3 {
        let from = operated().plus(7 * i);
        spacing.push(Spacing::of(from, &protocol.schedule));
        let mut ask = |purpose, [first, last]: [i32; 2]| {
            requirements.push(Requirement {
                purpose,
                subject: format!("{i}"),
                opens_on: from.plus(first),
                closes_on: from.plus(last),
            });
        };
        ask(Purpose::Wound, protocol.schedule.wound);
        ask(Purpose::Baseline, protocol.schedule.baseline);
        ask(Purpose::Outcome, protocol.schedule.outcome);
        for target in 0..3 {
            ask(Purpose::Milestone, [150 + 20 * target + 9 * i, 210 + 25 * target + 9 * i]);
            ask(Purpose::Decision, [280 - 20 * target + 9 * i, 322 - 20 * target + 9 * i]);
            ask(Purpose::Decision, [380 - 20 * target + 9 * i, 422 - 20 * target + 9 * i]);
        }
    }
    let open: Vec<Date> = [13, 43, 120, 200, 290, 372, 550, 735].map(|day| operated().plus(day)).to_vec();
    let problem = Problem {
        seen_on: operated(),
        not_before: operated(),
        catch_up: 14,
        requirements: &requirements,
        spacing: &spacing,
        calendar: Calendar::of(&protocol.schedule),
        booked: &[],
        open: &open,
    };
    median_us(|| {
        black_box(schedule::days(black_box(&problem)));
    })
}

/// The time that the reference script takes for the same assessment, µs.
fn scipy_us() -> Option<f64> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    // python3 -m venv target/tmp/scipy; target/tmp/scipy/bin/pip install -r tests/reference/requirements.txt
    let python = root.join("target/tmp/scipy/bin/python");
    let python = if python.exists() { python } else { "python3".into() };
    let script = root.join("tests/reference/speed.py");
    let output = Command::new(python).arg(script).output().ok().filter(|output| output.status.success())?;
    let text = String::from_utf8(output.stdout).ok()?;
    let number = text.split("\"us\":").nth(1)?;
    number.trim().trim_end_matches(|c: char| !c.is_ascii_digit()).parse().ok()
}
