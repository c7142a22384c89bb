//! Three instances behind the load balancer on one PostgreSQL, as `deploy/compose` has them, with clients that write and a subscriber
//! that is told all the while: one instance is killed, one is cut off from the database, one is paused, and all are replaced by another release. At
//! the end the database is restored from a copy that was made in the midst of it.
//!
//! Clients do as README asks of them: a record that was not acknowledged is sent again, on its condition.

use crate::docker::{Container, Image, docker, folder, is_there, name, run};
use crate::service::{Caller, RECORDS};
use endplate_followup::claim::CLAIM_S;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsStr;
use std::path::Path;
use std::process::Command;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use tempfile::TempDir;
use tokio::sync::watch;
use tokio::task::JoinHandle;

const CLIENTS: usize = 3;
/// Records that must be taken in before the next thing happens.
const MORE: usize = 6;
const NOTHING: [String; 0] = [];

/// What `docker-compose` made. It goes away with this value.
struct Cluster {
    project: String,
    image: String,
}

/// How the addresses of the network of the load balancer begin: each run has its own.
fn front() -> String {
    format!("172.30.{}", std::process::id() % 256)
}

impl Cluster {
    /// A program that asks `docker-compose` for something, or that is it, with instances of this image.
    fn told(&self, image: &str, program: impl AsRef<OsStr>) -> Command {
        let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/deploy");
        let files = [folder().join("compose/compose.yaml"), here.join("cluster.yaml")];
        let mut command = Command::new(program);
        command
            .env("COMPOSE_PROJECT_NAME", &self.project)
            .env("COMPOSE_FILE", std::env::join_paths(files).expect("names without a colon"))
            .env("ENDPLATE_IMAGE", image)
            .env("ENDPLATE_PORT", "0")
            .env("PROMETHEUS_PORT", "0")
            .env("ENDPLATE_FRONT", front())
            .env("SUBSCRIBER", here.join("subscriber.cfg"));
        command
    }

    fn compose(&self, image: &str, arguments: &[&str]) -> String {
        run(self.told(image, "docker-compose").args(arguments))
            .unwrap_or_else(|error| panic!("docker-compose {arguments:?}: {error}"))
    }

    fn start(image: &Image) -> Self {
        let cluster = Self { project: name("cluster"), image: image.0.clone() };
        cluster.compose(&image.0, &["up", "--detach", "--scale", "endplate=3"]);
        cluster
    }

    /// Has `deploy/compose/backup` or `restore` do its work on a file.
    fn operator(&self, image: &str, script: &str, file: &Path) -> Result<String, String> {
        run(self.told(image, folder().join("compose").join(script)).arg(file))
    }

    /// The names of the containers of a service.
    fn containers(&self, service: &str) -> Vec<String> {
        let of = |label: &str, value: &str| format!("label=com.docker.compose.{label}={value}");
        let project = of("project", &self.project);
        let listed = docker(&[
            "ps",
            "--filter",
            &project,
            "--filter",
            &of("service", service),
            "--format",
            "{{.Names}}",
        ]);
        listed.lines().map(str::to_owned).collect()
    }

    /// The clock of the database.
    fn store_ms(&self) -> i64 {
        let asked = "PGPASSWORD=$(cat \"$POSTGRES_PASSWORD_FILE\") exec psql --host=127.0.0.1 --username=endplate --no-align \
                     --tuples-only --command='select floor(extract(epoch from clock_timestamp()) * 1000)::bigint' endplate";
        let told = docker(&["exec", &self.only("postgres"), "sh", "-c", asked]);
        told.trim().parse().expect("milliseconds")
    }

    fn only(&self, service: &str) -> String {
        let all = self.containers(service);
        assert_eq!(all.len(), 1, "{service}: {all:?}");
        all[0].clone()
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        self.compose(&self.image, &["down", "--volumes", "--timeout", "1"]);
    }
}

