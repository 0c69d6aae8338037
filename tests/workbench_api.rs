//! The workbench's interface, spoken over HTTP with a server in this process. `docs/workbench-api.md`
//! is what it is held against.

use std::io::{Read as _, Write as _};
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use acinus::workbench::{self, Running, Settings};
use serde_json::{Value, json};

/// A server and what is needed to speak to it.
struct Server {
    running: Running,
    dir: tempfile::TempDir,
}

struct Answer {
    status: u16,
    headers: String,
    body: Vec<u8>,
}

impl Answer {
    fn json(&self) -> Value {
        serde_json::from_slice(&self.body)
            .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&self.body)))
    }

    #[track_caller]
    fn ok(&self) -> Value {
        assert!(self.status < 300, "{} {}", self.status, String::from_utf8_lossy(&self.body));
        self.json()
    }

    /// The error, which is one line of JSON whatever happened.
    #[track_caller]
    fn fault(&self, status: u16) -> String {
        let text = String::from_utf8_lossy(&self.body);
        assert_eq!(self.status, status, "{text}");
        assert_eq!(text.trim_end().lines().count(), 1, "{text}");
        let json = self.json();
        assert!(json["todo"].is_string(), "{text}");
        json["error"].as_str().unwrap_or_else(|| panic!("{text}")).to_owned()
    }

    fn header(&self, name: &str) -> Option<&str> {
        self.headers.lines().find_map(|line| {
            let (own, value) = line.split_once(':')?;
            own.eq_ignore_ascii_case(name).then_some(value.trim())
        })
    }
}

fn settings(dir: &Path) -> Settings {
    Settings {
        ledger: dir.join("cellar.sqlite"),
        who: Some("Ana".to_owned()),
        listen: IpAddr::V4(Ipv4Addr::LOCALHOST),
        port: 0,
        profile: None,
        reading: acinus::pipeline::Settings::default(),
    }
}

impl Server {
    fn start() -> Server {
        let dir = tempfile::tempdir().unwrap();
        Server { running: workbench::start(settings(dir.path())).unwrap(), dir }
    }

    fn raw(&self, head: &str, body: &[u8]) -> Answer {
        speak(self.running.address(), head, body)
    }

    fn request(&self, method: &str, path: &str, extra: &str, body: &[u8]) -> Answer {
        let host = self.running.address();
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\
             Content-Length: {}\r\n{extra}\r\n",
            body.len()
        );
        self.raw(&head, body)
    }

    fn get(&self, path: &str) -> Answer {
        self.request("GET", path, "", b"")
    }

    fn post(&self, path: &str, body: &Value) -> Answer {
        self.post_seated(path, body, "")
    }

    fn post_seated(&self, path: &str, body: &Value, seat: &str) -> Answer {
        let mut extra = "X-Acinus: 1\r\nContent-Type: application/json\r\n".to_owned();
        if !seat.is_empty() {
            extra.push_str(&format!("X-Acinus-Seat: {seat}\r\n"));
        }
        self.request("POST", path, &extra, body.to_string().as_bytes())
    }

    fn open(&self, load: &str) -> Value {
        let body = json!({"who": "Ana", "load": load, "grower": "Hill Vineyard", "bins": 8});
        self.post("/api/loads", &body).ok()
    }

    fn put(&self, query: &str, bytes: &[u8]) -> Answer {
        let path = format!("/api/photos?{query}");
        let extra = "X-Acinus: 1\r\nContent-Type: application/octet-stream\r\n";
        self.request("POST", &path, extra, bytes)
    }

    /// Waits for a photograph to be worked on.
    fn done(&self, job: &str) -> Value {
        let began = Instant::now();
        loop {
            let found = self.get(&format!("/api/jobs/{job}")).ok();
            let state = found["state"].as_str().unwrap();
            if !matches!(state, "queued" | "working") {
                return found;
            }
            assert!(began.elapsed() < Duration::from_secs(120), "{found}");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Adds a sample photograph; gives the tray's id.
    fn add(&self, sample_name: &str, query: &str) -> u64 {
        let query = format!("name={sample_name}&who=Ana{query}");
        let answer = self.put(&query, &sample(sample_name)).ok();
        let job = self.done(answer["job"].as_str().unwrap());
        assert_eq!(job["state"], "recorded", "{job}");
        job["became"]["tray_id"].as_u64().unwrap()
    }
}

fn speak(address: SocketAddr, head: &str, body: &[u8]) -> Answer {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    stream.write_all(head.as_bytes()).unwrap();
    // A server that has refused already may have closed its end.
    let _ = stream.write_all(body);
    let mut bytes = Vec::new();
    let _ = stream.read_to_end(&mut bytes);
    let at = bytes.windows(4).position(|w| w == b"\r\n\r\n").expect("an answer");
    let headers = String::from_utf8(bytes[..at].to_vec()).unwrap();
    let status = headers.split(' ').nth(1).unwrap().parse().unwrap();
    Answer { status, headers, body: bytes[at + 4..].to_vec() }
}

fn sample(name: &str) -> Vec<u8> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("sample-images").join(name);
    std::fs::read(path).unwrap()
}

