//! What stands in `deploy/` and is read by others: manifests by Kubernetes, units by systemd. That the service runs with them is
//! shown by `service/server/tests/deploy`.

use crate::python;
use std::fs;
use std::path::{Path, PathBuf};

fn deploy() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy")
}

/// The published schemas of Kubernetes' API, which the package `kubernetes-validate` brings along: of the release in which a pause
/// could first be written as one, and of the newest that it has. Nothing that they do not know may stand there.
#[test]
fn manifests_are_those_of_the_published_api() {
    for release in ["1.30", "1.37"] {
        let mut command = python::program("kubernetes-validate");
        command
            .args(["--strict", "--kubernetes-version", release])
            .arg(deploy().join("kubernetes/endplate.yaml"));
        let output = command.output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr) + String::from_utf8_lossy(&output.stdout);
        assert!(output.status.success(), "{said}");
        for kind in ["deployment", "service", "poddisruptionbudget", "networkpolicy", "configmap"] {
            assert!(said.contains(&format!("passed for resource {kind}/endplate")), "{kind}: {said}");
        }
    }
}

/// What the restricted level of Kubernetes' Pod Security Standards asks for, and what the service's own settings ask of the manifest.
#[test]
fn pods_have_no_rights_and_time_to_finish() {
    let output = python::script("pods.py", &[deploy().join("kubernetes/endplate.yaml").to_str().unwrap()]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stdout));
}

/// Where images come from is each site's own affair.
#[test]
fn no_registry_is_named() {
    let mut folders = vec![deploy()];
    let mut seen = 0;
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
                continue;
            }
            let text = fs::read_to_string(&path).unwrap();
            for line in text.lines().filter(|line| line.trim_start().starts_with("image:")) {
                seen += 1;
                let name = line.trim_start().trim_start_matches("image:").trim();
                let name = name.split_once(":-").map_or(name, |(_, default)| default);
                // A registry is the part before the first slash, if it looks like a host.
                assert!(!name.contains('/'), "{}: {line}", path.display());
            }
        }
    }
    assert!(seen >= 4);
}
