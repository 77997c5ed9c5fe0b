//! What `cell.toml` says of devices that are no serial port.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::plan::ReadAfter;

/// A character device that is no terminal: bytes both ways. A USB test and measurement device (USBTMC) is read after it
/// was asked, any other whenever it has something to say.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Device")]
pub(crate) struct DeviceSaid {
    /// The device node, best a link that stays.
    #[schemars(required, length(min = 1), extend("examples" = ["/dev/usbtmc0"]))]
    pub(crate) path: Option<String>,
    /// Milliseconds that a USBTMC device may take to begin its answer; 5000 where not written.
    #[schemars(range(min = 100, max = 600_000), extend("default" = 5000))]
    pub(crate) timeout_ms: Option<u32>,
    /// After which messages a USBTMC device is read: query (those with a question mark) where not written.
    #[schemars(extend("default" = "query"))]
    pub(crate) read_after: Option<ReadAfter>,
}

/// An interface of a USB device that has no driver of its own. `ridgepost ports` lists them with these keys.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Usb")]
pub(crate) struct UsbSaid {
    /// Vendor and product id as eight hexadecimal digits.
    #[schemars(required, length(min = 9, max = 9), extend("examples" = ["1209:0002"]))]
    pub(crate) id: Option<String>,
    /// Serial number of the device; where not written, there may be only one device of this id (or `at` says which).
    #[schemars(length(min = 1))]
    pub(crate) serial: Option<String>,
    /// The socket that the device is plugged into, by the kernel's name; for devices without a serial number.
    #[schemars(length(min = 3), extend("examples" = ["1-1.2"]))]
    pub(crate) at: Option<String>,
    /// Number of the interface; 0 where not written.
    #[schemars(extend("default" = 0))]
    pub(crate) interface: Option<u8>,
    /// Address of the endpoint that readings come from, as in 0x81; the only one of the interface where not written.
    #[serde(rename = "in")]
    #[schemars(extend("examples" = [0x81]))]
    pub(crate) input: Option<u8>,
    /// Address of the endpoint that takes what is sent, as in 0x02; the only one of the interface where not written.
    #[serde(rename = "out")]
    #[schemars(extend("examples" = [0x02]))]
    pub(crate) output: Option<u8>,
    /// Requests on the control endpoint when the device is opened, in this order.
    #[serde(default)]
    pub(crate) control: Vec<ControlSaid>,
}

/// A serial adapter, or an instrument that is a serial port itself, by what it says of itself or by its socket.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Adapter")]
pub(crate) struct AdapterSaid {
    /// Vendor and product id as eight hexadecimal digits.
    #[schemars(required, length(min = 9, max = 9), extend("examples" = ["1209:0001"]))]
    pub(crate) id: Option<String>,
    /// Serial number of the device; where not written, there may be only one device of this id (or `at` says which).
    #[schemars(length(min = 1))]
    pub(crate) serial: Option<String>,
    /// The socket that the device is plugged into, by the kernel's name; for devices without a serial number.
    #[schemars(length(min = 3), extend("examples" = ["1-1.2"]))]
    pub(crate) at: Option<String>,
    /// Number of the interface that the port is at; 0 where not written.
    #[schemars(extend("default" = 0))]
    pub(crate) interface: Option<u8>,
}

impl AdapterSaid {
    /// The same as what is said of a USB device, of whose endpoints nothing is said.
    pub(crate) fn as_usb(&self) -> UsbSaid {
        let AdapterSaid { id, serial, at, interface } = self.clone();
        UsbSaid { id, serial, at, interface, ..UsbSaid::default() }
    }
}

/// A request on the control endpoint, by the fields of a setup packet (USB 2.0, 9.3); towards the device only.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Control")]
pub(crate) struct ControlSaid {
    /// bmRequestType, below 0x80: towards the device.
    #[schemars(required, extend("examples" = [0x40]))]
    pub(crate) request_type: Option<u8>,
    /// bRequest.
    #[schemars(required)]
    pub(crate) request: Option<u8>,
    /// wValue; 0 where not written.
    #[schemars(extend("default" = 0))]
    pub(crate) value: Option<u16>,
    /// wIndex; 0 where not written.
    #[schemars(extend("default" = 0))]
    pub(crate) index: Option<u16>,
    /// What is sent with it, as hexadecimal digits; nothing where not written.
    #[schemars(extend("examples" = ["80250000000008"]))]
    pub(crate) data: Option<String>,
}
