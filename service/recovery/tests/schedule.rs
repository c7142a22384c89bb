//! The schedule against exhaustive search on thousands of small random cases.
//!
//! Interval stabbing with unit cost is solved exactly by the greedy choice (a standard exchange argument); the exhaustive search
//! here knows nothing of it and tries every set of clinic days.

use endplate_recovery::protocol;
use endplate_recovery::schedule::capacity::{Capacity, Place, places};
use endplate_recovery::schedule::{Calendar, Day, Problem, Purpose, Requirement, Spacing, days};
use endplate_recovery::unit::Date;
use std::collections::BTreeMap;

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
        days(&self.problem())
    }

    fn problem(&self) -> Problem<'_> {
        Problem {
            seen_on: start(),
            not_before: start(),
            catch_up: 14,
            requirements: &self.requirements,
            spacing: &self.spacing,
            calendar: Calendar::of(&self.schedule),
            booked: &self.booked,
            open: &self.open,
        }
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

/// Goal: a day is never over-full where another day would do, and where none would, it is said. The rule is stated anew: a
/// review that is not booked may stand on any clinic day of its room on which, the others staying where they are, everything
/// is still served.
#[test]
fn no_day_is_overfull_where_another_would_do() {
    const MOST: u32 = 2;
    let (mut moved, mut crowded, mut kept) = (0, 0, 0);
    for seed in 0..1_200 {
        let case = case(seed);
        if case.exhaustive().is_none() {
            continue;
        }
        let mut dice = Dice(seed ^ 0x5eed);
        let busy = dice.roll(0, 3);
        let mut others: BTreeMap<Date, u32> = BTreeMap::new();
        for day in 0..=HORIZON {
            others.insert(start().plus(day), u32::try_from(dice.roll(0, busy)).unwrap());
        }
        let days = case.solve();
        let calendar = Calendar::of(&case.schedule);
        let keys: Vec<String> = (0..days.len()).map(|i| i.to_string()).collect();
        let movable: Vec<Option<&str>> = days
            .iter()
            .zip(&keys)
            .map(|(day, key)| (!case.booked.contains(&day.on)).then_some(key.as_str()))
            .collect();
        let is_full = |day: &Date| others.get(day).copied().unwrap_or(0) >= MOST;
        let find = |proposed: &BTreeMap<String, Date>| {
            let capacity = Capacity { reviews_max: MOST, others: &others, proposed };
            places(&case.problem(), &days, &movable, &capacity)
        };
        let found: Vec<Place> = find(&BTreeMap::new());
        let chosen: Vec<Date> = found.iter().map(|place| place.on).collect();
        assert!(case.serves(&chosen), "seed {seed}: {found:?}");
        for (i, (place, day)) in found.iter().zip(&days).enumerate() {
            if movable[i].is_none() {
                assert_eq!((place.on, place.crowded), (day.on, false), "seed {seed}: booked");
                continue;
            }
            assert!((day.from..=day.to).contains(&place.on), "seed {seed}: {place:?} outside {day:?}");
            assert_eq!(place.crowded, is_full(&place.on), "seed {seed}: {place:?}");
            if !is_full(&day.on) {
                assert_eq!(place.on, day.on, "seed {seed}: moved without need");
            }
            moved += i32::from(place.on != day.on);
            crowded += i32::from(place.crowded);
            for offset in 0..=if place.crowded { day.to.days_since(day.from) } else { -1 } {
                let other = day.from.plus(offset);
                let mut trial = chosen.clone();
                trial[i] = other;
                let would_do = trial.windows(2).all(|pair| pair[0] < pair[1]) && case.serves(&trial);
                let taken = is_full(&other) || !calendar.is_open(other) || !would_do;
                assert!(taken, "seed {seed}: review {i} could be on {other}: {found:?}");
            }
        }
        // What was proposed stays, also when everything has become free.
        let proposed: BTreeMap<String, Date> = keys.iter().cloned().zip(chosen.iter().copied()).collect();
        assert_eq!(find(&proposed), found, "seed {seed}: a second look moves something");
        let free = BTreeMap::new();
        let capacity = Capacity { reviews_max: MOST, others: &free, proposed: &proposed };
        let again: Vec<Date> =
            places(&case.problem(), &days, &movable, &capacity).iter().map(|place| place.on).collect();
        assert_eq!(again, chosen, "seed {seed}: a proposal was not kept");
        kept += 1;
    }
    assert!(moved > 100 && crowded > 40 && kept > 400, "{moved} moved, {crowded} crowded, {kept} cases");
}
