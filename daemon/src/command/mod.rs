//! The command line: what a person types, one file per command.

mod ask;
mod backup;
mod certificate;
mod check;
mod correct;
mod digest;
mod doctor;
mod expecting;
mod first_article;
mod gauge;
mod job;
mod label;
mod manual;
pub mod out;
mod outbox;
mod ports;
mod profile;
mod readings;
mod record;
mod replay;
mod series;
mod status;
mod trying;
mod verify;
mod why;

use std::path::PathBuf;
use std::sync::Arc;

use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Parser, Subcommand};
use ridgepost_parsers::LayoutName;

use crate::cell::Cell;
use crate::control::{Reply, Request};
use crate::exit::Exit;
use crate::store::{Severity, StoreFault, What};
use out::Out;

/// Captures what gauges say, judges it by the job, keeps the proof and passes it on.
#[derive(Debug, Parser)]
#[command(name = "ridgepost", version, about, long_about = LONG, after_help = AFTER, max_term_width = 100)]
pub struct Cli {
    /// The cell folder: cell.toml, gauges.toml, jobs/, instruments/
    #[arg(long, global = true, env = "RIDGEPOST_CELL", default_value = "/etc/ridgepost", value_name = "DIR")]
    cell: PathBuf,
    #[command(subcommand)]
    command: Command,
}

const LONG: &str = "Captures what gauges say, judges it by the job, keeps the proof and passes it on.\n\n\
    Ridgepost supports a trained person's decision; a conforming outcome is not a release.";

const AFTER: &str = "Exit status: 0 done, 1 the answer is no or faults were found, 2 wrong use, 3 the store or a file \
    could not be used.\n\nStart with: ridgepost demo";

#[derive(Debug, Subcommand)]
enum Command {
    /// Show a cell in miniature: virtual instruments, the real daemon, store and drops
    #[command(after_help = "Example: ridgepost demo --dir /tmp/demo --stay")]
    Demo(crate::demo::DemoArgs),
    /// Run the daemon in the foreground
    #[command(after_help = "Example: ridgepost run --cell /etc/ridgepost")]
    Run,
    /// Tell all faults of the configuration, and what unwritten defaults mean
    #[command(after_help = "Example: ridgepost check --cell ./my-cell")]
    Check(check::CheckArgs),
    /// Show stations, gauges, open job, outbox, disk and clock on one screen
    #[command(after_help = "Example: ridgepost status")]
    Status(JsonArgs),
    /// List serial devices with a stable name, who holds them, and the TOML for them
    #[command(after_help = "Example: ridgepost ports")]
    Ports(JsonArgs),
    /// Record what an instrument sends, with its timing, for `try`
    #[command(after_help = "Example: ridgepost record /dev/ttyUSB0 tester.rec --baud 9600 --parity even --data-bits 7")]
    Record(record::RecordArgs),
    /// Decode bytes with an instrument definition and say what each frame is
    #[command(after_help = "Example: ridgepost try instruments/my-tester.toml captured.bin")]
    Try(trying::TryArgs),
    /// Evaluate a measured trace
    #[command(after_help = "Example: ridgepost profile trace.csv --spacing \"0.5 µm\" --plot trace.svg")]
    Profile(profile::ProfileArgs),
    /// Open, close or show the job, or end a piece
    #[command(after_help = "Example: ridgepost job open WO-48213")]
    Job(job::JobArgs),
    /// Hold a gauge against a specimen: its next readings are of that
    #[command(after_help = "Example: ridgepost verify RT-07 --by \"M. Okafor\"")]
    Verify(verify::VerifyArgs),
    /// Show a gauge, what happened to it, and what it measured since it was last good
    #[command(after_help = "Example: ridgepost gauge RT-07 --measured --csv")]
    Gauge(gauge::GaugeArgs),
    /// Read a digital calibration certificate of a specimen, as an entry of gauges.toml
    #[command(after_help = "Example: ridgepost certificate cert.xml --specimen SP-2 --due 2027-06-30 >> gauges.toml")]
    Certificate(certificate::CertificateArgs),
    /// Declare readings void: they count for nothing, and stay to be seen
    #[command(after_help = "Example: ridgepost void 1042 --by \"M. Okafor\" --reason \"dirt on the land\"")]
    Void(correct::VoidArgs),
    /// Say which piece, job or characteristic readings are of, and judge them by it
    #[command(
        after_help = "Example: ridgepost assign 1042..1101 --job WO-48214 --by \"M. Okafor\" --reason \"job left open\""
    )]
    Assign(correct::AssignArgs),
    /// Write down what becomes of a part that does not conform
    #[command(
        after_help = "Example: ridgepost dispose 1044 --as rework --by \"M. Okafor\" --reason \"grind again, hold tag 17\""
    )]
    Dispose(correct::DisposeArgs),
    /// Type a label in place of a scanner
    #[command(after_help = "Example: ridgepost label SN-000117")]
    Label(label::LabelArgs),
    /// Ask the instrument of a station for a measurement, through the running daemon
    #[command(after_help = "Example: ridgepost ask indicator")]
    Ask(ask::AskArgs),
    /// Read stored bytes again with today's definitions, and add what comes out otherwise
    #[command(after_help = "Example: ridgepost replay --station tester-a --since 2d")]
    Replay(replay::ReplayArgs),
    /// Query the store
    #[command(after_help = "Example: ridgepost readings --serial A-77/01 --json")]
    Readings(readings::ReadingsArgs),
    /// Tell what the readings of a quantity say together: control charts, capability, studies of a gauge
    #[command(after_help = "Example: ridgepost series --quantity Ra --job WO-48213 --chart individuals")]
    Series(series::SeriesArgs),
    /// Tell of each characteristic of a piece what was required and measured, as a first article's report asks it
    #[command(after_help = "Example: ridgepost first-article --serial A-77/01 --csv")]
    FirstArticle(first_article::FirstArticleArgs),
    /// Tell everything one result rests on
    #[command(after_help = "Example: ridgepost why 1042")]
    Why(why::WhyArgs),
    /// Tell what happened on one day: pieces, readings, rejects, gaps, what is not delivered
    #[command(after_help = "Example: ridgepost digest --date 2026-11-24")]
    Digest(digest::DigestArgs),
    /// Look at store, disk, permissions, clock and drops
    #[command(after_help = "Example: ridgepost doctor --thorough")]
    Doctor(doctor::DoctorArgs),
    /// Make a consistent copy of the store while the daemon runs
    #[command(after_help = "Example: ridgepost backup /srv/backup/grind-2.db")]
    Backup(backup::BackupArgs),
    /// Carry files to a share, for the daemon
    #[command(hide = true, name = crate::deliver::porter::COMMAND)]
    Carry,
    /// Fetch files from a share, for the daemon
    #[command(hide = true, name = crate::capture::reach::COMMAND)]
    Fetch,
    /// Write man pages and shell completions, for the package
    #[command(hide = true)]
    Manual(manual::ManualArgs),
    /// Show deliveries that wait or are parked, and send again
    #[command(after_help = "Example: ridgepost outbox again 1000..1042")]
    Outbox(outbox::OutboxArgs),
}

