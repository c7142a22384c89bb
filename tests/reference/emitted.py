"""Two independent votes on the FHIR R4 resources that the service emits.

    python emitted.py FILE_OR_FOLDER...

Reads JSON files (one resource each; the entries of a Bundle count as resources of their own), asks `fhirkit` (strict R4
structure) and `fhirclient` (generated R4 models), and prints `N resources, M rejected` and one line for each rejection.
Exit 1 if there is any, 2 if there was nothing to read.
"""

import json
import sys
from pathlib import Path

import fhirkit
from fhirclient.models.fhirelementfactory import FHIRElementFactory


def resources(name, value):
    """Each resource with a name to report. A Bundle comes last: its entries are judged first, one by one."""
    if isinstance(value, dict) and value.get("resourceType") == "Bundle":
        for index, entry in enumerate(value.get("entry", [])):
            if "resource" in entry:
                yield from resources(f"{name} entry[{index}]", entry["resource"])
    yield name, value


def objections(value):
    """What each library has against one resource, in one line."""
    if not isinstance(value, dict) or value.get("resourceType") not in fhirkit.RESOURCE_TYPES:
        return ["no R4 resource type"]
    found = [f"fhirkit: {issue}" for issue in fhirkit.validate(value) if issue.severity == "error"]
    try:
        FHIRElementFactory.instantiate(value["resourceType"], value)
    except Exception as error:  # the models raise plain Exception as well as their own kind
        found.append("fhirclient: " + " ".join(str(error).split()))
    return found


def main(paths):
    files = [file for path in map(Path, paths) for file in (sorted(path.rglob("*.json")) if path.is_dir() else [path])]
    count, rejected = 0, []
    for file in files:
        try:
            value = json.loads(file.read_bytes())
        except ValueError as error:
            count += 1
            rejected.append(f"{file}: not JSON: {error}")
            continue
        bad_entry = False
        for name, resource in resources(file, value):
            count += 1
            # A Bundle repeats what is wrong with its entries: its own vote counts only when they are sound.
            is_bundle = isinstance(resource, dict) and resource.get("resourceType") == "Bundle"
            found = [] if is_bundle and bad_entry else objections(resource)
            if found:
                bad_entry = True
                rejected.append(f"{name}: {'; '.join(found)}")
    print(f"{count} resources, {len(rejected)} rejected")
    print("\n".join(rejected), end="\n" if rejected else "")
    return 1 if rejected else 0 if count else 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
