//! A Python of the tests' own, with the independent libraries of `tests/reference/requirements.txt` from PyPI.
//!
//! It is made where the build keeps its temporary files, and made again when the requirements change.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

/// Requirements after this line are those of the tests; the ones before are for figures that people compute again.
const OURS: &str = "# In the tests:";

/// Runs a script of `tests/reference` with these arguments and gives what it says.
pub fn script(name: &str, arguments: &[&str]) -> Output {
    let script = reference(name);
    let output = Command::new(python()).arg(&script).args(arguments).output().unwrap();
    assert_ne!(
        output.status.code(),
        Some(2),
        "{name} read nothing: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    output
}

/// A program that a library brought along.
pub fn program(name: &str) -> Command {
    Command::new(python().with_file_name(name))
}

fn reference(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference").join(name)
}

fn python() -> &'static Path {
    static PYTHON: OnceLock<PathBuf> = OnceLock::new();
    PYTHON.get_or_init(environment)
}

fn environment() -> PathBuf {
    let requirements = std::fs::read_to_string(reference("requirements.txt")).unwrap();
    let ours = requirements.split_once(OURS).expect("the requirements of the tests").1;
    let wanted: Vec<&str> = ours.lines().filter(|line| line.contains("==")).collect();
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("python");
    let (python, complete) = (folder.join("bin/python"), folder.join("complete"));
    if std::fs::read_to_string(&complete).is_ok_and(|installed| installed == wanted.join("\n")) {
        return python;
    }
    run(
        Command::new("python3").args(["-m", "venv", "--clear"]).arg(&folder),
        "python3 with its venv module is needed",
    );
    let mut pip = Command::new(&python);
    pip.args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check"]).args(&wanted);
    run(
        &mut pip,
        "pip reaches no package registry, or it lacks the versions of tests/reference/requirements.txt",
    );
    std::fs::write(complete, wanted.join("\n")).unwrap();
    python
}

fn run(command: &mut Command, otherwise: &str) {
    let output = command.output().unwrap_or_else(|error| panic!("{otherwise}: {error}"));
    assert!(output.status.success(), "{otherwise}: {}", String::from_utf8_lossy(&output.stderr));
}
