"""What all published resources have in common."""
import html
import pathlib

EP = "https://endplate.example/fhir"
UCUM = "http://unitsofmeasure.org"
HL7 = "http://hl7.org/fhir/StructureDefinition/"
HERE = pathlib.Path(__file__).parent
VERSION = "1.0.0"
PUBLISHED_ON = "2026-01-05"
CAUTION = (
    "This supports and does not replace the judgement of the treating surgeon. Local protocols and licensed practice "
    "govern. Its expectations come from published averages: they are chances and dates, not certainties, and no "
    "operation is ordered by it."
)


def url(kind, name):
    """The canonical URL of a published resource."""
    return f"{EP}/{kind}/{name}"


def pascal(name):
    """`nerve-repair` as a name that programs can use: `NerveRepair`."""
    return "".join(part[:1].upper() + part[1:] for part in name.replace(".", "-").split("-"))


def resource(kind, name, title, description, /, **members):
    """A published resource: what identifies it, then `members`. A member that is None is left out."""
    made = {
        "resourceType": kind,
        "id": name,
        "url": url(kind, name),
        "version": VERSION,
        "name": pascal(name),
        "title": title,
        "status": "active",
        "experimental": False,
        "date": PUBLISHED_ON,
        "publisher": "Endplate",
        "description": description,
    }
    made.update(members)
    return {key: value for key, value in made.items() if value is not None}


def finished(one):
    """With a narrative after the id: title and description, for people."""
    title, said = html.escape(one["title"], quote=False), html.escape(one["description"], quote=False)
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><h2>{title}</h2><p>{said}</p></div>'
    text = {"status": "generated", "div": div}
    head = {key: one[key] for key in ("resourceType", "id")}
    return {**head, "text": text, **{key: value for key, value in one.items() if key not in head}}
