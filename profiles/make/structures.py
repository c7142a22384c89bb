"""Profiles and extensions: differentials as data, snapshots from the R4 StructureDefinitions they constrain."""
import copy
import json

from common import HL7, UCUM, pascal, resource, url



def ext(name, max="1", min=0, short=None):
    """A slice of an `extension` element."""
    return {"name": name, "min": min, "max": max, "short": short}


def bound(name, strength="extensible"):
    return {"binding": {"strength": strength, "valueSet": url("ValueSet", name)}}


def code(system, *codes):
    coding = [{"system": url("CodeSystem", system), "code": one} for one in codes]
    return {"patternCodeableConcept": {"coding": coding}}


def kinds(*names):
    return {"type": [{"code": name} for name in names]}


def to(*targets):
    return {"type": [{"code": "Reference", "targetProfile": [HL7 + target for target in targets]}]}


MUST = {"mustSupport": True}
LENGTH = {**kinds("Quantity"), **bound("length-unit", "required")}
MM_PER_DAY = {**kinds("Quantity"), "patternQuantity": {"system": UCUM, "code": "mm/d"}}
STRUCTURE = {**kinds("CodeableConcept"), **bound("reinnervation-target")}

# Name: title, description, where it stands, and either the value or the parts (name: (min, max, value)).
EXTENSIONS = {
    "laterality": ("Laterality", "Side of the repair.", ["Procedure"], {**kinds("code"), **bound("laterality", "required")}),
    "gap-length": ("Gap", "Gap between the trimmed nerve ends, which is the length of the graft or conduit: more than 0, at most "
                   "1500 mm. Required for grafts and conduits; not read for other techniques.", ["Procedure"], LENGTH),
    "repair-level": (
        "Level of the repair", "Where the distal coaptation lies: so far distal to a landmark, along the nerve. From it the "
        "anatomy table yields the targets, if none are measured.", ["Procedure"],
        {"landmark": (1, "1", {**kinds("code"), **bound("landmark", "required")}), "distance": (1, "1", LENGTH)}),
    "target": (
        "Target", "A muscle or skin territory that the axons should reach. path-length is measured along the nerve from the "
        "distal coaptation, 0 to 1500 mm; where it is left out, the anatomy table must know it from repair-level.",
        ["Procedure"], {"structure": (1, "1", STRUCTURE), "path-length": (0, "1", LENGTH)}),
    "donor-nerve": ("Donor nerve", "What was given: the source of the graft, or the branch transferred. Recorded; nothing is "
                    "computed from it.", ["Procedure"], {**kinds("CodeableConcept"), **bound("nerve")}),
    "cable-count": ("Number of cables", "Strands of a cable graft. Recorded; nothing is computed from it.", ["Procedure"],
                    kinds("positiveInt")),
    "donor-path-length": (
        "Path of a distal transfer", "How far a distal nerve transfer to this muscle would be from it, along the nerve: for "
        "the last useful date of such a transfer.", ["Procedure"],
        {"structure": (1, "1", STRUCTURE), "path-length": (1, "1", LENGTH)}),
    "target-structure": ("Muscle or territory", "Where a sign is expected; what an alert, or the answer to it, is about.",
                         ["RiskAssessment.prediction", "DetectedIssue", "DetectedIssue.mitigation"], STRUCTURE),
    "snoozed-until": ("Silent until", "The day on which a snoozed alert speaks again, if it still stands.",
                      ["DetectedIssue.mitigation"], kinds("date")),
    "handed-to": ("Handed over to", "Who gets the messages of an alert from now on.", ["DetectedIssue.mitigation"],
                  to("Practitioner", "PractitionerRole")),
    "review-count": ("Number of reviews", "How many clinic reviews an option would ask for.", ["RiskAssessment"],
                     kinds("unsignedInt")),
    "operate-by": ("Operate by", "The last day on which this option would still bring axons to a muscle in time, in nine of ten.",
                   ["RiskAssessment"], {"structure": (1, "1", STRUCTURE), "date": (1, "1", kinds("date"))}),
    "given-up": ("Given up", "What an option asks or gives up, and where that is said.", ["RiskAssessment"],
                 {"consequence": (1, "1", {**kinds("code"), **bound("option-consequence", "required")}),
                  "text": (1, "1", kinds("string")), "source": (1, "1", kinds("string"))}),
    "wish-against": ("A wish that speaks against it", "A wish of the patient that speaks against an option, and why.",
                     ["RiskAssessment"], {"wish": (1, "1", {**kinds("CodeableConcept"), **bound("patient-wish")}),
                                          "because": (1, "1", kinds("string"))}),
    "caution": ("Caution", "How a report must not be read.", ["MeasureReport"], kinds("string")),
    "suggested-parameter": ("Parameter that the clinic's own data suggest", "Never applied by itself.", ["MeasureReport"],
                            {"parameter": (1, "1", kinds("string")), "value": (1, "1", kinds("decimal")),
                             "basis": (1, "1", kinds("string"))}),
    "interval": ("Interval", "The 95 % interval of a share, in percent (Wilson).", ["MeasureReport.group.measureScore",
                 "MeasureReport.group.stratifier.stratum.measureScore"],
                 {"low": (1, "1", kinds("decimal")), "high": (1, "1", kinds("decimal"))}),
    "median-date": ("Median date", "The day by which the sign is there in half of the repairs whose front has not stopped.",
                    ["RiskAssessment.prediction"], kinds("date")),
    "arrest-probability": ("Chance of arrest", "Chance, in percent, that the front has stopped in or near the repair.",
                           ["RiskAssessment"], kinds("decimal")),
    "growth-rate": (
        "Growth rate", "Rate of this patient's axons, with the limits between which it lies in eight of ten.", ["RiskAssessment"],
        {name: (1, "1", MM_PER_DAY) for name in ("median", "low", "high")}),
    "last-useful-date": (
        "Last useful date", "Until when a salvage operation would still bring axons to a muscle in time, in nine of ten.",
        ["RiskAssessment"],
        {"salvage": (1, "1", {**kinds("code"), **bound("salvage", "required")}), "structure": (1, "1", STRUCTURE),
         "date": (1, "1", kinds("date"))}),
    "alert-fact": ("Fact of an alert", "A number, a date or a text that the alert rests on.", ["DetectedIssue"],
                   {"name": (1, "1", kinds("string")), "value": (1, "1", kinds("date", "decimal", "Quantity", "string"))}),
    "scheduler-said": (
        "What the scheduler said", "The state that a scheduler gave the Task and its day, kept apart from what is derived. "
        "Written by this service.", ["Task"],
        {"state": (1, "1", {**kinds("code"), **bound("review-state", "required")}), "date": (1, "1", kinds("date"))}),
}

