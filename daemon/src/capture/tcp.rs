//! Raw TCP sockets, as serial device servers offer: how one is connected, kept alive and taken over.
//!
//! A look-up of a name may hang for as long as the system's resolver likes. It runs on a thread of its own, at most one a
//! station, and a try that waited long enough goes on with the addresses known from before.

use std::io::{self, ErrorKind};
use std::net::{IpAddr, SocketAddr};
use std::os::fd::{AsFd, OwnedFd};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ridgepost_config::Tcp;
use rustix::net::sockopt;
use tokio::net::TcpStream;
use tokio::task::JoinHandle;
use tokio::time::timeout;

/// How long a try waits for the look-up of a name.
const LOOK_UP: Duration = Duration::from_millis(1500);
/// Questions to a silent peer that stay without answer before the connection counts as dead.
const QUESTIONS: u32 = 3;

type LookUp = JoinHandle<io::Result<Vec<SocketAddr>>>;

/// What is known of a host's addresses, and the look-up under way.
#[derive(Clone, Debug, Default)]
pub(super) struct Names(Arc<Mutex<(Vec<SocketAddr>, Option<LookUp>)>>);

impl Names {
    /// The addresses of a host: an address as it is; a name as it is looked up now, else as it was before.
    async fn of(&self, tcp: &Tcp) -> Result<Vec<SocketAddr>, String> {
        if let Ok(address) = tcp.host.parse::<IpAddr>() {
            return Ok(vec![SocketAddr::new(address, tcp.port)]);
        }
        let under_way = self.0.lock().ok().and_then(|mut names| names.1.take());
        let mut look_up = under_way.unwrap_or_else(|| {
            let place = (tcp.host.clone(), tcp.port);
            tokio::task::spawn_blocking(move || std::net::ToSocketAddrs::to_socket_addrs(&place).map(Iterator::collect))
        });
        let found = timeout(LOOK_UP, &mut look_up).await;
        let Ok(mut names) = self.0.lock() else { return Err("the look-up of its name failed".into()) };
        let why = match found {
            Ok(Ok(Ok(addresses))) if !addresses.is_empty() => {
                names.0.clone_from(&addresses);
                return Ok(addresses);
            }
            Ok(Ok(Err(error))) => format!("the name {} can't be looked up: {error}", tcp.host),
            Ok(_) => format!("the name {} has no address", tcp.host),
            Err(_) => {
                names.1 = Some(look_up);
                format!("the look-up of the name {} takes long: is the name server there?", tcp.host)
            }
        };
        if names.0.is_empty() { Err(why) } else { Ok(names.0.clone()) }
    }
}

/// Connects, to one address after the other.
pub(super) async fn connect(tcp: &Tcp, names: &Names) -> Result<TcpStream, String> {
    let mut why = String::new();
    for address in names.of(tcp).await? {
        let tried = timeout(Duration::from_millis(tcp.connect_ms), TcpStream::connect(address)).await;
        let connected = tried.unwrap_or_else(|_| Err(ErrorKind::TimedOut.into())).and_then(|stream| {
            if stream.local_addr()? == stream.peer_addr()? {
                // The kernel connects a socket to itself where nobody listens on a port it happened to choose.
                return Err(ErrorKind::ConnectionRefused.into());
            }
            keep_alive(&stream, tcp)?;
            Ok(stream)
        });
        match connected {
            Ok(stream) => return Ok(stream),
            Err(error) => why = why_refused(tcp, &error),
        }
    }
    Err(why)
}

