//! The release program as a process of a benchmark: built, started, ready, and how much memory it holds.

use reqwest::Client;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Instant;

fn target() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("..")
}

/// The release binary, built if need be.
pub fn binary() -> PathBuf {
    // As whoever runs this says it, with what goes with it; not as it was when this was built.
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let built = Command::new(cargo)
        // Build scripts ask for it, and everything would be built anew because it is here and was not there.
        .env_remove("CARGO_MANIFEST_DIR")
        .args(["build", "--quiet", "--release", "--package", "endplate-server", "--target-dir"])
        .arg(target())
        .status();
    assert!(built.is_ok_and(|status| status.success()), "the release binary builds");
    target().join("release/endplate")
}

/// A running process, ended when it is let go.
pub struct Running {
    process: Child,
    /// Such as `http://127.0.0.1:40001`.
    pub base: String,
    /// From the call of the program until `/readyz` answers.
    pub ready_ms: f64,
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

impl Running {
    /// Starts `command` with an address that is free, and asks without a pause until it is ready.
    pub async fn of(client: &Client, command: impl FnOnce(&str) -> Command) -> Self {
        let free = TcpListener::bind("127.0.0.1:0").and_then(|one| one.local_addr()).expect("a free port");
        let mut command = command(&free.to_string());
        let start = Instant::now();
        let process = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        let mut running =
            Self { process: process.expect("started"), base: format!("http://{free}"), ready_ms: 0.0 };
        loop {
            let reply = client.get(format!("{}/readyz", running.base)).send().await;
            if reply.is_ok_and(|reply| reply.status().is_success()) {
                break;
            }
            assert!(running.process.try_wait().expect("a process").is_none(), "it runs until it is ready");
            tokio::task::yield_now().await;
        }
        running.ready_ms = start.elapsed().as_secs_f64() * 1e3;
        running
    }

    /// What is resident now.
    pub fn memory_mb(&self) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.process.id())).expect("Linux");
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("VmRSS");
        line.trim().trim_end_matches(" kB").parse::<f64>().expect("a number") / 1024.0
    }
}