REPAIR_EXTENSIONS = [
    ext("laterality"), ext("gap-length", short="Gap; required for grafts and conduits"), ext("repair-level"),
    ext("target", "*", short="Measured targets; else send repair-level"), ext("donor-nerve"), ext("cable-count"),
    ext("donor-path-length", "*"),
]

FINDING = {
    "Observation.subject": {"min": 1, **to("Patient"), **MUST},
    "Observation.focus": {"short": "The repair (Procedure); else it is found by bodySite", **MUST},
    "Observation.effective[x]": {"min": 1, **kinds("dateTime", "Period", "instant"),
                                 "short": "Date of the examination; partial dates allowed", **MUST},
}


def finding(name, title, description, value, site=None):
    """A profile of Observation: one finding."""
    elements = {
        "Observation.code": {**code("exam-finding", name), **MUST},
        **FINDING,
        "Observation.value[x]": {"min": 1, **value, **MUST},
        "Observation.bodySite": {**(site or {}), **MUST},
    }
    return title, description, "Observation", elements


MUSCLE = {"min": 1, **bound("muscle"), "short": "The muscle examined: code or text"}
SKIN = {"min": 1, **bound("skin-territory"), "short": "The territory examined: code or text"}
NERVE = {**bound("nerve"), "short": "The nerve, where focus is left out"}
ANSWERED = {"Task.businessStatus": {"min": 1, **bound("review-state", "required"), **MUST}}

