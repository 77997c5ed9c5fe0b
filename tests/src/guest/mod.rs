//! Whole machines for proofs that need a kernel of their own: QEMU guests whose power can be cut, whose disk can lie
//! in any state a cut leaves behind, and whose USB cables can be pulled.
//!
//! Emulated without the host's virtualisation, which is not there everywhere. What the guests are made of comes from
//! the distribution's package sources and is kept between runs in the build folder.

pub mod archive;
pub mod crash_images;
pub mod disk;
pub mod gadget;
pub mod kernel;
pub mod machine;
pub mod power;
pub mod service;
pub mod share;
pub mod stick;
pub mod wire;

use std::path::Path;
use std::process::{Command, Output, Stdio};

/// Runs a program of the host to its end; stops the test where it fails.
#[track_caller]
pub fn run(program: &str, arguments: &[&str]) -> String {
    let output = output(program, arguments);
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    assert!(
        output.status.success(),
        "{program} {arguments:?}: {}\n{}{}",
        output.status,
        text(&output.stdout),
        text(&output.stderr)
    );
    text(&output.stdout)
}

/// Runs a program of the host to its end, whatever that is.
#[track_caller]
pub fn output(program: &str, arguments: &[&str]) -> Output {
    let ran = Command::new(program).args(arguments).stdin(Stdio::null()).env("LC_ALL", "C").output();
    ran.unwrap_or_else(|error| panic!("{program}: {error}; .ci/run names the packages that the guests need"))
}

/// A path as an argument.
pub fn text(path: &Path) -> &str {
    path.to_str().expect("a path of this build in UTF-8")
}
