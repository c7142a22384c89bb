"""Code systems, value sets and the ConceptMap example."""
import json
import pathlib
import re

from common import HERE, UCUM, resource, url

# Kept as files in ../codes, beside the anatomy that they are tested against.
KEPT_BY_HAND = ["landmark", "nerve", "reinnervation-target"]

# Name: title, description, concepts (code, display, definition or None). The order is that of the code.
SYSTEMS = {
    "repair-technique": ("Techniques of nerve repair", "What was done. A Procedure with one of these codes is a repair.", [
        ("direct-coaptation", "direct coaptation", "Two nerve ends sutured to each other."),
        ("autograft", "autograft", "A gap bridged by the patient's own nerve."),
        ("processed-allograft", "processed allograft", "A gap bridged by processed donor nerve."),
        ("conduit", "conduit", "A gap bridged by a tube."),
        ("nerve-transfer", "nerve transfer", "A healthy branch coapted to the nerve near its target."),
        ("tendon-transfer", "tendon transfer",
         "A healthy muscle's tendon moved to do the lost movement: nothing regenerates."),
        ("neurolysis", "neurolysis", "A nerve freed of scar: the repair it freed keeps its own timeline."),
    ]),
    "exam-finding": ("Examination findings", "What was examined. An Observation with one of these codes is a finding.", [
        ("tinel-distance", "advance of the Tinel sign",
         "How far distal to the proximal coaptation tapping is still felt in the skin that the nerve supplies."),
        ("motor-grade", "motor grade of one muscle", "Medical Research Council scale, M0 to M5."),
        ("sensory-grade", "sensory grade of one territory",
         "S0 to S4 with intermediate grades: Highet's scale as modified by Zachary."),
        ("sudomotor-function", "sweating of one territory", "Whether the skin sweats."),
        ("nascent-potentials", "reinnervation potentials of one muscle", "Whether needle EMG shows them."),
        ("pain-score", "pain score", "Pain now, 0 none to 10 worst imaginable."),
    ]),
    "motor-grade": ("Motor grades", "Medical Research Council scale for one muscle.", [
        ("M0", "no contraction", None),
        ("M1", "flicker of contraction", None),
        ("M2", "movement with gravity eliminated", None),
        ("M3", "movement against gravity", None),
        ("M4", "movement against resistance", None),
        ("M5", "normal power", None),
    ]),
    "sensory-grade": ("Sensory grades", "Highet's scale for one territory, as modified by Zachary.", [
        ("S0", "no sensation", None),
        ("S1", "deep pain", None),
        ("S1+", "superficial pain", None),
        ("S2", "superficial pain and some touch", None),
        ("S2+", "as S2, with over-response", None),
        ("S3", "pain and touch without over-response", None),
        ("S3+", "as S3, with localisation; two-point discrimination 7 to 15 mm", None),
        ("S4", "normal sensation", None),
    ]),
    "milestone": ("Milestones of recovery", "The signs that are predicted for a muscle, then those for skin, in order.", [
        ("nascent-potentials", "reinnervation potentials on needle EMG", None),
        ("first-contraction", "first contraction (M1)", None),
        ("antigravity", "movement against gravity (M3)", None),
        ("strong", "movement against resistance (M4)", None),
        ("sudomotor-return", "return of sweating", None),
        ("protective-sensation", "protective sensation (S2 to S3)", None),
        ("useful-sensation", "useful sensation (S3+)", None),
    ]),
    "review-purpose": ("Purposes of a review", "What a clinic review is for.", [
        ("wound", "wound check", None),
        ("baseline", "baseline examination", None),
        ("rehabilitation", "rehabilitation after tendon transfer", None),
        ("decision", "decision before a last useful date", None),
        ("milestone", "first sign due", None),
        ("outcome", "outcome examination", None),
        ("surveillance", "surveillance", None),
    ]),
    "review-state": ("States of a review", "How far the booking of a review has come: Task.businessStatus.", [
        ("to-book", "to book", None),
        ("booked", "booked", None),
        ("attended", "attended", None),
        ("missed", "missed, to book again", None),
        ("moved", "booked, but outside its window",
         "The booked day is outside the window that the review would have without the booking: the window moved away, or the "
         "day was chosen so. The Task says which. The booking stands until somebody books another day."),
        ("withdrawn", "withdrawn", None),
    ]),
    "alert-kind": ("Kinds of alert", "What an alert is about.", [
        ("review-unbooked", "review not booked", "A review's window opens soon and it has no booking."),
        ("review-overdue", "review overdue", "A review's window has closed and the patient was not seen."),
        ("review-missed", "review missed", "The patient did not come to a booked review."),
        ("recovery-overdue", "recovery overdue",
         "A sign that should have been there by now was looked for and not found."),
        ("front-static", "front static", "The front has probably stopped."),
        ("reach-in-doubt", "reach in doubt", "Axons will probably not reach a muscle in time."),
        ("salvage-closing", "salvage closing", "A last useful date is near and there is no sign."),
        ("finding-inconsistent", "finding inconsistent", "A finding that cannot be."),
        ("alert-unanswered", "alert unanswered", "An alert of high severity has no answer."),
        ("recovered", "recovered", "Every target has reached its end milestone."),
    ]),
    "alert-answer": ("Answers to an alert", "What somebody did about an alert: DetectedIssue.mitigation.action. Any "
                     "mitigation answers the alert; these codes say how.", [
        ("acknowledged", "acknowledged", "It was seen and will be looked at."),
        ("confirmed", "confirmed", "A finding that seemed not to be possible was looked at again and stands."),
        ("declined", "declined", "It was seen and nothing will be done, for the reason given in action.text."),
        ("handed-over", "handed over", "Somebody else looks after it from now on: extension handed-to."),
        ("snoozed", "snoozed", "It was seen and is silent until the day in the extension snoozed-until."),
    ]),
    "card-feedback": ("What became of a card", "What a clinician did with a card: AuditEvent.subtype.", [
        ("accepted", "accepted", None),
        ("overridden", "overridden", None),
    ]),
    "override-reason": ("Why a card was set aside", "Reasons that a card offers.", [
        ("known", "Known and taken care of", None),
        ("elsewhere", "Followed elsewhere", None),
        ("patient-choice", "The patient's choice", None),
        ("not-relevant", "Not relevant now", None),
    ]),
    "patient-wish": ("Wishes of a patient", "What a patient does not want of a repair. It marks options and decides nothing.", [
        ("no-general-anaesthetic", "no general anaesthetic", None),
        ("no-donor-deficit", "no loss at a donor site", None),
        ("independent-finger-motion", "fingers that move independently", None),
    ]),
    "option-consequence": ("What an option asks or gives up", "In the extension given-up, which holds the words and their source.", [
        (code, code.replace("-", " "), None) for code in """general-anaesthetic second-site donor-deficit tension slower-growth
        limited-evidence old-path-closed relearning no-new-path no-regeneration immobilisation supple-joints
        coupled-finger-motion""".split()
    ]),
    "report": ("Reports", "What a DiagnosticReport of this service is.", [
        ("recovery-chart", "recovery chart", "What was expected of a repair, what was found, and what is still to come."),
    ]),
    "unit-report": ("What a unit's report counts", "Groups, populations and strata of the unit's MeasureReport.", [
        (code, code.replace("-", " "), None) for code in """reviews due attended missed stall-to-alert alerts outcome-motor
        outcome-sensory targets reached technique-and-nerve technique nerve arrest-cause inadequate-debridement technical-failure
        failed-revascularisation failed-repopulation tension infection undetermined first-signs before-window in-window
        after-window""".split()
    ]),
    "arrest-cause": ("Causes of arrest", "Why a first repair failed, as the surgeon of the second records it: "
                     "Procedure.reasonCode of a second repair. Recorded; nothing is computed from it.", [
        ("inadequate-debridement", "inadequate debridement of the nerve ends", None),
        ("technical-failure", "technical failure of the coaptation", None),
        ("failed-revascularisation", "failed revascularisation of the graft", None),
        ("failed-repopulation", "failed repopulation of the graft with cells", None),
        ("tension", "tension on the repair", None),
        ("infection", "infection", None),
        ("undetermined", "undetermined", None),
    ]),
    "salvage": ("Salvage operations", "Operations that restart the way of axons to a muscle, in the extension "
                "last-useful-date.", [
        ("second-graft", "second graft", "A second graft over the same path."),
        ("distal-transfer", "distal nerve transfer", "A nerve transfer close to the muscle."),
    ]),
    "laterality": ("Laterality", "Side of the body.", [("left", "left", None), ("right", "right", None)]),
    "origin": ("Origin", "Where a resource comes from: meta.tag.", [
        ("derived", "derived by this service", "Written by this service from the records."),
        ("ended-by-record", "ended by the record",
         "The plan was ended because the record it rests on ended, not by a clinician."),
    ]),
    "request": ("Requests", "What a ServiceRequest or Task of this service asks for.", [
        ("review", "nerve repair review", "A clinic review of a nerve repair."),
    ]),
}

