//! The image as a container: one SQLite volume, a root file system that cannot be written, a user without rights.

use crate::docker::{Container, Image, Volume, container, docker, is_there};
use crate::service::{Caller, RECORDS};
use std::collections::BTreeSet;
use std::process::Command;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// What a hospital's own command would say.
const CONFINED: [&str; 8] = [
    "--read-only",
    "--cap-drop=ALL",
    "--security-opt=no-new-privileges",
    "--memory=256m",
    "--pids-limit=100",
    "--publish=127.0.0.1::8080",
    "--env=ENDPLATE_BASE_URL=http://127.0.0.1:8080/fhir",
    "--env=ENDPLATE_UNPROTECTED=true",
];

fn serve(image: &Image, volume: &Volume) -> Container {
    let mount = format!("--volume={}:/var/lib/endplate", volume.0);
    let mut container = Container::start(&[&CONFINED[..], &[&mount, &image.0]].concat());
    container.says("listening");
    container
}

#[tokio::test]
async fn a_container_plans_drains_and_its_volume_goes_on_in_another() {
    if !is_there("the image, started and used") {
        return;
    }
    let (image, volume) = (Image::build(), Volume::new());
    let mut first = serve(&image, &volume);
    let caller = Caller::of(&format!("http://{}", first.at(8080)));
    caller.send("POST", "/fhir", RECORDS[0]).await;
    let plans = caller.all("/fhir/CarePlan").await;
    assert_eq!(plans.len(), 1);
    assert!(docker(&["exec", &first.name, "endplate", "ready"]).starts_with("ready\n"));

    // Who it is, as the machine sees it.
    let status = std::fs::read_to_string(format!("/proc/{}/status", first.inspect("{{.State.Pid}}")));
    if let Ok(status) = status {
        let line = |name: &str| {
            status.lines().find_map(|line| line.strip_prefix(name)).expect(name).trim().to_owned()
        };
        assert_eq!(line("Uid:").split_whitespace().collect::<BTreeSet<_>>(), BTreeSet::from(["65532"]));
        assert_eq!((line("CapEff:").as_str(), line("NoNewPrivs:").as_str()), ("0000000000000000", "1"));
    } else {
        println!("Docker runs elsewhere, so this was not shown: the user of the process");
    }

    // A request whose body is still on its way when it is told to end. "100 Continue" (RFC 9110, section 10.1.1) says that it is
    // being served.
    let record = RECORDS[1];
    let mut request = TcpStream::connect(first.at(8080)).await.expect("connected");
    let head = format!(
        "POST /fhir HTTP/1.1\r\nhost: endplate\r\ncontent-type: application/fhir+json\r\ncontent-length: {}\r\n\
         expect: 100-continue\r\nconnection: close\r\n\r\n",
        record.len()
    );
    request.write_all(head.as_bytes()).await.expect("sent");
    let mut answer = vec![0; 64];
    let read = request.read(&mut answer).await.expect("an answer");
    assert!(answer[..read].starts_with(b"HTTP/1.1 100"));
    first.signal("TERM");
    first.says("stopping");
    request.write_all(record.as_bytes()).await.expect("sent");
    let mut answer = String::new();
    request.read_to_string(&mut answer).await.expect("an answer");
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    assert_eq!(first.end(), "0");
    drop(first);

    let second = serve(&image, &volume);
    let caller = Caller::of(&format!("http://{}", second.at(8080)));
    let after = caller.all("/fhir/CarePlan").await;
    assert!(after.contains(&plans[0]), "byte for byte, version and time too");
    assert_eq!(after.len(), 2, "what was on its way at the end is there");
    second.signal("TERM");
    assert_eq!(second.end(), "0");
}

#[test]
fn the_image_holds_the_program_and_what_it_needs_and_says_what_is_missing() {
    if !is_there("what the image holds") {
        return;
    }
    let image = Image::build();
    // Nothing is made known before somebody has said how: then it ends, and says what to do.
    let told = container(&[&image.0]);
    let said = String::from_utf8_lossy(&told.stderr);
    assert_eq!((told.status.code(), said.lines().count()), (Some(2), 1), "{said}");
    assert!(said.contains("ENDPLATE_LISTEN") && said.contains("unprotected"), "{said}");
    // Without a volume there is no place for a store.
    let told = container(&[&CONFINED[..], &[&image.0]].concat());
    let said = String::from_utf8_lossy(&told.stderr);
    assert_eq!(told.status.code(), Some(3), "{said}");
    assert!(said.contains("/var/lib/endplate/endplate.db cannot be opened"), "{said}");
    assert_eq!(container(&["--entrypoint=/bin/sh", &image.0]).status.code(), Some(127), "there is no shell");

    let made = docker(&["create", &image.0]);
    let listing = format!("docker export {made} | tar -t; docker rm {made} >/dev/null");
    let listing = Command::new("sh").args(["-c", &listing]).output().expect("a shell");
    let listing = String::from_utf8(listing.stdout).expect("names");
    // Docker itself adds these.
    let of_docker =
        ["dev/", "proc/", "sys/", ".dockerenv", "etc/hostname", "etc/hosts", "etc/mtab", "etc/resolv.conf"];
    let files: Vec<&str> = listing
        .lines()
        .filter(|name| !name.ends_with('/') && !of_docker.iter().any(|other| name.starts_with(other)))
        .collect();
    let is_expected = |name: &&str| {
        let known = [
            "usr/bin/endplate",
            "etc/passwd",
            "etc/group",
            "etc/nsswitch.conf",
            "etc/ssl/certs/ca-certificates.crt",
        ];
        known.contains(name) || name.starts_with("lib") && name.contains(".so.")
    };
    let others: Vec<&&str> = files.iter().filter(|name| !is_expected(name)).collect();
    assert!(others.is_empty(), "{others:?}");
    assert!(files.contains(&"usr/bin/endplate") && files.len() <= 12, "{files:?}");
}
