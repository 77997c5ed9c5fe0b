//! An instrument that types, without hardware: a FIFO that carries input events, and a library that answers in the kernel's
//! place what is asked of an input device.
//!
//! What it does not show: that nobody else gets the keys (`tests/guest/typist.rs` does), and the errors of a device that is
//! pulled out, which here is a FIFO whose writer goes.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::cell::Cell;

/// Codes of linux/input-event-codes.h.
pub const LEFT_SHIFT: u16 = 42;
/// The main enter key.
pub const ENTER: u16 = 28;

/// Keys of a US keyboard: plain, with shift, code. From linux/input-event-codes.h and the legends on such a keyboard, and not
/// from the program's own tables.
const KEYS: &[(&str, &str, u16)] = &[
    ("1234567890-=", "!@#$%^&*()_+", 2),
    ("qwertyuiop[]", "QWERTYUIOP{}", 16),
    ("asdfghjkl;'", "ASDFGHJKL:\"", 30),
    ("zxcvbnm,./", "ZXCVBNM<>?", 44),
    ("\r", "", ENTER),
    (" ", "", 57),
];

/// A device that types.
#[derive(Debug)]
pub struct Typist {
    path: PathBuf,
    taken: PathBuf,
    plugged: Option<File>,
}

/// The key of a character and whether it needs shift.
pub fn key(char: char) -> (u16, bool) {
    for (plain, shifted, first) in KEYS {
        for (row, is_shifted) in [(plain, false), (shifted, true)] {
            if let Some(at) = row.chars().position(|known| known == char) {
                return (first + at as u16, is_shifted);
            }
        }
    }
    panic!("{char:?} is on no key of the rig")
}

/// One event as the kernel writes it for programs of this machine.
pub fn event(kind: u16, code: u16, value: i32) -> Vec<u8> {
    let mut bytes = vec![0; 2 * size_of::<usize>()];
    bytes.extend(kind.to_ne_bytes());
    bytes.extend(code.to_ne_bytes());
    bytes.extend(value.to_ne_bytes());
    bytes
}

/// The events of a text, each key pressed, held as long as it takes to repeat twice, and released.
pub fn typed(text: &str) -> Vec<u8> {
    let mut events = Vec::new();
    let mut send = |code: u16, value: i32| events.extend([event(1, code, value), event(0, 0, 0)].concat());
    for char in text.chars() {
        let (code, is_shifted) = key(char);
        if is_shifted {
            send(LEFT_SHIFT, 1);
        }
        [1, 2, 2, 0].into_iter().for_each(|value| send(code, value));
        if is_shifted {
            send(LEFT_SHIFT, 0);
        }
    }
    events
}

impl Typist {
    /// A device at `path`, plugged in, for the programs of this cell.
    pub fn plugged_in(cell: &mut Cell, path: &Path) -> Typist {
        let (source, library) = (cell.path("typist.c"), cell.path("typist.so"));
        fs::write(&source, include_str!("typist.c")).unwrap();
        let mut compiler = Command::new("cc");
        compiler.args(["-shared", "-fPIC", "-o"]).arg(&library).arg(&source);
        assert!(compiler.status().unwrap().success());
        let taken = cell.path("taken");
        cell.set("LD_PRELOAD", &library.display().to_string());
        cell.set("RIG_TAKEN", &taken.display().to_string());
        let mut typist = Typist { path: path.to_owned(), taken, plugged: None };
        typist.plug();
        typist
    }

    /// Where it is found.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Has another program take it for itself, or let it go.
    pub fn is_taken(&self, taken: bool) {
        let changed = if taken { fs::write(&self.taken, "") } else { fs::remove_file(&self.taken) };
        changed.unwrap();
    }

    /// Plugs it in.
    pub fn plug(&mut self) {
        rustix::fs::mkfifoat(rustix::fs::CWD, &self.path, rustix::fs::Mode::from_raw_mode(0o600)).unwrap();
        self.plugged = Some(File::options().read(true).write(true).open(&self.path).unwrap());
    }

    /// Pulls it out.
    pub fn pull(&mut self) {
        fs::remove_file(&self.path).unwrap();
        self.plugged = None;
    }

    /// Sends events as they are.
    pub fn send(&mut self, events: &[u8]) {
        self.plugged.as_mut().expect("it is plugged in").write_all(events).unwrap();
    }

    /// Types a text.
    pub fn types(&mut self, text: &str) {
        self.send(&typed(text));
    }
}
