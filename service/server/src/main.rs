//! The command line. Exit codes: 0 done, 1 the input was at fault, 2 usage, 3 the environment was at fault.

use clap::error::ErrorKind;
use clap::{Args, Parser, Subcommand};
use endplate_server::config::{Config, ConfigError, Layers, Sources};
use endplate_server::fault::Fault;
use endplate_server::{
    audit, backup, check, copy, demo, input, outbox, plan, protocol, publish, ready, record, serve, sweep,
};
use std::path::PathBuf;
use std::process::ExitCode;

/// Follows up peripheral nerve repairs: a headless service that speaks FHIR R4.
#[derive(Parser)]
#[command(
    name = "endplate",
    version,
    after_help = "Every setting, with its variable and its default: endplate config"
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
    /// Configuration file (TOML) [variable: ENDPLATE_CONFIG]
    #[arg(long, global = true, value_name = "FILE")]
    config: Option<String>,
}

#[derive(Subcommand)]
enum Command {
    /// Serve FHIR, deliver notifications and look after due dates
    Serve(Overrides),
    /// Play an invented clinic from the operations to two years after, on a moving clock
    Demo {
        /// Keep serving the result afterwards
        #[arg(long)]
        stay: bool,
    },
    /// Print the plan that follows from repair records and findings; stores nothing
    Plan {
        /// Resources or Bundles; - is standard input
        #[arg(required = true, value_name = "FILE")]
        files: Vec<String>,
        /// Plan as on this day [default: today]
        #[arg(long, value_name = "DATE")]
        as_of: Option<String>,
    },
    /// Check resources against R4 and against what the service understands; one line a finding
    Check {
        /// Resources or Bundles; - is standard input
        #[arg(required = true, value_name = "FILE")]
        files: Vec<String>,
    },
    /// Look once at everything that is due, and deliver all that waits, as far as no service does
    Sweep {
        /// Look as of this moment; what that raises is stored and sent [default: now]
        #[arg(long, value_name = "INSTANT")]
        as_of: Option<String>,
        /// Where resources are kept [variable: ENDPLATE_STORE]
        #[arg(long, value_name = "URL")]
        store: Option<String>,
    },
    /// Show how the receivers of notifications stand; no payloads, no addresses, reasons as a receiver gave them
    Outbox {
        /// Each dead letter instead, with the reason
        #[arg(long)]
        dead: bool,
        /// Where resources are kept [variable: ENDPLATE_STORE]
        #[arg(long, value_name = "URL")]
        store: Option<String>,
    },
    /// Have notifications sent again, under the same event ids and in their order
    Replay {
        /// Of this receiver only: the id of its Subscription, or record/NAME [default: all]
        #[arg(long, value_name = "ID")]
        receiver: Option<String>,
        /// All that were committed at this moment or later
        #[arg(long, value_name = "INSTANT", required_unless_present = "dead")]
        since: Option<String>,
        /// Dead letters only
        #[arg(long)]
        dead: bool,
        /// Where resources are kept [variable: ENDPLATE_STORE]
        #[arg(long, value_name = "URL")]
        store: Option<String>,
    },
    /// Write the profiles, codes, operations and parameters as a FHIR package
    Publish {
        /// Folder to write package.tgz and the folder package into; made if it is not there
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
    },
    /// Show what would change if every plan followed the protocol in force; with --move, do it
    Protocol {
        /// Move the plans
        #[arg(long = "move")]
        moves: bool,
        /// Where resources are kept [variable: ENDPLATE_STORE]
        #[arg(long, value_name = "URL")]
        store: Option<String>,
    },
    /// Copy the store into a new file while services use it; SQLite only
    Backup {
        /// The copy; it must not be there yet
        #[arg(long, value_name = "FILE")]
        to: PathBuf,
        /// Where resources are kept [variable: ENDPLATE_STORE]
        #[arg(long, value_name = "URL")]
        store: Option<String>,
    },
    /// Ask the service of this configuration, on this machine, whether it takes requests
    Ready(Overrides),
    /// Copy everything of one store into another, compare both, and go on where an earlier copy stopped
    Copy {
        /// The store to read; nobody may write it meanwhile
        #[arg(long, value_name = "URL")]
        from: String,
        /// An empty store, or one into which a copy was begun; made if it is not there
        #[arg(long, value_name = "URL")]
        to: String,
    },
    /// Check the audit trail, or print its end
    Audit {
        #[command(subcommand)]
        what: Audit,
    },
    /// Show how far hospital record servers were read and what was put aside, with the reasons
    Record {
        /// Have everything that was derived written to this record server, as after it was configured
        #[arg(long, value_name = "NAME")]
        send: Option<String>,
        /// Read this record server now
        #[arg(long, value_name = "NAME")]
        read: Option<String>,
        /// Where resources are kept [variable: ENDPLATE_STORE]
        #[arg(long, value_name = "URL")]
        store: Option<String>,
    },
    /// Print every setting in force and where it came from; secrets masked
    Config(Overrides),
}

#[derive(Subcommand)]
enum Audit {
    /// Walk along the chain of AuditEvents: OK with its end, or where it breaks and exit code 1
    Verify {
        /// A hash that was kept elsewhere and must be in the chain
        #[arg(long, value_name = "HASH")]
        head: Option<String>,
        /// Where resources are kept [variable: ENDPLATE_STORE]
        #[arg(long, value_name = "URL")]
        store: Option<String>,
    },
    /// Print number and hash of the last link, to be kept elsewhere
    Head {
        /// Where resources are kept [variable: ENDPLATE_STORE]
        #[arg(long, value_name = "URL")]
        store: Option<String>,
    },
}

