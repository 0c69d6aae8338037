//! The workbench, spoken to over its own port.

use std::io::{ErrorKind, Read as _, Write as _};
use std::net::{IpAddr, Ipv4Addr, Shutdown, SocketAddr, TcpStream};
use std::time::Duration;

use acinus::pipeline;
use acinus::profile::Profile;
use acinus::workbench::{self, Running, Settings};

use crate::targets::Look;

/// Longer than any answer may take.
const PATIENCE: Duration = Duration::from_secs(10);

fn start(dir: &std::path::Path, profile: &Profile) -> Running {
    let settings = Settings {
        ledger: dir.join("cellar.sqlite"),
        who: Some("Ana".to_owned()),
        listen: IpAddr::V4(Ipv4Addr::LOCALHOST),
        port: 0,
        profile: Some(profile.clone()),
        reading: pipeline::Settings::default(),
    };
    workbench::start(settings).expect("a free port")
}

/// Requests as they come over the wire; `@host` stands for the server's address.
pub fn raw_requests() -> Vec<Vec<u8>> {
    [
        "GET / HTTP/1.1\r\nHost: @host\r\nConnection: close\r\n\r\n",
        "GET /api/about HTTP/1.1\r\nHost: @host\r\nCookie: a=b; acinus_workbench=x\r\n\r\n",
        "POST /api/loads HTTP/1.1\r\nHost: @host\r\nX-Acinus: 1\r\nContent-Type: application/json\r\n\
         Content-Length: 42\r\n\r\n{\"who\":\"Ana\",\"load\":\"HV-1\",\"grower\":\"Hill\"}",
        "POST /api/photos?name=a.jpg&who=Ana HTTP/1.1\r\nHost: @host\r\nX-Acinus: 1\r\n\
         Transfer-Encoding: chunked\r\n\r\n4\r\nabcd\r\n0\r\n\r\n",
        "GET /api/loads?search=%C3%A4&token=x HTTP/1.1\r\nHost: @host\r\nOrigin: http://@host\r\n\r\n",
        "DELETE /api/jobs/j1 HTTP/1.0\r\nhost: @host\r\nx-acinus: 1\r\nsec-fetch-site: none\r\n\r\n",
        "GET /api/events HTTP/1.1\r\nHost: [::1]:80\r\n\r\nGET /app.js HTTP/1.1\r\nHost: @host\r\n\r\n",
    ]
    .map(|r| r.as_bytes().to_vec())
    .to_vec()
}

/// One server for all requests: raw ones rarely get as far as the ledger.
pub fn raw() -> Look {
    let dir = tempfile::tempdir().unwrap();
    let running = start(dir.path(), &Profile::built_in().unwrap());
    let kept = std::sync::Mutex::new((running, dir));
    Box::new(move |bytes| {
        let address = kept.lock().unwrap().0.address();
        let wire = replaced(bytes, b"@host", address.to_string().as_bytes());
        judge(&exchanged(address, &wire, End::Said));
    })
}

/// Requests one after another, a blank line between: method and path, then a JSON body. `@` alone as a
/// value stands for the number of the last entry that an answer named.
pub fn conversations() -> Vec<Vec<u8>> {
    let open = "POST /api/loads\n{\"who\":\"Ana\",\"load\":\"HV-1\",\"grower\":\"Hill\",\"bins\":8,\"net_kg\":\"5400\"}";
    let house = include_str!("../data/fuzz/house.toml");
    let terms = serde_json::json!({"who": "Ana", "seen": "@", "terms": house}).to_string();
    let about = |rest: &str| format!("{open}\n\n{rest}").into_bytes();
    vec![
        about("GET /api/loads/HV-1\n\nGET /api/loads?search=h\n\nGET /api/about"),
        about(
            "POST /api/loads/HV-1/delivery\n{\"who\":\"Ana\",\"seen\":@,\"gross_kg\":\"9000\",\"ticket\":\"7\",\
             \"picked\":\"2026-09-18T05:00:00Z\",\"picking\":\"hand\",\"destemmed\":true,\"wet\":\"dew\",\
             \"fruit_celsius\":\"18.5\",\"sampling_point\":\"bin\",\"free_juice\":\"some\"}\n\n\
             POST /api/loads/HV-1/plan\n{\"who\":\"Ana\",\"seen\":@,\"lot\":\"UNSORTED\",\"bins\":12,\
             \"expected_share\":0.05,\"half_width\":0.02}\n\nGET /api/loads/HV-1",
        ),
        about(&format!(
            "POST /api/loads/HV-1/terms\n{}\n\nPOST /api/loads/HV-1/close\n{{\"who\":\"Ana\",\"seen\":@}}\n\n\
             GET /api/loads/HV-1/receipt\n\nGET /api/loads/HV-1/history",
            terms.replace("\"@\"", "@")
        )),
        about("GET /api/loads/HV-1/streams\n\nGET /api/loads/HV-1/compare?first=A&second=B&basis=mass"),
        about(
            "POST /api/loads/HV-1/what-if\n{\"lot\":\"UNSORTED\",\"rule\":{},\"machine\":{}}\n\n\
             POST /api/loads/HV-1/lot\n{\"who\":\"Ana\",\"seen\":@,\"lot\":\"SORTED\",\"sampling_point\":\"hopper\"}",
        ),
        about(
            "POST /api/loads/HV-1/reviews\n{\"who\":\"Ana\",\"seen\":@,\"lot\":\"UNSORTED\"}\n\n\
             POST /api/reviews/3/judge\n{\"who\":\"Ana\",\"objects\":[]}\n\nGET /api/reviews/3/agreement",
        ),
        about(
            "POST /api/trays/2/edit\n{\"who\":\"Ana\",\"seen\":@,\"action\":\"split\",\"object\":1,\
             \"line\":[[1,2],[3,4]]}\n\nPOST /api/teach\n{\"who\":\"Ana\",\"name\":\"n\"}\n\nGET /api/teach",
        ),
        format!("POST /api/terms/check\n{}", serde_json::json!({"terms": house})).into_bytes(),
        b"POST /api/photos?name=a.jpg&who=Ana&load=HV-1&lot=A&tray=2\nxx\n\nGET /api/jobs/j1\n\nDELETE /api/jobs/j1"
            .to_vec(),
    ]
}

