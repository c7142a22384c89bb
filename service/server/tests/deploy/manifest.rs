//! The pod of `deploy/kubernetes`, without a cluster: its settings, its arguments, its probes, its rights and its database, given to a
//! container. Whether Kubernetes takes the manifests is asked by `tests/tests/it/deployed.rs`.

use crate::docker::{Container, Image, Network, container, docker, folder, is_there, run};
use crate::service::Caller;
use std::fs;
use std::process::Command;

const POSTGRES: &str = "endplate-postgres:15";

/// The pod's files, and those of a database at `$1`, whose authority deploy/README.md has made so. Another authority has signed
/// nothing of it.
const FILES: &str = r#"
set -e
mkdir secret others database
keys() { openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-384 -nodes -days 2 "$@"; }
keys -subj /CN=endplate.example -keyout secret/tls.key -out secret/tls.crt
openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-384 -out secret/access-signing-key.pem
openssl rand -hex 24 >secret/postgres-password
cp secret/* others
keys -subj "/CN=endplate's database" -keyout postgres-ca.key -out secret/postgres-ca.crt
keys -subj "/CN=somebody else" -keyout others.key -out others/postgres-ca.crt
keys -CA secret/postgres-ca.crt -CAkey postgres-ca.key -subj "/CN=$1" -addext "subjectAltName=DNS:$1" \
    -addext basicConstraints=critical,CA:FALSE -keyout database/server.key -out database/server.crt
cp secret/postgres-password database
# The group of the pod may read them, as fsGroup and defaultMode have it; and PostgreSQL wants its key to be nobody else's.
chgrp -R 65532 config secret others
chgrp -R "$2" database
chmod 0440 secret/* others/* database/*
chmod 755 .
"#;

/// What `docker run` is told of the pod's rights.
const RIGHTS: [&str; 8] = [
    "--read-only",
    "--cap-drop=ALL",
    "--security-opt=no-new-privileges",
    "--user=65532:65532",
    "--memory=512m",
    "--tmpfs=/tmp:size=16m",
    "--publish=127.0.0.1::8443",
    "--publish=127.0.0.1::8081",
];

/// The text of the settings that the ConfigMap holds: a block that is indented by four.
fn settings(manifest: &str) -> String {
    let block = manifest.split_once("  endplate.toml: |\n").expect("settings").1;
    let lines = block.lines().take_while(|line| line.is_empty() || line.starts_with("    "));
    lines.map(|line| line.strip_prefix("    ").unwrap_or_default().to_owned() + "\n").collect()
}

/// The value of a variable of the container.
fn variable(manifest: &str, name: &str) -> String {
    let line = manifest.lines().find(|line| line.contains(&format!("{{ name: {name}, value: "))).expect(name);
    let value = line.split_once("value: ").expect("a value").1.split_once(" }").expect("an end").0;
    value.trim_matches('"').to_owned()
}

/// PostgreSQL with the certificate in a folder, under these names in a network.
fn database(network: &Network, files: &str, names: &[&str]) -> Container {
    let mut arguments =
        vec![format!("--network={}", network.0), format!("--volume={files}:/etc/database:ro")];
    arguments.extend(names.iter().map(|name| format!("--network-alias={name}")));
    let mut arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    arguments.extend([
        "--env=POSTGRES_USER=endplate",
        "--env=POSTGRES_DB=endplate",
        "--env=POSTGRES_PASSWORD_FILE=/etc/database/postgres-password",
        POSTGRES,
        "postgres",
        "-c",
        "ssl=on",
        "-c",
        "ssl_cert_file=/etc/database/server.crt",
        "-c",
        "ssl_key_file=/etc/database/server.key",
    ]);
    let database = Container::start(&arguments);
    // Asked by the network: while the database is made, only a socket answers.
    let asked = ["exec", &database.name, "pg_isready", "--quiet", "--host=127.0.0.1"];
    while run(Command::new("docker").args(asked)).is_err() {
        assert_eq!(database.inspect("{{.State.Running}}"), "true", "{}", docker(&["logs", &database.name]));
    }
    database
}

#[tokio::test]
async fn i04_the_pod_answers_its_probes_and_lets_nobody_in_unknown() {
    const NOT_SHOWN: &str = "the pod's settings, rights and database, given to a container";
    if !is_there(NOT_SHOWN) {
        return;
    }
    if let Err(error) = run(&mut Command::new(folder().join("image/postgres"))) {
        println!("the image of PostgreSQL cannot be made here ({error}), so this was not shown: {NOT_SHOWN}");
        return;
    }
    let manifest = fs::read_to_string(folder().join("kubernetes/endplate.yaml")).expect("a manifest");
    let store = variable(&manifest, "ENDPLATE_STORE");
    let host = store.split_once('@').and_then(|(_, place)| place.split('/').next()).expect("a host");
    let files = tempfile::tempdir().expect("a folder");
    let at = |name: &str| files.path().join(name).to_str().expect("a path").to_owned();
    fs::create_dir(at("config")).expect("made");
    fs::write(at("config/endplate.toml"), settings(&manifest)).expect("written");
    let group = docker(&["run", "--rm", "--entrypoint=id", POSTGRES, "-g", "postgres"]);
    let mut script = Command::new("sh");
    script.args(["-c", FILES, "files", host, &group]).current_dir(files.path());
    run(&mut script).expect("openssl makes keys, and root gives files away");

    let (image, network) = (Image::build(), Network::new());
    let elsewhere = host.replace("postgres", "elsewhere");
    let database = database(&network, &at("database"), &[host, &elsewhere]);
    // What runs in the pod: with the files of a Secret, on the store at an address.
    let pod = |secret: &str, store: &str| {
        let variables = ["ENDPLATE_CONFIG", "ENDPLATE_LISTEN"];
        let variables = variables.map(|name| format!("--env={name}={}", variable(&manifest, name)));
        let mut all: Vec<String> = RIGHTS.map(str::to_owned).into();
        all.extend(variables);
        all.extend([
            format!("--env=ENDPLATE_STORE={store}"),
            format!("--network={}", network.0),
            format!("--volume={}:/etc/endplate/config:ro", at("config")),
            format!("--volume={}:/etc/endplate/secret:ro", at(secret)),
            image.0.clone(),
            "serve".to_owned(),
        ]);
        all
    };

    // Whoever cannot prove to be the database is told nothing.
    for (secret, store, why) in [
        ("others", store.clone(), "UnknownIssuer"),
        ("secret", store.replace(host, &elsewhere), "certificate not valid for name"),
    ] {
        let arguments = pod(secret, &store);
        let told = container(&arguments.iter().map(String::as_str).collect::<Vec<_>>());
        let said = String::from_utf8_lossy(&told.stderr);
        assert_eq!(told.status.code(), Some(3), "{said}");
        assert!(said.contains("cannot be opened") && said.contains("invalid peer certificate"), "{said}");
        assert!(said.contains(why), "{said}");
    }

    let arguments = pod("secret", &store);
    let mut pod = Container::start(&arguments.iter().map(String::as_str).collect::<Vec<_>>());
    pod.says("listening");
    let caller = Caller::of(&format!("https://{}", pod.at(8443)));
    assert_eq!(caller.send("GET", "/livez", "").await, "alive\n");
    assert!(caller.send("GET", "/readyz", "").await.starts_with("ready"));
    assert!(docker(&["exec", &pod.name, "endplate", "ready"]).starts_with("ready"), "over TLS too");
    let (status, _) = caller.try_send("GET", "/fhir/Patient", "").await.expect("an answer");
    assert_eq!(status, 401);
    let aside = Caller::of(&format!("http://{}", pod.at(8081)));
    assert!(aside.send("GET", "/metrics", "").await.contains("endplate_"));
    // No connection goes without TLS.
    let asked = "PGPASSWORD=$(cat /etc/database/postgres-password) psql --host=127.0.0.1 --username=endplate \
                 --tuples-only --no-align --command='select bool_and(ssl) from pg_stat_ssl \
                 join pg_stat_activity using (pid) where application_name = $$endplate$$'";
    assert_eq!(docker(&["exec", &database.name, "sh", "-c", asked]), "t");
    pod.signal("TERM");
    assert_eq!(pod.end(), "0");
}
