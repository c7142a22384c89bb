#!/usr/bin/env python3
"""Makes everything that the service publishes, except the three code systems in ../codes, which are kept by hand.

    python3 profiles/make DEFINITIONS

DEFINITIONS is the folder of the published FHIR R4 definitions (its subfolder `structuredefinitions` and the file
`invariants.derived.json` are read). Written are ../published/*.json and the list of them for the program,
service/server/src/publish/files.rs. The same input gives the same bytes. Only Python's standard library (3.11 or later).

What the profiles, extensions, codes and operations are stands as data in structures.py, terminology.py and plan.py. The
search parameters of our own are not made here: the program makes them from its search table.
"""
import json
import pathlib
import sys

sys.dont_write_bytecode = True

import plan
import structures
import terminology
from common import HERE, finished

ROOT = HERE.parent.parent
LIST_HEAD = """//! The files that are published. Made by profiles/make; do not edit.

/// Each file: its name, and its text.
pub(super) const FILES: &[(&str, &str)] = &[
"""


def main():
    definitions = pathlib.Path(sys.argv[1])
    made = [*terminology.resources(definitions), *structures.resources(definitions), *plan.resources()]
    folder = HERE.parent / "published"
    folder.mkdir(exist_ok=True)
    for old in folder.glob("*.json"):
        old.unlink()
    paths = [f"codes/{name}.json" for name in terminology.KEPT_BY_HAND]
    for resource in made:
        name = f"{resource['resourceType']}-{resource['id']}.json"
        assert not (folder / name).exists(), name
        (folder / name).write_text(json.dumps(finished(resource), indent=1, ensure_ascii=False) + "\n")
        paths.append(f"published/{name}")
    lines = [LIST_HEAD]
    named = {}
    for path in paths:
        resource = json.loads((HERE.parent / path).read_text())
        named[f"{resource['resourceType']}-{resource['id']}.json"] = path
    for name, path in sorted(named.items()):
        entry = f'    ("{name}", include_str!("../../../../profiles/{path}")),\n'
        if len(entry) > 111:
            # As rustfmt breaks it.
            text = f'include_str!("../../../../profiles/{path}"),'
            if len(text) > 102:
                text = f'include_str!(\n            "../../../../profiles/{path}"\n        ),'
            entry = f'    (\n        "{name}",\n        {text}\n    ),\n'
        lines.append(entry)
    lines.append("];\n")
    lines.append("\n/// Each profile: the type that it constrains, and its id.\npub(super) const PROFILES: &[(&str, &str)] = &[\n")
    for name, (_, _, kind, _) in sorted(structures.PROFILES.items(), key=lambda one: (one[1][2], one[0])):
        lines.append(f'    ("{kind}", "{name}"),\n')
    lines.append("];\n")
    (ROOT / "service/server/src/publish").mkdir(exist_ok=True)
    (ROOT / "service/server/src/publish/files.rs").write_text("".join(lines))
    print(f"{len(named)} resources")


if __name__ == "__main__":
    main()
