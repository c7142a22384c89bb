//! The schedule against exhaustive search on thousands of small random cases.
//!
//! Interval stabbing with unit cost is solved exactly by the greedy choice (a standard exchange argument); the exhaustive search
//! here knows nothing of it and tries every set of clinic days.

use endplate_recovery::protocol;
use endplate_recovery::schedule::{Calendar, Day, Problem, Purpose, Requirement, Spacing, days};
use endplate_recovery::unit::Date;

/// A generator of reproducible numbers (splitmix64, Steele and others 2014); the seed of a failing case is printed.
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

const HORIZON: i32 = 18;

fn start() -> Date {
    Date::new(2026, 3, 2).unwrap() // a Monday
}

struct Case {
    requirements: Vec<Requirement>,
    spacing: Vec<Spacing>,
    schedule: protocol::Schedule,
    booked: Vec<Date>,
    open: Vec<Date>,
}

fn case(seed: u64) -> Case {
    let mut dice = Dice(seed);
    let mut schedule = protocol::Protocol::default().schedule;
    schedule.clinic_weekdays =
        [true, dice.roll(0, 1) == 1, true, dice.roll(0, 1) == 1, true, true, dice.roll(0, 1) == 1];
    let mut requirements = Vec::new();
    for i in 0..dice.roll(1, 5) {
        let opens = dice.roll(1, HORIZON - 4);
        let closes = (opens + dice.roll(2, 7)).min(HORIZON);
        requirements.push(Requirement {
            purpose: Purpose::Surveillance,
            subject: format!("{i}"),
            opens_on: start().plus(opens),
            closes_on: start().plus(closes),
        });
    }
    let last = requirements.iter().map(|r| r.opens_on).max().unwrap();
    let mut spacing = Vec::new();
    for _ in 0..dice.roll(0, 2) {
        let from = start().plus(dice.roll(0, 4));
        let short = dice.roll(3, 6);
        spacing.push(Spacing {
            from,
            long_from: from.plus(dice.roll(3, 9)),
            until: last.plus(-dice.roll(0, 2)),
            short,
            long: short + dice.roll(0, 4),
        });
    }
    let day = |dice: &mut Dice| start().plus(dice.roll(1, HORIZON));
    let booked = (0..dice.roll(0, 2)).map(|_| day(&mut dice)).collect();
    let open = (0..dice.roll(0, 3)).map(|_| day(&mut dice)).collect();
    Case { requirements, spacing, schedule, booked, open }
}

impl Case {
    fn solve(&self) -> Vec<Day> {
        days(&Problem {
            seen_on: start(),
            not_before: start(),
            catch_up: 14,
            requirements: &self.requirements,
            spacing: &self.spacing,
            calendar: Calendar::of(&self.schedule),
            booked: &self.booked,
            open: &self.open,
        })
    }

    /// Whether a set of days does everything that is asked: stated anew, from the words of the protocol.
    fn serves(&self, days: &[Date]) -> bool {
        let stabbed = |r: &Requirement| days.iter().any(|day| r.opens_on <= *day && *day <= r.closes_on);
        let spaced = |spacing: &Spacing| {
            let mut previous = start();
            for day in days.iter().copied().chain([Date::new(9999, 1, 1).unwrap()]) {
                let from = previous.max(spacing.from);
                let limit = if from < spacing.long_from { spacing.short } else { spacing.long };
                if from < spacing.until && day > from.plus(limit) {
                    return false;
                }
                previous = day;
            }
            true
        };
        self.requirements.iter().all(stabbed)
            && self.spacing.iter().all(spaced)
            && self.booked.iter().all(|day| days.contains(day))
    }

