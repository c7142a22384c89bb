"""What R4's published search-parameter expressions find, in the eyes of a FHIRPath library that knows nothing of the service.

    python index.py SEARCH_PARAMETERS FOLDER

SEARCH_PARAMETERS is profiles/r4/search-parameters.json. For each example in FOLDER and each parameter whose expression yields
something, prints one line of JSON: file, parameter, the rows that follow from the values by the rules of search.html, and a
search that must find the example. `fhirpathpy` evaluates; the rules below are all that is added:

- resolve() needs a server: `.where(resolve() is X)` is replaced by "the reference names an X".
- the library does not take an Observation for a Resource: the type's own name stands before the path.
- `as` takes one item and the expressions give it many, so ofType() stands in its place.
- token: each coding of a CodeableConcept, a Coding, an Identifier, a ContactPoint's system and value, a code, string or boolean.
- reference: `Type/id` or the text as it stands, empty for a display alone; a canonical with and without its version.
- date: first and last millisecond, UTC where no zone is written; open ends of a Period are null. A text that is no date, an
  Age and a Range (choices of the element that search.html gives no date for) yield nothing.
- string: a text; of a HumanName or Address each part. number and quantity: least, most, system, code, unit.
"""

import datetime
import json
import re
import sys
from pathlib import Path

from fhirpathpy import compile as compile_path
from fhirpathpy.models import models

DAY = 86_400_000
PARTS = "text family given prefix suffix line city district state postalCode country".split()
AS = re.compile(r"\(([\w.]+) as (\w+)\)")
RESOLVES = re.compile(r"\.where\(resolve\(\) is (\w+)\)")


