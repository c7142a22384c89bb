//! The house keeps its order: arrows between crates, sizes of files, words that do not belong.

use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().unwrap()
}

/// Every file below a folder with one of these endings.
fn files(folder: &Path, endings: &[&str]) -> Vec<PathBuf> {
    let mut all = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() && !name.starts_with('.') && name != "target" && name != "official" {
            all.extend(files(&path, endings));
        } else if endings.iter().any(|ending| name.ends_with(ending)) {
            all.push(path);
        }
    }
    all.sort();
    all
}

/// Names of the dependencies in one section of a crate's manifest.
fn dependencies(name: &str) -> Vec<String> {
    let manifest = fs::read_to_string(root().join("service").join(name).join("Cargo.toml")).unwrap();
    let section = manifest.split("[dependencies]").nth(1).unwrap();
    let section = section.split("\n[").next().unwrap();
    section
        .lines()
        .filter_map(|line| line.split(['.', ' ', '=']).next())
        .filter(|d| !d.is_empty())
        .map(str::to_owned)
        .collect()
}

#[test]
fn arrows_between_crates_are_those_of_the_plan() {
    let own = |name: &str| -> Vec<String> {
        dependencies(name)
            .into_iter()
            .filter_map(|d| d.strip_prefix("endplate-").map(str::to_owned))
            .collect()
    };
    assert_eq!(own("recovery"), Vec::<String>::new());
    assert_eq!(own("fhir"), Vec::<String>::new());
    assert_eq!(own("followup"), ["recovery", "fhir"]);
    assert_eq!(own("store"), ["fhir", "followup"]);
    for (outsider, rooms) in [
        ("sqlx", &["recovery", "fhir", "followup", "server"][..]),
        ("axum", &["recovery", "fhir", "followup", "store"]),
        ("reqwest", &["recovery", "fhir", "followup", "store"]),
        ("tokio", &["recovery", "fhir", "followup"]),
        ("serde_json", &["recovery"]),
        ("serde", &["recovery"]),
    ] {
        for room in rooms {
            assert!(
                !dependencies(room).contains(&outsider.to_owned()),
                "{room} must not depend on {outsider}"
            );
        }
    }
}

#[test]
fn only_one_file_reads_the_system_clock() {
    for path in files(&root().join("service"), &[".rs"]) {
        let text = fs::read_to_string(&path).unwrap();
        let allowed = path.ends_with("server/src/clock.rs")
            || path.components().any(|part| part.as_os_str() == "benches");
        for clock in ["Timestamp::now(", "Zoned::now(", "SystemTime::now(", "Instant::now("] {
            assert!(allowed || !text.contains(clock), "{} reads the system clock ({clock})", path.display());
        }
    }
}

/// Whoever is called is looked at by the guard first: no other file makes a client, resolves a name or opens a connection.
#[test]
fn only_one_file_makes_clients() {
    for path in files(&root().join("service"), &[".rs"]) {
        let is_source = path.components().any(|part| part.as_os_str() == "src");
        if !is_source || path.ends_with("server/src/guard.rs") {
            continue;
        }
        let text = fs::read_to_string(&path).unwrap();
        for way in [
            "Client::builder(",
            "Client::new(",
            "ClientBuilder::new(",
            "reqwest::get(",
            "hyper_util::client",
            "hyper::client",
            "Stream::connect(",
            "lookup_host(",
            "to_socket_addrs(",
        ] {
            // A type of our own may end with the same word.
            let is_word = |at: usize| !text[..at].ends_with(|c: char| c.is_alphanumeric());
            let is_used = text.match_indices(way).any(|(at, _)| way.starts_with("Stream") || is_word(at));
            assert!(!is_used, "{} calls others by {way} and not by guard.rs", path.display());
        }
    }
}

/// Each row of README's threat model names a file of tests, or the beginning of names of tests, that are there.
#[test]
fn what_stops_whom_is_shown_by_tests_that_are_there() {
    let readme = fs::read_to_string(root().join("README.md")).unwrap();
    let table = readme.split("| who | wants | what stops them | shown by |").nth(1).unwrap();
    let rows: Vec<&str> = table.lines().skip(2).take_while(|line| line.starts_with('|')).collect();
    assert!(rows.len() >= 10, "{rows:#?}");
    let tests: Vec<(PathBuf, String)> = files(&root(), &[".rs"])
        .into_iter()
        .map(|path| (path.clone(), fs::read_to_string(path).unwrap()))
        .filter(|(_, text)| text.contains("#[test]") || text.contains("#[tokio::test"))
        .collect();
    for row in rows {
        let shown: Vec<&str> = row.rsplit('|').nth(1).unwrap().split('`').skip(1).step_by(2).collect();
        assert!(!shown.is_empty(), "no test is named: {row}");
        for name in shown {
            let is_there = match name.strip_suffix('*') {
                // A test may show several things: f20_h10_…
                Some(start) => tests.iter().any(|(_, text)| {
                    text.split("fn ").skip(1).any(|rest| {
                        let name = rest.split('(').next().unwrap_or_default();
                        name.starts_with(start) || name.contains(&format!("_{start}"))
                    })
                }),
                None => tests.iter().any(|(path, _)| path.ends_with(name)),
            };
            assert!(is_there, "there is no test {name}: {row}");
        }
    }
}

#[test]
fn files_are_short_enough_to_be_read() {
    for path in files(&root(), &[".rs"]) {
        let lines = fs::read_to_string(&path).unwrap().lines().count();
        assert!(lines <= 600, "{} has {lines} lines; find a better cut", path.display());
    }
}

#[test]
fn nothing_is_left_unfinished() {
    for path in files(&root(), &[".rs"]) {
        let text = fs::read_to_string(&path).unwrap();
        // Put together here so that this file does not find itself.
        for word in [
            concat!("to", "do!("),
            concat!("unimple", "mented!("),
            concat!("#[ig", "nore"),
            concat!("FIX", "ME"),
        ] {
            assert!(!text.contains(word), "{} holds {word}", path.display());
        }
    }
}