const TERMS: &str = "version = 1\nname = \"House terms\"\ncurrency = \"EUR\"\n\
                     price_per_tonne = 900\n[[rule]]\nname = \"rejects\"\nof = [\"rejects\"]\n\
                     free_percent = 2\ndeduct_per_point = 1\n";

#[test]
fn the_page_and_its_headers() {
    let server = Server::start();
    let page = server.get("/");
    assert_eq!(page.status, 200);
    assert!(page.header("content-type").unwrap().starts_with("text/html"));
    for header in ["content-security-policy", "x-content-type-options", "referrer-policy"] {
        assert!(page.header(header).is_some(), "{header}");
    }
    assert!(!page.header("content-security-policy").unwrap().contains("unsafe"));
    let about = server.get("/api/about");
    assert_eq!(about.header("cache-control"), Some("no-store"));
    let about = about.ok();
    assert_eq!((about["who"].as_str(), about["loopback"].as_bool()), (Some("Ana"), Some(true)));
    assert!(about["notice"].as_str().unwrap().contains("stimates from photographs"));
}

/// No path of a request reaches the disk, and what is not there is told in JSON.
#[test]
fn nothing_but_the_pages_files_is_served() {
    let server = Server::start();
    for path in [
        "/../Cargo.toml",
        "/%2e%2e%2fCargo.toml",
        "/..%2f..%2fetc%2fpasswd",
        "/etc/passwd",
        "/cellar.sqlite",
        "/page.rs",
        "/api/nothing",
        "/api/photos/..%2f..%2fcellar.sqlite",
        "/api/photos/0000000000000000000000000000000000000000000000000000000000000000",
        "/api/trays/9",
        "/api/loads/none",
        "/api/jobs/..%2fx",
        "/%00",
    ] {
        server.get(path).fault(404);
    }
    for path in ["/api/trays/x", "/api/photos/%ff", "/api/trays/-1"] {
        server.get(path).fault(400);
    }
    server.request("PUT", "/api/loads", "X-Acinus: 1\r\n", b"").fault(405);
}

#[test]
fn other_sites_are_kept_out() {
    let server = Server::start();
    let port = server.running.address().port();
    let ask = |head: &str| server.raw(&format!("{head}Connection: close\r\n\r\n"), b"").status;
    assert_eq!(ask(&format!("GET / HTTP/1.1\r\nHost: localhost:{port}\r\n")), 200);
    assert_eq!(ask(&format!("GET / HTTP/1.1\r\nHost: evil.example:{port}\r\n")), 403);
    assert_eq!(ask("GET / HTTP/1.1\r\nHost: 127.0.0.1:1\r\n"), 403);
    let body = json!({"who": "E", "load": "X", "grower": "E"}).to_string();
    let json = "Content-Type: application/json\r\n";
    let post = |extra: &str| server.request("POST", "/api/loads", extra, body.as_bytes());
    post(json).fault(403);
    post(&format!("X-Acinus: 1\r\nOrigin: http://evil.example\r\n{json}")).fault(403);
    post(&format!("X-Acinus: 1\r\nSec-Fetch-Site: cross-site\r\n{json}")).fault(403);
    post("X-Acinus: 1\r\nContent-Type: text/plain\r\n").fault(415);
    assert!(server.get("/api/loads").ok()["loads"].as_array().unwrap().is_empty());
    let own = format!("X-Acinus: 1\r\nOrigin: http://127.0.0.1:{port}\r\n{json}");
    assert_eq!(post(&own).status, 201);
}

