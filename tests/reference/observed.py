"""Reads what /metrics gives as a Prometheus server would, with the library prometheus-client from PyPI, and holds the dashboard and
the rules of deploy/observability against it.

Arguments: the answer in the Prometheus text format, the one in OpenMetrics, the folder. Prints the samples of the first as JSON, a
list of name, labels and value. Says on standard error what is wrong; exit 1 if anything is."""

import json
import re
import sys
from pathlib import Path

import yaml
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_metrics
from prometheus_client.parser import text_string_to_metric_families as plain

wrong = []


def check(holds, text):
    if not holds:
        wrong.append(text)


# OpenMetrics 1.0, section "Suffixes" of each type, and the Prometheus documentation, "Metric and label naming".
SUFFIXES = {"counter": ("_total",), "histogram": ("_bucket", "_count", "_sum"), "gauge": ("",), "info": ("_info",)}
UNITS_NOT_BASE = re.compile(r"_(ms|millis|milliseconds|micros|minutes|hours|days|kb|mb|kilobytes|percent)(_|$)")


def families(text, read):
    """Name without suffix, type, help and samples, by the library."""
    return {family.name: family for family in read(text)}


def convention(found):
    for family in found.values():
        name = family.name
        check(family.type in SUFFIXES, f"{name} has the type {family.type}")
        check(family.documentation.strip(), f"{name} says nothing of itself")
        check(re.fullmatch(r"(endplate|process)_[a-z_]+", name), f"{name} is no name of ours")
        check(not UNITS_NOT_BASE.search(name), f"{name} has a unit that is no base unit")
        check(family.type != "histogram" or name.endswith("_seconds"), f"{name} does not say what it measures")
        check(family.samples, f"{name} has no samples")
        for sample in family.samples:
            suffix = sample.name.removeprefix(name)
            check(suffix in SUFFIXES.get(family.type, ()) , f"{sample.name} has a suffix that its type has not")
            for label, value in sample.labels.items():
                check(label in LABELS, f"{sample.name} has a label {label}")
                check(re.fullmatch(LABELS.get(label, ".*"), value), f"{sample.name} has {label}={value!r}")


# Every label with all that it may hold: codes, few and known.
LABELS = {
    "interaction": r"[a-z-]{1,20}", "type": r"([A-Z][A-Za-z]{2,25})?", "status": r"[1-5][0-9][0-9]|requested|active|error|off",
    "result": r"delivered|deferred|parked|dropped|done|moved|failed", "to": r"subscriber|record",
    "outcome": r"accepted|refused|unreachable", "state": r"waiting|held|dead", "check": r"[a-z]+( [a-z0-9-]+)?",
    "version": r"[0-9A-Za-z.-]{1,40}", "record": r"[a-z][a-z0-9-]*", "le": r"[0-9.e+-]+|\+Inf",
}


# Exposed by a service that has one (tests/it/weather.rs).
WITH_A_REPLICA = {"endplate_replica_well"}


def named(expression):
    """The metrics that an expression of PromQL names: what stands in quotes is none."""
    bare = re.sub(r'"(\\.|[^"\\])*"', "", expression)
    return set(re.findall(r"\b(?:endplate|process)_[a-z_]+\b", bare))


def expressions(node):
    if isinstance(node, dict):
        for key, value in node.items():
            if key in ("expr", "definition") and isinstance(value, str):
                yield value
            yield from expressions(value)
    elif isinstance(node, list):
        for value in node:
            yield from expressions(value)


def discovery(folder):
    """The pods of the manifest are found, by its own names, under the job that the rules ask for."""
    read = lambda name: yaml.safe_load((folder / name).read_text())["scrape_configs"]
    (job,), (static,) = read("kubernetes.yaml"), read("scrape.yaml")
    check(job["job_name"] == static["job_name"] == "endplate", "the scrape configurations have other jobs than the rules")
    documents = yaml.safe_load_all((folder.parent / "kubernetes" / "endplate.yaml").read_text())
    deployment = next(document for document in documents if document["kind"] == "Deployment")
    (found,) = job["kubernetes_sd_configs"]
    check(found["namespaces"]["names"] == [deployment["metadata"]["namespace"]], "pods are looked for in another namespace")
    labels = deployment["spec"]["template"]["metadata"]["labels"]
    (selector,) = found["selectors"]
    check(selector["label"] in {f"{name}={value}" for name, value in labels.items()}, f"no pod has {selector['label']}")
    ports = [port["name"] for one in deployment["spec"]["template"]["spec"]["containers"] for port in one["ports"]]
    kept = [rule["regex"] for rule in job["relabel_configs"] if rule.get("action") == "keep"]
    check([name for name in ports if name in kept] == ["metrics"], f"of the ports {ports} {kept} are kept")


def main(text_file, open_file, folder):
    text, opened, folder = Path(text_file).read_text(), Path(open_file).read_text(), Path(folder)
    found, also = families(text, plain), families(opened, open_metrics)
    # The text format knows no info: it has a gauge, whose name has the suffix.
    bare = {name.removesuffix("_info") if name.endswith("_info") else name for name in found}
    check(bare == set(also), f"the formats differ in {bare ^ set(also)}")
    convention(also)
    samples = [(sample.name, sample.labels, sample.value) for family in found.values() for sample in family.samples]
    exposed = {name for name, _, _ in samples}

    dashboard = json.loads((folder / "dashboard.json").read_text())
    ids = [panel["id"] for panel in dashboard["panels"]]
    check(len(set(ids)) == len(ids), "the dashboard has panels with one id")
    for panel in dashboard["panels"]:
        place = panel["gridPos"]
        check(place["x"] + place["w"] <= 24, f"{panel['title']} reaches over the edge")
        check(panel["type"] == "row" or panel["targets"], f"{panel['title']} shows nothing")
    rules = yaml.safe_load((folder / "rules.yaml").read_text())
    for rule in (rule for group in rules["groups"] for rule in group["rules"]):
        check(rule["labels"]["severity"] in ("critical", "warning"), f"{rule['alert']} has no severity")
        check({"summary", "description"} == set(rule["annotations"]), f"{rule['alert']} does not say what to do")
    for what, document in (("the dashboard", dashboard), ("the rules", rules)):
        names = set().union(*map(named, expressions(document)))
        check(len(names) >= 10, f"{what} names hardly anything: {names}")
        missing = names - exposed - WITH_A_REPLICA
        check(not missing, f"{what} names what is not exposed: {sorted(missing)}")
    discovery(folder)
    print(json.dumps(samples))


main(*sys.argv[1:])
for line in wrong:
    print(line, file=sys.stderr)
sys.exit(1 if wrong else 0)
