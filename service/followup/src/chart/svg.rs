//! A picture as SVG 1.1: plain elements, no script, no style, nothing from elsewhere.

use super::scene::{Anchor, HEIGHT, Mark, Pen, Point, Scene, Shape, WIDTH, Words};
use endplate_fhir::narrative::escape;
use std::fmt::Write;

/// The picture as an SVG document.
pub fn svg(scene: &Scene) -> String {
    let mut out = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" version=\"1.1\" width=\"297mm\" \
         height=\"210mm\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"title desc\" xml:lang=\"en\" \
         font-family=\"Helvetica, Arial, 'Liberation Sans', sans-serif\">\n<title id=\"title\">{}</title>\n\
         <desc id=\"desc\">{}</desc>\n<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"#fff\"/>\n",
        clean(&scene.title),
        clean(&scene.description),
    );
    for mark in &scene.marks {
        // Writing to a String does not fail.
        let _ = write_mark(&mut out, mark);
    }
    out.push_str("</svg>\n");
    out
}

fn write_mark(out: &mut String, mark: &Mark) -> std::fmt::Result {
    let element = match &mark.shape {
        Shape::Path { points, closed, fill, line } => {
            write!(out, "<path class=\"{}\" d=\"{}\"", mark.name, path(points, *closed))?;
            write!(out, " fill=\"{}\"", fill.map_or("none".to_owned(), grey))?;
            if let Some(Pen { width, grey: shade, dash }) = line {
                write!(out, " stroke=\"{}\" stroke-width=\"{}\"", grey(*shade), number(*width))?;
                if let Some((on, off)) = dash {
                    write!(out, " stroke-dasharray=\"{} {}\"", number(*on), number(*off))?;
                }
            }
            "path"
        }
        Shape::Circle { at: (x, y), radius, full } => {
            let fill = if *full { "#000" } else { "#fff" };
            write!(
                out,
                "<circle class=\"{}\" cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"{fill}\" stroke=\"#000\" stroke-width=\"0.9\"",
                mark.name,
                number(*x),
                number(*y),
                number(*radius),
            )?;
            "circle"
        }
        Shape::Text(words) => return write_text(out, mark.name, words),
    };
    if mark.says.is_empty() {
        writeln!(out, "/>")
    } else {
        writeln!(out, "><title>{}</title></{element}>", clean(&mark.says))
    }
}

fn write_text(out: &mut String, name: &str, words: &Words) -> std::fmt::Result {
    let Words { at: (x, y), size, bold, anchor, text } = words;
    let anchor = match anchor {
        Anchor::Start => "",
        Anchor::Middle => " text-anchor=\"middle\"",
        Anchor::End => " text-anchor=\"end\"",
    };
    let weight = if *bold { " font-weight=\"bold\"" } else { "" };
    writeln!(
        out,
        "<text class=\"{name}\" x=\"{}\" y=\"{}\" font-size=\"{}\"{anchor}{weight}>{}</text>",
        number(*x),
        number(*y),
        number(*size),
        clean(text)
    )
}

fn path(points: &[Point], closed: bool) -> String {
    let mut d = String::new();
    for (index, (x, y)) in points.iter().enumerate() {
        d.push(if index == 0 { 'M' } else { 'L' });
        let _ = write!(d, "{} {}", number(*x), number(*y));
    }
    if closed {
        d.push('Z');
    }
    d
}

fn grey(shade: f64) -> String {
    let level = (shade * 255.0).round() as u8;
    format!("#{level:02x}{level:02x}{level:02x}")
}

/// Hundredths of a point are finer than any printer.
pub(super) fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// Text as XML allows it: escaped, and without the control characters that XML 1.0 section 2.2 rules out.
fn clean(text: &str) -> String {
    let allowed = |c: &char| !(c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}'));
    escape(&text.chars().filter(allowed).collect::<String>())
}
