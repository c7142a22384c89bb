"""The PlanDefinition, the Library of its parameters, the Measure of the unit's report, and the OperationDefinitions."""
import base64
import json
import re
import tomllib

from common import CAUTION, HERE, HL7, resource, url

PROTOCOL = HERE.parent / "protocol.toml"
BASES = ("published", "common practice", "from memory", "estimate", "setting")

# Unit of a parameter by the end of its name, or by where it stands.
UNITS = [("mm_per_day", "mm/d"), ("_mm", "mm"), ("_days", "d"), ("days", "d"), ("_years", "a"), ("_over_days", "d")]


def basis_and_source(comment):
    """`published: Seddon 1943` -> its basis and the rest. Without a basis it is an estimate of ours, or a setting."""
    for basis in BASES:
        if comment.startswith(basis):
            return basis, comment[len(basis):].lstrip(" :,;")
    return "estimate", comment.removesuffix("estimate").rstrip(" :")


def comments():
    """The comment of each key and each section of the protocol, by dotted name."""
    found, section, counts = {}, "", {}
    for line in PROTOCOL.read_text().splitlines():
        code, _, comment = line.partition("#")
        code, comment = code.strip(), comment.strip()
        if match := re.fullmatch(r"\[\[(.+)\]\]", code):
            counts[match[1]] = counts.get(match[1], -1) + 1
            section = f"{match[1]}[{counts[match[1]]}]"
        elif match := re.fullmatch(r"\[(.+)\]", code):
            section = match[1]
        elif match := re.match(r"([\w-]+)\s*=", code):
            found[f"{section}.{match[1]}".lstrip(".")] = comment
            continue
        else:
            continue
        found[section] = comment
    # What is said of the first row of a table holds for the others.
    for name, last in counts.items():
        for row in range(1, last + 1):
            found[f"{name}[{row}]"] = found[f"{name}[{row}]"] or found[f"{name}[0]"]
    return found


