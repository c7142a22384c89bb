//! The chart as a picture: the front over time, the signs of each target, the reviews, under one time axis.

use super::scene::{Anchor, Pen, Point, Scene, Shape, wrapped};
use super::sheet::{
    COLUMN, FAINT, LEFT, PLOT_LEFT, PLOT_RIGHT, RIGHT, Sheet, THIN, apart, corners, diamond, square, triangle,
};
use super::{Facts, words};
use crate::document::CAUTION;
use endplate_recovery::assessment::{MilestoneAssessment, Sign, TargetAssessment};
use endplate_recovery::belief::Belief;
use endplate_recovery::milestone::Milestone;
use endplate_recovery::salvage::Salvage;
use endplate_recovery::unit::{Date, Days, Mm};

/// Top of the front, pt.
const TOP: f64 = 96.0;
/// From the foot of the front to the first target, pt.
const BETWEEN: f64 = 22.0;
/// Foot of the last target, pt.
const BOTTOM: f64 = 470.0;
/// As much height as all targets together may take, pt.
const TARGETS_HEIGHT: f64 = 216.0;
/// The two lines of the reviews, pt.
const REVIEWS: [f64; 2] = [482.0, 494.0];
/// Foot of everything that has a date, pt.
const FOOT: f64 = 502.0;
/// As many targets as a page has room for.
const TARGETS_MAX: usize = 16;
/// A line of what is expected now.
const NOW: Pen = Pen { width: 0.8, grey: 0.0, dash: Some((4.0, 2.0)) };
/// A line of what can be read at the edge.
const DOTTED: Pen = Pen { width: 0.5, grey: 0.45, dash: Some((1.0, 2.0)) };
/// The day of the chart.
const TODAY: Pen = Pen { width: 1.0, grey: 0.3, dash: Some((6.0, 2.5)) };

/// Where the front ends and how high the row of each target is, pt. Few targets leave more room for the front.
#[derive(Clone, Copy)]
struct Room {
    front_foot: f64,
    row: f64,
}

impl Room {
    fn of(targets: usize) -> Self {
        let shown = targets.clamp(1, TARGETS_MAX) as f64;
        let row = (TARGETS_HEIGHT / shown).min(58.0);
        Self { front_foot: BOTTOM - row * shown - BETWEEN, row }
    }

    fn targets_top(self) -> f64 {
        self.front_foot + BETWEEN
    }
}

/// Draws the chart.
pub fn scene(facts: &Facts<'_>) -> Scene {
    let start = facts.assessment.growth_starts_on;
    let mut sheet = Sheet::new(start, end(facts));
    let title = words::title(facts.repair);
    head(&mut sheet, facts, &title);
    grid(&mut sheet, facts.today);
    let room = Room::of(facts.assessment.targets.len());
    front(&mut sheet, facts, room);
    targets(&mut sheet, facts, room);
    reviews(&mut sheet, facts);
    legend(&mut sheet);
    foot(&mut sheet);
    Scene { title, description: words::description(facts), marks: sheet.marks }
}

/// The last day that should be on the chart.
fn end(facts: &Facts<'_>) -> Date {
    let mut all = vec![facts.today];
    all.extend(facts.findings.iter().map(|finding| finding.on));
    all.extend(facts.visits.iter().copied());
    all.extend(facts.reviews.iter().map(|review| review.closes_on));
    for target in &facts.assessment.targets {
        all.extend(target.milestones.iter().map(|m| m.window.closes_on));
        all.extend(target.limit_on);
    }
    all.into_iter().max().unwrap_or(facts.today)
}

fn head(sheet: &mut Sheet, facts: &Facts<'_>, title: &str) {
    sheet.bold("title", (LEFT, 36.0), 15.0, RIGHT, title);
    sheet.cut("patient", (LEFT, 51.0), 9.0, RIGHT, facts.who);
    let operated = facts.assessment.growth_starts_on;
    let dates = if facts.injured.is_exact() {
        format!("Injured {}, operated {operated}.", facts.injured.earliest)
    } else {
        format!("Injured {} to {}, operated {operated}.", facts.injured.earliest, facts.injured.latest)
    };
    sheet.cut("belief", (LEFT, 64.0), 8.0, RIGHT, &format!("{dates} {}", words::belief(facts.assessment)));
    sheet.bold("heading", (LEFT, 88.0), 8.0, PLOT_LEFT - 6.0, "Front and Tinel sign");
}

