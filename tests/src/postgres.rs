//! A PostgreSQL server for one test process: started when first asked for, gone with the process, however that ends.
//!
//! It listens on a socket in a folder of its own and nowhere else. Its texts are ordered as people order them, not by code
//! points, so that a test notices where the store does not say how it wants them ordered.

use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions, Connection};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};

/// Starts a server in `$1` as user `$2` (nobody in particular: empty), tells that it is ready, and ends it when standard input
/// ends: that is when the test process does.
const KEEPER: &str = r#"
set -e
# What ends the tests must not end their keeper before it has tidied up.
trap '' HUP INT TERM
folder=$1 user=$2 haste=$3 primary=$4
trap 'cd / && rm -rf "$folder"' EXIT
for bin in "$(dirname "$(command -v initdb || echo /none/x)")" /usr/lib/postgresql/*/bin; do
    if [ -x "$bin/initdb" ] && [ -x "$bin/pg_ctl" ]; then found=$bin; fi
done
[ -n "$found" ] || { echo "no PostgreSQL server is installed; tests/run installs one" >&2; exit 3; }
as() { if [ -n "$user" ]; then setpriv --reuid="$user" --regid="$user" --clear-groups -- "$@"; else "$@"; fi; }
[ -z "$user" ] || chown "$user" "$folder"
cd "$folder"
make() {
    if [ -n "$primary" ]; then
        as "$found/pg_basebackup" -D "$folder/data" -h "$primary" -U endplate -R -X stream -c fast --no-sync
    else
        as "$found/initdb" -D "$folder/data" -U endplate -A trust -E UTF8 --locale=C.UTF-8 --locale-provider=icu \
            --icu-locale=en --no-sync
    fi
}
make >"$folder/make.log" 2>&1 || { cat "$folder/make.log" >&2; exit 3; }
start() {
    as "$found/pg_ctl" -D "$folder/data" -w -l "$folder/server.log" -o "-c listen_addresses= $haste \
        -c unix_socket_directories=$folder -c max_connections=400" start >/dev/null || { cat "$folder/server.log" >&2; exit 3; }
}
start
echo ready
while read -r word place; do
    case $word in
    own) [ -z "$user" ] || chown "$user" "$place" ;;
    promote) as "$found/pg_ctl" -D "$folder/data" -w promote >/dev/null ;;
    stop) as "$found/pg_ctl" -D "$folder/data" -m immediate stop >/dev/null ;;
    crash) as "$found/pg_ctl" -D "$folder/data" -m immediate stop >/dev/null && start ;;
    esac
    echo ready
done
as "$found/pg_ctl" -D "$folder/data" -m immediate stop >/dev/null 2>&1 || true
"#;

/// What a server is told that need not outlive its machine.
const HASTE: &str = "-c fsync=off";

/// A running server. It ends when this value is dropped, or with the process.
pub struct Server {
    folder: String,
    keeper: Child,
    answers: BufReader<std::process::ChildStdout>,
}

impl Server {
    /// Starts a server.
    ///
    /// # Panics
    /// None is installed, or it does not start.
    pub fn start() -> Self {
        Self::of(&std::env::temp_dir(), HASTE, "")
    }

    /// Starts a server that waits for the disk, as it comes, with its data below `parent`.
    ///
    /// # Panics
    /// None is installed, or it does not start.
    pub fn durable(parent: &Path) -> Self {
        Self::of(parent, "", "")
    }

    /// Starts a hot standby of this server: it follows, and answers reads.
    ///
    /// # Panics
    /// It does not start.
    #[must_use]
    pub fn standby(&self) -> Self {
        Self::of(&std::env::temp_dir(), HASTE, &self.folder)
    }

    /// Makes a standby take over: it takes writes when this returns.
    ///
    /// # Panics
    /// It cannot be promoted.
    pub fn promote(&mut self) {
        self.ask("promote");
    }

    /// Where its socket is.
    pub fn folder(&self) -> &Path {
        Path::new(&self.folder)
    }

    fn of(parent: &Path, haste: &str, primary: &str) -> Self {
        let folder = tempfile::Builder::new().prefix("endplate-postgres-").tempdir_in(parent);
        let folder = folder.expect("a folder").keep();
        let folder = folder.to_str().expect("a readable name").to_owned();
        let is_root = Command::new("id").arg("-u").output().is_ok_and(|id| id.stdout == b"0\n");
        // PostgreSQL does not run as root.
        let user = if !is_root {
            ""
        } else if Command::new("id").arg("postgres").output().is_ok_and(|id| id.status.success()) {
            "postgres"
        } else {
            "nobody"
        };
        let mut keeper = Command::new("sh")
            .args(["-c", KEEPER, "keeper", &folder, user, haste, primary])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("a shell");
        let answers = BufReader::new(keeper.stdout.take().expect("piped"));
        let mut server = Self { folder, keeper, answers };
        server.wait();
        server
    }

    fn wait(&mut self) {
        let mut line = String::new();
        self.answers.read_line(&mut line).expect("the keeper's answer");
        assert_eq!(line, "ready\n", "PostgreSQL did not start");
    }

    /// Ends every process of the server at once, as when its machine fails, and starts it again.
    ///
    /// # Panics
    /// It does not start again.
    pub fn crash(&mut self) {
        self.ask("crash");
    }

    /// Ends every process of the server at once and for good.
    ///
    /// # Panics
    /// It cannot be ended.
    pub fn stop(&mut self) {
        self.ask("stop");
    }

    /// Gives a folder to the user that the server runs as.
    ///
    /// # Panics
    /// It cannot be given.
    pub fn own(&mut self, folder: &Path) {
        self.ask(&format!("own {}", folder.display()));
    }

    fn ask(&mut self, what: &str) {
        let keeper = self.keeper.stdin.as_mut().expect("piped");
        writeln!(keeper, "{what}").expect("the keeper is there");
        self.wait();
    }

    /// The address of a database of it.
    pub fn address(&self, database: &str) -> String {
        format!("postgres://endplate@localhost/{database}?host={}", self.folder)
    }

    fn options(&self, database: &str) -> PgConnectOptions {
        self.address(database).parse().expect("an address")
    }

    /// Makes an empty database and gives its address.
    ///
    /// # Panics
    /// It cannot be made.
    pub async fn database(&self, name: &str) -> String {
        self.tell(format!("create database {name}")).await;
        self.address(name)
    }

    async fn tell(&self, statement: String) {
        let mut connection = self.options("postgres").connect().await.expect("the server answers");
        sqlx::raw_sql(AssertSqlSafe(statement)).execute(&mut connection).await.expect("a statement");
        connection.close().await.expect("closed");
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.keeper.stdin.take());
        let _ = self.keeper.wait();
    }
}

/// The address of a fresh, empty database on the server of this process.
///
/// # Panics
/// There is no server.
pub async fn database() -> String {
    static SERVER: OnceLock<Server> = OnceLock::new();
    static NUMBER: AtomicU32 = AtomicU32::new(0);
    // Of databases that are made at once, the server makes one after the other anyway.
    let server = SERVER.get_or_init(Server::start);
    server.database(&format!("test_{}", NUMBER.fetch_add(1, Ordering::Relaxed))).await
}
