//! An instrument that answers: a thread behind a pseudo-terminal that does something with what it is sent.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::{JoinHandle, sleep};
use std::time::Duration;

use crate::pty::Line;

/// An instrument at work.
#[derive(Debug)]
pub struct Answering {
    stop: Arc<AtomicBool>,
    heard: Arc<Mutex<Vec<u8>>>,
    thread: Option<JoinHandle<Line>>,
}

impl Answering {
    /// Lets `behave` do something whenever bytes came: it is given the line and all bytes that it has not taken yet, and
    /// says how many it takes.
    pub fn new(mut line: Line, mut behave: impl FnMut(&mut Line, &[u8]) -> usize + Send + 'static) -> Answering {
        let (stop, heard) = (Arc::<AtomicBool>::default(), Arc::<Mutex<Vec<u8>>>::default());
        let (ends, hears) = (Arc::clone(&stop), Arc::clone(&heard));
        let thread = std::thread::spawn(move || {
            let mut open = Vec::new();
            while !ends.load(Ordering::Relaxed) {
                let bytes = line.received();
                hears.lock().unwrap().extend_from_slice(&bytes);
                open.extend(bytes);
                let taken = if open.is_empty() { 0 } else { behave(&mut line, &open) };
                open.drain(..taken.min(open.len()));
                sleep(Duration::from_millis(2));
            }
            line
        });
        Answering { stop, heard, thread: Some(thread) }
    }

    /// Everything that was sent to the instrument.
    pub fn heard(&self) -> Vec<u8> {
        self.heard.lock().unwrap().clone()
    }

    /// Takes the line back.
    pub fn end(mut self) -> Line {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take().expect("a thread").join().expect("an instrument that went on to its end")
    }
}

impl Drop for Answering {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