/// The time axis.
fn grid(sheet: &mut Sheet, today: Date) {
    for (months, on) in sheet.ticks() {
        let x = sheet.x_clamped(on);
        sheet.line("grid", vec![(x, TOP), (x, FOOT)], FAINT);
        sheet.text("months", (x, FOOT + 9.0), 6.5, Anchor::Middle, &months.to_string());
        sheet.text("date", (x, FOOT + 17.0), 6.0, Anchor::Middle, &on.to_string());
    }
    sheet.cut("label", (LEFT, FOOT + 9.0), 6.5, PLOT_LEFT - 18.0, "months since the operation, and dates");
    let label = format!("today {today}");
    match sheet.x(today) {
        Some(x) => {
            sheet.line("today", vec![(x, TOP - 6.0), (x, FOOT)], TODAY);
            let x = x.clamp(PLOT_LEFT + 30.0, PLOT_RIGHT - 30.0);
            sheet.text("label", (x, TOP - 8.0), 7.0, Anchor::Middle, &label);
        }
        None => sheet.text(
            "label",
            (PLOT_RIGHT, TOP - 8.0),
            7.0,
            Anchor::End,
            &format!("{label}, beyond this chart"),
        ),
    }
}

/// The steps of a scale that ends at `end`: at most six, at round numbers.
fn steps(end: f64) -> Vec<f64> {
    let step = [5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0, 250.0, 500.0, 1000.0].into_iter();
    let step = step.into_iter().find(|step| end / step <= 6.0).unwrap_or(2000.0);
    (0..=6).map(|n| f64::from(n) * step).filter(|at| *at <= end).collect()
}

fn front(sheet: &mut Sheet, facts: &Facts<'_>, room: Room) {
    let foot = room.front_foot;
    let end = facts.repair.end().0.max(1.0);
    let top = end * 1.1;
    let y = |mm: f64| foot - (foot - TOP) * (mm / top).clamp(0.0, 1.0);
    for mm in steps(top) {
        sheet.line("grid", vec![(PLOT_LEFT, y(mm)), (PLOT_RIGHT, y(mm))], FAINT);
        sheet.text("scale", (PLOT_LEFT - 4.0, y(mm) + 2.2), 6.5, Anchor::End, &format!("{mm:.0}"));
    }
    sheet.cut("label", (LEFT, TOP + 4.0), 6.5, PLOT_LEFT - 22.0, "mm from the proximal coaptation");
    band(sheet, &facts.assessment.expected, &y);
    if facts.repair.gap.0 > 0.0 && facts.repair.gap.0 < end {
        let at = y(facts.repair.gap.0);
        sheet.line(
            "graft-end",
            vec![(PLOT_LEFT, at), (PLOT_RIGHT, at)],
            Pen { dash: Some((8.0, 3.0)), ..THIN },
        );
    }
    if facts.findings.iter().any(|f| !matches!(f.sign, Sign::Pain(_))) {
        for line in curves(sheet, &facts.assessment.belief, &y) {
            sheet.line("now", line, NOW);
        }
    }
    numbers(sheet, facts, &y, foot);
    sheet.line("axis", vec![(PLOT_LEFT, TOP), (PLOT_LEFT, foot), (PLOT_RIGHT, foot)], THIN);
    for finding in facts.findings {
        let (Sign::Tinel(Mm(mm)), Some(x)) = (&finding.sign, sheet.x(finding.on)) else { continue };
        let says = format!("Tinel sign at {mm:.0} mm on {}", finding.on);
        if *mm > top {
            let up = triangle((x, TOP + 3.0), 3.0).into_iter();
            let up = up.map(|(px, py)| (px, 2.0 * (TOP + 3.0) - py)).collect();
            sheet.figure("tinel-beyond", says, up, 0.0);
        } else {
            sheet.disc("tinel", says, (x, y(*mm)), 2.8, true);
        }
    }
}

/// What was expected before any finding.
fn band(sheet: &mut Sheet, expected: &Belief, y: &dyn Fn(f64) -> f64) {
    let [low, median, high] = curves(sheet, expected, y);
    let outline: Vec<Point> = high.into_iter().chain(low.into_iter().rev()).collect();
    let line = Some(Pen { width: 0.5, grey: 0.5, dash: None });
    let shape = Shape::Path { points: outline, closed: true, fill: Some(0.88), line };
    sheet.put("expected", "Where eight of ten fronts are expected".to_owned(), shape);
    sheet.line("median", median, Pen { width: 1.2, ..THIN });
}

