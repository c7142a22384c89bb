//! A picture as a PDF of one page: ISO 32000-1 (PDF 1.4 of it), with the standard font Helvetica and without compression.

use super::scene::{HEIGHT, Mark, Pen, Scene, Shape, WIDTH, Words};
use super::svg::number;
use std::fmt::Write;

/// How far the handles of a Bezier curve are from its ends, in radii, for a quarter of a circle.
const QUARTER: f64 = 0.552_284_75;

/// The picture as a PDF document. Letters beyond Latin-1 become question marks: the standard fonts have none.
pub fn pdf(scene: &Scene) -> Vec<u8> {
    let mut content = Vec::new();
    for mark in &scene.marks {
        write_mark(&mut content, mark);
    }
    let font = |name: &str| {
        format!("<< /Type /Font /Subtype /Type1 /BaseFont /{name} /Encoding /WinAnsiEncoding >>").into_bytes()
    };
    let page = format!(
        "<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {WIDTH} {HEIGHT}] /Contents 6 0 R \
         /Resources << /Font << /F1 4 0 R /F2 5 0 R >> >> >>"
    );
    let mut stream = format!("<< /Length {} >>\nstream\n", content.len()).into_bytes();
    stream.extend(content);
    stream.extend(b"\nendstream");
    let mut info = b"<< /Title ".to_vec();
    info.extend(unicode(&scene.title));
    info.extend(b" /Subject ");
    info.extend(unicode(&scene.description));
    info.extend(b" /Creator (Endplate) >>");
    assembled(&[
        b"<< /Type /Catalog /Pages 2 0 R /Lang (en) /ViewerPreferences << /DisplayDocTitle true >> >>"
            .to_vec(),
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>".to_vec(),
        page.into_bytes(),
        font("Helvetica"),
        font("Helvetica-Bold"),
        stream,
        info,
    ])
}

/// Objects 1 to n as a file: header, objects, cross-reference table, trailer. The first is the catalogue, the last the
/// information.
fn assembled(objects: &[Vec<u8>]) -> Vec<u8> {
    let mut out = b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n".to_vec();
    let mut starts = Vec::new();
    for (index, object) in objects.iter().enumerate() {
        starts.push(out.len());
        out.extend(format!("{} 0 obj\n", index + 1).into_bytes());
        out.extend(object);
        out.extend(b"\nendobj\n");
    }
    let table = out.len();
    out.extend(format!("xref\n0 {}\n0000000000 65535 f \n", objects.len() + 1).into_bytes());
    for start in starts {
        out.extend(format!("{start:010} 00000 n \n").into_bytes());
    }
    let (size, info) = (objects.len() + 1, objects.len());
    let trailer =
        format!("trailer\n<< /Size {size} /Root 1 0 R /Info {info} 0 R >>\nstartxref\n{table}\n%%EOF\n");
    out.extend(trailer.into_bytes());
    out
}

fn write_mark(out: &mut Vec<u8>, mark: &Mark) {
    let mut text = String::new();
    match &mark.shape {
        Shape::Path { points, closed, fill, line } => {
            if let Some(grey) = fill {
                let _ = write!(text, "{} g ", number(*grey));
            }
            if let Some(Pen { width, grey, dash }) = line {
                let dash =
                    dash.map_or("[]".to_owned(), |(on, off)| format!("[{} {}]", number(on), number(off)));
                let _ = write!(text, "{} G {} w {dash} 0 d ", number(*grey), number(*width));
            }
            for (index, (x, y)) in points.iter().enumerate() {
                let step = if index == 0 { 'm' } else { 'l' };
                let _ = write!(text, "{} {} {step} ", number(*x), number(HEIGHT - y));
            }
            if *closed {
                text.push_str("h ");
            }
            text.push_str(match (fill, line) {
                (Some(_), Some(_)) => "B\n",
                (Some(_), None) => "f\n",
                (None, Some(_)) => "S\n",
                (None, None) => "n\n",
            });
        }
        Shape::Circle { at: (x, y), radius, full } => {
            let (x, y, r, k) = (*x, HEIGHT - y, *radius, radius * QUARTER);
            let _ = write!(text, "{} g 0 G 0.9 w [] 0 d ", i32::from(!full));
            let _ = write!(text, "{} {} m ", number(x + r), number(y));
            for [a, b, c, d, e, f] in [
                [x + r, y + k, x + k, y + r, x, y + r],
                [x - k, y + r, x - r, y + k, x - r, y],
                [x - r, y - k, x - k, y - r, x, y - r],
                [x + k, y - r, x + r, y - k, x + r, y],
            ] {
                let handles = [a, b, c, d, e, f].map(number).join(" ");
                let _ = write!(text, "{handles} c ");
            }
            text.push_str("b\n");
        }
        Shape::Text(words) => return write_text(out, words),
    }
    out.extend(text.into_bytes());
}

fn write_text(out: &mut Vec<u8>, words: &Words) {
    let font = if words.bold { "F2" } else { "F1" };
    let (x, y) = (number(words.left()), number(HEIGHT - words.at.1));
    out.extend(format!("BT 0 g /{font} {} Tf {x} {y} Td ", number(words.size)).into_bytes());
    out.push(b'(');
    for letter in words.text.chars().filter(|letter| !letter.is_control()) {
        let byte = match letter {
            ' '..='~' | '\u{a0}'..='\u{ff}' => letter as u32 as u8,
            _ => b'?',
        };
        if matches!(byte, b'(' | b')' | b'\\') {
            out.push(b'\\');
        }
        out.push(byte);
    }
    out.extend(b") Tj ET\n");
}

/// A text string in UTF-16, big end first, in hexadecimal digits (ISO 32000-1, 7.9.2.2).
fn unicode(text: &str) -> Vec<u8> {
    let mut out = "<FEFF".to_owned();
    for unit in text.encode_utf16() {
        let _ = write!(out, "{unit:04X}");
    }
    out.push('>');
    out.into_bytes()
}
