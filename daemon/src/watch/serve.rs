//! Answers `GET /metrics` on the loopback interface: HTTP/1.0 (RFC 1945), one answer per connection, one connection at
//! a time, with a limit on size and time. There is nothing to configure and nothing to log in to.

use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use super::metrics::CONTENT_TYPE;

/// Longest head of a request.
const HEAD_MAX: usize = 4096;
/// Longest time for a request to arrive, and for its answer to go.
const WITHIN: Duration = Duration::from_secs(2);

/// Answers until the listener breaks. `page` gives the metrics, or nothing where they can't be had now.
pub(super) async fn serve<F, A>(listener: TcpListener, page: F)
where
    F: Fn() -> A,
    A: Future<Output = Option<String>>,
{
    loop {
        match listener.accept().await {
            Ok((stream, _)) => answer(stream, &page).await,
            // Too many open files, or a client that went away: the next one may fare better.
            Err(_) => tokio::time::sleep(Duration::from_secs(1)).await,
        }
    }
}

async fn answer<F, A>(mut stream: TcpStream, page: &F)
where
    F: Fn() -> A,
    A: Future<Output = Option<String>>,
{
    let Ok(head) = tokio::time::timeout(WITHIN, head(&mut stream)).await else { return };
    let reply = match ask(&head) {
        Ask::Metrics { body } => match page().await {
            Some(text) => response("200 OK", CONTENT_TYPE, &text, body),
            None => response("503 Service Unavailable", "text/plain", "can't be had now\n", true),
        },
        Ask::Elsewhere => response("404 Not Found", "text/plain", "only /metrics is told here\n", true),
        Ask::Otherwise => response("405 Method Not Allowed", "text/plain", "only GET is answered\n", true),
        Ask::Nonsense => response("400 Bad Request", "text/plain", "not understood\n", true),
    };
    let _ = tokio::time::timeout(WITHIN, async {
        stream.write_all(reply.as_bytes()).await?;
        stream.shutdown().await
    })
    .await;
}

/// The head of a request, as far as it came.
async fn head(stream: &mut TcpStream) -> Vec<u8> {
    let mut head = vec![0; HEAD_MAX];
    let mut length = 0;
    while length < HEAD_MAX && !head[..length].windows(4).any(|end| end == b"\r\n\r\n") {
        match stream.read(&mut head[length..]).await {
            Ok(0) | Err(_) => break,
            Ok(count) => length += count,
        }
    }
    head.truncate(length);
    head
}

/// What a request asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ask {
    Metrics { body: bool },
    Elsewhere,
    Otherwise,
    Nonsense,
}

/// Reads the request line: method, path, version.
fn ask(head: &[u8]) -> Ask {
    let whole = head.windows(4).any(|end| end == b"\r\n\r\n");
    let line = head.split(|byte| *byte == b'\r').next().unwrap_or_default();
    let Ok(line) = std::str::from_utf8(line) else { return Ask::Nonsense };
    let [method, target, version] = line.split(' ').collect::<Vec<_>>()[..] else { return Ask::Nonsense };
    if !whole || !version.starts_with("HTTP/1.") {
        return Ask::Nonsense;
    }
    match (method, target.split('?').next()) {
        ("GET", Some("/metrics")) => Ask::Metrics { body: true },
        ("HEAD", Some("/metrics")) => Ask::Metrics { body: false },
        ("GET" | "HEAD", _) => Ask::Elsewhere,
        _ => Ask::Otherwise,
    }
}

fn response(status: &str, kind: &str, text: &str, body: bool) -> String {
    let allow = if status.starts_with("405") { "Allow: GET, HEAD\r\n" } else { "" };
    let length = text.len();
    let text = if body { text } else { "" };
    format!(
        "HTTP/1.0 {status}\r\nContent-Type: {kind}\r\nContent-Length: {length}\r\n{allow}Connection: close\r\n\r\n{text}"
    )
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    #[test]
    fn only_metrics_are_told() {
        for (head, expected) in [
            ("GET /metrics HTTP/1.1\r\nHost: x\r\n\r\n", Ask::Metrics { body: true }),
            ("GET /metrics?x=1 HTTP/1.0\r\n\r\n", Ask::Metrics { body: true }),
            ("HEAD /metrics HTTP/1.1\r\n\r\n", Ask::Metrics { body: false }),
            ("GET / HTTP/1.1\r\n\r\n", Ask::Elsewhere),
            ("GET /metrics/../store HTTP/1.1\r\n\r\n", Ask::Elsewhere),
            ("POST /metrics HTTP/1.1\r\n\r\n", Ask::Otherwise),
            ("GET /metrics\r\n\r\n", Ask::Nonsense),
            ("GET /metrics HTTP/2\r\n\r\n", Ask::Nonsense),
            ("GET /metrics HTTP/1.1\r\nHost: never ends", Ask::Nonsense),
            ("", Ask::Nonsense),
            ("\u{16}\u{3}\u{1}\r\n\r\n", Ask::Nonsense),
        ] {
            assert_eq!(ask(head.as_bytes()), expected, "{head:?}");
        }
    }

    async fn talk(request: &[u8]) -> String {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        let server = tokio::spawn(serve(listener, || async { Some("a 1\n".to_owned()) }));
        let mut stream = TcpStream::connect(at).await.unwrap();
        stream.write_all(request).await.unwrap();
        let mut said = String::new();
        let _ = stream.read_to_string(&mut said).await;
        server.abort();
        said
    }

    #[tokio::test]
    async fn an_answer_is_whole_and_ends() {
        let said = talk(b"GET /metrics HTTP/1.1\r\nHost: x\r\n\r\n").await;
        let (head, body) = said.split_once("\r\n\r\n").unwrap();
        assert!(head.starts_with("HTTP/1.0 200 OK\r\n") && head.contains("Content-Length: 4"), "{head}");
        assert!(head.contains(&format!("Content-Type: {CONTENT_TYPE}")), "{head}");
        assert_eq!(body, "a 1\n");
        assert!(talk(b"HEAD /metrics HTTP/1.1\r\n\r\n").await.ends_with("\r\n\r\n"));
        assert!(talk(b"PUT /metrics HTTP/1.1\r\n\r\n").await.contains("405"));
    }

    #[tokio::test]
    async fn a_request_without_end_or_of_any_size_is_given_up() {
        let began = std::time::Instant::now();
        assert_eq!(talk(b"GET /metrics HTTP/1.1\r\nHost:").await, "", "nothing is answered to half a request");
        assert!(began.elapsed() >= WITHIN);
        let large = [b"GET /metrics HTTP/1.1\r\nX: ".as_slice(), &vec![b'x'; 2 * HEAD_MAX]].concat();
        assert!(!talk(&large).await.contains("200"));
    }
}
