//! The command `headwalk-server`: its arguments, and what it does with them. Another program can
//! be a hub, too, by handing its arguments to [`main_with`].

use std::ffi::OsString;
use std::io::{self, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::str::FromStr;
use std::sync::Arc;

use clap::{Parser, Subcommand};
use headwalk_core::log::stamp::WallMs;
use tokio::net::TcpListener;

use crate::access::{Name, NotARole, Role};
use crate::edge::Edge;
use crate::enrol::{MOST_HOURS, USUAL_HOURS};
use crate::error::Error;
use crate::hub::{Hub, Issued};
use crate::hub_log::jetstream::{Access, Address, JetStreamLog, NotAnAddress};
use crate::hub_log::{HubLog, LogId};
use crate::moving;
use crate::pages::yard::Yard;
use crate::serve::{self, Limits};
use crate::tls::Wire;

/// What stands before the first code on standard output; a space and its validity follow it.
pub const FIRST_CODE: &str = "first dispatcher code: ";
/// What the line of the address begins with, without TLS and with it; the line is the address and
/// nothing else.
pub const ADDRESS: [&str; 2] = ["http://", "https://"];

/// The hub that reconciles the crews' devices.
///
/// Keeps its files in one folder, which it makes at the first start; then it prints a one-time code
/// that makes the first device a dispatcher's. Once it listens it prints its address.
///
/// On anything but this machine, give it a certificate: without one, tokens and records pass in the
/// clear, so it listens on this machine only unless --open-to-network is said.
#[derive(Debug, Parser)]
#[command(
    name = "headwalk-server",
    version,
    max_term_width = 100,
    args_conflicts_with_subcommands = true,
    subcommand_negates_reqs = true,
    disable_help_subcommand = true,
    arg_required_else_help = true,
    after_help = "HEADWALK_NOW sets the clock from which time goes on.\n\
                  Exit codes: 0 done, 1 the work failed, 2 the input was wrong."
)]
pub struct Args {
    #[command(flatten)]
    serve: Option<Serve>,
    #[command(flatten)]
    shared: Box<SharedLog>,
    #[command(subcommand)]
    command: Option<Command>,
}

/// How to serve.
#[derive(Debug, clap::Args)]
struct Serve {
    /// The folder that holds the hub's files.
    #[arg(long, value_name = "DIR", required = true)]
    folder: PathBuf,
    /// The address to listen on; port 0 takes any that is free.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:0")]
    listen: SocketAddr,
    /// What devices call this hub; asked for once and kept.
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// The hub's certificate in PEM, with those that vouch for it after it: speak TLS.
    #[arg(long, value_name = "FILE", requires = "key")]
    certificate: Option<PathBuf>,
    /// The key of the certificate, in PEM.
    #[arg(long, value_name = "FILE", requires = "certificate")]
    key: Option<PathBuf>,
    /// Listen where others than this machine can reach it, though nothing is encrypted.
    #[arg(long)]
    open_to_network: bool,
    /// The folder of the yard page, which sync-server/yard/build.sh makes; else `yard` beside this
    /// program.
    #[arg(long, value_name = "DIR")]
    yard: Option<PathBuf>,
    /// End when standard input does: for a program that starts the hub as its child.
    #[arg(long)]
    until_input_ends: bool,
}

/// The log that the hubs of a fleet share: NATS JetStream, 2.12 or later.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "A fleet's log")]
struct SharedLog {
    /// The log that this hub shares with others: nats://HOST:PORT,.../NAME on this machine, else
    /// tls://HOST:PORT,.../NAME. What is worked out from it lies in the folder's fleet-*.redb, which may
    /// be thrown away while the hub rests.
    #[arg(long, value_name = "URL")]
    log: Option<Address>,
    #[command(flatten)]
    engine: Engine,
}