# Name: title, description, base, elements in the order of the base. `extensions` at a path are slices.
PROFILES = {
    "nerve-repair": (
        "Nerve repair", "One nerve continuity restored in one operation. It needs targets: measured ones (target), or a level "
        "(repair-level) from which the anatomy table yields them. A Procedure is read as a repair by its code, whether it "
        "claims this profile or not. What comes of it supports and does not replace the judgement of the treating surgeon.",
        "Procedure",
        {
            "Procedure.extension": {"extensions": REPAIR_EXTENSIONS},
            "Procedure.identifier": {"short": "The record system's own; with it, a create can be conditional", **MUST},
            "Procedure.partOf": {"short": "The operation"},
            "Procedure.status": {"short": "completed yields a plan; entered-in-error and not-done end one", **MUST},
            "Procedure.code": {"min": 1, **bound("repair-technique"), "short": "Technique", **MUST},
            "Procedure.subject": {**to("Patient"), **MUST},
            "Procedure.performed[x]": {"min": 1, **kinds("dateTime", "Period"),
                                       "short": "Date of operation; partial dates allowed", **MUST},
            "Procedure.performer": {"short": "Whoever gets the alerts; absent: the clinic lead", **MUST},
            "Procedure.reasonCode": {"short": "Of a second repair: why the first failed", **bound("arrest-cause", "preferred")},
            "Procedure.reasonReference": {"max": "1", **to("Condition"), "short": "The injury; its onset is the day of injury",
                                          **MUST},
            "Procedure.bodySite": {"min": 1, "max": "1", **bound("nerve"), "short": "The nerve: code, or text with measured targets",
                                   **MUST},
        }),
    "tinel-distance": finding(
        "tinel-distance", "Advance of the Tinel sign", "How far distal to the proximal coaptation the Tinel sign was found: 0 to 1500 mm.",
        {**LENGTH, "short": "UCUM length, 0 to 1500 mm"}, NERVE),
    "motor-grade": finding(
        "motor-grade", "Motor grade", "Medical Research Council grade of one muscle: a code M0 to M5, or an integer 0 to 5.",
        {**kinds("CodeableConcept", "integer"), **bound("motor-grade", "required"), "short": "M0 to M5, or 0 to 5"}, MUSCLE),
    "sensory-grade": finding(
        "sensory-grade", "Sensory grade", "Grade of one skin territory, S0 to S4.",
        {**kinds("CodeableConcept"), **bound("sensory-grade", "required"), "short": "S0 to S4"}, SKIN),
    "sudomotor-function": finding(
        "sudomotor-function", "Sweating", "Whether one skin territory sweats.", {**kinds("boolean"), "short": "Whether it sweats"}, SKIN),
    "nascent-potentials": finding(
        "nascent-potentials", "Reinnervation potentials", "Whether needle EMG of one muscle shows reinnervation potentials.",
        {**kinds("boolean"), "short": "Whether they are there"}, MUSCLE),
    "pain-score": finding(
        "pain-score", "Pain score", "Pain now, 0 none to 10 worst imaginable.",
        {**kinds("integer"), "minValueInteger": 0, "maxValueInteger": 10, "short": "0 to 10"}, NERVE),
    "follow-up-plan": (
        "Follow-up plan", "The plan of one injury: written by this service, one for each Condition or, without one, each repair. "
        "A clinician ends it with status completed or revoked.", "CarePlan",
        {
            "CarePlan.text": {"min": 1, "short": "The plan for people"},
            "CarePlan.identifier": {"min": 1},
            "CarePlan.instantiatesCanonical": {"min": 1, "short": "PlanDefinition nerve-repair-follow-up and protocol version"},
            "CarePlan.intent": {"patternCode": "plan"},
            "CarePlan.title": {"min": 1},
            "CarePlan.subject": to("Patient"),
            "CarePlan.period": {"min": 1},
            "CarePlan.author": {"min": 1, **to("Device")},
            "CarePlan.addresses": {"max": "1", "short": "The injury"},
            "CarePlan.supportingInfo": {**to("RiskAssessment"), "short": "One RiskAssessment for each repair"},
            "CarePlan.goal": {"short": "One Goal for each target"},
            "CarePlan.activity": {"short": "One ServiceRequest for each review"},
            "CarePlan.note": {"min": 1, "short": "Cautions first, then what was assumed"},
        }),
    "review-request": (
        "Review request", "One clinic review that a plan asks for, with the window in which it should take place.", "ServiceRequest",
        {
            "ServiceRequest.identifier": {"min": 1},
            "ServiceRequest.intent": {"patternCode": "order"},
            "ServiceRequest.code": {"min": 1, **code("request", "review")},
            "ServiceRequest.orderDetail": {"min": 1, **bound("review-purpose", "required"), "short": "What the review is for"},
            "ServiceRequest.subject": to("Patient"),
            "ServiceRequest.occurrence[x]": {"min": 1, **kinds("Period"), "short": "The window"},
            "ServiceRequest.patientInstruction": {"min": 1},
            "ServiceRequest.note": {"min": 1, "short": "What to examine, and the caution"},
        }),
    "review-task": (
        "Review task", "The scheduler's work list: one Task for each review. A scheduler may set status, businessStatus, owner, "
        "note, input (day of the booking) and executionPeriod (day of the visit).", "Task",
        {
            "Task.extension": {"extensions": [ext("scheduler-said")]},
            "Task.identifier": {"min": 1},
            "Task.basedOn": {"min": 1, **to("CarePlan")},
            **ANSWERED,
            "Task.intent": {"patternCode": "order"},
            "Task.code": {"min": 1, **code("request", "review")},
            "Task.description": {"min": 1},
            "Task.focus": {"min": 1, **to("ServiceRequest")},
            "Task.for": {"min": 1, **to("Patient")},
            "Task.restriction": {"min": 1},
            "Task.restriction.period": {"min": 1, "short": "The window; searched by the parameter due"},
            "Task.input": {"short": "Preferred date, and the Appointment once there is one"},
        }),
    "recovery-assessment": (
        "Recovery assessment", "What is believed of one repair: windows of every sign, chance of arrest, growth rate, last useful "
        "dates. Chances and dates, not certainties.", "RiskAssessment",
        {
            "RiskAssessment.text": {"min": 1, "short": "The assessment for people"},
            "RiskAssessment.extension": {"extensions": [
                ext("arrest-probability", min=1), ext("growth-rate", min=1), ext("last-useful-date", "*")]},
            "RiskAssessment.identifier": {"min": 1},
            "RiskAssessment.method": {"min": 1, "short": "Model and protocol version"},
            "RiskAssessment.subject": to("Patient"),
            "RiskAssessment.basis": {"min": 1, "short": "The repair and its findings"},
            "RiskAssessment.prediction": {"short": "One for each target and milestone"},
            "RiskAssessment.prediction.extension": {"extensions": [
                ext("target-structure", min=1), ext("median-date", min=1)]},
            "RiskAssessment.prediction.outcome": {"min": 1, **bound("milestone", "required")},
            "RiskAssessment.prediction.probability[x]": {"min": 1, **kinds("decimal"), "short": "Percent, 0 to 100"},
            "RiskAssessment.prediction.when[x]": {"min": 1, **kinds("Period"), "short": "p10 to p90"},
            "RiskAssessment.prediction.rationale": {"min": 1, "short": "Path length and where it comes from"},
            "RiskAssessment.note": {"min": 1, "short": "The caution"},
        }),
    "recovery-chart": (
        "Recovery chart", "One repair in words and, at the addresses in presentedForm, as a picture that is drawn from the present "
        "facts. status is partial while the repair is followed, then cancelled, without presentedForm.", "DiagnosticReport",
        {
            "DiagnosticReport.text": {"min": 1, "short": "The report for people"},
            "DiagnosticReport.identifier": {"min": 1},
            "DiagnosticReport.basedOn": {"min": 1, "max": "1", **to("CarePlan")},
            "DiagnosticReport.code": code("report", "recovery-chart"),
            "DiagnosticReport.subject": {"min": 1, **to("Patient")},
            "DiagnosticReport.effective[x]": {"min": 1, **kinds("dateTime"), "short": "Day of the last finding, before any of the repair"},
            "DiagnosticReport.result": {"short": "The findings, in the order of their days"},
            "DiagnosticReport.conclusion": {"min": 1, "short": "What was done, found and is expected, and the caution"},
            "DiagnosticReport.presentedForm": {"short": "The chart as SVG and as PDF: contentType and url"},
        }),
    "follow-up-alert": (
        "Follow-up alert", "An alert that stands, or stood until identifiedPeriod.end. Add a mitigation to answer it.", "DetectedIssue",
        {
            "DetectedIssue.text": {"min": 1},
            "DetectedIssue.extension": {"extensions": [ext("alert-fact", "*")]},
            "DetectedIssue.identifier": {"min": 1},
            "DetectedIssue.code": {"min": 1, **bound("alert-kind", "required")},
            "DetectedIssue.severity": {"min": 1},
            "DetectedIssue.patient": {"min": 1, **to("Patient")},
            "DetectedIssue.identified[x]": {"min": 1, **kinds("Period"), "short": "From raised to cleared"},
            "DetectedIssue.implicated": {"min": 1, "short": "CarePlan, then Procedure and Task where there is one"},
            "DetectedIssue.detail": {"min": 1, "short": "The sentence, and the caution"},
            "DetectedIssue.mitigation": {"short": "Who answered, when and how", **MUST},
            "DetectedIssue.mitigation.action": bound("alert-answer"),
        }),
}


