#!/usr/bin/env python3
"""Makes fhir.schema.json, rules.json, invariants.json, search-parameters.json and subset.json from the published FHIR R4 definitions.

    python3 prune.py DEFINITIONS

DEFINITIONS is a folder that holds schema/fhir.schema.json and definitions/ as SOURCES.md describes them. The four files
are written beside this script. They are data of the specification, cut down; nothing is added but what ADDED says.
"""
import hashlib
import json
import pathlib
import re
import sys

SCHEMA_SHA256 = "2230406893b4cf002a4ee1e5e2bbeca22ac5d2d4931b3e9ef7b9594bbc376a01"

STORED = """Appointment AuditEvent Binary CarePlan CareTeam Communication ConceptMap Condition DetectedIssue Device
DiagnosticReport DocumentReference Encounter Flag Goal Location Observation Organization Patient Practitioner
PractitionerRole Procedure Provenance RiskAssessment ServiceRequest Subscription Task""".split()
ALSO = """ActivityDefinition Bundle CapabilityStatement CodeSystem CommunicationRequest Composition ImplementationGuide Library
MeasureReport NamingSystem OperationDefinition OperationOutcome Parameters PlanDefinition RequestGroup SearchParameter
StructureDefinition ValueSet""".split()

# The StructureDefinitions of ConceptMap and MeasureReport are not among the definitions; from the R4 pages of them.
ADDED_MANDATORY = {
    "ConceptMap": ["status"],
    "ConceptMap_Target": ["equivalence"],
    "ConceptMap_DependsOn": ["property", "value"],
    "ConceptMap_Unmapped": ["mode"],
    "MeasureReport": ["status", "type", "measure"],
}
ADDED_CHOICES = {"ConceptMap": {"source": ["sourceUri", "sourceCanonical"], "target": ["targetUri", "targetCanonical"]}}


def references(schema):
    return set(re.findall(r'"#/definitions/(\w+)"', json.dumps(schema)))


def pruned_schema(definitions):
    """Definitions that our types reach, without descriptions. What is contained is dispatched by the service."""
    kept, open_ends = {}, STORED + ALSO
    while open_ends:
        name = open_ends.pop()
        if name in kept:
            continue
        if name == "ResourceList":
            kept[name] = {"type": "object", "required": ["resourceType"]}
            continue
        kept[name] = without_descriptions(definitions[name])
        open_ends = open_ends + sorted(references(kept[name]))
    return {name: kept[name] for name in sorted(kept)}


def without_descriptions(node, in_properties=False):
    if isinstance(node, dict):
        return {
            key: without_descriptions(value, key == "properties" and not in_properties)
            for key, value in node.items()
            if in_properties or key != "description"
        }
    return [without_descriptions(item) for item in node] if isinstance(node, list) else node


def definition_of(schema, path):
    """The schema definition that holds the last element of a StructureDefinition path, and that element's name."""
    root, *names = path.split(".")
    for name in names[:-1]:
        member = schema[root]["properties"][name]
        (root,) = references(member)
    return root, names[-1]


def rules(schema, folder):
    """What the schema leaves out: mandatory primitive elements, choices of one type, codes of required bindings."""
    mandatory = {name: list(elements) for name, elements in ADDED_MANDATORY.items()}
    choices = {name: dict(groups) for name, groups in ADDED_CHOICES.items()}
    targets, simple = {}, {}
    for name in schema:
        file = folder / "structuredefinitions" / f"StructureDefinition-{name}.json"
        if "properties" not in schema[name] or not file.exists():
            continue
        for element in json.loads(file.read_text())["snapshot"]["element"]:
            if element["path"].count(".") == 0:
                continue
            holder, last = definition_of(schema, element["path"])
            demanded = schema[holder].get("required", [])
            if last.endswith("[x]"):
                base = last[:-3]
                types = [code if code[0].isupper() else code[0].upper() + code[1:] for code in
                         (kind["code"] for kind in element["type"])]
                names = [base + kind for kind in types]
                missing = [one for one in names if one not in schema[holder]["properties"]]
                assert not missing, (holder, missing)
                if len(names) > 1:
                    choices.setdefault(holder, {})[base] = names
                last = base if len(names) > 1 else names[0]
            else:
                names = [last]
            add_targets(targets, simple, holder, names, element.get("type", []))
            if element["min"] >= 1 and last not in demanded:
                held = mandatory.setdefault(holder, [])
                if last not in held:
                    held.append(last)
    return {
        "mandatory": mandatory,
        "choices": choices,
        "codes": codes(schema, folder),
        "simple": simple,
        "targets": targets,
        "types": resource_types(folder),
    }


def resource_types(folder):
    """Every resource type of R4."""
    bindings = json.loads((folder / "required-bindings.derived.json").read_text())
    (one,) = [binding for url, binding in bindings.items() if url.split("|")[0].endswith("/ValueSet/resource-types")]
    return sorted(code["code"] for code in one["codes"])


def add_targets(targets, simple, holder, names, types):
    """Which types a Reference may lead to; which Quantities are SimpleQuantities."""
    for kind in types:
        profiles = [url.rsplit("/", 1)[1] for url in kind.get("targetProfile", [])]
        name = next((one for one in names if one.lower().endswith(kind["code"].lower())), names[0])
        if kind["code"] == "Reference" and profiles and "Resource" not in profiles:
            targets.setdefault(holder, {})[name] = sorted(profiles)
        if any(url.endswith("/SimpleQuantity") for url in kind.get("profile", [])):
            held = simple.setdefault(holder, [])
            if name not in held:
                held.append(name)


