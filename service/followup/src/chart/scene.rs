//! What a chart is made of: few shapes in grey, and texts. Points (1/72 inch) from the upper left corner of an A4 page on its side.

/// Width of the page, pt.
pub const WIDTH: f64 = 842.0;
/// Height of the page, pt.
pub const HEIGHT: f64 = 595.0;

/// A picture, with what says the same in words.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    /// What it shows.
    pub title: String,
    /// The picture in words.
    pub description: String,
    /// From back to front.
    pub marks: Vec<Mark>,
}

/// One shape of a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// What it stands for, a word such as `tinel`.
    pub name: &'static str,
    /// What it says, for people who do not see it; empty where a text beside it does.
    pub says: String,
    /// The shape.
    pub shape: Shape,
}

/// A point of the page, pt.
pub type Point = (f64, f64);

/// A shape.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// Straight lines from point to point.
    Path {
        /// The points.
        points: Vec<Point>,
        /// Whether the last is joined to the first.
        closed: bool,
        /// Grey inside, 0 black to 1 white; none: nothing.
        fill: Option<f64>,
        /// The line; none: nothing.
        line: Option<Pen>,
    },
    /// A circle.
    Circle {
        /// Its middle.
        at: Point,
        /// Its radius, pt.
        radius: f64,
        /// Whether it is black; else white.
        full: bool,
    },
    /// One line of text.
    Text(Words),
}

/// How a line is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pen {
    /// Width, pt.
    pub width: f64,
    /// Grey, 0 black to 1 white.
    pub grey: f64,
    /// Length of dash and gap, pt; none: an unbroken line.
    pub dash: Option<(f64, f64)>,
}

/// One line of text.
#[derive(Clone, Debug, PartialEq)]
pub struct Words {
    /// The point at its foot that `anchor` names.
    pub at: Point,
    /// Font size, pt.
    pub size: f64,
    /// Whether it is bold.
    pub bold: bool,
    /// Where `at` is.
    pub anchor: Anchor,
    /// What it says.
    pub text: String,
}

/// Which end of a text is at its point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// Its begin.
    Start,
    /// Its middle.
    Middle,
    /// Its end.
    End,
}

/// Where a text is: left, top, right and bottom, pt.
pub type Rect = (f64, f64, f64, f64);

impl Words {
    /// How wide it is, pt.
    pub fn width(&self) -> f64 {
        width(&self.text, self.size, self.bold)
    }

    /// Where it begins, pt from the left.
    pub fn left(&self) -> f64 {
        match self.anchor {
            Anchor::Start => self.at.0,
            Anchor::Middle => self.at.0 - self.width() / 2.0,
            Anchor::End => self.at.0 - self.width(),
        }
    }

    /// The room it takes.
    pub fn rect(&self) -> Rect {
        let left = self.left();
        (left, self.at.1 - 0.74 * self.size, left + self.width(), self.at.1 + 0.2 * self.size)
    }
}

/// Advance widths of Helvetica for the characters from space to tilde, in thousandths of the size: Adobe's font metrics.
const HELVETICA: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556,
    556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278,
    500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469,
    556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500,
    278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];

/// How wide a text is in Helvetica, pt. Bold letters are up to a tenth wider; letters beyond Latin are taken to be square.
pub fn width(text: &str, size: f64, bold: bool) -> f64 {
    text.chars().map(|letter| letter_width(letter, size, bold)).sum()
}

fn letter_width(letter: char, size: f64, bold: bool) -> f64 {
    let known = (letter as usize).checked_sub(32).and_then(|at| HELVETICA.get(at));
    let plain = known.map_or(if letter > '\u{2e80}' { 1000.0 } else { 667.0 }, |width| f64::from(*width));
    plain * size / 1000.0 * if bold { 1.1 } else { 1.0 }
}

/// The text cut to a width, with an ellipsis where something was cut. Looks at no more of it than fits.
pub fn fitted(text: &str, size: f64, bold: bool, room: f64) -> String {
    let ellipsis = width("...", size, bold);
    let (mut so_far, mut cut) = (0.0, 0);
    for (at, letter) in text.char_indices() {
        if so_far + ellipsis <= room {
            cut = at;
        }
        so_far += letter_width(letter, size, bold);
        if so_far > room {
            return format!("{}...", text.get(..cut).unwrap_or_default().trim_end());
        }
    }
    text.to_owned()
}

/// The text in lines no wider than `room`, broken between words.
pub fn wrapped(text: &str, size: f64, room: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if width(&format!("{line} {word}"), size, false) <= room => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(fitted(word, size, false, room)),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Adobe's metrics of Helvetica: H 722, e 556, l 222, o 556.
    #[test]
    fn a_text_is_as_wide_as_its_letters() {
        assert!((width("Hello", 10.0, false) - 22.78).abs() < 1e-9);
    }

    #[test]
    fn what_does_not_fit_is_cut_and_says_so() {
        assert_eq!(fitted("Hello", 10.0, false, 22.8), "Hello");
        assert_eq!(fitted("Hello", 10.0, false, 22.7), "He...");
        assert_eq!(fitted("", 10.0, false, 1.0), "");
        for text in ["Hello world", "\u{6f22}\u{5b57}\u{6f22}\u{5b57}", &"i".repeat(1 << 20)] {
            for room in [12.0, 20.0, 50.0] {
                assert!(width(&fitted(text, 10.0, true, room), 10.0, true) <= room);
            }
        }
        assert_eq!(wrapped("one two three", 10.0, 40.0), ["one two", "three"]);
    }
}
