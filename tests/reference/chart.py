"""Reads recovery charts as others would: resvg draws them, pypdf reads them, reportlab's Helvetica metrics measure them.

Arguments: a folder with NAME.svg, NAME.pdf and NAME.json (the forecast, the findings and the report). Draws NAME.png beside
them. Says what is wrong, one line each; exit 1 if anything is."""

import base64
import io
import json
import re
import sys
import xml.etree.ElementTree as ElementTree
from datetime import date
from pathlib import Path

import resvg_py
from pypdf import PdfReader
from reportlab.pdfbase.pdfmetrics import stringWidth

SVG = "{http://www.w3.org/2000/svg}"
wrong = []


def check(holds, name, text):
    if not holds:
        wrong.append(f"{name}: {text}")


def box(text):
    size, bold = float(text.get("font-size")), text.get("font-weight") == "bold"
    width = stringWidth(text.text, "Helvetica-Bold" if bold else "Helvetica", size)
    x, y = float(text.get("x")), float(text.get("y"))
    x -= {"middle": width / 2, "end": width}.get(text.get("text-anchor"), 0)
    # Cap height and descender of Helvetica: 0.718 and -0.207.
    return x, y - 0.718 * size, x + width, y + 0.207 * size, text.text


def overlap(a, b):
    return min(a[2], b[2]) - max(a[0], b[0]) > 0.1 and min(a[3], b[3]) - max(a[1], b[1]) > 0.6


def line_through(points):
    """The straight line through the outermost points, and how far the others are from it."""
    points = sorted(points)
    (a, y), (b, z) = points[0], points[-1]
    at = lambda value: y + (z - y) * (value - a) / (b - a)
    return at, max(abs(at(value) - other) for value, other in points)


def days(text):
    return date.fromisoformat(text).toordinal()


def numbers(path):
    return [tuple(map(float, pair)) for pair in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path)]


def read(name, folder):
    facts = json.loads((folder / f"{name}.json").read_text())
    source = (folder / f"{name}.svg").read_text()
    root = ElementTree.fromstring(source)
    # SVG 1.1 section 5.4 and WAI-ARIA: a picture has a title, a description and the role of an image.
    check(root.get("role") == "img", name, "role")
    check(root[0].tag == f"{SVG}title" and root[1].tag == f"{SVG}desc", name, "title and desc come first")
    # The picture says the reviews besides, and the report the cautions.
    conclusion = facts["report"]["conclusion"].split(" This supports and does not replace")[0]
    check(root[1].text and root[1].text.startswith(conclusion), name, "desc begins with the conclusion")
    texts = root.findall(f"{SVG}text")
    boxes = [box(text) for text in texts if text.text]
    for one in boxes:
        check(one[0] >= 0 and one[1] >= 0 and one[2] <= 842 and one[3] <= 595, name, f"off the page: {one[4]}")
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            check(not overlap(one, other), name, f"overlap: {one[4]!r} and {other[4]!r}")
    shown = " ".join(text.text for text in texts if text.text)
    check("does not replace the judgement" in shown, name, "cautions")

    of = lambda kind: [element for element in root if element.get("class") == kind]
    x, bent = line_through([(days(t.text), float(t.get("x"))) for t in of("date")])
    check(bent < 0.02, name, "the time axis is not straight")
    y, bent = line_through([(float(t.text), float(t.get("y")) - 2.2) for t in of("scale")])
    check(bent < 0.02, name, "the scale is not straight")
    last = max(days(t.text) for t in of("date"))

    # Every window of the forecast is where its dates are.
    expected = [p["whenPeriod"] for p in facts["forecast"]["prediction"]]
    expected = sorted((p["start"], p["end"]) for p in expected)
    drawn = []
    for window in of("window"):
        start, end = re.search(r"expected (\S+) to (\S+), median", window[0].text).groups()
        drawn.append((start, end))
        corners = [point[0] for point in numbers(window.get("d"))]
        for day, found in ((start, min(corners)), (end, max(corners))):
            check(abs(x(min(days(day), last)) - found) < 0.02, name, f"window of {day} is at {found}")
    check(sorted(drawn) == expected, name, "windows are not the forecast's")

    # Every Tinel sign is where it was found.
    found = [o for o in facts["findings"] if o["code"]["coding"][0]["code"] == "tinel-distance"]
    want = sorted((x(days(o["effectiveDateTime"])), y(float(o["valueQuantity"]["value"]))) for o in found)
    have = sorted((float(c.get("cx")), float(c.get("cy"))) for c in of("tinel"))
    check(len(want) == len(have), name, f"{len(want)} Tinel signs, {len(have)} drawn")
    for a, b in zip(want, have):
        check(abs(a[0] - b[0]) < 0.02 and abs(a[1] - b[1]) < 0.02, name, f"Tinel sign at {b}, not {a}")
    looks = [o for o in facts["findings"] if o["code"]["coding"][0]["code"] == "motor-grade"]
    check(len(of("seen")) + len(of("unseen")) == 3 * len(looks), name, "looks for M1, M3 and M4")

    for width in (600, 1684):
        png = bytes(resvg_py.svg_to_bytes(svg_string=source, width=width, dpi=96))
        check(png.startswith(b"\x89PNG") and len(png) > 8_000, name, "resvg draws nothing")
        (folder / f"{name}-{width}.png").write_bytes(png)

    pdf = (folder / f"{name}.pdf").read_bytes()
    reader = PdfReader(io.BytesIO(pdf), strict=True)
    check(len(reader.pages) == 1, name, "one page")
    page = reader.pages[0]
    check([float(v) for v in page.mediabox] == [0, 0, 842, 595], name, "A4 on its side")
    check(reader.metadata.title == root[0].text and reader.metadata.subject == root[1].text, name, "PDF title and subject")
    printed = re.sub(r"\s+", "", page.extract_text())
    for text in texts:
        latin = "".join(c if c < "\u0100" else "?" for c in text.text or "")
        check(re.sub(r"\s+", "", latin) in printed, name, f"not in the PDF: {latin}")

    forms = {form["contentType"]: base64.b64decode(form["data"]) for form in facts["report"]["presentedForm"]}
    check(forms == {"image/svg+xml": source.encode(), "application/pdf": pdf}, name, "presentedForm is not the picture")


folder = Path(sys.argv[1])
names = sorted(file.stem for file in folder.glob("*.svg"))
for name in names:
    read(name, folder)
print(f"{len(names)} charts")
for line in wrong:
    print(line)
sys.exit(1 if wrong else 0)
