"""Drives a running service with two FHIR client libraries that know nothing of it: fhirclient and fhirpy, both from PyPI.

    python clients.py http://127.0.0.1:8080/fhir

Each creates, reads, searches, follows pages, creates under a condition, sends a transaction, patches and deletes, with the
library's own calls wherever it has one. Prints a line for each thing done and exits with 1 at the first that is not as FHIR R4
says (http.html, search.html). The patients are invented.
"""
import json
import sys

import fhirpy
from fhirclient.client import FHIRClient
from fhirclient.models import bundle as bundles
from fhirclient.models import patient as patients
from fhirclient.server import FHIRNotFoundException
from fhirpy.base.exceptions import OperationOutcome, ResourceNotFound

SYSTEM = "https://clinic.example/patients"
PATCH = "application/json-patch+json"


def check(library, done, holds, seen=""):
    """One line for each thing done."""
    print(f"{library}: {done}: {'as R4 says' if holds else 'NOT as R4 says'} {'' if holds else seen}".rstrip())
    if not holds:
        sys.exit(1)


def person(key, family):
    """A patient of the invented clinic."""
    return {
        "resourceType": "Patient",
        "identifier": [{"system": SYSTEM, "value": key}],
        "name": [{"family": family, "given": ["Ada"]}],
        "birthDate": "1980-05-04",
    }


def transaction(key):
    """A patient and a condition that refers to the patient by the name of the entry."""
    patient = "urn:uuid:8f3a3a5e-7f6b-4f7e-9d3c-0f0b7d1f3a10"
    condition = {
        "resourceType": "Condition",
        "subject": {"reference": patient},
        "code": {"text": "Laceration of the radial nerve"},
        "onsetDateTime": "2026-02-23",
    }
    entry = lambda url, resource: {"fullUrl": url, "resource": resource,
                                   "request": {"method": "POST", "url": resource["resourceType"]}}
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            entry("urn:uuid:0d1f8a4e-53f7-4c58-b1c4-4a6a7f6f2b11", condition),
            entry(patient, person(key, "Transaction")),
        ],
    }


def with_fhirclient(base):
    """fhirclient: typed models of R4."""
    lib = "fhirclient"
    server = FHIRClient(settings={"app_id": "endplate_tests", "api_base": base}).server
    check(lib, "CapabilityStatement read into its model", server.capabilityStatement.fhirVersion == "4.0.1")

    ids = []
    for n in range(7):
        answer = patients.Patient(person(f"a{n}", "Pager")).create(server)
        ids.append(answer["id"])
    check(lib, "seven creates have seven ids", len(set(ids)) == 7, ids)

    read = patients.Patient.read(ids[0], server)
    check(lib, "read gives what was created", read.name[0].family == "Pager" and read.birthDate.isostring == "1980-05-04")

    read.active = True
    changed = read.update(server)
    check(lib, "update makes the next version", changed["meta"]["versionId"] == "2", changed)

    search = patients.Patient.where({"family": "Pager", "_count": "3"})
    pages = list(search.perform_iter(server))
    found = [entry.resource.id for page in pages for entry in page.entry or []]
    check(lib, "three pages of three hold each once", len(pages) == 3 and sorted(found) == sorted(ids), found)

    session = server.session
    session.headers["If-None-Exist"] = f"identifier={SYSTEM}|a0"
    again = server.post_json("Patient", person("a0", "Pager"))
    check(lib, "conditional create of what is there is 200", again.status_code == 200, again.text)
    session.headers["If-None-Exist"] = f"identifier={SYSTEM}|a7"
    first = server.post_json("Patient", person("a7", "Once"))
    second = server.post_json("Patient", person("a7", "Once"))
    del session.headers["If-None-Exist"]
    codes = (first.status_code, second.status_code)
    check(lib, "conditional create of what is not there is 201, then 200", codes == (201, 200), codes)

    answer = server.post_json("", transaction("a8"))
    response = bundles.Bundle(answer.json())
    check(lib, "transaction answered in its model", response.type == "transaction-response" and len(response.entry) == 2)
    where = [entry.response.location.split("/_history")[0].split("/")[-2:] for entry in response.entry]
    condition = server.request_json("/".join(where[0]))
    check(lib, "reference between entries resolved", condition["subject"]["reference"] == "/".join(where[1]), condition)

    patch = [{"op": "replace", "path": "/birthDate", "value": "1981-06-05"}]
    answer = session.patch(f"{base}/Patient/{ids[1]}", data=json.dumps(patch), headers={"Content-Type": PATCH})
    check(lib, "JSON Patch is 200", answer.status_code == 200, answer.text)
    check(lib, "and changes", patients.Patient.read(ids[1], server).birthDate.isostring == "1981-06-05")

    answer = patients.Patient.read(ids[2], server).delete(server)
    check(lib, "delete", answer is None or answer.get("resourceType") == "OperationOutcome", answer)
    gone = session.get(f"{base}/Patient/{ids[2]}", headers={"Accept": "application/fhir+json"})
    check(lib, "what is deleted is 410", gone.status_code == 410, gone.status_code)
    try:
        patients.Patient.read("never", server)
        check(lib, "what never was is 404", False)
    except FHIRNotFoundException:
        check(lib, "what never was is 404", True)


