"""Reads calendar feeds as a calendar would: with the library icalendar from PyPI, then against the text of RFC 5545.

Arguments: files NAME.ics, and before them the IANA zone in which times are told. Prints the events of each file as one JSON
list. Says on standard error what is wrong; exit 1 if anything is."""

import json
import sys
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from icalendar import Calendar

wrong = []


def check(holds, name, text):
    if not holds:
        wrong.append(f"{name}: {text}")


def lines(name, raw):
    """RFC 5545 section 3.1: content lines end with CRLF, hold at most 75 octets and no control characters; UTF-8."""
    check(raw.endswith(b"\r\n"), name, "does not end with CRLF")
    for line in raw[:-2].split(b"\r\n"):
        check(len(line) <= 75, name, f"a line of {len(line)} octets")
        check(not any(octet < 32 and octet != 9 or octet == 127 for octet in line), name, "a control character")
    raw.decode("utf-8")


def event(name, one):
    """Section 3.6.1: UID and DTSTAMP once; DTSTART without METHOD; DTEND or DURATION, not both; DTEND of DTSTART's type."""
    for wanted in ("UID", "DTSTAMP", "DTSTART", "SEQUENCE", "STATUS", "SUMMARY"):
        check(wanted in one and not isinstance(one[wanted], list), name, f"{wanted} not once")
    check(one.errors == [], name, f"the library says {one.errors}")
    check("DUE" not in one and not ("DTEND" in one and "DURATION" in one), name, "DUE, or two ends")
    # Section 3.8.1.11: the states of a VEVENT; 3.8.1.3, 3.8.2.7: the values of CLASS and TRANSP.
    check(one["STATUS"] in ("TENTATIVE", "CONFIRMED", "CANCELLED"), name, "no STATUS of an event")
    check(one.get("CLASS", "PUBLIC") in ("PUBLIC", "PRIVATE", "CONFIDENTIAL"), name, "no CLASS")
    check(one.get("TRANSP", "OPAQUE") in ("OPAQUE", "TRANSPARENT"), name, "no TRANSP")
    # Section 3.8.7.2: DTSTAMP is in UTC.
    stamp = one.decoded("DTSTAMP")
    check(isinstance(stamp, datetime) and stamp.utcoffset().total_seconds() == 0, name, "DTSTAMP not in UTC")
    start, end = one.decoded("DTSTART"), one.decoded("DTEND", None)
    timed = isinstance(start, datetime)
    check(timed == (one["DTSTART"].params.get("VALUE") != "DATE"), name, "VALUE=DATE where a day is meant")
    check(not timed or start.tzinfo is not None, name, "a floating time")
    if end is not None:
        check(isinstance(end, datetime) == timed and end > start, name, "DTEND not after DTSTART")
    zone = ZoneInfo(sys.argv[1])

    def told(moment):
        return moment.astimezone(zone).isoformat() if isinstance(moment, datetime) else moment.isoformat()

    return {
        "uid": str(one["UID"]), "sequence": int(one["SEQUENCE"]), "status": str(one["STATUS"]),
        "start": told(start), "end": told(end) if isinstance(end, date) else None,
        "summary": str(one["SUMMARY"]), "description": str(one.get("DESCRIPTION", "")), "url": str(one.get("URL", "")),
        "stamp": stamp.isoformat(),
    }


def feed(path):
    raw = path.read_bytes()
    name = path.stem
    lines(name, raw)
    calendar = Calendar.from_ical(raw)
    # Section 3.6: PRODID and VERSION once, and at least one component.
    check(calendar["VERSION"] == "2.0" and "PRODID" in calendar, name, "VERSION or PRODID")
    check(len(calendar.subcomponents) > 0, name, "no component")
    check(calendar.errors == [], name, f"the library says {calendar.errors}")
    check("judgement of the treating surgeon" in calendar["DESCRIPTION"], name, "no caution")
    events = [event(name, one) for one in calendar.walk("VEVENT")]
    check(len({one["uid"] for one in events}) == len(events), name, "a UID twice")
    return events


print(json.dumps([feed(Path(path)) for path in sys.argv[2:]]))
for text in wrong:
    print(text, file=sys.stderr)
sys.exit(1 if wrong else 0)
