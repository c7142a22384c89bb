//! Docker's command line. What is made here goes away with its value.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};

/// The folder `deploy`.
pub fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy")
}

/// Whether there is a Docker to ask; if not, says what is `not_shown`.
pub fn is_there(not_shown: &str) -> bool {
    let there = run(Command::new("docker").args(["version", "--format", "{{.Server.Version}}"])).is_ok();
    if !there {
        println!("no Docker on this machine, so this was not shown: {not_shown}");
    }
    there
}

/// A name that no other test has, on this machine.
pub fn name(kind: &str) -> String {
    static NUMBER: AtomicU32 = AtomicU32::new(0);
    format!("endplate-test-{}-{kind}-{}", std::process::id(), NUMBER.fetch_add(1, Ordering::Relaxed))
}

/// What a program prints; as an error what it complained of.
pub fn run(command: &mut Command) -> Result<String, String> {
    let output = command.stdin(Stdio::null()).output().map_err(|error| error.to_string())?;
    let said = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim_end().to_owned();
    if output.status.success() { Ok(said(&output.stdout)) } else { Err(said(&output.stderr)) }
}

/// What Docker says.
pub fn docker(arguments: &[&str]) -> String {
    run(Command::new("docker").args(arguments))
        .unwrap_or_else(|error| panic!("docker {arguments:?}: {error}"))
}

/// All of what a container that ends by itself says, and its exit code.
pub fn container(arguments: &[&str]) -> Output {
    let mut command = Command::new("docker");
    command.args(["run", "--rm"]).args(arguments).stdin(Stdio::null()).output().expect("docker runs")
}

/// The image of the program that is tested, made by the script that makes everybody's.
pub struct Image(pub String);

impl Image {
    pub fn build() -> Self {
        let name = format!("{}:test", name("image"));
        let mut script = Command::new(folder().join("image/endplate"));
        script.env("BINARY", env!("CARGO_BIN_EXE_endplate")).env("IMAGE", &name);
        assert_eq!(run(&mut script).expect("an image"), name);
        Self(name)
    }
}

impl Drop for Image {
    fn drop(&mut self) {
        _ = run(Command::new("docker").args(["image", "rm", "--force", &self.0]));
    }
}

/// A volume.
pub struct Volume(pub String);

impl Volume {
    pub fn new() -> Self {
        Self(docker(&["volume", "create", &name("volume")]))
    }
}

impl Drop for Volume {
    fn drop(&mut self) {
        _ = run(Command::new("docker").args(["volume", "rm", "--force", &self.0]));
    }
}

/// A network of its own.
pub struct Network(pub String);

impl Network {
    pub fn new() -> Self {
        let name = name("network");
        docker(&["network", "create", &name]);
        Self(name)
    }
}

impl Drop for Network {
    fn drop(&mut self) {
        _ = run(Command::new("docker").args(["network", "rm", &self.0]));
    }
}

/// A container, and its log.
pub struct Container {
    pub name: String,
    /// It ends with this value.
    is_ours: bool,
    log: BufReader<ChildStdout>,
    reader: Child,
}

impl Container {
    /// Starts one: `docker run` with these arguments.
    pub fn start(arguments: &[&str]) -> Self {
        let name = name("container");
        let mut all = vec!["run", "--detach", "--name", &name];
        all.extend(arguments);
        docker(&all);
        let mut container = Self::named(name);
        container.is_ours = true;
        container
    }

    /// One that was started in another way, and ends in that.
    pub fn named(name: String) -> Self {
        // Both streams in one, in the order in which the container wrote.
        let mut reader = Command::new("sh")
            .args(["-c", "exec docker logs --follow \"$0\" 2>&1", &name])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("docker runs");
        let log = BufReader::new(reader.stdout.take().expect("piped"));
        Self { name, is_ours: false, log, reader }
    }

    /// Reads its log up to a line that holds `word`, and gives that line.
    pub fn says(&mut self, word: &str) -> String {
        let mut before = String::new();
        loop {
            let start = before.len();
            let read = self.log.read_line(&mut before).expect("a log");
            assert!(read > 0, "{} ended and never said {word}:\n{before}", self.name);
            if before[start..].contains(word) {
                return before[start..].to_owned();
            }
        }
    }

    /// Where a port of it is reached on this machine.
    pub fn at(&self, port: u16) -> String {
        docker(&["port", &self.name, &port.to_string()]).lines().next().expect("published").to_owned()
    }

    /// Whatever `docker inspect` knows.
    pub fn inspect(&self, format: &str) -> String {
        docker(&["inspect", "--format", format, &self.name])
    }

    pub fn signal(&self, signal: &str) {
        docker(&["kill", "--signal", signal, &self.name]);
    }

    /// Waits for its end and gives its exit code.
    pub fn end(&self) -> String {
        docker(&["wait", &self.name])
    }
}

impl Drop for Container {
    fn drop(&mut self) {
        if self.is_ours {
            _ = run(Command::new("docker").args(["rm", "--force", "--volumes", &self.name]));
        }
        _ = self.reader.kill();
        _ = self.reader.wait();
    }
}