def invariants(schema, folder):
    """R4's constraints on the definitions that are kept, and on every resource and element."""
    derived = json.loads((folder / "invariants.derived.json").read_text())
    kept = {name: found for name, found in derived.items() if name in schema}
    for name in ["DomainResource", "SimpleQuantity"]:
        kept[name] = derived[name]
    element = json.loads((folder / "structuredefinitions" / "StructureDefinition-Element.json").read_text())
    root = element["snapshot"]["element"][0]
    kept["Element"] = [{"path": "Element", **one} for one in root["constraint"] if one["key"] == "ele-1"]
    keys = ["path", "key", "severity", "human", "expression"]
    found = [{key: one[key] for key in keys} for name in sorted(kept) for one in kept[name]]
    return [one for n, one in enumerate(found) if one not in found[:n]]


def codes(schema, folder):
    bindings = json.loads((folder / "required-bindings.derived.json").read_text())
    found = {}
    for binding in bindings.values():
        systems = {}
        for one in binding["codes"] or []:
            systems.setdefault(one["system"], []).append(one["code"])
        for element in binding["elements"]:
            root = element["path"].split(".")[0]
            if systems and not element["enforcedByJsonSchemaEnum"] and root in schema:
                holder, last = definition_of(schema, element["path"])
                found.setdefault(holder, {})[last] = systems
    return found


def check_against_derived(made, schema, folder):
    """The list of mandatory elements that was computed independently must be part of ours."""
    for path in json.loads((folder / "min1-not-in-json-schema.derived.json").read_text()):
        if path.split(".")[0] in STORED + ALSO:
            holder, last = definition_of(schema, path)
            assert last.removesuffix("[x]") in made["mandatory"].get(holder, []), path


def search_parameters(folder):
    """Name, type, URL and expression of R4's search parameters of the stored types. Of an expression that is for several
    types, the part for the base alone."""
    bases = {"Resource", *STORED}
    found = []
    for entry in json.loads((folder / "search-parameters.json").read_text())["entry"]:
        one = entry["resource"]
        for base in one["base"]:
            if base in bases:
                made = {"base": base, "code": one["code"], "type": one["type"], "url": one["url"]}
                parts = [part.strip() for part in one.get("expression", "").split(" | ")]
                own = [part for part in parts if re.search(rf"\b{base}\b", part)]
                if own:
                    made["expression"] = " | ".join(own)
                found.append(made)
    return sorted(found, key=lambda one: (one["base"], one["code"]))


# The StructureDefinition of ConceptMap is not among the definitions; from the R4 page of ConceptMap.
ADDED_SUBSET = {
    "summary": """url identifier version name title status experimental date publisher contact useContext jurisdiction
sourceUri sourceCanonical targetUri targetCanonical""".split(),
    "needed": ["status"],
}
EVERYWHERE = "id meta implicitRules language text contained extension modifierExtension".split()


def subsets(folder):
    """By stored type the elements of its summary, and its elements that are mandatory or modify the meaning."""
    made = {"ConceptMap": ADDED_SUBSET}
    for kind in STORED:
        path = folder / "structuredefinitions" / f"StructureDefinition-{kind}.json"
        if not path.exists():
            continue
        summary, needed = [], []
        for element in json.loads(path.read_text())["snapshot"]["element"]:
            _, _, name = element["path"].partition(".")
            if not name or name in EVERYWHERE or name.split(".")[-1] in ("id", "extension", "modifierExtension"):
                continue
            names = [name]
            if name.endswith("[x]"):
                names = [name[:-3] + one["code"][0].upper() + one["code"][1:] for one in element["type"]]
            if element.get("isSummary"):
                summary += names
            if "." not in name and (element["min"] > 0 or element.get("isModifier")):
                needed += names
        made[kind] = {"summary": summary, "needed": needed}
    return made


def main():
    source = pathlib.Path(sys.argv[1])
    text = (source / "schema" / "fhir.schema.json").read_bytes()
    assert hashlib.sha256(text).hexdigest() == SCHEMA_SHA256, "not the published R4 schema"
    schema = pruned_schema(json.loads(text)["definitions"])
    made = rules(schema, source / "definitions")
    check_against_derived(made, schema, source / "definitions")
    here = pathlib.Path(__file__).parent
    whole = {"$schema": "http://json-schema.org/draft-06/schema#", "definitions": schema}
    found = invariants(schema, source / "definitions")
    lines = ",\n".join(json.dumps(one, separators=(",", ":")) for one in found)
    (here / "invariants.json").write_text(f"[\n{lines}\n]\n")
    for name, value in [("fhir.schema.json", whole), ("rules.json", made)]:
        (here / name).write_text(json.dumps(value, separators=(",", ":"), sort_keys=name == "rules.json") + "\n")
    lines = ",\n".join(json.dumps(one, separators=(",", ":")) for one in search_parameters(source / "definitions"))
    (here / "search-parameters.json").write_text(f"[\n{lines}\n]\n")
    made = subsets(source / "definitions")
    lines = ",\n".join(f"{json.dumps(kind)}:{json.dumps(made[kind], separators=(',', ':'))}" for kind in sorted(made))
    (here / "subset.json").write_text(f"{{\n{lines}\n}}\n")


if __name__ == "__main__":
    main()