# Skin territories of ../codes/reinnervation-target.json; the others are muscles.
TERRITORIES = """lateral-shoulder lateral-forearm first-dorsal-web-of-hand thumb-and-index-pulp dorsal-ulnar-hand
little-finger-pulp digit-pulp medial-leg dorsum-of-foot first-dorsal-web-of-foot sole lateral-foot""".split()

LENGTHS = [("mm", "millimetre"), ("cm", "centimetre"), ("m", "metre"), ("um", "micrometre"), ("[in_i]", "inch"),
           ("[ft_i]", "foot")]


def code_system(name, title, description, concepts, content="complete"):
    rows = [{"code": code, "display": display, **({"definition": said} if said else {})} for code, display, said in concepts]
    count = len(rows) if content == "complete" else None
    return resource("CodeSystem", name, title, description, caseSensitive=True, valueSet=url("ValueSet", name),
                    content=content, count=count, concept=rows)


def issues():
    """What the service tells machines: keys of R4's invariants as profiles/r4 has them, and KEYS of service/fhir/src/issue.rs."""
    root = pathlib.Path(__file__).resolve().parents[2]
    found = {}
    for row in json.loads((root / "profiles/r4/invariants.json").read_text()):
        found.setdefault(row["key"], " ".join(row["human"].split()))
    source = (root / "service/fhir/src/issue.rs").read_text().split("KEYS: &[(&str, &str)] = &[")[1].split("];")[0]
    found.update(re.findall(r'\("([^"]+)", "([^"]+)"\)', source))
    concepts = [(key, key, human) for key, human in sorted(found.items())]
    return code_system(
        "issue", "Issues", "Stable codes of what can be wrong with a resource: OperationOutcome.issue.details.coding. Most "
        "are the keys of R4's invariants, with the text of the R4 StructureDefinitions.", concepts)