def slicing():
    return {"discriminator": [{"type": "value", "path": "url"}], "ordered": False, "rules": "open"}


def base_elements(definitions, name):
    """The snapshot of an R4 type, without mappings, which are about other standards."""
    file = definitions / "structuredefinitions" / f"StructureDefinition-{name}.json"
    elements = json.loads(file.read_text())["snapshot"]["element"]
    return [{key: value for key, value in element.items() if key != "mapping"} for element in elements]


ORDER = """id path slicing sliceName short definition comment requirements alias min max base contentReference type
fixedUri patternCode patternCodeableConcept patternQuantity minValueInteger maxValueInteger condition constraint mustSupport
isModifier isModifierReason isSummary binding""".split()


def ordered(element):
    """Members in the order of ElementDefinition, as far as we set them; others stay in between as they were."""
    known = [key for key in ORDER if key in element]
    return {key: element[key] for key in [*known, *(key for key in element if key not in ORDER)]}


def slice_of(holder, one):
    """The element of an extension slice, in the differential."""
    profile = url("StructureDefinition", one["name"])
    element = {"id": f"{holder}:{one['name']}", "path": holder, "sliceName": one["name"], "min": one["min"], "max": one["max"],
               "type": [{"code": "Extension", "profile": [profile]}]}
    return {**element, **({"short": one["short"]} if one["short"] else {})}


