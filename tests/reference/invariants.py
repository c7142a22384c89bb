"""R4's invariants by their published FHIRPath expressions, evaluated by `fhirpathpy` from PyPI.

    python invariants.py DEFINITIONS RESOURCES

DEFINITIONS is profiles/r4, with invariants.json and fhir.schema.json; RESOURCES has one line for each resource, an object
with `name`, `resource` and `told`: how often Endplate found each invariant broken. Prints `N resources, M verdicts, K keys
broken`, then a line for each difference: key, name, how often by the expression, how often by Endplate. Exit 2 if there was
nothing to read.
"""

import json
import re
import sys
from collections import Counter, defaultdict
from pathlib import Path

from fhirpathpy import apply_parsed_path, parse
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models

R4 = models["r4"]
# Not expressions that an engine can evaluate (XHTML), or about elements that the schema does not tell apart (sqty-1,
# and ele-1 on primitives), or best practice that is not told on a write (dom-6).
SKIPPED = {"txt-1", "txt-2", "ele-1", "dom-6", "sqty-1"}
# Told once for a resource by the expression, once for each contained resource by Endplate; or the other way round.
ONCE = {"dom-2", "dom-3", "dom-4", "dom-5", "org-2", "org-3"}

# What this engine does not know, said otherwise: trace() prints and changes nothing; hasValue() of what the walker hands
# over is exists(); quantities are compared by value where their units are the same, as the service does.
REWRITTEN = [
    (r"\.trace\('\w+'(, *\w+)?\)", ""),
    (r"hasValue\(\)", "exists()"),
    (r"\(low <= high\)", "(low.unit != high.unit) or (low.code != high.code) or (low.value <= high.value)"),
]


class Walker:
    """Finds, by the JSON Schema, the elements that invariants are about."""

    def __init__(self, definitions, invariants):
        self.definitions = definitions
        self.invariants = defaultdict(list)
        for one in invariants:
            if one["key"] not in SKIPPED and one["path"] != "Extension.extension":
                self.invariants[one["path"]].append(one)
        self.paths = {}

    def resource(self, resource, root):
        """Pairs of invariant, node, its path and the resource that it is in."""
        kind = resource["resourceType"]
        yield from ((one, resource, kind, resource, root) for one in self.invariants["DomainResource"] if root is resource)
        yield from self.element(resource, kind, kind, resource, root)
        for contained in resource.get("contained", []):
            if contained.get("resourceType") in self.definitions:
                yield from self.resource(contained, root)

    def element(self, node, definition, path, resource, root):
        yield from ((one, node, path, resource, root) for one in self.invariants[path])
        for name, property in self.definitions[definition]["properties"].items():
            if name in node and name not in ("contained", "resource"):
                items = node[name] if isinstance(node[name], list) else [node[name]]
                target = property.get("items", property).get("$ref", "").rsplit("/", 1)[-1]
                for item in items:
                    yield from self.child(item, name, target, path, resource, root)

    def child(self, item, name, target, path, resource, root):
        if not isinstance(item, dict) or "properties" not in self.definitions.get(target, {}):
            return
        at = self.paths.setdefault(target, f"{path}.{name}") if "_" in target else target
        choice = re.sub(r"[A-Z]\w*$", "[x]", name)
        for other in (f"{path}.{name}", f"{path}.{choice}"):
            if other != at:
                yield from ((one, item, at, resource, root) for one in self.invariants.get(other, []))
        yield from self.element(item, target, at, resource, root)


class Engine:
    """Expressions are parsed once."""

    def __init__(self):
        self.all = {}

    def is_broken(self, one, node, base, resource, root):
        expression = one["expression"]
        for pattern, instead in REWRITTEN:
            expression = re.sub(pattern, instead, expression)
        if expression not in self.all:
            self.all[expression] = parse(expression)
        context = {"resource": resource, "rootResource": root}
        return apply_parsed_path(ResourceNode.create_node(node, base), self.all[expression], context, R4) == [False]


def main(definitions, resources):
    folder = Path(definitions)
    walker = Walker(
        json.loads((folder / "fhir.schema.json").read_text())["definitions"],
        json.loads((folder / "invariants.json").read_text()),
    )
    lines = [json.loads(line) for line in open(resources)]
    engine, verdicts, differences, broken = Engine(), 0, [], set()
    for line in lines:
        told, expected = Counter(line["told"]), Counter()
        for one, node, base, resource, root in walker.resource(line["resource"], line["resource"]):
            verdicts += 1
            try:
                expected[one["key"]] += engine.is_broken(one, node, base, resource, root)
            except Exception as error:  # an engine may not know a function
                differences.append(f"{one['key']} {line['name']} {type(error).__name__}: {' '.join(str(error).split())[:80]}")
                told.pop(one["key"], None)
        for key in sorted(set(told) | set(expected)):
            a, b = expected[key], told[key]
            if a and b:
                broken.add(key)
            if key not in SKIPPED and (bool(a) != bool(b) if key in ONCE else a != b):
                differences.append(f"{key} {line['name']} {a} {b}")
    print(f"{len(lines)} resources, {verdicts} verdicts, {len(broken)} keys broken: {' '.join(sorted(broken))}")
    print("\n".join(differences), end="\n" if differences else "")
    return 0 if lines else 2


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
