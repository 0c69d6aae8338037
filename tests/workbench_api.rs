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
        let dir = tempfile::tempdir().expect("as the interface says");
        Server {
            running: workbench::start(settings(dir.path())).expect("as the interface says"),
            dir,
        }
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
            let state = found["state"].as_str().expect("as the interface says");
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
        let job = self.done(answer["job"].as_str().expect("as the interface says"));
        assert_eq!(job["state"], "recorded", "{job}");
        job["became"]["tray_id"].as_u64().expect("as the interface says")
    }
}

fn speak(address: SocketAddr, head: &str, body: &[u8]) -> Answer {
    let mut stream = TcpStream::connect(address).expect("as the interface says");
    stream.set_read_timeout(Some(Duration::from_secs(60))).expect("as the interface says");
    stream.write_all(head.as_bytes()).expect("as the interface says");
    // A server that has refused already may have closed its end.
    let _ = stream.write_all(body);
    let mut bytes = Vec::new();
    let _ = stream.read_to_end(&mut bytes);
    let at = bytes.windows(4).position(|w| w == b"\r\n\r\n").expect("an answer");
    let headers = String::from_utf8(bytes[..at].to_vec()).expect("as the interface says");
    let status = headers
        .split(' ')
        .nth(1)
        .expect("as the interface says")
        .parse()
        .expect("as the interface says");
    Answer { status, headers, body: bytes[at + 4..].to_vec() }
}

fn sample(name: &str) -> Vec<u8> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("sample-images").join(name);
    std::fs::read(path).expect("as the interface says")
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
    server
        .post("/api/loads", &json!({"who": "A", "load": "Y", "grower": "G", "terms": "x"}))
        .fault(422);
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
    // The same by the command, without the ledger; one figure changed and it does not hold.
    let command = |text: &str| {
        let path = server.dir.path().join("receipt.json");
        std::fs::write(&path, text).unwrap();
        let mut acinus = std::process::Command::new(env!("CARGO_BIN_EXE_acinus"));
        let output = acinus.args(["ledger", "receipt"]).arg(&path).output().unwrap();
        (output.status.code(), String::from_utf8(output.stdout).unwrap())
    };
    let text = String::from_utf8(receipt.body.clone()).unwrap();
    let (code, out) = command(&text);
    assert!(code == Some(0) && out.contains("The receipt of load HV 04/17 holds."), "{out}");
    let (code, out) = command(&text.replace("5400", "5500"));
    assert!(code == Some(1) && out.contains("DOES NOT HOLD"), "{out}");
    let seen = load["entry"].as_u64().unwrap();
    server
        .post(&format!("{path}/delivery"), &json!({"who": "B", "seen": seen, "why": "x"}))
        .fault(409);
    let history = server.get(&format!("{path}/history")).ok();
    assert_eq!(history["entries"].as_array().unwrap().len(), 6);
    // The sheet to sign, issued into the ledger once, however often it is asked for.
    let asked = json!({"who": "Ana", "settings": {"paper": "letter", "units": "us"}});
    for _ in 0..2 {
        let sheet = server.post(&format!("{path}/sheet"), &asked);
        assert_eq!(sheet.header("content-type"), Some("application/pdf"));
        assert!(sheet.header("content-disposition").unwrap().contains("sheet-HV-04-17.pdf"));
        let verified = acinus::sheet::verify::verify(&sheet.body, &ledger).unwrap();
        assert!(verified.holds(), "{verified:?}");
    }
    let history = server.get(&format!("{path}/history")).ok();
    assert_eq!(history["entries"].as_array().unwrap().len(), 7);
    let wrong = json!({"who": "Ana", "settings": {"paper": "a5"}});
    let answer = server.post(&format!("{path}/sheet"), &wrong);
    assert!(answer.fault(400).contains("a5"));
}

/// Follows the event stream on a connection of its own until `enough`, or for a minute.
fn events(server: &Server, enough: impl Fn(&[(String, Value)]) -> bool) -> Vec<(String, Value)> {
    let mut stream = TcpStream::connect(server.running.address()).expect("as the interface says");
    let host = server.running.address();
    let head = format!("GET /api/events HTTP/1.1\r\nHost: {host}\r\n\r\n");
    stream.write_all(head.as_bytes()).expect("as the interface says");
    stream.set_read_timeout(Some(Duration::from_secs(60))).expect("as the interface says");
    let (mut text, mut buffer) = (String::new(), [0u8; 4096]);
    let began = Instant::now();
    loop {
        let n = stream.read(&mut buffer).expect("as the interface says");
        text.push_str(&String::from_utf8_lossy(&buffer[..n]));
        let mut found = Vec::new();
        let mut name = String::new();
        for line in text.lines() {
            if let Some(own) = line.strip_prefix("event: ") {
                name = own.to_owned();
            } else if let Some(data) = line.strip_prefix("data: ")
                && let Ok(data) = serde_json::from_str(data)
            {
                found.push((name.clone(), data));
            }
        }
        if enough(&found) || n == 0 || began.elapsed() > Duration::from_secs(60) {
            return found;
        }
    }
}

