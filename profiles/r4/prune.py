#!/usr/bin/env python3
"""Makes fhir.schema.json, rules.json and search-parameters.json from the published FHIR R4 definitions.

    python3 prune.py DEFINITIONS

DEFINITIONS is a folder that holds schema/fhir.schema.json and definitions/ as SOURCES.md describes them. The three files
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
ALSO = """Bundle CapabilityStatement CodeSystem Composition Library MeasureReport OperationOutcome Parameters
PlanDefinition SearchParameter StructureDefinition ValueSet""".split()

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
            if element["min"] >= 1 and last not in demanded:
                held = mandatory.setdefault(holder, [])
                if last not in held:
                    held.append(last)
    return {"mandatory": mandatory, "choices": choices, "codes": codes(schema, folder)}


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
    """Name, type and URL of R4's search parameters of the stored types."""
    bases = {"Resource", *STORED}
    found = []
    for entry in json.loads((folder / "search-parameters.json").read_text())["entry"]:
        one = entry["resource"]
        for base in one["base"]:
            if base in bases:
                found.append({"base": base, "code": one["code"], "type": one["type"], "url": one["url"]})
    return sorted(found, key=lambda one: (one["base"], one["code"]))


def main():
    source = pathlib.Path(sys.argv[1])
    text = (source / "schema" / "fhir.schema.json").read_bytes()
    assert hashlib.sha256(text).hexdigest() == SCHEMA_SHA256, "not the published R4 schema"
    schema = pruned_schema(json.loads(text)["definitions"])
    made = rules(schema, source / "definitions")
    check_against_derived(made, schema, source / "definitions")
    here = pathlib.Path(__file__).parent
    whole = {"$schema": "http://json-schema.org/draft-06/schema#", "definitions": schema}
    for name, value in [("fhir.schema.json", whole), ("rules.json", made)]:
        (here / name).write_text(json.dumps(value, separators=(",", ":"), sort_keys=name == "rules.json") + "\n")
    lines = ",\n".join(json.dumps(one, separators=(",", ":")) for one in search_parameters(source / "definitions"))
    (here / "search-parameters.json").write_text(f"[\n{lines}\n]\n")


if __name__ == "__main__":
    main()
