//! The `ridgepost` binary: reads the command line, does one command, ends with its status.

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    let cli = match ridgepost::command::Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            let _ = error.print();
            let usage = error.use_stderr();
            return if usage { ridgepost::exit::Exit::Usage } else { ridgepost::exit::Exit::Done }.into();
        }
    };
    cli.run().into()
}
