"""Reads a manifest with PyYAML and holds its pods against the restricted level of Kubernetes' Pod Security Standards
(kubernetes.io, Pod Security Standards, "Restricted"; from memory), and against what the service needs. Prints what is wrong."""

import sys
import tomllib

import yaml

wrong = []


def holds(what, condition):
    if not condition:
        wrong.append(what)


documents = list(yaml.safe_load_all(open(sys.argv[1], encoding="utf-8")))
by_kind = {document["kind"]: document for document in documents}
deployment = by_kind["Deployment"]["spec"]
pod = deployment["template"]["spec"]
volumes = {next(key for key in volume if key != "name") for volume in pod["volumes"]}
holds("volumes are of a restricted kind", volumes <= {"configMap", "secret", "emptyDir", "projected", "downwardAPI"})
holds("nothing of the host is shared", not {"hostNetwork", "hostPID", "hostIPC"} & pod.keys())
holds("the seccomp profile is set", pod["securityContext"]["seccompProfile"]["type"] == "RuntimeDefault")
holds("the user is not root", pod["securityContext"]["runAsNonRoot"] and pod["securityContext"]["runAsUser"] > 0)
(container,) = pod["containers"]
context = container["securityContext"]
holds("no process gains rights", context["allowPrivilegeEscalation"] is False)
holds("capabilities are dropped", context["capabilities"] == {"drop": ["ALL"]})
holds("the root file system is read-only", context["readOnlyRootFilesystem"] is True)
holds("memory has a limit", "memory" in container["resources"]["limits"])
holds("no token of the cluster is mounted", pod["automountServiceAccountToken"] is False)

labels = deployment["template"]["metadata"]["labels"].items()
for kind, at in [
    ("Deployment", lambda spec: spec["selector"]["matchLabels"]),
    ("Service", lambda spec: spec["selector"]),
    ("PodDisruptionBudget", lambda spec: spec["selector"]["matchLabels"]),
    ("NetworkPolicy", lambda spec: spec["podSelector"]["matchLabels"]),
]:
    holds(f"{kind} selects the pods", at(by_kind[kind]["spec"]).items() <= labels)
ports = {port["name"]: port["containerPort"] for port in container["ports"]}
holds("the Service leads to a port", by_kind["Service"]["spec"]["ports"][0]["targetPort"] in ports)
for probe, path in [("startupProbe", "/readyz"), ("readinessProbe", "/readyz"), ("livenessProbe", "/livez")]:
    asked = container[probe]["httpGet"]
    holds(f"{probe} asks {path}", asked["path"] == path and asked["port"] in ports)
rules = by_kind["NetworkPolicy"]["spec"]["ingress"]
let_in = {port["port"] for rule in rules for port in rule["ports"]}
holds("the NetworkPolicy lets in what there is to ask, each from its own place", let_in == set(ports.values()))
holds("an upgrade takes no instance away", deployment["strategy"]["rollingUpdate"]["maxUnavailable"] == 0)
kept = by_kind["PodDisruptionBudget"]["spec"]["minAvailable"]
holds("one instance may be moved and one stays", 1 <= kept < deployment["replicas"])

settings = tomllib.loads(by_kind["ConfigMap"]["data"]["endplate.toml"])
pause = container["lifecycle"]["preStop"]["sleep"]["seconds"]
holds("there is time to drain", pod["terminationGracePeriodSeconds"] >= pause + settings["drain_timeout_s"] + 5)
interval = container["readinessProbe"]["periodSeconds"] * container["readinessProbe"]["failureThreshold"]
holds("clients are led away before it ends", pause >= interval)
variables = {one["name"]: one.get("value") for one in container["env"]}
holds("it listens where it is asked", variables["ENDPLATE_LISTEN"] == f"0.0.0.0:{ports['fhir']}")
holds("it is measured where it is asked", settings["metrics"]["listen"] == f"0.0.0.0:{ports['metrics']}")
holds("nobody is let in unknown", settings["access"]["clients"] and "unprotected" not in settings)
holds("no secret stands in the manifest", "Secret" not in by_kind and "password" not in "".join(filter(None, variables.values())))
secret = next(volume["secret"] for volume in pod["volumes"] if "secret" in volume)
holds("secrets are the group's to read", secret["defaultMode"] == 0o440)

print("\n".join(wrong))
sys.exit(1 if wrong else 0)