/// A peer that died without a word (power, cable) is noticed: the kernel asks when it is silent, and unanswered questions
/// end the connection. So do bytes that nobody acknowledges.
fn keep_alive(stream: &TcpStream, tcp: &Tcp) -> io::Result<()> {
    let idle = Duration::from_secs(u64::from(tcp.keep_alive_s));
    let every = Duration::from_secs(u64::from((tcp.keep_alive_s / QUESTIONS).max(1)));
    stream.set_nodelay(true)?;
    let socket = stream.as_fd();
    sockopt::set_socket_keepalive(socket, true)?;
    sockopt::set_tcp_keepidle(socket, idle)?;
    sockopt::set_tcp_keepintvl(socket, every)?;
    sockopt::set_tcp_keepcnt(socket, QUESTIONS)?;
    let patience = (idle + every * QUESTIONS).as_millis();
    sockopt::set_tcp_user_timeout(socket, u32::try_from(patience).unwrap_or(u32::MAX))?;
    Ok(())
}

/// Takes over a connection that is open already. Its name says which host and port it was opened to.
pub(super) fn adopt(tcp: &Tcp, kept: OwnedFd) -> io::Result<TcpStream> {
    let socket = std::net::TcpStream::from(kept);
    socket.set_nonblocking(true)?;
    if socket.peer_addr()?.port() != tcp.port {
        return Err(io::Error::other("it is another connection"));
    }
    let stream = TcpStream::from_std(socket)?;
    keep_alive(&stream, tcp)?;
    Ok(stream)
}

/// Why a connection could not be made, with what a person can do about it.
fn why_refused(tcp: &Tcp, error: &io::Error) -> String {
    let place = tcp.place();
    match error.kind() {
        ErrorKind::ConnectionRefused => format!(
            "{place} refuses the connection: is another program connected (a device server takes one at a time), and is \
             this its port?"
        ),
        ErrorKind::TimedOut => {
            format!("{place} does not answer within {} ms: is the device server on and the cable in?", tcp.connect_ms)
        }
        ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => {
            format!("{place} can't be reached from here: is the network cable in? ({error})")
        }
        _ => format!("{place}: {error}"),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    /// That a dead peer is noticed within twice `keep_alive_s` rests on these (tcp(7)).
    #[tokio::test]
    async fn a_silent_peer_is_asked() {
        let server = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        for keep_alive_s in [1, 15, 3600] {
            let port = server.local_addr().unwrap().port();
            let tcp = Tcp { host: "127.0.0.1".into(), port, connect_ms: 5000, keep_alive_s };
            let stream = connect(&tcp, &Names::default()).await.unwrap();
            let socket = stream.as_fd();
            assert!(sockopt::socket_keepalive(socket).unwrap());
            let idle = sockopt::tcp_keepidle(socket).unwrap();
            let all = idle + sockopt::tcp_keepintvl(socket).unwrap() * sockopt::tcp_keepcnt(socket).unwrap();
            assert_eq!(idle, Duration::from_secs(u64::from(keep_alive_s)));
            assert!(all <= idle * 2 || keep_alive_s == 1, "{all:?}");
            assert_eq!(u128::from(sockopt::tcp_user_timeout(socket).unwrap()), all.as_millis());
        }
    }

    #[tokio::test]
    async fn a_name_is_looked_up_and_its_addresses_are_kept() {
        let names = Names::default();
        let tcp = Tcp { host: "localhost".into(), port: 4001, connect_ms: 100, keep_alive_s: 15 };
        let found = names.of(&tcp).await.unwrap();
        assert!(found.iter().all(|address| address.ip().is_loopback() && address.port() == 4001));
        // A look-up that never ends: the try goes on with what is known, and there is no second one beside it.
        let hangs = tokio::task::spawn_blocking(|| {
            std::thread::sleep(Duration::from_secs(4));
            Err(ErrorKind::NotFound.into())
        });
        names.0.lock().unwrap().1 = Some(hangs);
        assert_eq!(names.of(&tcp).await.unwrap(), found);
        assert!(names.0.lock().unwrap().1.is_some());
        names.0.lock().unwrap().0.clear();
        let why = names.of(&tcp).await.unwrap_err();
        assert!(why.contains("takes long"), "{why}");
    }
}
