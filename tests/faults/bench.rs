//! The workbench as a process of its own, and a client that takes nothing for granted.

use std::io::{self, BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::shim::{faulty, program};

/// A running workbench.
pub struct Bench {
    child: Child,
    address: SocketAddr,
    said: PathBuf,
}

const ARGS: [&str; 6] = ["workbench", "--no-browser", "--port", "0", "--ledger", "c.sqlite"];

impl Bench {
    /// Starts one at a folder; none where it refused to start, with its exit and what it said.
    pub fn start(home: &Path, logs: &Path) -> Result<Bench, (ExitStatus, String)> {
        Bench::of(program(home, &ARGS), logs)
    }

    /// Starts one over the shim.
    pub fn faulty(
        home: &Path,
        logs: &Path,
        what: &str,
        at: usize,
    ) -> Result<Bench, (ExitStatus, String)> {
        Bench::of(faulty(home, &logs.join("log"), what, at, &ARGS), logs)
    }

    fn of(mut command: Command, logs: &Path) -> Result<Bench, (ExitStatus, String)> {
        let said = logs.join("said");
        let to = std::fs::File::create(&said).expect("log");
        let mut child =
            command.stdout(Stdio::piped()).stderr(to).spawn().expect("the program starts");
        let mut line = String::new();
        let out = child.stdout.take().expect("piped");
        BufReader::new(out).read_line(&mut line).expect("its address");
        let address = line.trim().trim_start_matches("http://").trim_end_matches('/').parse();
        match address {
            Ok(address) => Ok(Bench { child, address, said }),
            Err(_) => {
                let status = child.wait().expect("its end");
                Err((status, std::fs::read_to_string(&said).unwrap_or_default()))
            }
        }
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// What it said beside its address.
    pub fn said(&self) -> String {
        std::fs::read_to_string(&self.said).unwrap_or_default()
    }

    /// Kills it, without a chance to clear up.
    pub fn kill(mut self) -> String {
        self.child.kill().ok();
        self.child.wait().expect("its end");
        self.said()
    }

    /// Most memory that it has held, MiB.
    pub fn peak_mib(&self) -> u64 {
        let path = format!("/proc/{}/status", self.child.id());
        let status = std::fs::read_to_string(path).expect("a running process");
        let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).expect("VmHWM");
        line.trim().trim_end_matches(" kB").parse::<u64>().expect("kB") / 1024
    }

    /// Waits until every photograph is done.
    pub fn all_done(&self) -> Vec<Value> {
        let began = Instant::now();
        loop {
            let jobs = get(self.address, "/api/jobs").expect("it answers").json["jobs"].clone();
            let jobs = jobs.as_array().expect("a list").clone();
            let open = |j: &Value| matches!(j["state"].as_str(), Some("queued" | "working"));
            if !jobs.iter().any(open) {
                return jobs;
            }
            assert!(began.elapsed() < Duration::from_secs(600), "{jobs:?}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}

/// An answer.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub json: Value,
}

impl Answer {
    pub fn ok(&self) -> bool {
        (200..300).contains(&self.status)
    }

    /// What was wrong, in words for a person.
    pub fn error(&self) -> &str {
        self.json["error"].as_str().unwrap_or_default()
    }
}

/// Asks; an error is what becomes of a request whose server dies.
pub fn ask(
    address: SocketAddr,
    method: &str,
    path: &str,
    kind: &str,
    body: &[u8],
) -> io::Result<Answer> {
    let mut stream = TcpStream::connect(address)?;
    stream.set_read_timeout(Some(Duration::from_secs(120)))?;
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nX-Acinus: 1\r\n\
         Content-Type: {kind}\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes())?;
    stream.write_all(body)?;
    answer(stream)
}

/// Reads an answer to its end.
pub fn answer(mut stream: TcpStream) -> io::Result<Answer> {
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes)?;
    let cut = || io::Error::from(io::ErrorKind::UnexpectedEof);
    let at = bytes.windows(4).position(|w| w == b"\r\n\r\n").ok_or_else(cut)?;
    let head = String::from_utf8_lossy(&bytes[..at]).into_owned();
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).ok_or_else(cut)?;
    let length = head.lines().find_map(|l| {
        let (name, value) = l.split_once(':')?;
        name.eq_ignore_ascii_case("content-length").then(|| value.trim().parse::<usize>().ok())?
    });
    let body = &bytes[at + 4..];
    if length.is_some_and(|n| n != body.len()) {
        return Err(cut());
    }
    Ok(Answer { status, head, json: serde_json::from_slice(body).unwrap_or_default() })
}

pub fn get(address: SocketAddr, path: &str) -> io::Result<Answer> {
    ask(address, "GET", path, "application/json", b"")
}

pub fn post(address: SocketAddr, path: &str, body: &Value) -> io::Result<Answer> {
    ask(address, "POST", path, "application/json", body.to_string().as_bytes())
}

/// Sends a photograph.
pub fn upload(address: SocketAddr, query: &str, bytes: &[u8]) -> io::Result<Answer> {
    let path = format!("/api/photos?who=Ana&{query}");
    ask(address, "POST", &path, "application/octet-stream", bytes)
}