    /// The fewest days, and among those the most open ones kept, by trying all sets. None if nothing serves.
    fn exhaustive(&self) -> Option<(usize, usize)> {
        let calendar = Calendar::of(&self.schedule);
        let candidates: Vec<Date> = (1..=HORIZON)
            .map(|day| start().plus(day))
            .filter(|day| calendar.is_open(*day) || self.booked.contains(day))
            .collect();
        let mut best: Option<(usize, usize)> = None;
        for set in 0_u32..1 << candidates.len() {
            let count = set.count_ones() as usize;
            if best.is_some_and(|(fewest, _)| count > fewest) {
                continue;
            }
            let days: Vec<Date> = candidates
                .iter()
                .enumerate()
                .filter(|(i, _)| set >> i & 1 == 1)
                .map(|(_, day)| *day)
                .collect();
            if self.serves(&days) {
                let kept = days.iter().filter(|day| self.open.contains(day)).count();
                best = match best {
                    Some((fewest, most)) if (fewest, usize::MAX - most) <= (count, usize::MAX - kept) => {
                        Some((fewest, most))
                    }
                    _ => Some((count, kept)),
                };
            }
        }
        best
    }
}

#[test]
fn as_few_days_as_exhaustive_search_and_as_many_kept() {
    let (mut solved, mut with_open) = (0, 0);
    for seed in 0..2_500 {
        let case = case(seed);
        // Where no set of days serves, the schedule compromises; that is not what is compared here.
        let Some((fewest, most)) = case.exhaustive() else { continue };
        let days = case.solve();
        let chosen: Vec<Date> = days.iter().map(|day| day.on).collect();
        assert!(
            case.serves(&chosen),
            "seed {seed}: {chosen:?} does not serve {:?} {:?}",
            case.requirements,
            case.spacing
        );
        assert_eq!(chosen.len(), fewest, "seed {seed}: {chosen:?}");
        let kept = chosen.iter().filter(|day| case.open.contains(day)).count();
        assert_eq!(kept, most, "seed {seed}: {chosen:?} keeps fewer of {:?} than it could", case.open);
        solved += 1;
        with_open += usize::from(!case.open.is_empty());
    }
    assert!(
        solved > 1_000 && with_open > 500,
        "only {solved} cases had a solution, {with_open} with open days"
    );
}

#[test]
fn each_review_may_move_within_its_window_and_no_further() {
    for seed in 0..1_500 {
        let case = case(seed);
        if case.exhaustive().is_none() {
            continue;
        }
        let days = case.solve();
        let calendar = Calendar::of(&case.schedule);
        for (i, day) in days.iter().enumerate() {
            assert!(day.from <= day.on && day.on <= day.to, "seed {seed}");
            if case.booked.contains(&day.on) {
                continue;
            }
            for offset in 0..=day.to.days_since(day.from) {
                let moved = day.from.plus(offset);
                let mut chosen: Vec<Date> = days.iter().map(|day| day.on).collect();
                chosen[i] = moved;
                let inside = moved == day.on || !calendar.is_open(moved) || case.serves(&chosen);
                assert!(
                    inside,
                    "seed {seed}: review {i} {day:?} moved to {moved} breaks {:?} {:?}",
                    case.requirements, case.spacing
                );
            }
        }
    }
}

/// Goal: a repair that became known late asks for its first review soon, and for none in the past.
#[test]
fn what_was_due_before_the_repair_was_known_is_due_soon() {
    let mut case = case(1);
    case.schedule.clinic_weekdays = [true; 7];
    case.booked.clear();
    let known = start().plus(10);
    let requirement = |opens, closes| Requirement {
        purpose: Purpose::Milestone,
        subject: "late".to_owned(),
        opens_on: start().plus(opens),
        closes_on: start().plus(closes),
    };
    let requirements = [requirement(2, 4), requirement(60, 70)];
    let days = days(&Problem {
        seen_on: start(),
        not_before: known,
        catch_up: 14,
        requirements: &requirements,
        spacing: &[],
        calendar: Calendar::of(&case.schedule),
        booked: &[],
        open: &[],
    });
    assert_eq!(days.len(), 2, "{days:?}");
    assert!(known <= days[0].on && days[0].on <= known.plus(14), "{days:?}");
    assert!(known <= days[0].from && days[0].to <= known.plus(14), "{days:?}");
}