/// How the engine is reached.
#[derive(Debug, clap::Args)]
struct Engine {
    /// The monitoring addresses of the engine's nodes, http://HOST:PORT, with commas between: each is
    /// asked whether it writes to disk before it acknowledges.
    #[arg(long, value_name = "URLS", value_delimiter = ',')]
    log_monitor: Vec<String>,
    /// On how many nodes every record stands.
    #[arg(long, value_name = "NODES", default_value_t = 3, value_parser = copies)]
    log_replicas: usize,
    /// A file with the hub's credentials for the engine.
    #[arg(long, value_name = "FILE")]
    log_credentials: Option<PathBuf>,
    /// A file with the seed of the hub's nkey for the engine.
    #[arg(long, value_name = "FILE", conflicts_with = "log_credentials")]
    log_nkey: Option<PathBuf>,
    /// Who vouches for the engine beside the ordinary roots, in PEM.
    #[arg(long, value_name = "FILE")]
    log_authority: Option<PathBuf>,
    /// The hub's own certificate for the engine, in PEM.
    #[arg(long, value_name = "FILE", requires = "log_key")]
    log_certificate: Option<PathBuf>,
    /// The key of that certificate, in PEM.
    #[arg(long, value_name = "FILE", requires = "log_certificate")]
    log_key: Option<PathBuf>,
}

impl Engine {
    fn open(&self, address: &Address, new: LogId) -> Result<Arc<dyn HubLog>, Error> {
        let certificate = self.log_certificate.clone().zip(self.log_key.clone());
        let access = Access {
            address: address.clone(),
            credentials: self.log_credentials.clone(),
            nkey: self.log_nkey.clone(),
            authority: self.log_authority.clone(),
            certificate,
            monitors: self.log_monitor.clone(),
            replicas: self.log_replicas,
        };
        Ok(Arc::new(JetStreamLog::open(
            &access,
            new,
            Edge::of_environment()?,
        )?))
    }

    fn open_or_begin(&self, address: &Address, edge: &Edge) -> Result<Arc<dyn HubLog>, Error> {
        self.open(address, LogId::fresh(edge.now().get(), edge.chance()?))
    }
}

fn copies(text: &str) -> Result<usize, String> {
    match text.parse() {
        Ok(copies @ (1 | 3 | 5)) => Ok(copies),
        _ => Err("1, 3 or 5 can be had; with 1 a lost disk is a lost log".to_owned()),
    }
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Makes a one-time code while the hub is not running, and prints it.
    Code(CodeArgs),
    /// Moves a hub's log into a fleet's, or back, while no hub uses either.
    ///
    /// Goes on where it was broken off. At the end everything is read back, and the ends of all
    /// chains are compared; devices notice nothing.
    Move(Box<MoveArgs>),
}

#[derive(Debug, clap::Args)]
struct MoveArgs {
    /// Where it is: redb:DIR for a hub's folder, or a fleet's log as --log takes it.
    #[arg(long, value_name = "PLACE")]
    from: LogPlace,
    /// Where it is to be: the other of the two.
    #[arg(long, value_name = "PLACE")]
    to: LogPlace,
    #[command(flatten)]
    engine: Engine,
}

/// Where a log is.
#[derive(Debug, Clone)]
enum LogPlace {
    Folder(PathBuf),
    Shared(Address, String),
}

impl FromStr for LogPlace {
    type Err = NotAnAddress;

    fn from_str(text: &str) -> Result<Self, NotAnAddress> {
        match text.strip_prefix("redb:") {
            Some(folder) => Ok(Self::Folder(folder.into())),
            None => Ok(Self::Shared(text.parse()?, text.to_owned())),
        }
    }
}

#[derive(Debug, clap::Args)]
struct CodeArgs {
    /// The folder that holds the hub's files.
    #[arg(long, value_name = "DIR")]
    folder: PathBuf,
    /// What the device may do: crew, dispatcher or auditor.
    #[arg(long, value_parser = role)]
    role: Role,
    /// Whom the code is for.
    #[arg(long = "for", value_name = "NAME")]
    made_for: String,
    /// How long the code works, in hours.
    #[arg(
        long,
        value_name = "HOURS",
        default_value_t = USUAL_HOURS,
        value_parser = clap::value_parser!(u32).range(1..=i64::from(MOST_HOURS))
    )]
    valid_hours: u32,
    #[command(flatten)]
    shared: Box<SharedLog>,
}