def profile(definitions, name, said):
    title, description, kind, elements = said
    snapshot = {element["id"]: element for element in base_elements(definitions, kind)}
    differential = [{"id": kind, "path": kind, "short": title, "definition": description}]
    snapshot[kind].update(short=title, definition=description)
    unknown = set(elements) - set(snapshot)
    assert not unknown, unknown
    slices = {}
    for path in [path for path in snapshot if path in elements]:
        change = dict(elements[path])
        named = change.pop("extensions", [])
        if named:
            change["slicing"] = {**slicing(), "description": "Extensions are told apart by url."}
            slices[path] = [slice_of(path, one) for one in named]
        differential.append({"id": path, "path": path, **change})
        differential.extend(slices.get(path, []))
        check(path, snapshot[path], change)
        snapshot[path].update(change)
    whole = []
    for path, element in snapshot.items():
        whole.append(element)
        for one in slices.get(path, []):
            extension = url("StructureDefinition", one["sliceName"])
            said = EXTENSIONS[one["sliceName"]]
            inherited = {key: copy.deepcopy(element[key]) for key in ("base", "constraint", "isModifier", "isSummary") if key in element}
            whole.append({**inherited, **one, "short": one.get("short", said[0]), "definition": said[1]})
            assert extension == one["type"][0]["profile"][0]
    return structure(name, title, description, "resource", kind, HL7 + kind, whole, differential)