/// A command that only knows how to print.
#[derive(Debug, clap::Args)]
pub struct JsonArgs {
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

impl Cli {
    /// Does the command and says how it ended.
    pub fn run(self) -> Exit {
        crate::watch::journal::start();
        let mut out = Out::new();
        let exit = match &self.command {
            Command::Demo(args) => crate::demo::demo(args, &mut out),
            Command::Carry => match crate::deliver::porter::carry() {
                Ok(()) => Exit::Done,
                Err(_) => Exit::Unusable,
            },
            Command::Fetch => match crate::capture::reach::fetch() {
                Ok(()) => Exit::Done,
                Err(_) => Exit::Unusable,
            },
            Command::Manual(args) => manual::manual(args, &mut out),
            Command::Run => self.daemon(&mut out),
            Command::Check(args) => check::check(&self.cell, args, &mut out),
            Command::Status(args) => self.with_cell(&mut out, |cell, out| status::status(&cell, args.json, out)),
            Command::Ports(args) => ports::ports(args.json, &mut out),
            Command::Record(args) => record::record(&self.cell, args, &mut out),
            Command::Try(args) => trying::examine_file(args, &mut out),
            Command::Profile(args) => profile::profile(args, &mut out),
            Command::Job(args) => self.with_cell(&mut out, |cell, out| job::job(&cell, args, out)),
            Command::Verify(args) => self.with_cell(&mut out, |cell, out| verify::verify(&cell, args, out)),
            Command::Gauge(args) => self.with_cell(&mut out, |cell, out| gauge::gauge(&cell, args, out)),
            Command::Certificate(args) => certificate::certificate(args, &mut out),
            Command::Void(args) => self.with_cell(&mut out, |cell, out| correct::void(&cell, args, out)),
            Command::Assign(args) => self.with_cell(&mut out, |cell, out| correct::assign(&cell, args, out)),
            Command::Dispose(args) => self.with_cell(&mut out, |cell, out| correct::dispose(&cell, args, out)),
            Command::Label(args) => self.with_cell(&mut out, |cell, out| label::label(&cell, args, out)),
            Command::Replay(args) => self.with_cell(&mut out, |cell, out| replay::replay(&cell, args, out)),
            Command::Readings(args) => self.with_cell(&mut out, |cell, out| readings::readings(&cell, args, out)),
            Command::Series(args) => self.with_cell(&mut out, |cell, out| series::series(&cell, args, out)),
            Command::FirstArticle(args) => {
                self.with_cell(&mut out, |cell, out| first_article::first_article(&cell, args, out))
            }
            Command::Why(args) => self.with_cell(&mut out, |cell, out| why::why(&cell, args, out)),
            Command::Ask(args) => self.with_cell(&mut out, |cell, out| ask::ask(&cell, args, out)),
            Command::Digest(args) => self.with_cell(&mut out, |cell, out| digest::digest(&cell, args, out)),
            Command::Doctor(args) => self.with_cell(&mut out, |cell, out| doctor::doctor(&cell, args, out)),
            Command::Backup(args) => self.with_cell(&mut out, |cell, out| backup::backup(&cell, args, out)),
            Command::Outbox(args) => self.with_cell(&mut out, |cell, out| outbox::outbox(&cell, args, out)),
        };
        out.end(exit)
    }