/// Beyond this machine the token is asked for, and the cookie is not for scripts or other sites.
#[test]
fn beyond_this_machine_a_token_is_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    let listen = IpAddr::V4(Ipv4Addr::UNSPECIFIED);
    let running = workbench::start(Settings { listen, ..settings(dir.path()) }).unwrap();
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, running.address().port()));
    let ask = |path: &str, extra: &str| {
        let host = format!("Host: {address}\r\nConnection: close\r\n{extra}");
        speak(address, &format!("GET {path} HTTP/1.1\r\n{host}\r\n"), b"")
    };
    ask("/api/about", "").fault(401);
    ask("/", "").fault(401);
    ask("/?token=0123456789abcdef0123456789abcdef", "").fault(401);
    let token = running.token().unwrap();
    assert!(running.url().ends_with(&format!("?token={token}")));
    let welcome = ask(&format!("/?token={token}"), "");
    assert_eq!(welcome.status, 200);
    let cookie = welcome.header("set-cookie").unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    let shown = format!("Cookie: {}\r\n", cookie.split(';').next().unwrap());
    assert_eq!(ask("/api/about", &shown).status, 200);
}

#[test]
fn a_load_from_the_first_word_to_the_receipt() {
    let server = Server::start();
    assert!(server.post("/api/terms/check", &json!({"terms": "x = 1"})).fault(422).len() > 5);
    server.post("/api/terms/check", &json!({"terms": TERMS})).ok();
    let body = json!({"who": "Ana", "load": "HV 04/17", "grower": "Hill Vineyard",
        "block": "", "variety": "Blue Portugal", "bins": 8, "net_kg": "5400", "terms": TERMS});
    let load = server.post("/api/loads", &body).ok();
    assert_eq!(load["terms"]["name"], "House terms");
    server.post("/api/loads", &body).fault(409);
    let nobody = json!({"who": " ", "load": "X", "grower": "G"});
    server.post("/api/loads", &nobody).fault(422);
    server.post("/api/loads", &json!({"who": "Ana"})).fault(400);
    server.post("/api/loads", &json!({"who": "A", "load": "Y", "grower": "G", "terms": "x"})).fault(422);
    let list = server.get("/api/loads?search=PORTUGAL").ok();
    assert_eq!(list["loads"].as_array().unwrap().len(), 1);
    assert!(server.get("/api/loads?search=zzz").ok()["loads"].as_array().unwrap().is_empty());
    let path = "/api/loads/HV%2004%2F17";
    let seen = server.get(path).ok()["entry"].as_u64().unwrap();
    let plan = json!({"who": "Ana", "seen": seen, "lot": "UNSORTED"});
    let load = server.post(&format!("{path}/plan"), &plan).ok();
    let planned = load["lots"][0]["planned"].as_u64().unwrap();
    assert_eq!(load["lots"][0]["missing"].as_array().unwrap().len() as u64, planned);
    // A second browser that looked before the plan was fixed is told who fixed it.
    let late = json!({"who": "Berta", "seen": seen, "gross_kg": "8000"});
    let refused = server.post(&format!("{path}/delivery"), &late);
    assert!(refused.fault(409).contains("Ana"));
    let told = refused.json();
    assert_eq!(told["changes"].as_array().unwrap().len(), 1);
    let seen = told["entry"].as_u64().unwrap();
    let wrong = json!({"who": "B", "seen": seen, "gross_kg": "8000", "truck_tare_kg": "1",
        "net_kg": "5400"});
    server.post(&format!("{path}/delivery"), &wrong).fault(422);
    let right = json!({"who": "Berta", "seen": seen, "gross_kg": "8000", "truck_tare_kg": "2600",
        "net_kg": "5400", "wet": "dew"});
    let load = server.post(&format!("{path}/delivery"), &right).ok();
    assert_eq!(load["delivery"]["wet"], "dew");
    server.get(&format!("{path}/receipt")).fault(409);
    let seen = load["entry"].as_u64().unwrap();
    let load = server.post(&format!("{path}/close"), &json!({"who": "Ana", "seen": seen})).ok();
    assert_eq!(load["closed"]["who"], "Ana");
    let receipt = server.get(&format!("{path}/receipt"));
    assert!(receipt.header("content-disposition").unwrap().contains("receipt-HV-04-17.json"));
    let file: acinus::receipt::ReceiptFile = serde_json::from_slice(&receipt.body).unwrap();
    let ledger = acinus::ledger::Ledger::open(&server.dir.path().join("cellar.sqlite")).unwrap();
    let checked = acinus::receipt::check(&file, Some(&ledger), None).unwrap();
    assert!(checked.iter().all(|c| c.holds), "{checked:?}");
    let seen = load["entry"].as_u64().unwrap();
    server.post(&format!("{path}/delivery"), &json!({"who": "B", "seen": seen, "why": "x"})).fault(409);
    let history = server.get(&format!("{path}/history")).ok();
    assert_eq!(history["entries"].as_array().unwrap().len(), 6);
}
