//! Devices that can only be read by blocking: threads move their bytes, channels carry them to whoever waits.
//!
//! What came is handed on in its order, and an error stands behind everything that came before it. The threads own the
//! device; it is closed when the last of them ends, never on the thread that everything else runs on.

use std::io::{self, ErrorKind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, mpsc as words};
use std::task::{Context, Poll};
use std::thread;
use std::time::Duration;

use tokio::sync::mpsc;
use tokio::time::timeout;

/// How long one look at the device may take at most, where nothing comes; also how soon it is let go of.
pub(super) const LOOK: Duration = Duration::from_millis(200);
/// How long a device may take to close.
const CLOSES_WITHIN: Duration = Duration::from_secs(2);
/// Reads that wait to be taken; then reading pauses, and the device keeps what it has.
const READS_WAITING: usize = 64;

/// A device, as these threads use it. Both ways may be used at the same time.
pub(super) trait Pipe: Send + Sync + 'static {
    /// Bytes to read at once. A read takes all of them or none, so that an error can't take bytes with it.
    fn unit(&self) -> usize;
    /// Reads what is there, or waits for it as long as [`LOOK`]. 0: nothing came, and the device is there still.
    fn read(&self, buffer: &mut [u8]) -> io::Result<usize>;
    /// Writes some of `bytes`; 0 is an error.
    fn write(&self, bytes: &[u8]) -> io::Result<usize>;
    /// Whether it may be read only after it was asked, up to the end of its answer.
    fn in_turns(&self) -> bool {
        false
    }
    /// Of a device that is read in turns: whether `bytes` ask for an answer.
    fn asks(&self, _bytes: &[u8]) -> bool {
        true
    }
}

type Heard = io::Result<Vec<u8>>;

/// The threads of one open device.
#[derive(Debug)]
pub struct Pump {
    heard: mpsc::Receiver<Heard>,
    /// What was heard and not yet taken.
    rest: Vec<u8>,
    say: words::Sender<Vec<u8>>,
    stop: Stop,
    /// Ends when the device is closed.
    open: mpsc::Receiver<()>,
}

/// Tells the threads to end, at the latest when nobody has the device any more.
#[derive(Debug)]
struct Stop(Arc<AtomicBool>);

impl Stop {
    fn tell(&self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

impl Drop for Stop {
    fn drop(&mut self) {
        self.tell();
    }
}

/// What a thread holds. The device is let go of first, and that is told last.
struct Side<P> {
    pipe: Arc<P>,
    tell: mpsc::Sender<Heard>,
    stop: Arc<AtomicBool>,
    _open: mpsc::Sender<()>,
}

impl Pump {
    /// Begins to read an open device.
    pub(super) fn begin<P: Pipe>(pipe: P) -> io::Result<Pump> {
        let (tell, heard) = mpsc::channel(READS_WAITING);
        let (say, said) = words::channel();
        let (opened, open) = mpsc::channel(1);
        let stop = Arc::new(AtomicBool::new(false));
        let side = Side { pipe: Arc::new(pipe), tell, stop: Arc::clone(&stop), _open: opened };
        let named = |name: &str| thread::Builder::new().name(name.to_owned());
        if side.pipe.in_turns() {
            named("device").spawn(move || side.converse(&said))?;
        } else {
            let other = Side {
                pipe: Arc::clone(&side.pipe),
                tell: side.tell.clone(),
                stop: Arc::clone(&stop),
                _open: side._open.clone(),
            };
            named("device in").spawn(move || side.listen())?;
            named("device out").spawn(move || other.speak(&said))?;
        }
        Ok(Pump { heard, rest: Vec::new(), say, stop: Stop(stop), open })
    }

    /// Reading ends soon; what was read until then can be taken still, and behind it comes a hang-up.
    pub(super) fn quiet(&self) {
        self.stop.tell();
    }

    /// Lets go of the device. What was said before is written, unless the device does not take it.
    pub(super) async fn close(self) {
        self.quiet();
        let Pump { heard, say, mut open, .. } = self;
        drop((heard, say));
        let _ = timeout(CLOSES_WITHIN, open.recv()).await;
    }

    pub(super) fn poll_read(&mut self, context: &mut Context<'_>, buffer: &mut [u8]) -> Poll<io::Result<usize>> {
        if self.rest.is_empty() {
            match self.heard.poll_recv(context) {
                Poll::Ready(Some(Ok(bytes))) => self.rest = bytes,
                Poll::Ready(Some(Err(error))) => return Poll::Ready(Err(error)),
                Poll::Ready(None) => return Poll::Ready(Ok(0)),
                Poll::Pending => return Poll::Pending,
            }
        }
        let count = self.rest.len().min(buffer.len());
        buffer[..count].copy_from_slice(&self.rest[..count]);
        self.rest.drain(..count);
        Poll::Ready(Ok(count))
    }

    /// Whether they could be written is told behind what is read.
    pub(super) fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.say.send(bytes.to_vec()).map(|()| bytes.len()).map_err(|_| ErrorKind::BrokenPipe.into())
    }
}

impl<P: Pipe> Side<P> {
    /// Hands on what comes, until an error or the end.
    fn listen(self) {
        let mut buffer = vec![0; self.pipe.unit()];
        while !self.stop.load(Ordering::Relaxed) {
            if !self.look(&mut buffer, |_| {}) {
                return;
            }
        }
        let _ = self.tell.blocking_send(Ok(Vec::new()));
    }

