//! Just enough of HTTP/1.1 over loopback for a test: one request a connection.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

/// What came back.
pub struct Answer {
    pub status: u16,
    pub body: Vec<u8>,
}

/// Sends one request and reads the answer to its end.
pub fn request(
    port: u16,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: &[u8],
) -> std::io::Result<Answer> {
    let mut stream = TcpStream::connect(("127.0.0.1", port))?;
    stream.set_read_timeout(Some(Duration::from_secs(60)))?;
    let mut head = format!(
        "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\nContent-Length: {}\r\n",
        body.len()
    );
    for (name, value) in headers {
        head.push_str(&format!("{name}: {value}\r\n"));
    }
    head.push_str("\r\n");
    stream.write_all(head.as_bytes())?;
    stream.write_all(body)?;
    read_answer(&mut stream)
}

fn read_answer(stream: &mut TcpStream) -> std::io::Result<Answer> {
    let bad = |what: &str| std::io::Error::new(std::io::ErrorKind::InvalidData, what.to_owned());
    let mut got = Vec::new();
    let mut piece = [0; 65536];
    // The length counts, not the connection's end: chromedriver keeps it open.
    loop {
        let n = stream.read(&mut piece)?;
        got.extend_from_slice(&piece[..n]);
        if let Some(end) = got.windows(4).position(|w| w == b"\r\n\r\n") {
            let head = String::from_utf8_lossy(&got[..end]).to_ascii_lowercase();
            let status = head.split(' ').nth(1).and_then(|s| s.parse().ok());
            let status = status.ok_or_else(|| bad("no status"))?;
            let length: Option<usize> = head
                .lines()
                .find_map(|l| l.strip_prefix("content-length:"))
                .and_then(|v| v.trim().parse().ok());
            let have = got.len() - end - 4;
            if n == 0 || length.is_some_and(|l| have >= l) || status == 204 {
                let body = got.split_off(end + 4);
                return Ok(Answer { status, body });
            }
        } else if n == 0 {
            return Err(bad("the connection ended before the answer"));
        }
    }
}