/// The 10th, 50th and 90th percentile of the front over the time axis.
fn curves(sheet: &Sheet, belief: &Belief, y: &dyn Fn(f64) -> f64) -> [Vec<Point>; 3] {
    let mut lines = [Vec::new(), Vec::new(), Vec::new()];
    let pace = (sheet.days / 60).max(1);
    let mut day = 0;
    loop {
        let x = sheet.x_clamped(sheet.start.plus(day));
        let at = belief.front_quantiles(Days(f64::from(day)), [0.1, 0.5, 0.9]);
        for (line, Mm(mm)) in lines.iter_mut().zip(at) {
            line.push((x, y(mm)));
        }
        // Once the slowest has arrived nothing changes any more.
        if day >= sheet.days || at.iter().all(|at| *at == belief.end()) {
            return lines;
        }
        day = (day + pace).min(sheet.days);
    }
}

/// At which distance each target is.
fn numbers(sheet: &mut Sheet, facts: &Facts<'_>, y: &dyn Fn(f64) -> f64, foot: f64) {
    let shown = facts.assessment.targets.iter().take(TARGETS_MAX);
    let at: Vec<f64> = shown.map(|target| y(target.position.0)).collect();
    for (index, (from, to)) in at.iter().zip(apart(&at, 8.0, TOP, foot)).enumerate() {
        sheet.line("target-distance", vec![(PLOT_LEFT, *from), (PLOT_RIGHT, *from)], DOTTED);
        sheet.line("leader", vec![(PLOT_RIGHT, *from), (PLOT_RIGHT + 9.0, to)], DOTTED);
        let number = (index + 1).to_string();
        sheet.text("number", (PLOT_RIGHT + 11.0, to + 2.3), 6.5, Anchor::Start, &number);
    }
}

fn targets(sheet: &mut Sheet, facts: &Facts<'_>, room: Room) {
    let all = &facts.assessment.targets;
    let (first, row) = (room.targets_top(), room.row);
    sheet.bold("heading", (LEFT, first - 6.0), 8.0, PLOT_LEFT - 6.0, "Signs at each target");
    sheet.bold("heading", (COLUMN, first - 6.0), 7.0, RIGHT, "Seen, chance, last useful dates");
    if all.len() > TARGETS_MAX {
        let more = format!("{} more targets are in the plan", all.len() - TARGETS_MAX);
        sheet.text("label", (PLOT_RIGHT, first - 6.0), 6.5, Anchor::End, &more);
    }
    for (index, target) in all.iter().take(TARGETS_MAX).enumerate() {
        let top = first + row * index as f64;
        sheet.line("row", vec![(LEFT, top), (RIGHT, top)], FAINT);
        name(sheet, index, target, (top, row));
        signs(sheet, facts, target, (top, row));
        limits(sheet, target, (top, row));
        column(sheet, target, (top, row));
    }
    let bottom = first + row * all.len().min(TARGETS_MAX) as f64;
    sheet.line("row", vec![(LEFT, bottom), (RIGHT, bottom)], FAINT);
}

fn name(sheet: &mut Sheet, index: usize, target: &TargetAssessment, (top, row): (f64, f64)) {
    let text = format!("{} {}", index + 1, target.target.place.display());
    let size = if row < 16.0 { 6.5 } else { 7.0 };
    let right = PLOT_LEFT - 32.0;
    let room = ((row - 9.0) / 8.0).floor().clamp(1.0, 2.0) as usize;
    // Bold letters are up to a tenth wider than those that are measured here.
    let mut lines = wrapped(&text, size, (right - LEFT) / 1.1);
    let rest = if lines.len() > room { lines.split_off(room - 1).join(" ") } else { String::new() };
    lines.extend((!rest.is_empty()).then_some(rest));
    let mut y = top + size + 1.5;
    for line in lines {
        sheet.bold("target", (LEFT, y), size, right, &line);
        y += 8.0;
    }
    if y < top + row {
        sheet.cut("label", (LEFT, y), 6.5, right, &format!("at {:.0} mm", target.position.0));
    }
}