fn role(word: &str) -> Result<Role, NotARole> {
    word.parse()
}

/// Parses these arguments, the first of which names the program, and does what they say; prints
/// what went wrong, and returns 0, 1 where the work failed, or 2 where the input was wrong.
pub fn main_with(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let args = match Args::try_parse_from(args) {
        Ok(args) => args,
        Err(error) => {
            // Where even this cannot be printed, the exit code still says it.
            let _unprinted = error.print();
            return ExitCode::from(u8::try_from(error.exit_code()).unwrap_or(2));
        }
    };
    match run(args) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let told = format!("Error: {error}.\nHint: {}\n", error.hint());
            let _unprinted = io::stderr().write_all(told.as_bytes());
            ExitCode::from(if error.is_input() { 2 } else { 1 })
        }
    }
}

/// Does what the arguments say; a hub runs until it is told to end.
///
/// # Errors
/// [`Error`] where the input is wrong or the work failed.
pub fn run(args: Args) -> Result<(), Error> {
    let edge = Edge::of_environment()?;
    match (args.command, args.serve) {
        (Some(Command::Code(code)), _) => make_code(&code, edge),
        (Some(Command::Move(args)), _) => move_log(&args, &edge),
        (None, Some(serve)) => run_hub(&serve, &args.shared, edge),
        (None, None) => unreachable!("clap asks for --folder where there is no command"),
    }
}

fn make_code(args: &CodeArgs, edge: Edge) -> Result<(), Error> {
    let made_for = Name::parse("--for", &args.made_for)?;
    let hub = match &args.shared.log {
        Some(_) => hub_beside(&args.folder, &args.shared, None, edge)?,
        None => Hub::open(&args.folder, edge)?,
    };
    let issued = hub.issue(args.role, made_for, args.valid_hours)?;
    print(&format!("{}\n", issued.code))?;
    let about = format!(
        "For {} ({}). Works once, until {}; it is not shown again.\n",
        issued.grant.made_for,
        issued.grant.role,
        until(issued.grant.expires)
    );
    io::stderr()
        .write_all(about.as_bytes())
        .map_err(Error::Machine)
}

fn move_log(args: &MoveArgs, edge: &Edge) -> Result<(), Error> {
    let moved = match (&args.from, &args.to) {
        (LogPlace::Folder(folder), LogPlace::Shared(address, text)) => {
            let log = args.engine.open(address, moving::log_of(folder)?)?;
            moving::to_fleet(folder, log.as_ref(), text, edge)?
        }
        (LogPlace::Shared(address, _), LogPlace::Folder(folder)) => {
            let log = args.engine.open_or_begin(address, edge)?;
            let name = Name::parse("the usual name", USUAL_NAME)?;
            moving::to_folder(log.as_ref(), folder, &name, edge)?
        }
        _ => {
            let why = "a log moves from a folder (redb:DIR) to a fleet's log, or back".to_owned();
            return Err(Error::NotMoved(why));
        }
    };
    print(&format!(
        "{} entries stand there, {} of them from an earlier try; the ends of {} chains are the same.\n",
        moved.entries, moved.before, moved.chains
    ))
}