    /// One look at the device; false where it is over. `count` is told how many bytes came.
    fn look(&self, buffer: &mut [u8], count: impl FnOnce(usize)) -> bool {
        let heard = match self.pipe.read(buffer) {
            Ok(0) => {
                count(0);
                return true;
            }
            Ok(read) => {
                count(read);
                Ok(buffer[..read].to_vec())
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => return true,
            Err(error) => Err(error),
        };
        let is_over = heard.is_err();
        self.tell.blocking_send(heard).is_ok() && !is_over
    }

    /// Writes what is said, until nobody can say anything any more.
    fn speak(self, said: &words::Receiver<Vec<u8>>) {
        while let Ok(bytes) = said.recv() {
            if !self.say(&bytes) {
                return;
            }
        }
    }

    /// Writes all of it; false where the device does not take it.
    fn say(&self, bytes: &[u8]) -> bool {
        let mut rest = bytes;
        while !rest.is_empty() {
            match self.pipe.write(rest) {
                Ok(0) => {
                    let _ = self.tell.blocking_send(Err(ErrorKind::WriteZero.into()));
                    return false;
                }
                Ok(count) => rest = &rest[count.min(rest.len())..],
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => {
                    let _ = self.tell.blocking_send(Err(error));
                    return false;
                }
            }
        }
        true
    }

    /// Says something, then reads the answer, and so on.
    fn converse(self, said: &words::Receiver<Vec<u8>>) {
        let mut buffer = vec![0; self.pipe.unit()];
        loop {
            let bytes = match said.recv_timeout(LOOK) {
                Ok(bytes) => bytes,
                Err(words::RecvTimeoutError::Disconnected) => return,
                Err(words::RecvTimeoutError::Timeout) if self.stop.load(Ordering::Relaxed) => break,
                Err(words::RecvTimeoutError::Timeout) => continue,
            };
            if !self.say(&bytes) {
                return;
            }
            let mut more = self.pipe.asks(&bytes);
            while more {
                if !self.look(&mut buffer, |count| more = count > 0) {
                    return;
                }
            }
        }
        let _ = self.tell.blocking_send(Ok(Vec::new()));
        // What is said at last, an acknowledgement, is written still.
        self.speak(said);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use std::collections::VecDeque;
    use std::future::poll_fn;
    use std::sync::Mutex;

    use super::*;

    /// A device that does what a script says, read by read, and then has nothing to say.
    struct Scripted {
        script: Mutex<VecDeque<Result<&'static [u8], ErrorKind>>>,
        written: Arc<Mutex<Vec<u8>>>,
        closed: Arc<AtomicBool>,
        in_turns: bool,
    }

    impl Drop for Scripted {
        fn drop(&mut self) {
            self.closed.store(true, Ordering::SeqCst);
        }
    }

    impl Pipe for Scripted {
        fn unit(&self) -> usize {
            64
        }

        fn read(&self, buffer: &mut [u8]) -> io::Result<usize> {
            match self.script.lock().unwrap().pop_front() {
                Some(Ok(bytes)) => {
                    buffer[..bytes.len()].copy_from_slice(bytes);
                    Ok(bytes.len())
                }
                Some(Err(kind)) => Err(kind.into()),
                None => {
                    thread::sleep(Duration::from_millis(2));
                    Ok(0)
                }
            }
        }

        fn write(&self, bytes: &[u8]) -> io::Result<usize> {
            // At most three bytes at once, as a device may.
            let count = bytes.len().min(3);
            self.written.lock().unwrap().extend(&bytes[..count]);
            if bytes.starts_with(b"!") { Err(ErrorKind::TimedOut.into()) } else { Ok(count) }
        }

        fn in_turns(&self) -> bool {
            self.in_turns
        }

        fn asks(&self, bytes: &[u8]) -> bool {
            bytes.contains(&b'?')
        }
    }

    struct Rig {
        pump: Pump,
        written: Arc<Mutex<Vec<u8>>>,
        closed: Arc<AtomicBool>,
    }

    fn rig(script: &[Result<&'static [u8], ErrorKind>], in_turns: bool) -> Rig {
        let (written, closed) = (Arc::default(), Arc::default());
        let script = Mutex::new(script.iter().copied().collect());
        let pipe = Scripted { script, written: Arc::clone(&written), closed: Arc::clone(&closed), in_turns };
        Rig { pump: Pump::begin(pipe).unwrap(), written, closed }
    }

    async fn next(pump: &mut Pump) -> io::Result<Vec<u8>> {
        let mut buffer = [0; 4];
        let count = poll_fn(|context| pump.poll_read(context, &mut buffer)).await?;
        Ok(buffer[..count].to_vec())
    }

    /// Reads until the hang-up or an error: all bytes, and the error.
    async fn all(pump: &mut Pump) -> (Vec<u8>, Option<ErrorKind>) {
        let mut bytes = Vec::new();
        loop {
            match next(pump).await {
                Ok(part) if part.is_empty() => return (bytes, None),
                Ok(part) => bytes.extend(part),
                Err(error) => return (bytes, Some(error.kind())),
            }
        }
    }

    #[tokio::test]
    async fn an_error_stands_behind_what_came_before_it() {
        let script = [
            Ok(&b"Ra 0.4"[..]),
            Ok(&b""[..]),
            Err(ErrorKind::Interrupted),
            Ok(&b"12 um\r\n"[..]),
            Err(ErrorKind::NotConnected),
            Ok(&b"never read"[..]),
        ];
        let mut rig = rig(&script, false);
        assert_eq!(all(&mut rig.pump).await, (b"Ra 0.412 um\r\n".to_vec(), Some(ErrorKind::NotConnected)));
        rig.pump.close().await;
        assert!(rig.closed.load(Ordering::SeqCst), "it is closed before it is opened anew");
    }

    #[tokio::test]
    async fn what_was_read_before_the_end_can_be_taken_and_last_words_are_written() {
        let mut rig = rig(&[Ok(&b"Ra 0.412"[..])], false);
        assert_eq!(next(&mut rig.pump).await.unwrap(), b"Ra 0");
        rig.pump.quiet();
        assert_eq!(all(&mut rig.pump).await, (b".412".to_vec(), None));
        rig.pump.write(b"\x06 thanks").unwrap();
        rig.pump.close().await;
        assert_eq!(*rig.written.lock().unwrap(), b"\x06 thanks");
        assert!(rig.closed.load(Ordering::SeqCst));
    }

    #[tokio::test]
    async fn a_device_that_takes_nothing_is_a_hang_up() {
        let mut rig = rig(&[], false);
        rig.pump.write(b"!").unwrap();
        assert_eq!(all(&mut rig.pump).await, (vec![], Some(ErrorKind::TimedOut)));
    }

    #[tokio::test]
    async fn a_device_in_turns_is_read_only_after_it_was_asked() {
        let mut rig = rig(&[Ok(&b"+1.5E-3\n"[..])], true);
        rig.pump.write(b"*CLS\n").unwrap();
        let waited = timeout(Duration::from_millis(100), next(&mut rig.pump)).await;
        assert!(waited.is_err(), "it was read without a question: {waited:?}");
        rig.pump.write(b"READ?\n").unwrap();
        assert_eq!(next(&mut rig.pump).await.unwrap(), b"+1.5");
        rig.pump.quiet();
        assert_eq!(all(&mut rig.pump).await, (b"E-3\n".to_vec(), None));
        rig.pump.write(b"LOCAL\n").unwrap();
        rig.pump.close().await;
        assert_eq!(*rig.written.lock().unwrap(), b"*CLS\nREAD?\nLOCAL\n");
    }
}