def with_fhirpy(base):
    """fhirpy: plain dictionaries."""
    lib = "fhirpy"
    client = fhirpy.SyncFHIRClient(base)
    content = lambda n: {k: v for k, v in person(f"b{n}", "Leafer").items() if k != "resourceType"}
    made = [client.resource("Patient", **content(n)) for n in range(5)]
    for resource in made:
        resource.save()
    check(lib, "five creates have five ids", len({resource.id for resource in made}) == 5)

    pages = client.resources("Patient").search(family="leafer").sort("-birthdate", "_id").limit(2)
    found = [resource.id for resource in pages.fetch_all()]
    check(lib, "every page, each once", sorted(found) == sorted(resource.id for resource in made), found)
    check(lib, "count without resources", client.resources("Patient").search(family="leafer").count() == 5)
    one = client.resources("Patient").search(identifier=f"{SYSTEM}|b3").get()
    check(lib, "found by identifier", one.id == made[3].id)

    one["active"] = False
    one.save()
    check(lib, "update makes the next version", one["meta"]["versionId"] == "2")
    one.refresh()
    check(lib, "refresh of what did not change keeps it", one["meta"]["versionId"] == "2")

    once = fhirpy.SyncFHIRClient(base, extra_headers={"If-None-Exist": f"identifier={SYSTEM}|b9"})
    ids = [once.execute("Patient", "post", data=person("b9", "Single"))["id"] for _ in range(2)]
    check(lib, "conditional create twice makes one", ids[0] == ids[1], ids)

    answer = client.execute("", "post", data=transaction("b8"))
    check(lib, "transaction", [entry["response"]["status"][:3] for entry in answer["entry"]] == ["201", "201"], answer)
    bad = transaction("b7")
    bad["entry"][0]["resource"]["subject"] = {"reference": "Patient/nowhere"}
    try:
        client.execute("", "post", data=bad)
        check(lib, "transaction with a bad entry is refused", False)
    except OperationOutcome:
        check(lib, "transaction with a bad entry is refused", True)
    left = client.resources("Patient").search(identifier=f"{SYSTEM}|b7").count()
    check(lib, "and leaves nothing", left == 0, left)

    patcher = fhirpy.SyncFHIRClient(base, extra_headers={"Content-Type": PATCH})
    patch = [{"op": "test", "path": "/name/0/family", "value": "Leafer"},
             {"op": "add", "path": "/name/0/given/-", "value": "Byron"}]
    answer = patcher.execute(f"Patient/{made[0].id}", "patch", data=patch)
    check(lib, "JSON Patch", answer["name"][0]["given"] == ["Ada", "Byron"], answer)
    operation = [{"name": "type", "valueCode": "replace"}, {"name": "path", "valueString": "Patient.birthDate"},
                 {"name": "value", "valueDate": "1982-07-06"}]
    patcher = fhirpy.SyncFHIRClient(base, extra_headers={"Content-Type": "application/fhir+json"})
    parameters = {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": operation}]}
    answer = patcher.execute(f"Patient/{made[0].id}", "patch", data=parameters)
    check(lib, "FHIRPath Patch", answer["birthDate"] == "1982-07-06", answer)

    made[4].delete()
    try:
        client.get("Patient", made[4].id)
        check(lib, "what is deleted cannot be read", False)
    except ResourceNotFound:
        check(lib, "what is deleted cannot be read", True)


if __name__ == "__main__":
    address = sys.argv[1]
    with_fhirclient(address)
    with_fhirpy(address)