/// The milestones of one target, each in a lane: its window, and every look for it.
fn signs(sheet: &mut Sheet, facts: &Facts<'_>, target: &TargetAssessment, (top, row): (f64, f64)) {
    let kind = target.target.place.kind();
    let few = [Milestone::first(kind), Milestone::end(kind)];
    let crowded = row < 20.0;
    let lanes: Vec<&MilestoneAssessment> =
        target.milestones.iter().filter(|m| !crowded || few.contains(&m.milestone)).collect();
    let pitch = (row - 3.0) / lanes.len().max(1) as f64;
    for (lane, milestone) in lanes.into_iter().enumerate() {
        let middle = top + 1.5 + pitch * (lane as f64 + 0.5);
        let size = (pitch * 0.98).min(6.5);
        let short = words::short(milestone.milestone);
        sheet.text("sign", (PLOT_LEFT - 4.0, middle + size * 0.35), size, Anchor::End, short);
        let window = milestone.window;
        let (from, to) = (sheet.x_clamped(window.opens_on), sheet.x_clamped(window.closes_on));
        let half = (pitch * 0.26).min(2.4);
        let says = format!(
            "{}, {}: expected {} to {}, median {}",
            target.target.place.display(),
            milestone.milestone.display(),
            window.opens_on,
            window.closes_on,
            window.median_on
        );
        if to > from {
            sheet.figure("window", says, corners(from, middle - half, to, middle + half), 0.82);
        }
        if let Some(x) = sheet.x(window.median_on) {
            let tall = (pitch * 0.42).min(3.6);
            sheet.line(
                "window-median",
                vec![(x, middle - tall), (x, middle + tall)],
                Pen { width: 1.3, ..THIN },
            );
        }
        for finding in facts.findings.iter().filter(|f| f.sign.place() == Some(&target.target.place)) {
            let (Some(shown), Some(x)) = (finding.sign.shows(milestone.milestone), sheet.x(finding.on))
            else {
                continue;
            };
            let found = if shown { "seen" } else { "not seen" };
            let says = format!("{} {found} on {}", milestone.milestone.display(), finding.on);
            let name = if shown { "seen" } else { "unseen" };
            sheet.disc(name, says, (x, middle), (pitch * 0.36).min(2.2), shown);
        }
    }
}

/// The denervation limit of a muscle, and the last useful dates of salvages.
fn limits(sheet: &mut Sheet, target: &TargetAssessment, (top, row): (f64, f64)) {
    let bottom = top + row;
    if let Some(x) = target.limit_on.and_then(|on| sheet.x(on)) {
        sheet.line("limit", vec![(x, top + 1.0), (x, bottom - 1.0)], Pen { width: 2.2, ..THIN });
    }
    if target.recovered() {
        return;
    }
    for last in &target.salvage {
        let Some(x) = sheet.x(last.on) else { continue };
        let says = format!("{}: {} until {}", target.target.place.display(), last.salvage.display(), last.on);
        sheet.line(
            "last-useful",
            vec![(x, top + 1.0), (x, bottom - 1.0)],
            Pen { dash: Some((2.0, 1.5)), ..THIN },
        );
        match last.salvage {
            Salvage::SecondGraft => {
                sheet.figure("second-graft", says, triangle((x, top + row * 0.27), 3.0), 1.0);
            }
            Salvage::DistalTransfer => {
                sheet.figure("distal-transfer", says, diamond((x, top + row * 0.73), 3.0), 1.0);
            }
        }
    }
}

/// The same in words, at the side.
fn column(sheet: &mut Sheet, target: &TargetAssessment, (top, row): (f64, f64)) {
    let seen = words::seen(target, words::short);
    let chance = words::chances(target);
    let dates: Vec<String> = if target.recovered() {
        Vec::new()
    } else {
        let short = |salvage| if salvage == Salvage::SecondGraft { "graft" } else { "transfer" };
        target.salvage.iter().map(|last| format!("{} until {}", short(last.salvage), last.on)).collect()
    };
    let mut lines = vec![seen];
    lines.extend(chance);
    lines.extend((!dates.is_empty()).then(|| dates.join(", ")));
    let size = 6.0;
    let pitch = 7.2;
    let room = ((row - 1.0) / pitch).floor().max(1.0) as usize;
    // Where there is no room for all, the last lines matter most: what can still be done.
    let skipped = lines.len().saturating_sub(room);
    for (line, text) in lines.iter().skip(skipped).enumerate() {
        sheet.cut("fact", (COLUMN, top + 6.6 + pitch * line as f64), size, RIGHT, text);
    }
}