fn run_hub(args: &Serve, shared: &SharedLog, edge: Edge) -> Result<(), Error> {
    let wire = match (&args.certificate, &args.key) {
        (Some(certificate), Some(key)) => Wire::tls(certificate, key)?,
        _ if args.listen.ip().is_loopback() || args.open_to_network => Wire::Clear,
        _ => return Err(Error::OpenToNetwork(args.listen)),
    };
    let yard = Yard::read(args.yard.as_deref()).map_err(|cause| Error::Yard {
        folder: args.yard.clone().unwrap_or_default(),
        cause,
    })?;
    let name = args.name.as_deref();
    let hub = match &shared.log {
        Some(_) => hub_beside(&args.folder, shared, name, edge)?,
        None => hub_in(&args.folder, name, edge)?,
    };
    let first_code = hub.first_code()?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(Error::Machine)?;
    runtime.block_on(async {
        let listener = TcpListener::bind(args.listen).await;
        let listener = listener.map_err(|cause| Error::Listen {
            address: args.listen,
            cause,
        })?;
        let ending = ending(args.until_input_ends)?;
        if let Some(Issued { code, grant }) = first_code {
            let until = until(grant.expires);
            print(&format!("{FIRST_CODE}{code} (works once, until {until})\n"))?;
        }
        let address = listener.local_addr().map_err(Error::Machine)?;
        print(&format!("{}{address}\n", wire.scheme()))?;
        serve::run_with(listener, wire, hub, Limits::USUAL, &yard, ending).await
    })
}

/// What a hub is called where nobody named it.
const USUAL_NAME: &str = "Office";

fn hub_beside(
    folder: &Path,
    shared: &SharedLog,
    name: Option<&str>,
    edge: Edge,
) -> Result<Hub, Error> {
    let name = name.map(|name| Name::parse("--name", name)).transpose()?;
    let address = shared.log.as_ref().expect("it was asked for");
    let log = shared.engine.open_or_begin(address, &edge)?;
    let usual = Name::parse("the usual name", USUAL_NAME)?;
    let hub = Hub::beside(folder, log, &usual, edge)?;
    hub.catch_up()?;
    if let Some(name) = name.filter(|name| hub.name().ok().as_ref() != Some(name)) {
        hub.rename(&name)?;
    }
    Ok(hub)
}

fn hub_in(folder: &Path, name: Option<&str>, edge: Edge) -> Result<Hub, Error> {
    let name = name.map(|name| Name::parse("--name", name)).transpose()?;
    match Hub::open(folder, edge.clone()) {
        Err(Error::NoHub(_)) => {
            let usual = || Name::parse("the usual name", USUAL_NAME);
            Hub::create(folder, &name.map_or_else(usual, Ok)?, edge)
        }
        Ok(hub) => {
            if let Some(name) = name {
                hub.rename(&name)?;
            }
            Ok(hub)
        }
        Err(other) => Err(other),
    }
}

/// Returns what is done when the machine, the keyboard or the parent says that the hub must end.
fn ending(until_input_ends: bool) -> Result<impl Future<Output = ()>, Error> {
    let (ended, input) = tokio::sync::oneshot::channel();
    if until_input_ends {
        let read_to_the_end = move || {
            // An input that cannot be read has ended as well.
            let _ended_or_failed = io::copy(&mut io::stdin().lock(), &mut io::sink());
            let _hub_ended_first = ended.send(());
        };
        std::thread::Builder::new()
            .name("input".to_owned())
            .spawn(read_to_the_end)
            .map_err(Error::Machine)?;
    } else {
        std::mem::forget(ended); // never sent, and never dropped: the input says nothing
    }
    let signal = signal()?;
    Ok(async {
        tokio::select! {
            () = signal => {}
            _ = input => {}
        }
    })
}

#[cfg(unix)]
fn signal() -> Result<impl Future<Output = ()>, Error> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate()).map_err(Error::Machine)?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(Error::Machine)?;
    Ok(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    })
}

#[cfg(not(unix))]
fn signal() -> Result<impl Future<Output = ()>, Error> {
    Ok(async {
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await; // no signals here: the hub ends with its machine
        }
    })
}

/// Prints at once, also into a pipe.
fn print(text: &str) -> Result<(), Error> {
    let mut out = io::stdout().lock();
    let printed = out.write_all(text.as_bytes()).and_then(|()| out.flush());
    printed.map_err(Error::Machine)
}

fn until(moment: WallMs) -> String {
    moment.at_offset(0).format("%Y-%m-%d %H:%M UTC").to_string()
}
