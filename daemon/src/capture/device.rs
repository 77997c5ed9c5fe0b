//! Opened devices. This is the one place that tells their kinds apart; everything else reads and writes bytes.
//!
//! To add a kind: a variant of `Stream` in `config/src/source.rs`, a file beside this one that opens it, a variant here,
//! and what the compiler then asks for.

use std::future::poll_fn;
use std::io;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, OwnedFd};
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use ridgepost_config::Stream;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio_serial::SerialStream;

use super::errors::Errors;
use super::pump::{LOOK, Pump};
use super::{keyboard, node, serial, tcp, usb};

/// What tries to open a device leave for the next try. Cheap to clone; all clones are one.
#[derive(Clone, Debug, Default)]
pub struct Way {
    /// Of a host: addresses known, and a look-up under way.
    pub(super) names: tcp::Names,
}

/// A device that is open.
#[derive(Debug)]
pub enum Device {
    /// A serial port.
    Serial(SerialStream),
    /// A connection to a serial device server.
    Tcp(TcpStream),
    /// A device that threads read: a character device, an interface of a USB device.
    Pumped(Pump),
    /// An input device.
    Keyboard(keyboard::Keys),
}

impl Device {
    /// Opens a device; why it can't be opened is for people. It may take seconds and is given up by dropping it.
    pub async fn open(stream: &Stream, way: &Way) -> Result<Device, String> {
        match stream {
            Stream::Port(port) => serial::open(port).await.map(Device::Serial),
            Stream::Tcp(place) => tcp::connect(place, &way.names).await.map(Device::Tcp),
            Stream::Device(device) => node::open(device).await.map(Device::Pumped),
            Stream::Usb(place) => usb::open(place).await.map(Device::Pumped),
            Stream::Keyboard(place) => keyboard::open(place).await.map(Device::Keyboard),
        }
    }

    /// Takes over a device that an earlier run of the program left open, if it is the right one still.
    pub(super) fn adopt(stream: &Stream, kept: OwnedFd) -> io::Result<Device> {
        match stream {
            Stream::Port(port) => Ok(Device::Serial(serial::adopt(port, kept)?)),
            Stream::Tcp(place) => tcp::adopt(place, kept).map(Device::Tcp),
            Stream::Keyboard(_) => keyboard::adopt(kept).map(Device::Keyboard),
            Stream::Device(_) | Stream::Usb(_) => Err(io::ErrorKind::Unsupported.into()),
        }
    }

    /// How long what was sent already may take to be seen.
    pub(super) fn last_look(&self) -> Duration {
        match self {
            Device::Serial(_) | Device::Tcp(_) | Device::Keyboard(_) => Duration::from_millis(3),
            Device::Pumped(_) => 2 * LOOK,
        }
    }

    /// Nothing more is to be read than what came already: read until a hang-up or for as long as [`Device::last_look`].
    pub(super) fn quiet(&self) {
        if let Device::Pumped(pump) = self {
            pump.quiet();
        }
    }

    /// Closes the device; once this ends it can be opened anew.
    pub(super) async fn close(self) {
        if let Device::Pumped(pump) = self {
            pump.close().await;
        }
    }

    /// What the service manager may keep open over a restart; `None` where there is nothing to keep.
    pub(super) fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        match self {
            Device::Serial(stream) => {
                #[expect(unsafe_code, reason = "the stream shows its descriptor only as a number")]
                // SAFETY: the descriptor is open as long as the stream is borrowed.
                Some(unsafe { BorrowedFd::borrow_raw(stream.as_raw_fd()) })
            }
            Device::Tcp(stream) => Some(stream.as_fd()),
            // What an instrument has to say waits in the instrument, because nobody asks it.
            Device::Pumped(_) => None,
            Device::Keyboard(keys) => Some(keys.as_fd()),
        }
    }

    /// Reads what is there, or waits for it; 0 means that the device hung up. Nothing is lost where the wait is given up.
    pub async fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        poll_fn(|context| self.poll_read(context, buffer)).await
    }

    /// [`Device::read`], for whoever waits for more than one thing.
    pub fn poll_read(&mut self, context: &mut Context<'_>, buffer: &mut [u8]) -> Poll<io::Result<usize>> {
        match self {
            Device::Serial(stream) => poll_stream(stream, context, buffer),
            Device::Tcp(stream) => poll_stream(stream, context, buffer),
            Device::Pumped(pump) => pump.poll_read(context, buffer),
            Device::Keyboard(keys) => keys.poll_read(context, buffer),
        }
    }

    /// Reads or writes, whichever can be done first; reading goes before. How many bytes were read, or how many of `out`
    /// were written.
    pub async fn exchange(&mut self, buffer: &mut [u8], out: &[u8]) -> Exchanged {
        poll_fn(|context| {
            if let Poll::Ready(read) = self.poll_read(context, buffer) {
                return Poll::Ready(Exchanged::Read(read));
            }
            if out.is_empty() {
                return Poll::Pending;
            }
            self.poll_write(context, out).map(Exchanged::Wrote)
        })
        .await
    }

    /// What counts errors of the line from now on; `None` where nobody does.
    pub(super) fn errors(&self) -> Option<Errors> {
        match self {
            Device::Serial(_) => Errors::counted(self.descriptor()?),
            _ => None,
        }
    }

    /// Sets modem lines; `None` leaves one as it is. Only serial ports have any.
    pub(super) fn set_lines(&mut self, dtr: Option<bool>, rts: Option<bool>) -> Result<(), String> {
        match self {
            Device::Serial(stream) => serial::set_lines(stream, dtr, rts).map_err(|error| error.to_string()),
            Device::Tcp(_) | Device::Pumped(_) => Err("only a serial port has modem lines".into()),
            Device::Keyboard(_) => Err("an input device has no modem lines".into()),
        }
    }

    /// Writes as much of `bytes` as the device takes now, or waits until it takes some.
    pub fn poll_write(&mut self, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        match self {
            Device::Serial(stream) => Pin::new(stream).poll_write(context, bytes),
            Device::Tcp(stream) => Pin::new(stream).poll_write(context, bytes),
            Device::Pumped(pump) => Poll::Ready(pump.write(bytes)),
            Device::Keyboard(_) => Poll::Ready(Err(io::Error::other("nothing can be sent to an input device"))),
        }
    }
}

/// What [`Device::exchange`] did.
#[derive(Debug)]
pub enum Exchanged {
    /// Bytes were read; 0 is a hang-up.
    Read(io::Result<usize>),
    /// Bytes were written.
    Wrote(io::Result<usize>),
}

fn poll_stream<S: AsyncRead + Unpin>(
    stream: &mut S,
    context: &mut Context<'_>,
    buffer: &mut [u8],
) -> Poll<io::Result<usize>> {
    let mut into = ReadBuf::new(buffer);
    match Pin::new(stream).poll_read(context, &mut into) {
        Poll::Ready(Ok(())) => Poll::Ready(Ok(into.filled().len())),
        Poll::Ready(Err(error)) => Poll::Ready(Err(error)),
        Poll::Pending => Poll::Pending,
    }
}
