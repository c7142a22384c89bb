"""R4's invariants by their published FHIRPath expressions, evaluated by `fhirpathpy` from PyPI.

    python invariants.py INVARIANTS RESOURCES

INVARIANTS is profiles/r4/invariants.json; RESOURCES has one line for each resource, an object with `name`, `resource` and
`told`: how often Endplate found each invariant broken. Prints `N resources, M verdicts`, then a line for each
difference: key, name, how often by the expression, how often by Endplate. Exit 2 if there was nothing to read.
"""

import json
import sys
from collections import Counter

import fhirpathpy
from fhirpathpy.models import models

R4 = models["r4"]
# Not expressions that an engine can evaluate, or about every element (ele-1) and every resource (dom-6: best practice).
SKIPPED = {"txt-1", "txt-2", "ele-1", "dom-6", "sqty-1"}
# Told once for a resource by the expression, once for each contained resource by Endplate.
ONCE = {"dom-2", "dom-3", "dom-4", "dom-5", "org-2", "org-3"}


class Compiled:
    """Expressions are parsed once."""

    def __init__(self):
        self.all = {}

    def __call__(self, expression, node, context):
        if expression not in self.all:
            self.all[expression] = fhirpathpy.compile(expression, R4)
        return self.all[expression](node, context)


def where(one, kind):
    """The FHIRPath of what an invariant is about, in a resource of this kind; nothing if it is about something else."""
    root, _, rest = one["path"].replace("[x]", "").partition(".")
    if root == kind or root == "DomainResource":
        return rest or "$this"
    if root[0].isupper() and root not in RESOURCES:
        inner = f"descendants().ofType({root})"
        return f"{inner}.{rest}" if rest else inner
    return None


RESOURCES = set()


def broken(one, resource, run):
    """How often an invariant is broken in a resource."""
    at = where(one, resource["resourceType"])
    if at is None:
        return 0
    context = {"resource": resource, "rootResource": resource, "ucum": "http://unitsofmeasure.org"}
    expression = one["expression"]
    # The context is not handed over as JSON, which would lose its type: the expression is asked where it stands.
    found = run(f"({at}).select(iif(({expression}).exists(), ({expression}), true))", resource, context)
    return sum(result is False for result in found)


def main(invariants, resources):
    all_of_them = [one for one in json.load(open(invariants)) if one["key"] not in SKIPPED and one["path"] != "Extension.extension"]
    lines = [json.loads(line) for line in open(resources)]
    RESOURCES.update(line["resource"]["resourceType"] for line in lines)
    RESOURCES.update(one["path"].split(".")[0] for one in all_of_them if one["path"].split(".")[0] in ALL)
    run, verdicts, differences = Compiled(), 0, []
    for line in lines:
        resource, told = line["resource"], Counter(line["told"])
        expected = Counter()
        for one in all_of_them:
            if where(one, resource["resourceType"]) is None:
                continue
            verdicts += 1
            try:
                expected[one["key"]] += broken(one, resource, run)
            except Exception as error:  # an engine may not know a function
                differences.append(f"{one['key']} {line['name']} {type(error).__name__}: {' '.join(str(error).split())[:100]}")
                told.pop(one["key"], None)
        for key in sorted(set(told) | set(expected)):
            a, b = expected[key], told[key]
            if key not in SKIPPED and (bool(a) != bool(b) if key in ONCE else a != b):
                differences.append(f"{key} {line['name']} {a} {b}")
    print(f"{len(lines)} resources, {verdicts} verdicts")
    print("\n".join(differences), end="\n" if differences else "")
    return 0 if lines else 2


ALL = set(
    """ActivityDefinition Appointment AuditEvent Bundle CapabilityStatement CarePlan CareTeam CodeSystem ConceptMap Condition
    Goal ImplementationGuide NamingSystem Observation OperationDefinition Organization Parameters Patient PlanDefinition
    RequestGroup RiskAssessment SearchParameter ServiceRequest StructureDefinition Task ValueSet""".split()
)

if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