/// Settings that have an option.
#[derive(Args, Default)]
struct Overrides {
    /// Address and port to listen on [variable: ENDPLATE_LISTEN]
    #[arg(long, value_name = "ADDRESS")]
    listen: Option<String>,
    /// Where resources are kept: sqlite:PATH, sqlite::memory: or postgres://… [variable: ENDPLATE_STORE]
    #[arg(long, value_name = "URL")]
    store: Option<String>,
    /// Allow listening beyond this machine without access control or without TLS [variable: ENDPLATE_UNPROTECTED]
    #[arg(long)]
    unprotected: bool,
}

impl Overrides {
    fn options(self) -> Vec<(&'static str, String)> {
        let unprotected = self.unprotected.then(|| "true".to_owned());
        [("listen", self.listen), ("store", self.store), ("unprotected", unprotected)]
            .into_iter()
            .filter_map(|(key, value)| Some((key, value?)))
            .collect()
    }
}

#[tokio::main]
async fn main() -> ExitCode {
    let done = match Cli::try_parse() {
        Ok(cli) => run(cli).await,
        Err(error) if matches!(error.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion) => {
            input::print(&error.to_string());
            Ok(())
        }
        Err(error) => Err(usage(&error)),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("endplate: {fault}");
            ExitCode::from(&fault)
        }
    }
}

async fn run(cli: Cli) -> Result<(), Fault> {
    let file = cli.config;
    match cli.command {
        Command::Serve(overrides) => serve::run(&config(overrides, file)?).await,
        Command::Demo { stay } => demo::run(&config(Overrides::default(), file)?, stay).await,
        Command::Plan { files, as_of } => {
            let config = config(Overrides::default(), file)?;
            input::print(&plan::run(&config, &files, as_of.as_deref()).await?);
            Ok(())
        }
        Command::Check { files } => {
            let findings = check::run(&config(Overrides::default(), file)?, &files).await?;
            input::print(&findings.lines);
            match findings.errors {
                0 => Ok(()),
                1 => Err(Fault::Input("1 error: change what the line above says".to_owned())),
                many => Err(Fault::Input(format!("{many} errors: change what the lines above say"))),
            }
        }
        Command::Sweep { as_of, store } => {
            let config = config(Overrides { store, ..Overrides::default() }, file)?;
            input::print(&sweep::run(&config, as_of.as_deref()).await?);
            Ok(())
        }
        Command::Outbox { dead, store } => {
            let config = config(Overrides { store, ..Overrides::default() }, file)?;
            input::print(&if dead { outbox::dead(&config).await? } else { outbox::list(&config).await? });
            Ok(())
        }
        Command::Replay { receiver, since, dead, store } => {
            let config = config(Overrides { store, ..Overrides::default() }, file)?;
            input::print(&outbox::replay(&config, receiver, since.as_deref(), dead).await?);
            Ok(())
        }
        Command::Publish { out } => {
            input::print(&publish::run(&out)?);
            Ok(())
        }
        Command::Protocol { moves, store } => {
            let config = config(Overrides { store, ..Overrides::default() }, file)?;
            input::print(&protocol::run(&config, moves).await?);
            Ok(())
        }
        Command::Backup { to, store } => {
            let config = config(Overrides { store, ..Overrides::default() }, file)?;
            input::print(&backup::run(&config, &to).await?);
            Ok(())
        }
        Command::Ready(overrides) => {
            input::print(&ready::run(&config(overrides, file)?).await?);
            Ok(())
        }
        Command::Copy { from, to } => {
            input::print(&copy::run(&from, &to).await?);
            Ok(())
        }
        Command::Audit { what } => {
            let told = match what {
                Audit::Verify { head, store } => {
                    let config = config(Overrides { store, ..Overrides::default() }, file)?;
                    audit::verify(&config, head.as_deref()).await?
                }
                Audit::Head { store } => {
                    audit::head(&config(Overrides { store, ..Overrides::default() }, file)?).await?
                }
            };
            input::print(&told);
            Ok(())
        }
        Command::Record { send, read, store } => {
            let config = config(Overrides { store, ..Overrides::default() }, file)?;
            input::print(&record::run(&config, &record::Orders { send, read }).await?);
            Ok(())
        }
        Command::Config(overrides) => {
            let layers = layers(overrides, file)?;
            input::print(&layers.listing());
            Config::new(&layers)?;
            Ok(())
        }
    }
}

fn layers(overrides: Overrides, file: Option<String>) -> Result<Layers, ConfigError> {
    Layers::read(&Sources::of_process(overrides.options(), file)?)
}

fn config(overrides: Overrides, file: Option<String>) -> Result<Config, ConfigError> {
    Config::new(&layers(overrides, file)?)
}

/// The first paragraph of what the parser says, as one line.
fn usage(error: &clap::Error) -> Fault {
    if error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        return Fault::Usage("a command is missing; endplate --help lists them".to_owned());
    }
    let text = error.to_string();
    let lines: Vec<&str> = text.lines().take_while(|line| !line.is_empty()).map(str::trim).collect();
    let line = lines.join(" ");
    Fault::Usage(format!("{}; see endplate --help", line.trim_start_matches("error: ")))
}