    fn daemon(&self, out: &mut Out) -> Exit {
        let run = |cell: Cell, out: &mut Out| match crate::run::run(cell) {
            Ok(()) => Exit::Done,
            Err(fault) => {
                // What is left behind is in the log already, by its code.
                if fault.exit() != Exit::LeftBehind {
                    out.complain(&fault.to_string());
                }
                fault.exit()
            }
        };
        match Cell::load(&self.cell).or_else(|faults| crate::run::last_good_of_service(&self.cell, &faults).ok_or(())) {
            Ok(cell) => run(cell, out),
            Err(()) => self.with_cell(out, run),
        }
    }

    /// Commands work with whatever of the configuration is faultless; without a usable cell.toml there is nothing
    /// to go by.
    fn with_cell(&self, out: &mut Out, work: impl FnOnce(Cell, &mut Out) -> Exit) -> Exit {
        let faults = match Cell::load(&self.cell) {
            Ok(cell) => return work(cell, out),
            Err(faults) => faults,
        };
        for fault in &faults {
            out.complain(&fault.to_string());
        }
        let file = self.cell.join("cell.toml");
        out.complain(&format!(
            "{} can't be used; name the cell folder with --cell DIR or RIDGEPOST_CELL, and see `ridgepost check`",
            file.display()
        ));
        Exit::Unusable
    }
}

/// Names of keyboard layouts, as arguments.
fn layouts() -> impl TypedValueParser<Value = LayoutName> {
    let names = PossibleValuesParser::new(LayoutName::ALL.map(LayoutName::word));
    names.try_map(|word| LayoutName::parse(&word).ok_or("no layout of this program"))
}

/// Tells why a store can't be read.
fn store_unusable(cell: &Cell, fault: &StoreFault, out: &mut Out) -> Exit {
    let hint = match fault.severity() {
        Severity::Damaged => {
            "; a start of the daemon puts a damaged store aside and begins a new one, `ridgepost doctor` looks closer"
        }
        _ => "",
    };
    out.complain(&format!("the store {} can't be read: {fault}{hint}", cell.plan.store.display()));
    Exit::Unusable
}

/// Changes something in the store: through the running daemon, else with the writer's lock in hand.
fn write(cell: &Cell, request: Request, what: What, out: &mut Out) -> Result<serde_json::Value, Exit> {
    let reply = match crate::run::running(&cell.plan.store) {
        Some(socket) => ask_daemon(&socket, &request, out)?,
        None => write_alone(cell, what, out)?,
    };
    said(reply, out)
}

fn ask_daemon(socket: &std::path::Path, request: &Request, out: &mut Out) -> Result<Reply, Exit> {
    crate::control::ask(socket, request).map_err(|error| {
        out.complain(&format!("the daemon does not answer on {}: {error}", socket.display()));
        Exit::Unusable
    })
}

/// What was done, or why nothing was.
fn said(reply: Reply, out: &mut Out) -> Result<serde_json::Value, Exit> {
    match reply {
        Reply::Done(said) => Ok(said),
        Reply::Refused(why) => {
            out.complain(&why);
            Err(Exit::No)
        }
        Reply::Failed(why) => {
            out.complain(&format!("the store could not be written: {why}"));
            Err(Exit::Unusable)
        }
    }
}

fn write_alone(cell: &Cell, what: What, out: &mut Out) -> Result<Reply, Exit> {
    let _lock = lock(cell, out)?;
    Ok(crate::run::to_reply(crate::store::writer::once(Arc::new(cell.clone()), what)))
}

/// Takes the writer's lock.
fn lock(cell: &Cell, out: &mut Out) -> Result<crate::store::Lock, Exit> {
    if let Some(folder) = cell.plan.store.parent() {
        let _ = std::fs::create_dir_all(folder);
    }
    crate::store::Lock::take(&cell.plan.store, None).map_err(|fault| {
        out.complain(&fault.to_string());
        Exit::Unusable
    })
}