def span(text):
    """The first and last millisecond that a date, dateTime or instant may mean."""
    match = re.fullmatch(r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(\.\d+)?)?(Z|[+-]\d\d:\d\d)?)?)?)?", text)
    if match is None:
        return None
    year, month, day, hour, minute, second, fraction, zone = match.groups()
    begin = datetime.datetime(int(year), int(month or 1), int(day or 1), tzinfo=datetime.timezone.utc)
    epoch = datetime.datetime(1970, 1, 1, tzinfo=datetime.timezone.utc)
    ms = round((begin - epoch).total_seconds() * 1000)
    if hour is None:
        if day:
            width = DAY
        elif month:
            following = datetime.datetime(begin.year + begin.month // 12, begin.month % 12 + 1, 1, tzinfo=begin.tzinfo)
            width = round((following - begin).total_seconds() * 1000)
        else:
            width = round((begin.replace(year=begin.year + 1) - begin).total_seconds() * 1000)
        return [ms, ms + width - 1]
    ms += (int(hour) * 60 + int(minute)) * 60_000 + int(second or 0) * 1000
    width = 1000 if second else 60_000
    if fraction:
        digits = fraction[1:4]
        ms += int(digits.ljust(3, "0"))
        width = 10 ** (3 - len(digits))
    if zone and zone != "Z":
        offset = (int(zone[1:3]) * 60 + int(zone[4:6])) * 60_000
        ms -= offset if zone[0] == "+" else -offset
    return [ms, ms + width - 1]


def tokens(value):
    if isinstance(value, bool):
        yield f"|{'true' if value else 'false'}"
    elif isinstance(value, str):
        yield f"|{value}"
    elif "coding" in value:
        for coding in value["coding"]:
            yield from tokens(coding)
    elif any(name in value for name in ("code", "value", "system")):
        yield f"{value.get('system', '')}|{value.get('code', value.get('value', ''))}"


def references(value):
    if isinstance(value, str):
        yield value
        if "|" in value:
            yield value.split("|")[0]
    else:
        yield re.sub(r"/_history/.*", "", value.get("reference", ""))


def dates(value):
    if isinstance(value, str):
        if span(value):
            yield span(value)
    elif not isinstance(value, dict) or "value" in value or "low" in value or "high" in value:
        return
    elif "event" in value:
        spans = [span(event) for event in value["event"]]
        yield [min(one[0] for one in spans), max(one[1] for one in spans)]
    else:
        value = value.get("repeat", {}).get("boundsPeriod", value)
        if "start" in value or "end" in value:
            yield [span(value["start"])[0] if "start" in value else None, span(value["end"])[1] if "end" in value else None]


def strings(value):
    if isinstance(value, str):
        yield value
    else:
        for part in PARTS:
            found = value.get(part, [])
            yield from found if isinstance(found, list) else [found]


def amounts(value):
    unit = {}
    if isinstance(value, dict) and ("low" in value or "high" in value):
        low, high = value.get("low", {}), value.get("high", {})
        unit = low or high
        ends = [low.get("value"), high.get("value")]
    elif isinstance(value, dict):
        if "value" not in value:
            return
        unit = value
        below, above = value.get("comparator", "") in ("<", "<="), value.get("comparator", "") in (">", ">=")
        ends = [None if below else value["value"], None if above else value["value"]]
    else:
        ends = [value, value]
    yield [None if end is None else float(end) for end in ends] + [unit.get(name, "") for name in ("system", "code", "unit")]


KINDS = {
    "token": tokens, "reference": references, "date": dates, "string": strings, "uri": references, "number": amounts,
    "quantity": amounts,
}


def escaped(text):
    return re.sub(r"([\\,|$])", r"\\\1", text)


def asked(kind, code, row):
    """A search that finds a resource by one of its rows, or nothing."""
    if kind == "token":
        system, value = row.split("|", 1)
        if code in ("telecom", "phone", "email", "contact", "active", "deceased") or not system:
            return escaped(value)
        return f"{escaped(system)}|{escaped(value)}"
    if kind == "date":
        ms = row[0] if row[0] is not None else row[1]
        at = datetime.datetime.fromtimestamp(0, datetime.timezone.utc) + datetime.timedelta(milliseconds=ms)
        return f"{'ge' if row[0] is not None else 'le'}{at.strftime('%Y-%m-%dT%H:%M:%S')}.{ms % 1000:03}Z"
    if kind == "reference":
        return None if row == "" or row.startswith("#") else escaped(row) if "/" in row or ":" in row else None
    if kind in ("string", "uri"):
        return escaped(row)
    return f"ge{row[0]}" if row[0] is not None else f"le{row[1]}"


def rows_of(resource, parameter, compiled):
    expression = parameter["expression"]
    rows = []
    for part in [part.strip() for part in expression.split(" | ")]:
        only = RESOLVES.search(part)
        part = re.sub(r"^Resource\.", f"{resource['resourceType']}.", part)
        path = AS.sub(r"\1.ofType(\2)", RESOLVES.sub("", part)).replace(".as(", ".ofType(")
        if path not in compiled:
            compiled[path] = compile_path(path, models["r4"])
        for value in compiled[path](resource):
            for row in KINDS[parameter["type"]](value):
                if only and not re.match(rf"(.*/)?{only.group(1)}/[^/]+$", row):
                    continue
                if row not in rows:
                    rows.append(row)
    return rows


def main():
    parameters = json.loads(Path(sys.argv[1]).read_text())
    compiled = {}
    for path in sorted(Path(sys.argv[2]).glob("*.json")):
        resource = json.loads(path.read_text())
        for parameter in parameters:
            is_of = parameter["base"] in (resource["resourceType"], "Resource")
            if not is_of or parameter["type"] not in KINDS or "expression" not in parameter:
                continue
            if parameter["code"] in ("_id", "_lastUpdated"):
                continue
            rows = rows_of(resource, parameter, compiled)
            if rows:
                search = next(filter(None, (asked(parameter["type"], parameter["code"], row) for row in rows)), None)
                line = {"file": path.stem, "param": parameter["code"], "rows": rows, "ask": search}
                print(json.dumps(line))


if __name__ == "__main__":
    main()