/// Clients that write until they are told to stop.
struct Load {
    acknowledged: Arc<Mutex<BTreeSet<u64>>>,
    /// How many each client has had acknowledged.
    count: watch::Receiver<[usize; CLIENTS]>,
    /// Why requests were not done.
    failed: Arc<Mutex<Vec<String>>>,
    stop: watch::Sender<bool>,
    clients: Vec<JoinHandle<()>>,
}

/// The same record of another patient.
fn record(number: u64) -> String {
    RECORDS[0]
        .replace("P-001", &format!("P-{number:06}"))
        .replace("I-001", &format!("I-{number:06}"))
        .replace("O-001", &format!("O-{number:06}"))
}

impl Load {
    fn start(caller: &Caller) -> Self {
        let (acknowledged, failed) =
            (Arc::new(Mutex::new(BTreeSet::new())), Arc::new(Mutex::new(Vec::new())));
        let (stop, stopped) = watch::channel(false);
        let (counter, count) = watch::channel([0; CLIENTS]);
        let (counter, next) = (Arc::new(counter), Arc::new(AtomicU64::new(1)));
        let clients = (0..CLIENTS).map(|client| {
            let (acknowledged, failed) = (Arc::clone(&acknowledged), Arc::clone(&failed));
            let (stopped, counter, next) = (stopped.clone(), Arc::clone(&counter), Arc::clone(&next));
            let caller = caller.clone();
            tokio::spawn(async move {
                while !*stopped.borrow() {
                    let number = next.fetch_add(1, Ordering::SeqCst);
                    loop {
                        let why = match caller.try_send("POST", "/fhir", &record(number)).await {
                            Ok((200, _)) => break,
                            Ok((status, text)) => {
                                assert!(status >= 500, "{status}: {text}");
                                format!("{status}: {text}")
                            }
                            Err(error) => format!("{error:?}"),
                        };
                        failed.lock().expect("no panic").push(why);
                    }
                    acknowledged.lock().expect("no panic").insert(number);
                    counter.send_modify(|count| count[client] += 1);
                }
            })
        });
        Self { clients: clients.collect(), acknowledged, count, failed, stop }
    }

    /// Waits until some more records were acknowledged.
    async fn goes_on(&mut self) {
        let enough = self.count.borrow().iter().sum::<usize>() + MORE;
        self.count.wait_for(|count| count.iter().sum::<usize>() >= enough).await.expect("clients");
    }

    /// Waits until no client waits for what it asked before now: what hung in a network that was cut is answered late.
    async fn each_goes_on(&mut self) {
        let before = *self.count.borrow();
        let all_did = |count: &[usize; CLIENTS]| count.iter().zip(before).all(|(now, before)| *now > before);
        self.count.wait_for(all_did).await.expect("clients");
    }

    /// What was not done since the last time this was asked.
    fn failures(&self) -> Vec<String> {
        std::mem::take(&mut *self.failed.lock().expect("no panic"))
    }

    async fn end(self) -> BTreeSet<u64> {
        self.stop.send_replace(true);
        for client in self.clients {
            client.await.expect("no panic");
        }
        let acknowledged = self.acknowledged.lock().expect("no panic");
        acknowledged.clone()
    }
}

/// Makes the images that others publish; false, and said so, where that cannot be.
fn prepared(image: &Image) -> bool {
    if run(Command::new("docker-compose").arg("version")).is_err() {
        println!(
            "no docker-compose on this machine, so this was not shown: three instances behind a load balancer"
        );
        return false;
    }
    let mut prepare = Command::new(folder().join("compose/prepare"));
    if let Err(error) = run(prepare.env("ENDPLATE_IMAGE", &image.0)) {
        println!(
            "images cannot be made here ({error}), so this was not shown: three instances behind a load balancer"
        );
        return false;
    }
    true
}

