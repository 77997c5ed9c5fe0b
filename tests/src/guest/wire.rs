//! The host's end of a guest's serial line: an instrument that numbers what it says and never waits for the guest.

use std::io::{ErrorKind, Write};
use std::os::unix::net::UnixStream;

/// A line that an instrument talks into.
#[derive(Debug)]
pub struct Wire {
    stream: UnixStream,
    unsent: Vec<u8>,
}

impl Wire {
    /// Talks into a socket that the machine serves.
    pub fn new(stream: UnixStream) -> Wire {
        stream.set_nonblocking(true).unwrap();
        Wire { stream, unsent: vec![] }
    }

    /// Says something, unless the guest has not taken yet what was said before. Whether it was said.
    pub fn say(&mut self, bytes: &[u8]) -> bool {
        if !self.go_on() {
            return false;
        }
        self.unsent = bytes.to_vec();
        self.go_on();
        true
    }

    /// Sends what is left of the last message; whether all of it is sent.
    pub fn go_on(&mut self) -> bool {
        while !self.unsent.is_empty() {
            match self.stream.write(&self.unsent) {
                Ok(count) => drop(self.unsent.drain(..count)),
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(_) => return false,
            }
        }
        true
    }
}
