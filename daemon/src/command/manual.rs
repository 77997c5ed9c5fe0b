//! `ridgepost manual`: writes man pages and shell completions from the command line as it is, for the package.
//!
//! The written files are kept in `daemon/manual`, so that packaging needs no step before it; a test holds them
//! against what this writes.

use std::io;
use std::path::{Path, PathBuf};

use clap::{Args, Command, CommandFactory};
use clap_complete::Shell;

use super::out::Out;
use crate::exit::Exit;

/// Arguments of `manual`.
#[derive(Debug, Args)]
pub struct ManualArgs {
    /// The folder to write to; it is made
    dir: PathBuf,
}

/// Shells that get completions.
const SHELLS: [Shell; 3] = [Shell::Bash, Shell::Zsh, Shell::Fish];

/// Writes all files; 3 if one could not be written.
pub fn manual(args: &ManualArgs, out: &mut Out) -> Exit {
    match write(&args.dir) {
        Ok(()) => Exit::Done,
        Err(error) => {
            out.complain(&format!("the manual could not be written to {}: {error}", args.dir.display()));
            Exit::Unusable
        }
    }
}

fn write(dir: &Path) -> io::Result<()> {
    std::fs::create_dir_all(dir)?;
    clap_mangen::generate_to(super::Cli::command(), dir)?;
    for shell in SHELLS {
        clap_complete::generate_to(shell, &mut without_hidden(&super::Cli::command()), "ridgepost", dir)?;
    }
    Ok(())
}

/// What a shell may propose: the generators of completions do not leave out hidden commands by themselves.
fn without_hidden(whole: &Command) -> Command {
    Command::new("ridgepost")
        .version(env!("CARGO_PKG_VERSION"))
        .args(whole.get_arguments().cloned())
        .subcommands(whole.get_subcommands().filter(|command| !command.is_hide_set()).cloned())
}
