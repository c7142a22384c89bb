//! `endplate serve` as a process: started, listened to, told by signals, and killed.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Condvar, Mutex};
use std::thread;
use std::time::Duration;

/// Stands wherever a test may plant something that no log may hold.
pub const CANARY: &str = "Canarywren";

/// So long is waited for a line of a log or an answer before the test fails. None that succeeds waits for it.
const PATIENCE: Duration = Duration::from_mins(1);

/// `endplate serve` in a folder, on a free port and a store there. A test adds what it wants otherwise.
pub fn serve(folder: &Path) -> Command {
    serve_by(&[], folder)
}

/// The same, run by another program with these words before it.
pub fn serve_by(runner: &[&str], folder: &Path) -> Command {
    let words = [runner, &[env!("CARGO_BIN_EXE_endplate"), "serve"]].concat();
    let mut command = Command::new(words[0]);
    command.args(&words[1..]).current_dir(folder).env_clear();
    command.env("ENDPLATE_LISTEN", "127.0.0.1:0").env("ENDPLATE_STORE", "sqlite:store.db");
    command
}

/// What was logged so far, and whether more may come.
#[derive(Default)]
struct Log {
    lines: Vec<String>,
    is_over: bool,
}

/// A running service.
pub struct Program {
    child: Child,
    pub address: String,
    log: Arc<(Mutex<Log>, Condvar)>,
}

impl Program {
    /// Starts it, and waits until it says where it listens.
    pub fn start(command: &mut Command) -> Self {
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut child = command.spawn().expect("started");
        let told = BufReader::new(child.stdout.take().expect("piped"));
        let log: Arc<(Mutex<Log>, Condvar)> = Arc::default();
        let kept = Arc::clone(&log);
        thread::spawn(move || {
            let keep = |act: &dyn Fn(&mut Log)| {
                act(&mut kept.0.lock().expect("no panic"));
                kept.1.notify_all();
            };
            for line in told.lines().map_while(Result::ok) {
                keep(&|log| log.lines.push(line.clone()));
            }
            keep(&|log| log.is_over = true);
        });
        let mut program = Self { child, address: String::new(), log };
        let line = program.said("listening", 1);
        let from = line.find("127.0.0.1:").expect("an address");
        let is_address = |c: char| c.is_ascii_digit() || matches!(c, '.' | ':');
        program.address = line[from..].chars().take_while(|c| is_address(*c)).collect();
        program
    }

    /// Waits for the line of the log that is the `nth` to hold `text`, the first being 1.
    pub fn said(&self, text: &str, nth: usize) -> String {
        let found = |log: &Log| log.lines.iter().filter(|line| line.contains(text)).nth(nth - 1).cloned();
        let log = self.log.0.lock().expect("no panic");
        let waits = |log: &mut Log| found(log).is_none() && !log.is_over;
        let (log, _) = self.log.1.wait_timeout_while(log, PATIENCE, waits).expect("no panic");
        found(&log).unwrap_or_else(|| panic!("it did not say {text}: {:#?}", log.lines))
    }

    /// Sends a request as it is written, but for its length, and gives the whole answer; nothing if there was none.
    pub fn send(&self, head: &str, body: &str) -> String {
        let mut stream = TcpStream::connect(&self.address).expect("connected");
        stream.set_read_timeout(Some(PATIENCE)).expect("a time limit");
        let length = body.len();
        let request = format!(
            "{head}\r\nhost: {CANARY}.example\r\ncontent-length: {length}\r\nconnection: close\r\n\r\n{body}"
        );
        // What is too long is answered before it is read.
        let _ = stream.write_all(request.as_bytes());
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        String::from_utf8_lossy(&answer).into_owned()
    }

    pub fn id(&self) -> String {
        self.child.id().to_string()
    }

    /// Sends it a signal, such as `HUP`.
    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill").args(["-s", name, &self.id()]).status().expect("kill");
        assert!(sent.success());
    }

    /// Asks it to stop, waits for that, and gives what it logged.
    pub fn stop(mut self) -> Vec<String> {
        self.signal("TERM");
        let (ended, log) = self.end();
        assert!(ended.success(), "{log:#?}");
        log
    }

    /// Kills it: nothing is flushed, nothing is said.
    pub fn kill(mut self) {
        self.child.kill().expect("killed");
        self.end();
    }

    fn end(&mut self) -> (ExitStatus, Vec<String>) {
        let ended = self.child.wait().expect("ended");
        let log = self.log.0.lock().expect("no panic");
        let log = self.log.1.wait_while(log, |log| !log.is_over).expect("no panic");
        // Whatever a test is about: names in any case, and in base64, which hides nothing.
        let holds = |line: &&String| {
            let encoded = ["Q2FuYXJ5d3Jlb", "NhbmFyeXdyZW", "DYW5hcnl3cmVu"];
            line.to_lowercase().contains(&CANARY.to_lowercase())
                || encoded.iter().any(|part| line.contains(part))
        };
        let found: Vec<&String> = log.lines.iter().filter(holds).collect();
        assert!(found.is_empty(), "the log holds what was planted: {found:#?}");
        (ended, log.lines.clone())
    }
}

/// A test that failed leaves no process.
impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The status of an answer; 0 if there is none.
pub fn status(answer: &str) -> u16 {
    answer.get(9..12).and_then(|status| status.parse().ok()).unwrap_or(0)
}