/// A server of its own for each conversation, so that the same bytes do the same again.
pub fn conversation() -> Look {
    let profile = Profile::built_in().unwrap();
    Box::new(move |bytes| {
        let dir = tempfile::tempdir().unwrap();
        let running = start(dir.path(), &profile);
        let mut seen = "0".to_owned();
        let text = String::from_utf8_lossy(bytes).into_owned();
        for request in text.split("\n\n").take(8) {
            let (line, body) = request.split_once('\n').unwrap_or((request, ""));
            let (method, path) = line.split_once(' ').unwrap_or(("GET", line));
            // What cannot stand in a request line is for the target `http`.
            let word = |w: &str| !w.is_empty() && w.bytes().all(|b| b.is_ascii_graphic());
            if !word(method) || !word(path) || path.starts_with("/api/events") {
                continue;
            }
            let body = body.replace(":@", &format!(":{seen}"));
            let host = running.address();
            let wire = format!(
                "{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\nX-Acinus: 1\r\n\
                 Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
                body.len()
            );
            let answer = exchanged(host, wire.as_bytes(), End::Whole);
            assert!(!answer.is_empty(), "no answer to {method} {path}");
            judge(&answer);
            if let Some(entry) = last_entry(&answer) {
                seen = entry;
            }
        }
    })
}

fn last_entry(answer: &[u8]) -> Option<String> {
    let text = String::from_utf8_lossy(answer);
    let (_, after) = text.split_once("\"entry\":")?;
    Some(after.trim_start().chars().take_while(char::is_ascii_digit).collect())
}

fn replaced(bytes: &[u8], what: &[u8], with: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len() + 32);
    let mut at = 0;
    while at < bytes.len() {
        if bytes[at..].starts_with(what) {
            out.extend_from_slice(with);
            at += what.len();
        } else {
            out.push(bytes[at]);
            at += 1;
        }
    }
    out
}

/// When it is said that nothing more will come.
#[derive(Clone, Copy, PartialEq)]
enum End {
    /// Never: the request is whole, and the server ends the connection.
    Whole,
    /// When nothing was heard for a moment: the request may lack its end, and be waited for.
    Said,
}

/// Sends and takes the answer; events go on for ever, so their beginning is enough.
fn exchanged(address: SocketAddr, wire: &[u8], end: End) -> Vec<u8> {
    let mut stream = TcpStream::connect(address).expect("the server listens");
    // A server that hears that its client is done may drop what it is at.
    let moment = if end == End::Said { Duration::from_millis(30) } else { PATIENCE };
    stream.set_read_timeout(Some(moment)).unwrap();
    let _ = stream.write_all(wire);
    let mut answer = Vec::new();
    let mut part = [0u8; 1 << 14];
    let mut open = end == End::Said;
    loop {
        match stream.read(&mut part) {
            Ok(0) => break,
            Ok(n) => answer.extend_from_slice(&part[..n]),
            Err(e) if e.kind() == ErrorKind::WouldBlock && open => {
                open = false;
                let _ = stream.shutdown(Shutdown::Write);
                stream.set_read_timeout(Some(PATIENCE)).unwrap();
            }
            Err(e) if e.kind() == ErrorKind::WouldBlock => panic!("no end of the answer"),
            // libFuzzer's clock rings every half a minute.
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(_) => break,
        }
        if answer.windows(17).any(|w| w == b"text/event-stream") {
            break;
        }
    }
    answer
}

/// An answer that is there is HTTP, and a fault is one line of JSON that tells of no panic.
fn judge(answer: &[u8]) {
    let text = String::from_utf8_lossy(answer);
    assert!(answer.is_empty() || text.starts_with("HTTP/1."), "{text}");
    assert!(!text.contains("came to an unexpected end"), "{text}");
    if let Some(status) = text.get(9..12).filter(|s| *s == "500") {
        panic!("{status}: {text}");
    }
}
