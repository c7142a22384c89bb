//! A machine that systemd starts, with the units of `deploy/systemd`: a container in which systemd is the first process.

use crate::docker::{Container, docker, folder, is_there, run};
use crate::service::{Caller, RECORDS};
use std::process::Command;

const IMAGE: &str = "endplate-systemd:debian";

/// Runs a command on the machine.
fn on(machine: &Container, command: &str) -> Result<String, String> {
    run(Command::new("docker").args(["exec", &machine.name, "sh", "-c", command]))
}

fn done(machine: &Container, command: &str) -> String {
    on(machine, command).unwrap_or_else(|error| {
        let log = on(machine, "journalctl --no-pager --lines=40 --unit='endplate*'").unwrap_or_default();
        panic!("{command}: {error}\n{log}")
    })
}

fn boot() -> Option<Container> {
    if !is_there("the unit on a machine") {
        return None;
    }
    if run(&mut Command::new(folder().join("image/companion"))).is_err() {
        println!("the image of a machine cannot be made here, so this was not shown: the unit on a machine");
        return None;
    }
    let mut machine = Container::start(&[
        "--tty",
        // What systemd needs to make the rooms that the units ask for; not all that there is, which Docker itself may not have.
        "--cap-add=SYS_ADMIN",
        "--cap-add=SYS_PTRACE",
        "--security-opt=seccomp=unconfined",
        "--security-opt=apparmor=unconfined",
        "--cgroupns=private",
        "--tmpfs=/run",
        "--tmpfs=/run/lock",
        "--tmpfs=/tmp",
        "--env=container=docker",
        "--publish=127.0.0.1::8080",
        IMAGE,
    ]);
    let put = |from: &str, to: &str| docker(&["cp", from, &format!("{}:{to}", machine.name)]);
    put(env!("CARGO_BIN_EXE_endplate"), "/usr/bin/endplate");
    put(&format!("{}/systemd/.", folder().display()), "/etc/systemd/system");
    // Its console tells of the start.
    machine.says("Multi-User System");
    Some(machine)
}

#[tokio::test]
async fn the_unit_serves_without_rights_and_its_timer_copies_the_store() {
    let Some(machine) = boot() else { return };
    done(&machine, "systemd-analyze verify --man=no /etc/systemd/system/endplate*");
    // Of 100; without any of its directives a unit has 96.
    done(
        &machine,
        "systemd-analyze security --no-pager --threshold=13 endplate.service endplate-backup.service",
    );

    let settings =
        "listen = \"0.0.0.0:8080\"\nunprotected = true\nbase_url = \"http://endplate.example/fhir\"\n";
    done(
        &machine,
        &format!("mkdir -p /etc/endplate && umask 077 && echo '{settings}' >/etc/endplate/endplate.toml"),
    );
    done(
        &machine,
        "systemctl daemon-reload && systemctl enable --now endplate.service endplate-backup.timer",
    );
    let listening = "journalctl --follow --lines=all --no-pager \
                     _SYSTEMD_INVOCATION_ID=$(systemctl show --value --property=InvocationID endplate) \
                     | grep --max-count=1 listening";
    done(&machine, listening);
    let caller = Caller::of(&format!("http://{}", machine.at(8080)));
    caller.send("POST", "/fhir", RECORDS[0]).await;
    let plans = caller.all("/fhir/CarePlan").await;
    assert_eq!(plans.len(), 1);
    let status = done(&machine, "cat /proc/$(systemctl show --value --property=MainPID endplate)/status");
    let line =
        |name: &str| status.lines().find_map(|line| line.strip_prefix(name)).expect(name).trim().to_owned();
    assert_eq!((line("CapEff:"), line("CapBnd:")), ("0".repeat(16), "0".repeat(16)));
    assert_eq!((line("Seccomp:").as_str(), line("NoNewPrivs:").as_str()), ("2", "1"));
    assert!(!line("Uid:").starts_with("0\t"), "{}", line("Uid:"));

    done(&machine, "systemctl list-timers --all --no-legend | grep endplate-backup.service");
    let old = "/var/lib/endplate/backup/endplate-20200101T000000Z.db";
    done(&machine, &format!("mkdir -p /var/lib/endplate/backup && touch --date='16 days ago' {old}"));
    done(&machine, "systemctl start endplate-backup.service");
    done(&machine, &format!("test ! -e {old}"));
    // Lost, and put back from the copy.
    done(&machine, "systemctl stop endplate && rm -r /var/lib/endplate/endplate.db*");
    docker(&["cp", &format!("{}/backup/restore", folder().display()), &format!("{}:/root", machine.name)]);
    let restore =
        "/root/restore /var/lib/endplate/backup/endplate-*Z.db sqlite:/var/lib/endplate/endplate.db";
    assert!(done(&machine, restore).contains("the audit trail holds"));
    done(&machine, &format!("systemctl start endplate && {listening}"));
    let caller = Caller::of(&format!("http://{}", machine.at(8080)));
    assert_eq!(caller.all("/fhir/CarePlan").await, plans);

    // What kills it brings it back; what tells it to end ends it in good order.
    let id = done(&machine, "systemctl show --value --property=InvocationID endplate");
    done(&machine, "systemctl kill --signal=KILL endplate");
    done(
        &machine,
        &format!(
            "until test \"$(systemctl show --value --property=InvocationID endplate)\" != {id}; do :; done"
        ),
    );
    done(&machine, "systemctl stop endplate");
    assert_eq!(done(&machine, "systemctl show --value --property=Result endplate"), "success");
}
