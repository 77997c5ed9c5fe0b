//! A serial device server without hardware: one raw TCP socket, one client at a time.

use std::io::{ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::time::Duration;

use crate::patience::{LONG, until};

/// A device server with one instrument behind it.
#[derive(Debug)]
pub struct Server {
    address: SocketAddr,
    listener: Option<TcpListener>,
    client: Option<TcpStream>,
}

impl Server {
    /// A server on a free port of an address of this machine.
    pub fn on(address: &str) -> Server {
        let listener = TcpListener::bind((address, 0)).unwrap();
        listener.set_nonblocking(true).unwrap();
        Server { address: listener.local_addr().unwrap(), listener: Some(listener), client: None }
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Waits until a client is connected.
    #[track_caller]
    pub fn accept(&mut self) {
        assert!(self.client.is_none(), "it has a client already");
        let listener = self.listener.as_ref().expect("a server that is on");
        let client = until("a client of the device server", || Some(listener.accept().ok()?.0));
        client.set_nonblocking(false).unwrap();
        client.set_nodelay(true).unwrap();
        self.client = Some(client);
    }

    fn client(&mut self) -> &mut TcpStream {
        self.client.as_mut().expect("a client")
    }

    /// Sends bytes of the instrument.
    pub fn send(&mut self, bytes: &[u8]) {
        self.client().write_all(bytes).unwrap();
    }

    /// What the client has sent so far and was not asked for before.
    pub fn received(&mut self) -> Vec<u8> {
        let client = self.client();
        client.set_nonblocking(true).unwrap();
        let (mut bytes, mut buffer) = (Vec::new(), [0; 4096]);
        while let Ok(count @ 1..) = client.read(&mut buffer) {
            bytes.extend_from_slice(&buffer[..count]);
        }
        client.set_nonblocking(false).unwrap();
        bytes
    }

    /// Ends the connection in order, as a server does that is told to.
    pub fn hang_up(&mut self) {
        self.client = None;
    }

    /// Ends the connection with a reset, as a server does that was switched on again.
    pub fn reset(&mut self) {
        let client = self.client.take().expect("a client");
        // With nothing to linger for, closing sends a reset.
        rustix::net::sockopt::set_socket_linger(&client, Some(Duration::ZERO)).unwrap();
    }

    /// Whether the client has ended the connection, waiting for it.
    #[track_caller]
    pub fn until_left(&mut self) {
        let client = self.client.take().expect("a client");
        client.set_read_timeout(Some(LONG)).unwrap();
        let mut buffer = [0; 4096];
        loop {
            match (&client).read(&mut buffer) {
                Ok(0) => return,
                Ok(_) => {}
                Err(error) if error.kind() == ErrorKind::ConnectionReset => return,
                Err(error) => panic!("the client did not leave: {error}"),
            }
        }
    }

    /// Switches the server off: nobody answers, connections are refused.
    pub fn switch_off(&mut self) {
        (self.listener, self.client) = (None, None);
    }

    /// Switches it on again at its old place.
    #[track_caller]
    pub fn switch_on(&mut self) {
        let listener = until("the server's old port", || TcpListener::bind(self.address).ok());
        listener.set_nonblocking(true).unwrap();
        self.listener = Some(listener);
    }
}