def value_set(name, title, description, include):
    return resource("ValueSet", name, title, description, compose={"include": include})


def whole(name, title):
    return value_set(name, title, f"All codes of the code system {name}.", [{"system": url("CodeSystem", name)}])


def example_map():
    """An invented hospital's codes."""
    def group(source, target, rows):
        return {
            "source": source,
            "target": url("CodeSystem", target),
            "element": [
                {"code": code, "display": display, "target": [{"code": to, "equivalence": "equivalent"}]}
                for code, display, to in rows
            ],
        }

    operations, findings = "https://hospital.example/codes/operation", "https://hospital.example/codes/finding"
    return resource(
        "ConceptMap", "example-hospital-codes", "Example: a hospital's own codes",
        "How an invented hospital maps its own operation and finding codes to those of this service. It is only published, "
        "not stored: copy it, put your codes in, and send it with POST /fhir/ConceptMap.",
        experimental=True,
        group=[
            group(operations, "repair-technique", [
                ("NS-10", "nerve suture", "direct-coaptation"),
                ("NS-20", "nerve graft, own nerve", "autograft"),
                ("NS-21", "nerve graft, processed", "processed-allograft"),
                ("NS-30", "nerve tube", "conduit"),
                ("NS-40", "nerve transfer", "nerve-transfer"),
                ("NS-50", "tendon transfer for nerve palsy", "tendon-transfer"),
                ("NS-60", "freeing of nerve", "neurolysis"),
            ]),
            group(findings, "exam-finding", [
                ("EX-TINEL", "Tinel, mm from repair", "tinel-distance"),
                ("EX-MRC", "muscle power", "motor-grade"),
                ("EX-SENS", "sensation", "sensory-grade"),
                ("EX-SWEAT", "sweating", "sudomotor-function"),
                ("EX-EMG", "reinnervation on EMG", "nascent-potentials"),
                ("EX-PAIN", "pain 0 to 10", "pain-score"),
            ]),
        ],
    )


def resources(definitions):
    yield from (code_system(name, *said) for name, said in SYSTEMS.items())
    yield issues()
    for name, (title, *_) in SYSTEMS.items():
        yield whole(name, title)
    yield whole("issue", "Issues")
    kept = {name: json.loads((HERE.parent / "codes" / f"{name}.json").read_text()) for name in KEPT_BY_HAND}
    for name, system in kept.items():
        yield whole(name, system["title"])
    codes = [concept["code"] for concept in kept["reinnervation-target"]["concept"]]
    assert set(TERRITORIES) <= set(codes)
    system = url("CodeSystem", "reinnervation-target")
    for name, title, keep in [("muscle", "Muscles", lambda code: code not in TERRITORIES),
                              ("skin-territory", "Skin territories", lambda code: code in TERRITORIES)]:
        concepts = [{"code": code} for code in codes if keep(code)]
        yield value_set(name, title, f"{title} of the code system reinnervation-target.",
                        [{"system": system, "concept": concepts}])
    yield value_set("length-unit", "Units of length", "The UCUM units in which a length is understood.",
                    [{"system": UCUM, "concept": [{"code": code, "display": said} for code, said in LENGTHS]}])
    yield example_map()