def leaves(value, name=""):
    """Every parameter with its dotted name."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, f"{name}.{key}".lstrip("."))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for index, inner in enumerate(value):
            yield from leaves(inner, f"{name}[{index}]")
    else:
        yield name, value


def unit_of(name, value):
    if isinstance(value, str) or (isinstance(value, list) and value and isinstance(value[0], str)) or value == []:
        return None
    last = name.rsplit(".", 1)[-1]
    for end, unit in UNITS:
        if last.endswith(end):
            return unit
    if name.startswith("schedule."):
        return "d"
    if name.startswith("donor_path_mm."):
        return "mm"
    return "1"


def parameters():
    said = comments()
    rows = []
    for name, value in leaves(tomllib.loads(PROTOCOL.read_text())):
        if name == "version":
            continue
        parts = name.split(".")
        # The nearest comment: of the key, of the table row, of the section.
        nearest = next((said[".".join(parts[:n])] for n in range(len(parts), 0, -1) if said.get(".".join(parts[:n]))), "")
        basis, source = basis_and_source(nearest)
        if name.startswith(("alert.", "schedule.")) and not nearest.startswith(BASES):
            basis, source = "setting", "a choice of this service; a clinic may set its own"
        rows.append({"name": name, "value": value, "unit": unit_of(name, value), "basis": basis, "source": source or None})
    return [{key: value for key, value in row.items() if value is not None} for row in rows]


def fhir_type(value):
    if isinstance(value, int):
        return "integer"
    return "decimal" if isinstance(value, float) else "string"


def library():
    version = tomllib.loads(PROTOCOL.read_text())["version"]
    rows = parameters()

    def parameter(row):
        shown = json.dumps(row["value"]).replace('"', "")
        unit = {"1": "", "d": " d"}.get(row.get("unit", "1"), f" {row.get('unit')}")
        why = f"{row['basis']}: {row['source']}" if "source" in row else row["basis"]
        return {"name": re.sub(r"[^A-Za-z0-9]+", "_", row["name"]).strip("_"), "use": "out", "min": 1, "max": "1",
                "documentation": f"{row['name']} = {shown}{unit}; {why}", "type": fhir_type(row["value"])}

    def content(kind, title, data):
        return {"contentType": kind, "title": title, "data": base64.b64encode(data).decode()}

    made = resource(
        "Library", "nerve-repair-protocol", "Protocol parameters",
        "Every parameter of the forecast, the schedule and the alerts, with its value, unit, basis and source. basis is published "
        "(the source is named), common practice (no source), from memory (a source exists but was not re-read), estimate (ours; no "
        "human data found) or setting (a choice with no claim behind it). A clinic may override any of them in its configuration; "
        f"it should then give its protocol a version of its own. {CAUTION}",
        type={"coding": [{"system": "http://terminology.hl7.org/CodeSystem/library-type", "code": "asset-collection"}]},
        parameter=[parameter(row) for row in rows],
        content=[
            content("application/json", "The parameters as a JSON array", json.dumps(rows, indent=1, ensure_ascii=False).encode()),
            content("application/toml", "The parameters as the service reads them, with comments", PROTOCOL.read_bytes()),
        ],
    )
    return {**made, "version": version}


REVIEWS = [
    ("wound", "Wound check", "In the second week."),
    ("baseline", "Baseline examination", "About six weeks after the operation: Tinel sign, grades before anything can have recovered."),
    ("rehabilitation", "Rehabilitation after tendon transfer", "After a tendon transfer only: at the end of immobilisation, then at "
     "three months."),
    ("decision", "Decision before a last useful date", "Before the last date on which a second graft or a distal transfer would still "
     "bring axons to a muscle in time."),
    ("milestone", "First sign due", "When the first sign of a target should be there."),
    ("surveillance", "Surveillance", "So that no interval between reviews is longer than the spacing of the protocol."),
    ("outcome", "Outcome examination", "Two years after the operation."),
]


def plan():
    version = tomllib.loads(PROTOCOL.read_text())["version"]

    def coded(name):
        return [{"coding": [{"system": url("CodeSystem", "review-purpose"), "code": name}]}]

    reviews = [{"title": title, "description": said, "code": coded(name)} for name, title, said in REVIEWS]
    made = resource(
        "PlanDefinition", "nerve-repair-follow-up", "Follow-up of peripheral nerve repairs",
        "For every repair it states when each target should show which sign; it asks for the fewest clinic reviews that cover all of "
        f"them, and raises an alert where what was found is not what was expected. {CAUTION}",
        type={"coding": [{"system": "http://terminology.hl7.org/CodeSystem/plan-definition-type", "code": "clinical-protocol"}]},
        subjectCodeableConcept={"coding": [{"system": "http://hl7.org/fhir/resource-types", "code": "Patient"}]},
        usage="Send a repair (Procedure) and the plan exists. For a plan that is not stored, use the operation $apply. One action may "
        "be served by the same review as another.",
        library=[f"{url('Library', 'nerve-repair-protocol')}|{version}"],
        action=[{
            "title": "Follow up a nerve repair",
            "trigger": [{"type": "data-added", "data": [{"type": "Procedure", "profile": [url("StructureDefinition", "nerve-repair")]}]}],
            "groupingBehavior": "logical-group", "selectionBehavior": "all", "action": reviews,
        }],
    )
    return {**made, "version": version}


def operation(name, title, description, code, on, level, parameters, base=None, writes=False):
    return resource(
        "OperationDefinition", name, title, description, kind="operation", affectsState=writes, code=code, base=base,
        resource=[on], system=False, type=level == "type", instance=level == "instance", parameter=parameters)


def parameter(name, use, least, most, kind, said):
    search = {"searchType": "reference"} if kind == "reference" else {}
    return {"name": name, "use": use, "min": least, "max": most, "documentation": said,
            "type": "string" if search else kind, **search}


AS_OF = parameter("asOf", "in", 0, "1", "date", "The day as of which it is reckoned; left out, today.")


def operations():
    yield operation(
        "PlanDefinition-apply", "Apply the follow-up plan",
        "What the plan of a patient's repairs would be; nothing is stored. Repairs and findings are those that are stored, and those "
        f"in the request. {CAUTION}",
        "apply", "PlanDefinition", "instance", [
            parameter("subject", "in", 1, "1", "reference", "The patient: Patient/…, stored or among the resources sent."),
            parameter("resource", "in", 0, "*", "Any", "Patient, Condition, repairs and findings that are not stored, or instead of what "
                      "is stored under the same id."),
            AS_OF,
            parameter("return", "out", 1, "1", "CarePlan", "The plan; its goals, assessments, requests and tasks are contained."),
        ], base="http://hl7.org/fhir/OperationDefinition/PlanDefinition-apply")
    yield operation(
        "CarePlan-assess", "A plan as of another day",
        f"A stored plan and everything derived with it, as it would be on another day; nothing is stored. {CAUTION}",
        "assess", "CarePlan", "instance", [
            AS_OF,
            parameter("return", "out", 1, "1", "Bundle", "A collection of the plan and what belongs to it."),
        ])
    yield operation(
        "ConceptMap-unmapped", "Unmapped codes",
        "Codes of stored records that are neither ours nor mapped by a stored ConceptMap, most frequent first.",
        "unmapped", "ConceptMap", "type", [
            {"name": "unmapped", "use": "out", "min": 0, "max": "*", "documentation": "One code.", "part": [
                parameter("system", "out", 0, "1", "uri", "Its code system."),
                parameter("code", "out", 1, "1", "code", "The code."),
                parameter("type", "out", 1, "1", "code", "The type of resource that it is in."),
                parameter("count", "out", 1, "1", "integer", "In how many resources."),
            ]},
        ])
    yield operation(
        "RiskAssessment-chart", "Recovery chart",
        "The recovery chart of the repair that a derived RiskAssessment is about, as SVG and as PDF, drawn from the present facts; nothing "
        f"is stored. {CAUTION}",
        "chart", "RiskAssessment", "instance", [
            parameter("format", "in", 0, "1", "code", "svg or pdf: the picture alone."),
            parameter("return", "out", 1, "1", "DiagnosticReport", "The stored report, with the picture itself in presentedForm."),
        ])
    yield operation(
        "PlanDefinition-compare-options", "Options side by side",
        f"Candidate repairs of one injury side by side. Recommends nothing, ranks nothing, stores nothing. {CAUTION}",
        "compare-options", "PlanDefinition", "instance", [
            parameter("subject", "in", 0, "1", "reference", "The patient."),
            parameter("resource", "in", 1, "*", "Any", "Each candidate as a Procedure with status preparation; Patient and Condition if they "
                      "are not stored."),
            parameter("wish", "in", 0, "*", "Coding", "A wish of the patient (code system patient-wish), or a text."),
            parameter("return", "out", 1, "1", "Bundle", "A Composition with the cautions and the table, then a RiskAssessment for each."),
        ])
    yield operation(
        "PlanDefinition-unit-report", "The unit's report",
        "Reviews, time from stall to alert, outcomes, causes of arrest and first signs against their windows, in a period that is over. "
        "Nothing about single patients. Small numbers mislead.",
        "unit-report", "PlanDefinition", "instance", [
            parameter("start", "in", 1, "1", "date", "First day."),
            parameter("end", "in", 1, "1", "date", "Last day, before today."),
            parameter("return", "out", 1, "1", "MeasureReport", "A summary."),
        ])
    for code, writes, said in [
        ("protocol-preview", False, "What would change if the plans of this patient followed the protocol in force; nothing is stored."),
        ("protocol-move", True, "Moves the plans of this patient to the protocol in force, and says what changed."),
    ]:
        yield operation(
            f"Patient-{code}", "Moving to the protocol in force", f"{said} {CAUTION}", code, "Patient", "instance",
            [parameter("return", "out", 1, "1", "Parameters", "What changes.")], writes=writes)


CAUSES = """inadequate-debridement technical-failure failed-revascularisation failed-repopulation tension infection
undetermined""".split()
REACHED = [("targets", "Targets of repairs whose outcome examination was due at the latest in the period."),
           ("reached", "Those of them that had reached it by that day.")]
# Groups of the unit's report: what each counts, its populations with how each is counted, and whether it is stratified.
GROUPS = [
    ("reviews", "Reviews whose window closed in the period. The score is the share attended.", [
        ("due", "Task of a review, not cancelled, whose restriction.period ends in the period."),
        ("attended", "Those of them whose businessStatus is attended."),
        ("missed", "Those of them whose businessStatus is missed."),
    ], False),
    ("stall-to-alert", "The score is the median of days from the finding at which the front already stood where it stood when the alert "
     "was raised, to the alert.", [
         ("alerts", "DetectedIssue front-static whose identifiedPeriod starts in the period."),
     ], False),
    ("outcome-motor", "Muscles with M3 or better when the outcome was due. The score is their share.", REACHED, True),
    ("outcome-sensory", "Skin with S3+ or better when the outcome was due. The score is its share.", REACHED, True),
    ("arrest-cause", "Why repairs arrested, as the surgeons of second repairs recorded. No score.", [
        (cause, f"Second repairs done in the period whose reasonCode is {cause}.") for cause in CAUSES
    ], False),
    ("first-signs", "First signs seen in the period against the window in which eight in ten were expected on the day of the repair. The "
     "score is the share seen in the window.", [
         ("before-window", "First signs seen before their window."),
         ("in-window", "First signs seen in their window."),
         ("after-window", "First signs seen after their window."),
     ], False),
]


def measure():
    def coded(name):
        return {"coding": [{"system": url("CodeSystem", "unit-report"), "code": name, "display": name.replace("-", " ")}]}

    def criteria(said):
        # Counted by a program that knows the plans: no query language says it, so it is said in plain words.
        return {"language": "text/plain", "expression": said}

    def group(name, said, populations, stratified):
        made = {"code": coded(name), "description": said,
                "population": [{"code": coded(one), "description": how, "criteria": criteria(how)} for one, how in populations]}
        if stratified:
            parts = [("technique", "Technique of the repair."), ("nerve", "Nerve repaired.")]
            made["stratifier"] = [{"code": coded("technique-and-nerve"), "description": "Strata with fewer than five targets are told as one.",
                                   "component": [{"code": coded(one), "criteria": criteria(how)} for one, how in parts]}]
        return made

    return resource(
        "Measure", "nerve-repair-unit", "What a unit's report counts",
        "The measure of the MeasureReport that the operation unit-report of the plan answers: reviews, time from stall to alert, outcomes, "
        "causes of arrest, and first signs against their windows. Counts of a unit, never of one patient.",
        subjectCodeableConcept={"coding": [{"system": "http://hl7.org/fhir/resource-types", "code": "Patient"}]},
        disclaimer="Small numbers mislead. The unit's cases are not a random sample, and signs are seen only when somebody looks. " + CAUTION,
        type=[{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/measure-type", "code": code}]}
              for code in ("process", "outcome")],
        group=[group(*one) for one in GROUPS])


def resources():
    yield plan()
    yield library()
    yield measure()
    yield from operations()
