//! The command `headwalk-server`: its arguments, and what it does with them. Another program can
//! be a hub, too, by handing its arguments to [`main_with`].

use std::ffi::OsString;
use std::io::{self, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use headwalk_core::log::stamp::WallMs;
use tokio::net::TcpListener;

use crate::access::{Name, NotARole, Role};
use crate::edge::Edge;
use crate::enrol::{MOST_HOURS, USUAL_HOURS};
use crate::error::Error;
use crate::hub::{Hub, Issued};
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

#[derive(Debug, Subcommand)]
enum Command {
    /// Makes a one-time code while the hub is not running, and prints it.
    Code(CodeArgs),
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
        (None, Some(serve)) => run_hub(&serve, edge),
        (None, None) => unreachable!("clap asks for --folder where there is no command"),
    }
}

fn make_code(args: &CodeArgs, edge: Edge) -> Result<(), Error> {
    let made_for = Name::parse("--for", &args.made_for)?;
    let hub = Hub::open(&args.folder, edge)?;
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

fn run_hub(args: &Serve, edge: Edge) -> Result<(), Error> {
    let wire = match (&args.certificate, &args.key) {
        (Some(certificate), Some(key)) => Wire::tls(certificate, key)?,
        _ if args.listen.ip().is_loopback() || args.open_to_network => Wire::Clear,
        _ => return Err(Error::OpenToNetwork(args.listen)),
    };
    let yard = Yard::read(args.yard.as_deref()).map_err(|cause| Error::Yard {
        folder: args.yard.clone().unwrap_or_default(),
        cause,
    })?;
    let hub = hub_in(&args.folder, args.name.as_deref(), edge)?;
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

fn hub_in(folder: &Path, name: Option<&str>, edge: Edge) -> Result<Hub, Error> {
    const USUAL_NAME: &str = "Office";
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
