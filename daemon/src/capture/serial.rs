//! Serial ports: how one is opened and set.

use std::io::ErrorKind;
use std::os::fd::{FromRawFd, IntoRawFd, OwnedFd};
use std::path::Path;

use ridgepost_config::{Flow, Parity, Port};
use tokio_serial::{SerialPort, SerialPortBuilderExt, SerialStream};

use super::adapter;
use super::holders::holders;

/// Opens the device: exclusively (TIOCEXCL and flock, both by `serialport`), with every line setting, without
/// flushing what waits. A driver may hold whoever opens its device for as long as it likes, so that is done beside the
/// ports.
pub(super) async fn open(port: &Port) -> Result<SerialStream, String> {
    let port = port.clone();
    let opening = tokio::task::spawn_blocking(move || {
        let node = adapter::node(&port.at)?;
        opened(&port, &node).map_err(|error| why_refused(&node, &error))
    });
    opening.await.unwrap_or_else(|error| Err(error.to_string()))
}

fn opened(port: &Port, node: &Path) -> Result<SerialStream, tokio_serial::Error> {
    let mut builder = tokio_serial::new(node.to_string_lossy(), port.baud)
        .data_bits(data_bits(port))
        .parity(parity(port))
        .stop_bits(stop_bits(port))
        .flow_control(flow(port));
    if let Some(level) = port.dtr {
        builder = builder.dtr_on_open(level);
    }
    let mut stream = builder.open_native_async()?;
    if let Some(level) = port.rts {
        stream.write_request_to_send(level)?;
    }
    Ok(stream)
}

/// Takes over a device that is open already, with the line settings of today.
pub(super) fn adopt(port: &Port, kept: OwnedFd) -> Result<SerialStream, tokio_serial::Error> {
    #[expect(unsafe_code, reason = "the serial crate takes over a descriptor only as a number")]
    // SAFETY: `into_raw_fd` gives the descriptor away, so the port is its only owner.
    let tty = unsafe { serialport::TTYPort::from_raw_fd(kept.into_raw_fd()) };
    let mut stream = SerialStream::try_from(tty)?;
    set(&mut stream, port)?;
    Ok(stream)
}

fn set(stream: &mut SerialStream, port: &Port) -> Result<(), tokio_serial::Error> {
    stream.set_baud_rate(port.baud)?;
    stream.set_data_bits(data_bits(port))?;
    stream.set_parity(parity(port))?;
    stream.set_stop_bits(stop_bits(port))?;
    stream.set_flow_control(flow(port))
}

/// Sets modem lines; `None` leaves one as it is.
pub(super) fn set_lines(
    stream: &mut SerialStream,
    dtr: Option<bool>,
    rts: Option<bool>,
) -> Result<(), tokio_serial::Error> {
    if let Some(level) = dtr {
        stream.write_data_terminal_ready(level)?;
    }
    if let Some(level) = rts {
        stream.write_request_to_send(level)?;
    }
    Ok(())
}

fn data_bits(port: &Port) -> tokio_serial::DataBits {
    match port.data_bits {
        5 => tokio_serial::DataBits::Five,
        6 => tokio_serial::DataBits::Six,
        7 => tokio_serial::DataBits::Seven,
        _ => tokio_serial::DataBits::Eight,
    }
}

fn parity(port: &Port) -> tokio_serial::Parity {
    match port.parity {
        Parity::None => tokio_serial::Parity::None,
        Parity::Even => tokio_serial::Parity::Even,
        Parity::Odd => tokio_serial::Parity::Odd,
    }
}

fn stop_bits(port: &Port) -> tokio_serial::StopBits {
    if port.stop_bits == 2 { tokio_serial::StopBits::Two } else { tokio_serial::StopBits::One }
}

fn flow(port: &Port) -> tokio_serial::FlowControl {
    match port.flow {
        Flow::None => tokio_serial::FlowControl::None,
        Flow::Software => tokio_serial::FlowControl::Software,
        Flow::Hardware => tokio_serial::FlowControl::Hardware,
    }
}

/// Why a device could not be opened, with what a person can do about it.
fn why_refused(node: &Path, error: &tokio_serial::Error) -> String {
    let path = node.display();
    if !node.exists() {
        return format!("{path} is not there: is the cable in and the instrument on?");
    }
    match error.kind() {
        tokio_serial::ErrorKind::Io(ErrorKind::PermissionDenied) => {
            format!("{path} may not be opened by this user: `ridgepost ports` shows the cure")
        }
        _ => match holders(node) {
            holders if holders.is_empty() => format!("{path}: {error}"),
            holders => format!("{path} is held by {}: end it ({error})", holders.join(", ")),
        },
    }
}
