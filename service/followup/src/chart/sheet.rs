//! The paper: a time axis, and short ways to put marks on it.

use super::scene::{Anchor, Mark, Pen, Point, Shape, Words, fitted};
use endplate_recovery::unit::Date;

/// Left edge of everything, pt.
pub const LEFT: f64 = 30.0;
/// Right edge of everything, pt.
pub const RIGHT: f64 = 816.0;
/// Where time begins, pt.
pub const PLOT_LEFT: f64 = 200.0;
/// Where time ends, pt.
pub const PLOT_RIGHT: f64 = 630.0;
/// Where the column of texts begins, pt.
pub const COLUMN: f64 = 662.0;

/// A solid thin line.
pub const THIN: Pen = Pen { width: 0.6, grey: 0.0, dash: None };
/// A line in the background.
pub const FAINT: Pen = Pen { width: 0.4, grey: 0.8, dash: None };

/// Marks on a time axis from `start` over `months`.
pub struct Sheet {
    /// What was put on it.
    pub marks: Vec<Mark>,
    /// Where time begins.
    pub start: Date,
    /// Whole days on the axis.
    pub days: i32,
    /// Months between two lines of the grid.
    pub step: i32,
}

impl Sheet {
    /// A time axis from `start` until `end` or a little later: at least a year, at most five.
    pub fn new(start: Date, end: Date) -> Self {
        let wanted = end.days_since(start).clamp(365, 1826);
        let step = if wanted <= 915 { 3 } else { 6 };
        let mut months = step;
        while months < 60 && later(start, months).days_since(start) < wanted {
            months += step;
        }
        Self { marks: Vec::new(), start, days: later(start, months).days_since(start).max(1), step }
    }

    /// Where a day is, if it is on the axis.
    pub fn x(&self, on: Date) -> Option<f64> {
        (0..=self.days).contains(&on.days_since(self.start)).then(|| self.x_clamped(on))
    }

    /// Where a day is; at the nearer end if it is beyond.
    pub fn x_clamped(&self, on: Date) -> f64 {
        let day = on.days_since(self.start).clamp(0, self.days);
        PLOT_LEFT + (PLOT_RIGHT - PLOT_LEFT) * f64::from(day) / f64::from(self.days)
    }

    /// The lines of the grid: months since the start, and the day.
    pub fn ticks(&self) -> Vec<(i32, Date)> {
        let mut all = Vec::new();
        let mut months = 0;
        while months <= 60 && later(self.start, months).days_since(self.start) <= self.days {
            all.push((months, later(self.start, months)));
            months += self.step;
        }
        all
    }

    /// Puts a shape down.
    pub fn put(&mut self, name: &'static str, says: String, shape: Shape) {
        self.marks.push(Mark { name, says, shape });
    }

    /// A line from point to point.
    pub fn line(&mut self, name: &'static str, points: Vec<Point>, line: Pen) {
        let shape = Shape::Path { points, closed: false, fill: None, line: Some(line) };
        self.put(name, String::new(), shape);
    }

    /// A figure with an inside.
    pub fn figure(&mut self, name: &'static str, says: String, points: Vec<Point>, fill: f64) {
        self.put(name, says, Shape::Path { points, closed: true, fill: Some(fill), line: Some(THIN) });
    }

    /// A disc, black or white inside.
    pub fn disc(&mut self, name: &'static str, says: String, at: Point, radius: f64, full: bool) {
        self.put(name, says, Shape::Circle { at, radius, full });
    }

    /// A text.
    pub fn text(&mut self, name: &'static str, at: Point, size: f64, anchor: Anchor, text: &str) {
        let words = Words { at, size, bold: false, anchor, text: text.to_owned() };
        self.put(name, String::new(), Shape::Text(words));
    }

    /// A text cut to the room from its point to `right`.
    pub fn cut(&mut self, name: &'static str, at: Point, size: f64, right: f64, text: &str) {
        self.text(name, at, size, Anchor::Start, &fitted(text, size, false, right - at.0));
    }

    /// A bold text cut to the room from its point to `right`.
    pub fn bold(&mut self, name: &'static str, at: Point, size: f64, right: f64, text: &str) {
        let text = fitted(text, size, true, right - at.0);
        let words = Words { at, size, bold: true, anchor: Anchor::Start, text };
        self.put(name, String::new(), Shape::Text(words));
    }
}

fn later(start: Date, months: i32) -> Date {
    Date::from_civil(start.civil().saturating_add(jiff::Span::new().months(months)))
}

/// The corners of a rectangle.
pub fn corners(left: f64, top: f64, right: f64, bottom: f64) -> Vec<Point> {
    vec![(left, top), (right, top), (right, bottom), (left, bottom)]
}

/// A triangle that points down.
pub fn triangle((x, y): Point, r: f64) -> Vec<Point> {
    vec![(x - r, y - r * 0.8), (x + r, y - r * 0.8), (x, y + r * 0.9)]
}

/// A square on its corner.
pub fn diamond((x, y): Point, r: f64) -> Vec<Point> {
    vec![(x, y - r), (x + r, y), (x, y + r), (x - r, y)]
}

/// A square.
pub fn square((x, y): Point, r: f64) -> Vec<Point> {
    corners(x - r, y - r, x + r, y + r)
}

/// Heights moved apart until they are `pitch` from each other and within `low..=high`, in their order.
pub fn apart(wanted: &[f64], pitch: f64, low: f64, high: f64) -> Vec<f64> {
    let mut order: Vec<usize> = (0..wanted.len()).collect();
    let at = |index: usize| wanted.get(index).copied().unwrap_or(low);
    order.sort_by(|a, b| at(*a).total_cmp(&at(*b)).then(a.cmp(b)));
    let mut placed: Vec<f64> = Vec::new();
    for index in &order {
        let free = placed.last().map_or(low, |before| before + pitch);
        placed.push(at(*index).max(free));
    }
    let mut ceiling = high;
    for y in placed.iter_mut().rev() {
        *y = y.min(ceiling);
        ceiling = *y - pitch;
    }
    let mut all = wanted.to_vec();
    for (index, y) in order.into_iter().zip(placed) {
        if let Some(one) = all.get_mut(index) {
            *one = y;
        }
    }
    all
}