fn reviews(sheet: &mut Sheet, facts: &Facts<'_>) {
    sheet.bold("heading", (LEFT, REVIEWS[0] + 3.0), 8.0, PLOT_LEFT - 6.0, "Reviews");
    for visit in facts.visits {
        if let Some(x) = sheet.x(*visit) {
            sheet.figure("visit", format!("Seen on {visit}"), square((x, REVIEWS[0]), 2.8), 0.0);
        }
    }
    for (index, review) in facts.reviews.iter().enumerate() {
        let y = REVIEWS[index % 2];
        let (from, to) = (sheet.x_clamped(review.opens_on), sheet.x_clamped(review.closes_on));
        sheet.line("review-window", vec![(from, y - 2.0), (from, y + 2.0)], THIN);
        sheet.line("review-window", vec![(from, y), (to, y)], THIN);
        sheet.line("review-window", vec![(to, y - 2.0), (to, y + 2.0)], THIN);
        let Some(x) = sheet.x(review.on) else { continue };
        let state = if review.booked { "booked" } else { "to book" };
        let says = format!("Review on {} ({state}): {}", review.on, crate::plan::purposes(review));
        sheet.figure("review", says, square((x, y), 2.8), 1.0);
        if review.booked {
            sheet.figure("review-booked", String::new(), square((x, y), 1.0), 0.0);
        }
    }
    let next = words::next_review(facts);
    let next = if next.is_empty() { "No review is to come." } else { &next };
    for (line, text) in wrapped(next, 6.0, RIGHT - COLUMN).iter().take(3).enumerate() {
        sheet.text("fact", (COLUMN, REVIEWS[0] + 1.0 + 7.2 * line as f64), 6.0, Anchor::Start, text);
    }
}

/// What each mark means.
fn legend(sheet: &mut Sheet) {
    const ENTRIES: [&str; 15] = [
        "expected front before any finding, p10 to p90",
        "its median",
        "expected now if it moves on: p10, p50, p90",
        "Tinel sign",
        "end of the graft",
        "window of a sign, p10 to p90, and median",
        "sign looked for and seen",
        "sign looked for and not seen",
        "denervation limit of the muscle",
        "last useful date of a second graft",
        "last useful date of a distal transfer",
        "review held",
        "review booked",
        "review to book, with its window",
        "today",
    ];
    for (index, text) in ENTRIES.into_iter().enumerate() {
        let (column, line) = (index / 3, index % 3);
        let (x, y) = (LEFT + 158.0 * column as f64, 532.0 + 10.0 * line as f64);
        sheet.cut("legend", (x + 22.0, y + 2.2), 6.2, x + 156.0, text);
        glyph(sheet, index, (x + 9.0, y));
    }
}

fn glyph(sheet: &mut Sheet, index: usize, at: Point) {
    let (x, y) = at;
    let said = String::new;
    let across = vec![(x - 9.0, y), (x + 9.0, y)];
    match index {
        0 => sheet.figure("key", said(), corners(x - 9.0, y - 3.0, x + 9.0, y + 3.0), 0.88),
        1 => sheet.line("key", across, Pen { width: 1.2, ..THIN }),
        2 => sheet.line("key", across, NOW),
        3 => sheet.disc("key", said(), at, 2.8, true),
        4 => sheet.line("key", across, Pen { dash: Some((8.0, 3.0)), ..THIN }),
        5 => {
            sheet.figure("key", said(), corners(x - 9.0, y - 2.2, x + 9.0, y + 2.2), 0.82);
            sheet.line("key", vec![(x, y - 3.6), (x, y + 3.6)], Pen { width: 1.3, ..THIN });
        }
        6 => sheet.disc("key", said(), at, 2.2, true),
        7 => sheet.disc("key", said(), at, 2.2, false),
        8 => sheet.line("key", vec![(x, y - 4.0), (x, y + 4.0)], Pen { width: 2.2, ..THIN }),
        9 => sheet.figure("key", said(), triangle(at, 3.0), 1.0),
        10 => sheet.figure("key", said(), diamond(at, 3.0), 1.0),
        11 => sheet.figure("key", said(), square(at, 2.8), 0.0),
        12 => {
            sheet.figure("key", said(), square(at, 2.8), 1.0);
            sheet.figure("key", said(), square(at, 1.0), 0.0);
        }
        13 => {
            sheet.line("key", across, THIN);
            sheet.figure("key", said(), square(at, 2.8), 1.0);
        }
        _ => sheet.line("key", vec![(x, y - 4.0), (x, y + 4.0)], TODAY),
    }
}

/// The cautions.
fn foot(sheet: &mut Sheet) {
    for (line, text) in wrapped(CAUTION, 6.5, RIGHT - LEFT).iter().enumerate() {
        sheet.text("caution", (LEFT, 570.0 + 8.5 * line as f64), 6.5, Anchor::Start, text);
    }
}