/// From a photograph's bytes to outlines on the page, each step told on the way.
#[test]
fn a_photograph_becomes_a_tray_and_every_step_is_told() {
    let server = Server::start();
    server.open("HV-0417");
    let told = std::thread::scope(|scope| {
        let listening = scope.spawn(|| {
            let ended = |e: &[(String, Value)]| {
                let done = e.iter().any(|(n, d)| n == "job" && d["state"] == "recorded");
                done && e.iter().any(|(n, _)| n == "ledger")
            };
            events(&server, ended)
        });
        std::thread::sleep(Duration::from_millis(200));
        server.put("name=t.jpg&who=Ana", &sample("black-unsorted-1.jpg")).ok();
        listening.join().unwrap()
    });
    assert_eq!(told[0].0, "hello");
    let jobs: Vec<&Value> = told.iter().filter(|(n, _)| n == "job").map(|(_, d)| d).collect();
    let steps: Vec<&str> = jobs.iter().filter_map(|j| j["step"].as_str()).collect();
    for step in ["decode", "marks", "floor", "segment", "checks", "measure", "classify"] {
        assert!(steps.contains(&step), "{steps:?}");
    }
    // Quality at once: the findings are there long before the tray is.
    let early = jobs.iter().find(|j| j["step"] == "marks").unwrap();
    assert!(!early["findings"].as_array().unwrap().is_empty());
    assert_eq!(early["state"], "working");
    let ledger = told.iter().find(|(n, _)| n == "ledger").unwrap();
    assert_eq!(ledger.1["changes"][0]["kind"], "tray-recorded");
    let became = &jobs.last().unwrap()["became"];
    let id = became["tray_id"].as_u64().unwrap();
    let tray = server.get(&format!("/api/trays/{id}")).ok();
    let objects = tray["objects"].as_array().unwrap();
    assert_eq!(objects.len() as u64, became["objects"].as_u64().unwrap());
    let fields = tray["fields"].as_array().unwrap().len();
    for object in objects {
        assert_eq!(object["v"].as_array().unwrap().len(), fields);
        let b: Vec<f64> =
            object["box"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
        for line in object["o"].as_array().unwrap() {
            for p in line.as_array().unwrap().chunks(2) {
                let (x, y) = (p[0].as_f64().unwrap(), p[1].as_f64().unwrap());
                let inside =
                    x >= b[0] - 1.0 && x <= b[0] + b[2] && y >= b[1] - 1.0 && y <= b[1] + b[3];
                assert!(inside, "{object}");
            }
        }
        let sum: f64 = object["p"].as_array().unwrap().iter().map(|p| p.as_f64().unwrap()).sum();
        assert!((sum - 1.0).abs() < 1e-3);
    }
    // The same photograph again is known; the picture, crops and the sprite are JPEG.
    let again = server.put("name=u.jpg&who=Ana", &sample("black-unsorted-1.jpg")).ok();
    assert_eq!(server.done(again["job"].as_str().unwrap())["state"], "known");
    let picture = tray["picture"].as_str().unwrap();
    let size = |path: &str| {
        let answer = server.get(path);
        assert_eq!((answer.status, answer.header("content-type")), (200, Some("image/jpeg")));
        let picture = image::load_from_memory(&answer.body).unwrap();
        (picture.width(), picture.height())
    };
    let whole = (tray["size_px"][0].as_u64().unwrap(), tray["size_px"][1].as_u64().unwrap());
    assert_eq!(size(picture), (whole.0 as u32, whole.1 as u32));
    assert_eq!(size(&format!("{picture}?width=700")).0, 800);
    let first = objects[0]["object"].as_u64().unwrap();
    assert_eq!(size(&format!("/api/trays/{id}/crop/{first}?size=128")), (128, 128));
    server.get(&format!("/api/trays/{id}/crop/60000")).fault(422);
    let sprite = tray["sprite"]["url"].as_str().unwrap();
    let rows = objects.len().div_ceil(20) as u32;
    assert_eq!(size(sprite), (20 * 96, rows * 96));
    let load = server.get("/api/loads/HV-0417").ok();
    assert_eq!(load["lots"][0]["trays"][0]["id"], id);
    assert_eq!(load["shares"][0]["rows"].as_array().unwrap().len(), 5);
}

/// What cannot be used is said, with what to do, and nothing is lost.
#[test]
fn photographs_that_cannot_be_used() {
    let server = Server::start();
    server.open("HV-0417");
    let end = |query: &str, bytes: &[u8]| {
        let answer = server.put(query, bytes).ok();
        server.done(answer["job"].as_str().unwrap())
    };
    let blurred = end("name=b.jpg&who=Ana&load=HV-0417", &sample("bad-blurred.jpg"));
    assert_eq!(blurred["state"], "refused", "{blurred}");
    assert!(blurred["findings"].as_array().unwrap().iter().any(|f| f["severity"] == "refusal"));
    assert_eq!(server.get("/api/loads/HV-0417").ok()["refused"].as_array().unwrap().len(), 1);
    let nothing = end("name=n.jpg&who=Ana", b"this is no picture");
    assert_eq!(nothing["state"], "not-recorded");
    // A picture whose header claims more pixels than are ever decoded.
    let mut bomb = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR".to_vec();
    bomb.extend([0, 1, 0x86, 0xA0, 0, 1, 0x86, 0xA0, 8, 2, 0, 0, 0, 0, 0, 0, 0]);
    let bomb = end("name=bomb.png&who=Ana", &bomb);
    assert_eq!(bomb["state"], "not-recorded", "{bomb}");
    server.put("name=x.jpg&who=Ana", b"").fault(400);
    server.put("name=x.jpg&who=%20", b"x").fault(422);
    server.put("who=Ana", b"x").fault(400);
    // What its slip does not say can be said of the kept bytes, without sending them again.
    let unread = end("name=u.jpg&who=Ana", &sample("black-no-marks.jpg"));
    assert!(unread["state"] == "not-recorded" || unread["state"] == "refused", "{unread}");
    let again = format!("/api/jobs/{}/again", nothing["job"].as_str().unwrap());
    let once = server.post(&again, &json!({"who": "Berta", "lot": "WASTE", "tray": "7"})).ok();
    let nothing = server.done(once["job"].as_str().unwrap());
    assert_eq!((&nothing["state"], &nothing["sha256"]), (&json!("not-recorded"), &once["sha256"]));
    server.post(&again, &json!({"who": "Berta"})).fault(404);
    // Not recorded: it stays on the list, and in the archive, until somebody lets it go.
    let job = nothing["job"].as_str().unwrap();
    let gone = server.request("DELETE", &format!("/api/jobs/{job}"), "X-Acinus: 1\r\n", b"");
    assert_eq!(gone.status, 204);
    server.get(&format!("/api/jobs/{job}")).fault(404);
}

/// A photograph that was taken in and not worked on is found again at the next start.
#[test]
fn nothing_is_lost_between_two_starts() {
    let dir = tempfile::tempdir().unwrap();
    let archive = acinus::ledger::archive::Archive::at(dir.path().join("cellar.archive"));
    let sha256 = archive.keep(&sample("black-unsorted-1.jpg")).unwrap();
    // As a power cut leaves it: the bytes are kept, the note beside says what was said of them.
    let note = json!({"name": "t.jpg", "sha256": sha256, "who": "Ana", "why": null,
        "load": "HV-0417", "lot": null, "tray": null, "bin": null, "retake": false});
    let waiting = archive.folder().join("waiting");
    std::fs::create_dir_all(&waiting).unwrap();
    std::fs::write(waiting.join(format!("{sha256}.json")), note.to_string()).unwrap();
    let mut ledger =
        acinus::ledger::Ledger::open_or_begin(&dir.path().join("cellar.sqlite")).unwrap();
    let opened = acinus::ledger::event::LoadOpened {
        load: "HV-0417".into(),
        grower: "Hill Vineyard".into(),
        ..Default::default()
    };
    let by = acinus::ledger::Signed { who: "Ana", why: None };
    ledger.open_load(opened, Default::default(), None, by).unwrap();
    drop(ledger);
    let server = Server { running: workbench::start(settings(dir.path())).unwrap(), dir };
    let jobs = server.get("/api/jobs").ok();
    assert_eq!(
        (&jobs["jobs"][0]["found_again"], &jobs["jobs"][0]["name"]),
        (&json!(true), &json!("t.jpg"))
    );
    let job = server.done(jobs["jobs"][0]["job"].as_str().unwrap());
    assert_eq!(job["state"], "recorded", "{job}");
    assert_eq!(std::fs::read_dir(&waiting).unwrap().count(), 0);
}

/// Middle of an object's box and a line across it.
fn across(object: &Value) -> Vec<[f64; 2]> {
    let b: Vec<f64> = object["box"]
        .as_array()
        .expect("as the interface says")
        .iter()
        .map(|v| v.as_f64().expect("as the interface says"))
        .collect();
    let x = b[0] + b[2] / 2.0;
    vec![[x, b[1] - 5.0], [x, b[1] + b[3] + 5.0]]
}

/// Classes, tags, split, merge, draw, remove; taking back and doing again; the figures follow; the
/// receipt's ledger still verifies.
#[test]
fn a_tray_is_corrected() {
    let server = Server::start();
    server.open("HV-0417");
    let id = server.add("black-unsorted-1.jpg", "");
    let path = format!("/api/trays/{id}");
    let tray = server.get(&path).ok();
    let entry = tray["entry"].as_u64().unwrap();
    let edit = |seen: u64, who: &str, action: Value| {
        let mut body = json!({"who": who, "seen": seen});
        body.as_object_mut().unwrap().extend(action.as_object().unwrap().clone());
        server.post(&format!("{path}/edit"), &body)
    };
    let objects = tray["objects"].as_array().unwrap();
    let count = objects.len() as u64;
    let sound = objects.iter().find(|o| o["class"] == "sound").unwrap();
    let number = sound["object"].as_u64().unwrap();
    let shriveled = |v: &Value| v["shares"]["rows"][1]["count"].as_u64().unwrap();
    let now = |entry: &Value| entry["entry"].as_u64().unwrap();

    let done =
        edit(entry, "Ana", json!({"action": "class", "objects": [number], "class": "shriveled"}))
            .ok();
    assert_eq!(shriveled(&done), shriveled(&tray) + 1);
    assert_eq!(done["objects"][0]["corrected"]["who"], "Ana");
    assert_eq!(done["load"]["shares"][0]["rows"][1]["count"], shriveled(&done));
    // A second browser that looked before is told, and nothing is overwritten.
    let late =
        edit(entry, "Berta", json!({"action": "class", "objects": [number], "class": "debris"}));
    assert!(late.fault(409).contains("Ana"));
    let entry = now(&done);
    edit(entry, "Ana", json!({"action": "class", "objects": [number], "class": "shriveled"}))
        .fault(422);
    edit(entry, "Ana", json!({"action": "class", "objects": [number], "class": "red"})).fault(400);
    let other = objects.iter().find(|o| o["class"] == "sound" && o["object"] != number).unwrap();
    let right = json!({"action": "class", "objects": [other["object"]], "class": "sound"});
    let confirmed = edit(entry, "Ana", right.clone()).ok();
    assert_eq!(confirmed["objects"][0]["corrected"]["who"], "Ana");
    edit(now(&confirmed), "Ana", right).fault(422);
    let entry = now(&edit(now(&confirmed), "Ana", json!({"action": "undo"})).ok());
    edit(entry, "Ana", json!({"action": "class", "objects": [60000], "class": "debris"}))
        .fault(422);
    // Only the author takes a change back.
    edit(entry, "Berta", json!({"action": "undo"})).fault(409);
    let undone = edit(entry, "Ana", json!({"action": "undo"})).ok();
    assert_eq!(shriveled(&undone), shriveled(&tray));
    let redone = edit(now(&undone), "Berta", json!({"action": "redo"})).ok();
    assert_eq!(shriveled(&redone), shriveled(&tray) + 1);
    let tagged = edit(
        now(&redone),
        "Ana",
        json!({"action": "tags", "object": number, "tags": ["hail", "split"]}),
    )
    .ok();
    assert_eq!(tagged["objects"][0]["tags"], json!(["hail", "split"]));

    // Split: two new objects, measured by the library, together about as large.
    let entry = now(&tagged);
    let miss = json!({"action": "split", "object": number, "line": [[0.0, 0.0], [5.0, 5.0]]});
    edit(entry, "Ana", miss).fault(422);
    let cut = json!({"action": "split", "object": number, "line": across(sound)});
    let parts = edit(entry, "Ana", cut).ok();
    assert_eq!(parts["gone"], json!([number]));
    let come = parts["objects"].as_array().unwrap();
    assert_eq!(come.len(), 2);
    let area =
        tray["fields"].as_array().unwrap().iter().position(|f| f["key"] == "area_px").unwrap();
    let px = |o: &Value| o["v"][area].as_f64().unwrap();
    assert_eq!(come.iter().map(px).sum::<f64>(), px(sound));
    assert!(come.iter().all(|o| o["drawn"] == true && !o["o"].as_array().unwrap().is_empty()));
    let numbers: Vec<u64> = come.iter().map(|o| o["object"].as_u64().unwrap()).collect();
    assert!(numbers.iter().all(|n| *n > count));

    let merged = edit(now(&parts), "Ana", json!({"action": "merge", "objects": numbers})).ok();
    assert_eq!(merged["objects"].as_array().unwrap().len(), 1);
    let back = edit(now(&merged), "Ana", json!({"action": "undo"})).ok();
    let back = edit(now(&back), "Ana", json!({"action": "undo"})).ok();
    // As it was, to the pixel and to the digit.
    let again = server.get(&path).ok();
    let own = |t: &Value| {
        t["objects"].as_array().unwrap().iter().find(|o| o["object"] == number).cloned().unwrap()
    };
    assert_eq!(
        (own(&again)["o"].clone(), own(&again)["v"].clone()),
        (sound["o"].clone(), sound["v"].clone())
    );
    assert_eq!(again["objects"].as_array().unwrap().len() as u64, count);

    let gone = edit(now(&back), "Ana", json!({"action": "remove", "objects": [number]})).ok();
    assert_eq!(gone["gone"], json!([number]));
    // Drawn anew around the same place: the hole is filled again.
    let outline: Vec<Value> =
        sound["o"][0].as_array().unwrap().chunks(2).map(|p| json!(p)).collect();
    let drawn = json!({"action": "draw", "polygon": outline, "class": "debris"});
    let drawn = edit(now(&gone), "Ana", drawn).ok();
    assert_eq!(drawn["objects"][0]["class"], "debris");
    assert!((px(&drawn["objects"][0]) / px(sound) - 1.0).abs() < 0.05);
    let far = json!({"action": "merge", "objects": [1, count]});
    edit(now(&drawn), "Ana", far).fault(422);
    edit(now(&drawn), "Ana", json!({"action": "fly"})).fault(400);

    let ledger = acinus::ledger::Ledger::open(&server.dir.path().join("cellar.sqlite")).unwrap();
    assert_eq!(ledger.verify(None).unwrap().faults, []);
    // A new start shows the same, from the ledger and the archive alone.
    let before = server.get(&path).ok();
    let Server { running, dir } = server;
    drop(running);
    let server = Server { running: workbench::start(settings(dir.path())).unwrap(), dir };
    let after = server.get(&path).ok();
    for key in ["objects", "undo", "redo", "shares"] {
        assert_eq!(after[key], before[key], "{key}");
    }
}

/// A retaken tray's page says so and names the one that counts.
#[test]
fn a_retake_takes_the_place() {
    let server = Server::start();
    server.open("HV-0417");
    let first = server.add("black-unsorted-1.jpg", "");
    let tray = server.get(&format!("/api/trays/{first}")).ok();
    let number = tray["tray"].as_u64().unwrap();
    let where_ = format!("&load=HV-0417&lot=UNSORTED&tray={number}&retake=1&why=a%20leaf");
    let query = format!("name=r.jpg&who=Ana{where_}");
    // Another photograph of the same slip: the sample re-encoded.
    let picture = image::load_from_memory(&sample("black-unsorted-1.jpg")).unwrap();
    let mut bytes = Vec::new();
    picture.write_to(&mut std::io::Cursor::new(&mut bytes), image::ImageFormat::Png).unwrap();
    let answer = server.put(&query, &bytes).ok();
    let job = server.done(answer["job"].as_str().unwrap());
    assert_eq!(job["state"], "recorded", "{job}");
    let old = server.get(&format!("/api/trays/{first}"));
    old.fault(410);
    assert_eq!(old.json()["now"], job["became"]["tray_id"]);
}

/// Both parties, from the draw to the frozen figures; what each saw stays hidden until both are done.
#[test]
fn two_parties_agree() {
    let server = Server::start();
    let body = json!({"who": "Ana", "load": "HV-0417", "grower": "Hill Vineyard", "bins": 8,
        "net_kg": "5400", "terms": TERMS});
    server.post("/api/loads", &body).ok();
    let id = server.add("black-unsorted-1.jpg", "");
    let seen = server.get("/api/loads/HV-0417").ok()["entry"].clone();
    let names = json!({"who": "Ana", "seen": seen, "grower": "Marisol", "winery": "Cellar One",
        "objects": "all"});
    let review = server.post("/api/loads/HV-0417/reviews", &names).ok();
    assert_eq!((&review["state"], &review["whole"]), (&json!("judging"), &json!(true)));
    let path = format!("/api/reviews/{}", review["review"]);
    let of = review["drawn"].as_u64().unwrap();
    server.post("/api/loads/HV-0417/reviews", &names).fault(409);
    // Meanwhile nothing of the lot changes.
    let edit = json!({"who": "Ana", "seen": review["entry"], "action": "class", "objects": [1], "class": "debris"});
    server.post(&format!("/api/trays/{id}/edit"), &edit).fault(409);

    let sit = |party: &str, again: bool| {
        let body = json!({"party": party, "who": format!("{party} eyes"), "again": again});
        server.post(&format!("{path}/seat"), &body)
    };
    let key = |answer: Answer| answer.ok()["key"].as_str().unwrap().to_owned();
    let (first, winery) = (key(sit("grower", false)), key(sit("winery", false)));
    sit("grower", false).fault(409);
    let grower = key(sit("grower", true));
    let objects = |seat: &str| {
        server.request(
            "GET",
            &format!("{path}/objects"),
            &format!("X-Acinus-Seat: {seat}\r\n"),
            b"",
        )
    };
    objects(&first).fault(403);
    objects("").fault(403);
    let list = objects(&grower).ok()["objects"].as_array().unwrap().clone();
    assert_eq!(list.len() as u64, of);
    // Blind: nothing of the program's class or the other party's.
    for key in ["class", "read", "p", "winery", "human"] {
        assert!(list[0].get(key).is_none(), "{key}");
    }
    let judge = |seat: &str, who: &str, judged: Value| {
        server.post_seated(&format!("{path}/judge"), &json!({"who": who, "judged": judged}), seat)
    };
    let word = |i: usize, odd: usize| if i % odd == 3 { "shriveled" } else { "sound" };
    for (seat, who, odd) in [(&grower, "G", 20), (&winery, "W", 40)] {
        let early = server.post_seated(&format!("{path}/finish"), &json!({"who": who}), seat);
        early.fault(409);
        for (k, batch) in list.chunks(50).enumerate() {
            let judged: Vec<Value> = batch
                .iter()
                .enumerate()
                .map(|(i, o)| {
                    json!({"tray_id": o["tray_id"], "object": o["object"],
                        "human": word(50 * k + i, odd), "tags": ["sunburnt"]})
                })
                .collect();
            judge(seat, who, json!(judged)).ok();
        }
        server.get(&format!("{path}/agreement")).fault(409);
        // No answer shows a judgement to anyone but its own party.
        let open = server.get("/api/loads/HV-0417/history").ok();
        assert!(
            !open.to_string().contains("party-judged") && !open.to_string().contains("sunburnt")
        );
        if who == "G" {
            let other = objects(&winery).ok();
            assert!(other["objects"].as_array().unwrap().iter().all(|o| o["judged"].is_null()));
        }
        server.post_seated(&format!("{path}/finish"), &json!({"who": who}), seat).ok();
    }
    judge(&grower, "G", json!([{"tray_id": id, "object": 1, "human": "debris"}])).fault(409);
    let agreement = server.get(&format!("{path}/agreement")).ok();
    let differing = agreement["differing"].as_array().unwrap();
    let expected = (0..of as usize).filter(|i| word(*i, 20) != word(*i, 40)).count();
    assert_eq!(differing.len(), expected);
    assert_eq!(agreement["agreed"].as_u64().unwrap(), of - expected as u64);
    // Money by the contract: more shriveled by the grower's eyes, so less is paid.
    let amount = |k: &str| agreement["money"][k].as_str().unwrap().parse::<f64>().unwrap();
    assert!(amount("grower") < amount("winery"));
    assert!((amount("grower") - amount("winery") - amount("difference")).abs() < 0.005);

    let accept = |seat: &str, seen: &Value, figures: &Value| {
        let body = json!({"who": "X", "seen": seen, "figures": figures});
        server.post_seated(&format!("{path}/accept"), &body, seat)
    };
    accept(&grower, &agreement["entry"], &agreement["figures_now"]["sha256"]).fault(409);
    let settled: Vec<Value> = differing
        .iter()
        .map(|d| json!({"tray_id": d["tray_id"], "object": d["object"], "human": "nothing"}))
        .collect();
    let body = json!({"who": "both", "seen": agreement["entry"], "settled": settled});
    let agreement = server.post(&format!("{path}/settle"), &body).ok();
    assert_eq!(agreement["unsettled"], 0);
    let figures = &agreement["figures_now"]["sha256"];
    accept(&grower, &agreement["entry"], &json!("0".repeat(64))).fault(409);
    let one = accept(&grower, &agreement["entry"], figures).ok();
    assert_eq!((&one["state"], &one["closed"]), (&json!("settling"), &json!(false)));
    let both = accept(&winery, &one["entry"], figures).ok();
    assert_eq!((&both["state"], &both["closed"]), (&json!("agreed"), &json!(true)));
    // What was settled as no object is none, and the closed figures are those that were accepted.
    let load = server.get("/api/loads/HV-0417").ok();
    assert_eq!(load["shares"][0]["objects"].as_u64().unwrap(), of - expected as u64);
    assert!(!load["cautions"].to_string().contains("another version"), "{}", load["cautions"]);
    let receipt = server.get("/api/loads/HV-0417/receipt");
    let file: acinus::receipt::ReceiptFile = serde_json::from_slice(&receipt.body).unwrap();
    assert_eq!(file.closing.body["sealed"]["parties"]["sha256"], *figures);
    let ledger = acinus::ledger::Ledger::open(&server.dir.path().join("cellar.sqlite")).unwrap();
    let checked = acinus::receipt::check(&file, Some(&ledger), None).unwrap();
    assert!(checked.len() == 4 && checked.iter().all(|c| c.holds), "{checked:?}");
    let closed = acinus::dossier::of_load(&ledger, "HV-0417").unwrap();
    let now = acinus::parties::figures(&closed, "UNSORTED");
    assert_eq!(json!(acinus::parties::hash(&now).unwrap()), *figures);
}

/// Where they do not agree, both figures stay.
#[test]
fn two_parties_do_not_agree() {
    let server = Server::start();
    server.open("HV-0417");
    server.add("black-unsorted-1.jpg", "");
    let seen = server.get("/api/loads/HV-0417").ok()["entry"].clone();
    let begin = |seen: &Value| {
        let names = json!({"who": "Ana", "seen": seen, "grower": "Marisol", "winery": "Cellar",
            "objects": 12});
        server.post("/api/loads/HV-0417/reviews", &names).ok()
    };
    let review = begin(&seen);
    let path = format!("/api/reviews/{}", review["review"]);
    let gone = json!({"who": "Ana", "seen": review["entry"]});
    server.post(&format!("{path}/give-up"), &gone).fault(409);
    let gone = json!({"who": "Ana", "seen": review["entry"], "why": "rain"});
    let over = server.post(&format!("{path}/give-up"), &gone).ok();
    assert_eq!(over["state"], "given-up");
    let review = begin(&over["entry"]);
    assert_eq!(review["drawn"], 12);
    let path = format!("/api/reviews/{}", review["review"]);
    let mut seats = Vec::new();
    for (party, human) in [("grower", "sound"), ("winery", "debris")] {
        let sat = json!({"party": party, "who": party});
        let key =
            server.post(&format!("{path}/seat"), &sat).ok()["key"].as_str().unwrap().to_owned();
        let list = server
            .request("GET", &format!("{path}/objects"), &format!("X-Acinus-Seat: {key}\r\n"), b"")
            .ok();
        let judged: Vec<Value> = list["objects"]
            .as_array()
            .unwrap()
            .iter()
            .map(|o| json!({"tray_id": o["tray_id"], "object": o["object"], "human": human}))
            .collect();
        let body = json!({"who": party, "judged": judged});
        server.post_seated(&format!("{path}/judge"), &body, &key).ok();
        server.post_seated(&format!("{path}/finish"), &json!({"who": party}), &key).ok();
        seats.push(key);
    }
    let agreement = server.get(&format!("{path}/agreement")).ok();
    assert_eq!(
        (&agreement["agreed"], &agreement["no_money"]),
        (&json!(0), &json!("no contract is fixed"))
    );
    let body = json!({"who": "W", "seen": agreement["entry"], "why": "another scale"});
    let over = server.post_seated(&format!("{path}/refuse"), &body, &seats[1]).ok();
    assert_eq!((&over["state"], &over["closed"]), (&json!("not-agreed"), &json!(true)));
    let receipt = server.get("/api/loads/HV-0417/receipt").ok();
    let sealed = &receipt["closing"]["body"]["sealed"]["parties"];
    assert_eq!(sealed["winery"]["refused"]["why"], "another scale");
    assert!(sealed["figures"].is_null());
    for party in ["grower", "winery"] {
        assert_eq!(sealed[party]["figures"]["shares_by_mass"].as_array().unwrap().len(), 5);
    }
}

/// Streams, comparison, what-if, and a profile taught and adopted.
#[test]
fn streams_what_if_and_teaching() {
    let server = Server::start();
    server.open("HV-0417");
    let path = "/api/loads/HV-0417";
    server.get(&format!("{path}/streams")).fault(422);
    let ids: Vec<u64> = ["black-unsorted-1.jpg", "black-sorted-1.jpg", "black-waste-1.jpg"]
        .iter()
        .map(|name| server.add(name, ""))
        .collect();
    let streams = server.get(&format!("{path}/streams?unsorted_kg=1000&waste_kg=100")).ok();
    assert_eq!(streams["streams"].as_array().unwrap().len(), 3);
    let pair = server.get(&format!("{path}/compare?first=UNSORTED&second=SORTED&basis=count")).ok();
    assert_eq!(pair["differences"].as_array().unwrap().len(), 5);
    server.get(&format!("{path}/compare?first=UNSORTED&second=NONE")).fault(422);
    server.get(&format!("{path}/compare?first=UNSORTED&second=SORTED&basis=x")).fault(400);
    let asked = |body: Value| server.post(&format!("{path}/what-if"), &body);
    let strict = asked(json!({"lot": "WASTE", "rule": {"reject_probability": 0.999_999}})).ok();
    let lenient = asked(json!({"lot": "WASTE", "rule": {"reject_probability": 0.000_001}})).ok();
    let picked = |v: &Value| v["picked"][0]["objects"].as_array().unwrap().len() as u64;
    assert!(picked(&strict) < picked(&lenient));
    assert_eq!(picked(&lenient), lenient["picks"]["picked"].as_u64().unwrap());
    assert_eq!(lenient["picked"][0]["tray_id"], ids[2]);
    asked(json!({"machine": {"belt_m_s": -1.0}})).fault(422);
    asked(json!({"rule": {"speed": 1}})).fault(400);

    let teach = server.get("/api/teach").ok();
    assert_eq!(teach["trays"].as_array().unwrap().len(), 3);
    let begin = |trays: &[u64], name: &str| {
        server.post("/api/teach", &json!({"who": "Ana", "profile": name, "trays": trays}))
    };
    begin(&ids[..1], "mine").fault(422);
    begin(&ids, teach["current"].as_str().unwrap()).fault(422);
    assert_eq!(begin(&ids, "mine").status, 202);
    let began = Instant::now();
    let result = loop {
        let now = server.get("/api/teach").ok();
        assert!(now["failed"].is_null() && began.elapsed() < Duration::from_secs(120), "{now}");
        if now["running"].is_null() {
            break now["result"].clone();
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    for side in ["old", "new"] {
        let table = result[side]["confusion"].as_array().unwrap();
        let sum: u64 =
            table.iter().flat_map(|r| r.as_array().unwrap()).map(|n| n.as_u64().unwrap()).sum();
        assert_eq!(sum, result["objects"].as_u64().unwrap());
        assert!(result[side]["accuracy"].as_f64().unwrap() > 0.8, "{result}");
    }
    let decide = |sha256: &Value| {
        let body = json!({"who": "Ana", "sha256": sha256, "adopt": true});
        server.post("/api/teach/decide", &body)
    };
    decide(&json!("0".repeat(64))).fault(409);
    assert_eq!(decide(&result["sha256"]).ok()["current"], "mine");
    decide(&result["sha256"]).fault(409);
    // The next photograph is read with it; an edit of an old tray still goes by the old one.
    let new = server.add("black-unsorted-2.jpg", "");
    assert_eq!(server.get(&format!("/api/trays/{new}")).ok()["profile"], "mine");
    let old = server.get(&format!("/api/trays/{}", ids[0])).ok();
    let first = &old["objects"][0];
    let cut = json!({"who": "Ana", "seen": old["entry"], "action": "split",
        "object": first["object"], "line": across(first)});
    server.post(&format!("/api/trays/{}/edit", ids[0]), &cut).ok();
    let (profile, dir) = (old["profile"].clone(), server.dir);
    drop(server.running);
    let server = Server { running: workbench::start(settings(dir.path())).unwrap(), dir };
    assert_eq!(server.get("/api/about").ok()["profile"], "mine");
    assert_ne!(profile, "mine");
}