/// Waits until the load balancer has found so many instances more.
fn found(balancer: &mut Container, many: usize) {
    for _ in 0..many {
        // Said once in its log and once for its operator, and there behind a word in brackets.
        while !balancer.says("changed its IP from (none)").starts_with("instances/") {}
    }
}

/// Asks an instance until it is as ready as it is wanted to be, and gives its answer.
fn until_ready(instance: &str, wanted: bool) -> String {
    loop {
        match run(Command::new("docker").args(["exec", instance, "endplate", "ready"])) {
            Ok(said) if wanted => return said,
            Err(said) if !wanted => return said,
            _ => {}
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn three_instances_keep_their_word_while_one_is_killed_one_cut_off_and_all_replaced() {
    if !is_there("three instances behind a load balancer") {
        return;
    }
    let (image, next_release) = (Image::build(), Image::build());
    if !prepared(&image) {
        return;
    }
    let cluster = Cluster::start(&image);
    let mut balancer = Container::named(cluster.only("balancer"));
    found(&mut balancer, 3);
    let first = cluster.containers("endplate");
    for instance in &first {
        until_ready(instance, true);
    }
    let caller = Caller::of(&format!("http://{}", balancer.at(8080)));
    let subscription = json!({
        "resourceType": "Subscription", "id": "s", "status": "requested", "reason": "tests", "criteria": "Task",
        "channel": { "type": "rest-hook", "endpoint": "http://subscriber:8080/", "payload": "application/fhir+json" },
    });
    caller.send("PUT", "/fhir/Subscription/s", &subscription.to_string()).await;
    let trail = caller.get("/fhir/AuditEvent?_count=1").await;
    let address = &trail["entry"][0]["resource"]["agent"][0]["network"]["address"];
    assert_eq!(
        *address,
        format!("{}.1", front()),
        "who called the load balancer: this machine, as the network has it"
    );
    let mut load = Load::start(&caller);
    load.goes_on().await;
    let dump = Dump::make(&cluster, &caller).await;
    load.goes_on().await;
    assert_eq!(load.failures(), NOTHING, "all is well");

    // One is killed: nothing is flushed, nothing is said.
    let [killed, cut_off, paused] = &first[..] else { panic!("three instances: {first:?}") };
    docker(&["kill", "--signal=KILL", killed]);
    load.goes_on().await;
    docker(&["start", killed]);
    until_ready(killed, true);
    load.goes_on().await;

    // One is cut off from the database, says so, and is left alone until it is there again.
    let network = format!("{}_store", cluster.project);
    docker(&["network", "disconnect", &network, cut_off]);
    let said = until_ready(cut_off, false);
    assert!(said.contains("store: "), "{said}");
    load.goes_on().await;
    docker(&["network", "connect", &network, cut_off]);
    until_ready(cut_off, true);
    let log = docker(&["logs", cut_off]);
    let told = |line: &&str| line.contains("\"check\":\"store\"");
    let told: Vec<&str> = log.lines().filter(told).collect();
    // A machine that is slow may be without its store more than once. Each time is told once, and that it is over.
    assert!(told.len() > 1, "{log}");
    for (number, line) in told.iter().enumerate() {
        let (said, level) = [("not ready", "WARN"), ("holds again", "INFO")][number % 2];
        assert!(line.contains(said) && line.contains(level), "{told:?}");
    }
    load.each_goes_on().await;

    // One is paused in the midst of what it does, for longer than it may keep a claim and a transaction, and goes on.
    let paused_ms = cluster.store_ms();
    docker(&["pause", paused]);
    while cluster.store_ms() < paused_ms + 1_000 * (i64::from(CLAIM_S) + 1) {
        load.goes_on().await;
    }
    docker(&["unpause", paused]);
    until_ready(paused, true);
    load.each_goes_on().await;

    watched(&cluster).await;

    // All are replaced, as deploy/README.md says, and no client notices.
    println!("not done at once while one was killed, one cut off and one paused: {:?}", load.failures());
    cluster.compose(
        &next_release.0,
        &["up", "--detach", "--no-deps", "--no-recreate", "--scale", "endplate=6", "endplate"],
    );
    found(&mut balancer, 3);
    for instance in &cluster.containers("endplate") {
        until_ready(instance, true);
    }
    for instance in &first {
        docker(&["stop", "--time=30", instance]);
        assert_eq!(docker(&["inspect", "--format={{.State.ExitCode}}", instance]), "0");
        docker(&["rm", instance]);
        load.goes_on().await;
    }
    assert_eq!(load.failures(), NOTHING, "an upgrade is not noticed");
    for instance in cluster.containers("endplate") {
        assert_eq!(docker(&["inspect", "--format={{.Config.Image}}", &instance]), next_release.0);
    }
    let acknowledged = load.end().await;
    let heard = check(&cluster, &caller, &acknowledged).await;
    dump.restore(&cluster, &next_release.0, &caller, &acknowledged, heard).await;
}

/// Prometheus has found each instance, reads it, and has worked out every rule: it takes up to an
/// interval before it has done so the first time, and says "unknown" till then.
async fn watched(cluster: &Cluster) {
    let prometheus = Container::named(cluster.only("prometheus"));
    let caller = Caller::of(&format!("http://{}", prometheus.at(9090)));
    let up = "/api/v1/query?query=count(up%7Bjob%3D%22endplate%22%7D==1)";
    while caller.get(up).await["data"]["result"][0]["value"][1] != "3" {}
    let health = async || {
        let answer = caller.get("/api/v1/rules").await;
        let groups = answer["data"]["groups"].as_array().expect("groups").clone();
        let rules = groups.iter().flat_map(|group| group["rules"].as_array().expect("rules"));
        let of = |rule: &Value| {
            [&rule["name"], &rule["health"]].map(|word| word.as_str().expect("a word").to_owned())
        };
        rules.map(of).collect::<Vec<_>>()
    };
    let mut rules = health().await;
    while rules.iter().any(|[_, health]| health == "unknown") {
        rules = health().await;
    }
    assert!(rules.iter().any(|[name, _]| name == "EndplateNotReady"), "{rules:?}");
    assert!(rules.iter().all(|[_, health]| health == "ok"), "{rules:?}");
}

/// Gives what the subscriber heard, by the number of the event.
async fn check(cluster: &Cluster, caller: &Caller, acknowledged: &BTreeSet<u64>) -> BTreeMap<u64, String> {
    // What was acknowledged is there, once, with its plan.
    let number = |patient: &Value| patient["identifier"][0]["value"].as_str().expect("a number").to_owned();
    let patients = caller.all("/fhir/Patient?_count=200").await;
    let numbers: BTreeSet<String> = patients.iter().map(number).collect();
    let wanted: BTreeSet<String> = acknowledged.iter().map(|number| format!("P-{number:06}")).collect();
    assert_eq!((numbers.len(), &numbers), (patients.len(), &wanted));
    let plans = caller.all("/fhir/CarePlan?_count=200").await;
    let planned: BTreeSet<&str> =
        plans.iter().map(|plan| plan["subject"]["reference"].as_str().expect("whose")).collect();
    assert_eq!((plans.len(), planned.len()), (patients.len(), patients.len()));
    // Nothing was cut out of the audit trail, which three wrote.
    let instance = &cluster.containers("endplate")[0];
    let said = docker(&["exec", instance, "endplate", "audit", "verify"]);
    assert!(said.contains("the audit trail holds"), "{said}");

    // The subscriber heard of every event in order, and of the same one the same.
    let raised = caller.events("s").await;
    let mut subscriber = Container::named(cluster.only("subscriber"));
    let mut heard: BTreeMap<u64, String> = BTreeMap::new();
    let mut repeats = 0;
    while heard.len() as u64 != raised {
        let (event, body) = hear(&mut subscriber);
        if let Some(before) = heard.get(&event) {
            assert_eq!(*before, body, "s/{event}");
            repeats += 1;
        } else {
            assert_eq!(event, heard.len() as u64 + 1, "nothing is left out and nothing overtakes");
            heard.insert(event, body);
        }
    }
    println!("{} records, {raised} events, {repeats} of them repeated", acknowledged.len());
    assert!(raised as usize >= acknowledged.len());
    heard
}

/// The next event that the subscriber writes down.
fn hear(subscriber: &mut Container) -> (u64, String) {
    let line = subscriber.says("heard s/");
    let words: Vec<&str> = line.split_whitespace().collect();
    let [_, event, body] = words[..] else { panic!("{line}") };
    (event.trim_start_matches("s/").parse().expect("a number"), body.to_owned())
}

/// A copy of the database, and what it must hold.
struct Dump {
    folder: TempDir,
    /// The head of the audit trail before.
    head: String,
    /// Every version before.
    before: BTreeMap<String, String>,
}

impl Dump {
    /// Makes one as deploy/README.md says, while others write.
    async fn make(cluster: &Cluster, caller: &Caller) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let before = caller.versions().await;
        let head = docker(&["exec", &cluster.containers("endplate")[0], "endplate", "audit", "head"]);
        let head = head.rsplit(' ').next().expect("a hash").to_owned();
        cluster.operator(&cluster.image, "backup", &folder.path().join("dump")).expect("a copy");
        Self { folder, head, before }
    }

    /// Restores it as deploy/README.md says: what it must hold is there again, what came later is not and can be sent again, and the
    /// subscriber hears nothing new under an old name.
    async fn restore(
        &self,
        cluster: &Cluster,
        image: &str,
        caller: &Caller,
        acknowledged: &BTreeSet<u64>,
        mut heard: BTreeMap<u64, String>,
    ) {
        let file = self.folder.path().join("dump");
        let last = *acknowledged.last().expect("records");
        let of_last = format!("/fhir/Patient?identifier=P-{last:06}");
        let refused = cluster.operator(image, "restore", &file).expect_err("instances run");
        assert!(refused.contains("is being accessed by other users"), "{refused}");
        assert_eq!(caller.all(&of_last).await.len(), 1, "and nothing has been done");

        let instances = cluster.containers("endplate");
        cluster.compose(image, &["stop", "endplate"]);
        let said = cluster.operator(image, "restore", &file).expect("restored");
        assert!(said.contains("the audit trail holds"), "{said}");
        cluster.compose(image, &["start", "endplate"]);
        for instance in &instances {
            until_ready(instance, true);
        }
        let verify = ["exec", &instances[0], "endplate", "audit", "verify", "--head", &self.head];
        assert!(docker(&verify).contains("the audit trail holds"), "with the head that was kept");
        // The load balancer has found them when it answers by one of them.
        while !matches!(caller.try_send("GET", "/fhir/metadata", "").await, Ok((200, _))) {}

        let after = caller.versions().await;
        for (name, body) in &self.before {
            assert_eq!(after.get(name), Some(body), "{name} was acknowledged before the copy was made");
        }
        assert_eq!(caller.all(&of_last).await.len(), 0, "what came later is not in the copy");
        caller.send("POST", "/fhir", &record(last)).await;
        assert_eq!(caller.all(&of_last).await.len(), 1, "and is sent again");
        let (lost, raised) = (heard.len() as u64, caller.events("s").await);
        assert!(raised > lost + 1000, "numbers that were given after the copy are left out");
        // It wrote down what it heard before too.
        let mut subscriber = Container::named(cluster.only("subscriber"));
        while !heard.contains_key(&raised) {
            let (event, body) = hear(&mut subscriber);
            let name = heard.entry(event).or_insert_with(|| body.clone());
            assert_eq!(*name, body, "s/{event} names one thing for ever");
            assert!(event <= lost || event > lost + 1000, "s/{event} is one of those that are left out");
        }
    }
}
