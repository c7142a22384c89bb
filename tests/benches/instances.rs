//! One instance and two on one PostgreSQL database: records accepted with their plans each second, beside what pgbench gets out of the
//! same server with as many connections.
//!
//! `cargo bench -p endplate-tests --bench instances`. The server is one of its own and waits for the disk. Instances are in this
//! process, each with connections of its own, so on a machine of few cores they share these with the server.

#[allow(dead_code, reason = "nothing is copied here: every record comes through the front door")]
mod population;

use endplate_store::open;
use endplate_tests::median;
use endplate_tests::postgres::Server;
use population::{SetClock, endplate, record};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;
use tokio::task::JoinSet;

/// Records accepted in each round.
const RECORDS: usize = 400;
/// Senders of each instance.
const SENDERS: usize = 8;
const ROUNDS: usize = 3;
/// How long pgbench runs, seconds.
const PGBENCH_S: u32 = 5;

/// Records accepted each second by so many instances together.
async fn accepted(address: &str, instances: usize) -> f64 {
    let mut all = Vec::new();
    for n in 0..instances {
        let store = open(address).await.expect("a store");
        let clock = SetClock::at("2025-01-15T08:00:00Z");
        all.push(endplate(store, clock, None).as_instance(format!("instance {n}")));
    }
    all[0].transaction(record(999_999)).await.expect("the first record, which also makes the surgeon");
    let next = Arc::new(AtomicUsize::new(0));
    let mut senders = JoinSet::new();
    let start = Instant::now();
    for endplate in all {
        for _ in 0..SENDERS {
            let (endplate, next) = (endplate.clone(), Arc::clone(&next));
            senders.spawn(async move {
                loop {
                    let number = next.fetch_add(1, Ordering::Relaxed);
                    if number >= RECORDS {
                        break;
                    }
                    endplate.transaction(record(number)).await.expect("a record");
                }
            });
        }
    }
    senders.join_all().await;
    RECORDS as f64 / start.elapsed().as_secs_f64()
}

/// Transactions each second of pgbench's own script (TPC-B-like) with so many connections; none where it is not installed.
fn pgbench(server: &Server, clients: usize) -> Option<f64> {
    let run = |arguments: &[&str]| {
        let mut command = Command::new("pgbench");
        command
            .arg("--host")
            .arg(server.folder())
            .args(["--username", "endplate"])
            .args(arguments)
            .arg("pgbench");
        command.output().ok().filter(|output| output.status.success())
    };
    run(&["--initialize", "--quiet", "--scale", "10"])?;
    let (clients, seconds) = (clients.to_string(), PGBENCH_S.to_string());
    let output = run(&["--client", &clients, "--jobs", "2", "--time", &seconds])?;
    let text = String::from_utf8(output.stdout).ok()?;
    text.lines().find_map(|line| line.strip_prefix("tps = ")?.split(' ').next()?.parse().ok())
}

#[tokio::main]
async fn main() {
    let server = Server::durable(Path::new(env!("CARGO_TARGET_TMPDIR")));
    server.database("pgbench").await;
    let (mut ones, mut twos, mut limits) = (Vec::new(), Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        ones.push(accepted(&server.database(&format!("one_{round}")).await, 1).await);
        twos.push(accepted(&server.database(&format!("two_{round}")).await, 2).await);
        limits.extend(pgbench(&server, 2 * SENDERS));
    }
    let ratio = median(ones.iter().zip(&twos).map(|(one, two)| two / one));
    println!(
        "records with their plans: {:.0} a second by one instance, {:.0} by two, ratio {:.2}",
        median(ones),
        median(twos.clone()),
        ratio
    );
    if limits.is_empty() {
        println!("pgbench is not installed: the limit of the server is not known");
    } else {
        let limit = median(limits);
        println!(
            "the server itself, pgbench with {} connections: {limit:.0} transactions a second; two instances make {:.2} of its commits",
            2 * SENDERS,
            median(twos) / limit
        );
    }
}