def check(path, base, change):
    """A constraint may only narrow."""
    assert change.get("min", base["min"]) >= base["min"], path
    assert base["max"] == "*" or change.get("max", base["max"]) in ("0", "1"), path
    allowed = {kind["code"] for kind in base.get("type", [])}
    assert {kind["code"] for kind in change.get("type", [])} <= allowed, path
    if base.get("binding", {}).get("strength") == "required":
        assert "binding" not in change, path


def extension(definitions, name, said):
    title, description, places, value = said
    base = {element["id"]: element for element in base_elements(definitions, "Extension")}
    for element in base.values():
        element.pop("extension", None)
    has_parts = all(isinstance(part, tuple) for part in value.values())
    address = url("StructureDefinition", name)
    root = {"id": "Extension", "path": "Extension", "short": title, "definition": description, "min": 0, "max": "*"}
    fixed = {"id": "Extension.url", "path": "Extension.url", "fixedUri": address}
    if has_parts:
        sliced = {"id": "Extension.extension", "path": "Extension.extension", "slicing": slicing(),
                  "min": sum(part[0] for part in value.values())}
        parts = [element for part, what in value.items() for element in part_of(base, part, *what)]
        none = {"id": "Extension.value[x]", "path": "Extension.value[x]", "max": "0"}
        differential = [root, sliced, *[only for only, _ in parts if not only["path"].endswith(".id")], fixed, none]
        snapshot = [merged(base["Extension"], root), base["Extension.id"], merged(base["Extension.extension"], sliced),
                    *[all_ for _, all_ in parts], merged(base["Extension.url"], fixed), merged(base["Extension.value[x]"], none)]
    else:
        none = {"id": "Extension.extension", "path": "Extension.extension", "max": "0"}
        only = {"id": "Extension.value[x]", "path": "Extension.value[x]", "short": title, "min": 1, **value}
        differential = [root, none, fixed, only]
        snapshot = [merged(base["Extension"], root), base["Extension.id"], merged(base["Extension.extension"], none),
                    merged(base["Extension.url"], fixed), merged(base["Extension.value[x]"], only)]
    made = structure(name, title, description, "complex-type", "Extension", HL7 + "Extension", snapshot, differential)
    made["context"] = [{"type": "element", "expression": place} for place in places]
    return made


def part_of(base, name, least, most, value):
    """The elements of one part of an extension: each as in the differential, and as in the snapshot."""
    at = f"Extension.extension:{name}"
    rows = [
        ({"id": at, "path": "Extension.extension", "sliceName": name, "min": least, "max": most}, "Extension.extension"),
        ({"id": f"{at}.id", "path": "Extension.extension.id"}, "Extension.id"),
        ({"id": f"{at}.extension", "path": "Extension.extension.extension", "max": "0"}, "Extension.extension"),
        ({"id": f"{at}.url", "path": "Extension.extension.url", "fixedUri": name}, "Extension.url"),
        ({"id": f"{at}.value[x]", "path": "Extension.extension.value[x]", "min": 1, **value}, "Extension.value[x]"),
    ]
    pairs = [(only, merged(base[of], only)) for only, of in rows]
    pairs[0][1].pop("slicing", None)
    return pairs


def merged(base, change):
    return {**copy.deepcopy(base), **change}


def structure(name, title, description, kind, of, base, snapshot, differential):
    made = resource(
        "StructureDefinition", name, title, description,
        copyright="The snapshot repeats definitions of FHIR R4 (HL7, CC0-1.0).",
        fhirVersion="4.0.1", kind=kind, abstract=False)
    made["name"] = pascal(name)
    if of == "Extension":
        made["context"] = []
    made.update(type=of, baseDefinition=base, derivation="constraint",
                snapshot={"element": [ordered(element) for element in snapshot]},
                differential={"element": [ordered(element) for element in differential]})
    return made


def resources(definitions):
    for name, said in PROFILES.items():
        yield profile(definitions, name, said)
    for name, said in EXTENSIONS.items():
        yield extension(definitions, name, said)
