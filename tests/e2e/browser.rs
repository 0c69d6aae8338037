//! A browser to test with: Debian's Chromium through WebDriver (W3C Recommendation, 2018), spoken over
//! plain HTTP to Debian's chromedriver.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use serde_json::{Value, json};

use super::http::request;

const CHROMIUM: &str = "/usr/bin/chromium";
const CHROMEDRIVER: &str = "/usr/bin/chromedriver";
/// How long anything on the page may take before a test gives up. No figure is judged by it.
const PATIENCE: Duration = Duration::from_secs(30);
/// The key by which WebDriver names an element in JSON (section 12 of the Recommendation).
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";
const AXE: &str = include_str!("../data/axe.min.js");

/// Keys as WebDriver writes them (section 17.4.2).
pub mod key {
    pub const DELETE: char = '\u{e017}';
}

/// One window of a browser of its own, closed when dropped.
pub struct Browser {
    driver: Child,
    port: u16,
    session: String,
    _profile: tempfile::TempDir,
}

impl Browser {
    pub fn open() -> Browser {
        let mut driver = Command::new(CHROMEDRIVER)
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver (Debian's chromium-driver) starts");
        let mut lines = BufReader::new(driver.stdout.take().expect("its output")).lines();
        let port = lines
            .find_map(|line| {
                let line = line.ok()?;
                let (_, rest) = line.split_once("started successfully on port ")?;
                rest.trim_end_matches('.').trim().parse().ok()
            })
            .expect("chromedriver says its port");
        // Its output is read on, so that it is never held up by a full pipe.
        std::thread::spawn(move || lines.for_each(drop));
        let profile = tempfile::tempdir().expect("folder for the browser");
        let mut browser = Browser { driver, port, session: String::new(), _profile: profile };
        let folder = format!("--user-data-dir={}", browser._profile.path().display());
        let wishes = json!({"capabilities": {"alwaysMatch": {
            "goog:loggingPrefs": {"browser": "ALL"},
            "goog:chromeOptions": {"binary": CHROMIUM, "args": [
                "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run",
                "--disable-background-networking", "--disable-component-update",
                "--disable-sync", "--hide-scrollbars", "--window-size=1280,800", folder,
            ]},
        }}});
        let made = browser.call("POST", "/session", &wishes);
        browser.session = made["sessionId"].as_str().expect("a session").to_owned();
        browser
    }

    fn call(&self, method: &str, path: &str, body: &Value) -> Value {
        let bytes = if method == "GET" { Vec::new() } else { body.to_string().into_bytes() };
        let headers = [("Content-Type", "application/json")];
        let answer = request(self.port, method, path, &headers, &bytes).expect("chromedriver");
        let value: Value = serde_json::from_slice(&answer.body).expect("JSON of chromedriver");
        assert!(answer.status < 400, "{method} {path}: {}", value["value"]["message"]);
        value["value"].clone()
    }

    fn within(&self, method: &str, path: &str, body: &Value) -> Value {
        self.call(method, &format!("/session/{}{path}", self.session), body)
    }

    /// Loads the page anew and waits until it is there.
    pub fn reload(&self) {
        self.within("POST", "/refresh", &json!({}));
    }

    pub fn go(&self, address: &str) {
        self.within("POST", "/url", &json!({"url": address}));
    }

    /// Runs a function's body in the page; `arguments[0]…` are `args`.
    pub fn run(&self, script: &str, args: &[Value]) -> Value {
        self.within("POST", "/execute/sync", &json!({"script": script, "args": args}))
    }

    /// The same for a body that calls its last argument with the answer.
    pub fn run_async(&self, script: &str) -> Value {
        self.within("POST", "/execute/async", &json!({"script": script, "args": []}))
    }

    /// The value of an expression in the page.
    pub fn value(&self, expression: &str) -> Value {
        self.run(&format!("return ({expression})"), &[])
    }

    /// Waits until an expression is true in the page.
    pub fn wait(&self, expression: &str) {
        let end = Instant::now() + PATIENCE;
        while !self.value(&format!("Boolean({expression})")).as_bool().unwrap_or(false) {
            if Instant::now() > end {
                self.picture("gave-up");
                panic!("waited in vain for {expression}\n{}\n{:?}", self.text("main"), self.log());
            }
            std::thread::sleep(Duration::from_millis(25));
        }
    }

    /// Waits for an element.
    pub fn find(&self, selector: &str) {
        self.wait(&format!("document.querySelector({})", json!(selector)));
    }

    /// Waits until an element's words contain some.
    pub fn says(&self, selector: &str, words: &str) {
        self.wait(&format!(
            "document.querySelector({})?.textContent.includes({})",
            json!(selector),
            json!(words)
        ));
    }

    pub fn text(&self, selector: &str) -> String {
        let found = self.value(&format!("document.querySelector({})?.innerText", json!(selector)));
        found.as_str().unwrap_or_default().to_owned()
    }

    pub fn count(&self, selector: &str) -> u64 {
        let all = format!("document.querySelectorAll({}).length", json!(selector));
        self.value(&all).as_u64().unwrap_or(0)
    }

    fn element(&self, selector: &str) -> String {
        self.find(selector);
        let found = self.value(&format!("document.querySelector({})", json!(selector)));
        // Gone again since: the caller's next try finds the fresh one.
        found[ELEMENT].as_str().unwrap_or("none").to_owned()
    }

    /// Clicks as a person does: into view, and not through what lies over it.
    pub fn click(&self, selector: &str) {
        self.on_element(selector, "click", &json!({}));
    }

    /// Types into a field, in place of what it holds.
    pub fn fill(&self, selector: &str, text: &str) {
        self.on_element(selector, "clear", &json!({}));
        self.on_element(selector, "value", &json!({"text": text}));
    }

    /// Does something to an element; again with the fresh one when the page has put another in its
    /// place meanwhile, or while something still lies over it.
    fn on_element(&self, selector: &str, what: &str, body: &Value) {
        let end = Instant::now() + PATIENCE;
        loop {
            let element = self.element(selector);
            let path = format!("/session/{}/element/{element}/{what}", self.session);
            let headers = [("Content-Type", "application/json")];
            let body = body.to_string();
            let answer = request(self.port, "POST", &path, &headers, body.as_bytes());
            let answer = answer.expect("chromedriver");
            if answer.status < 400 {
                return;
            }
            assert!(Instant::now() < end, "{selector}: {}", String::from_utf8_lossy(&answer.body));
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Chooses files in a file field.
    pub fn choose(&self, selector: &str, files: &[&Path]) {
        let element = self.element(selector);
        let names: Vec<String> = files.iter().map(|f| f.display().to_string()).collect();
        let path = format!("/element/{element}/value");
        self.within("POST", &path, &json!({"text": names.join("\n")}));
    }

    /// Presses keys one after another.
    pub fn keys(&self, keys: impl IntoIterator<Item = char>) {
        let strokes: Vec<Value> = keys
            .into_iter()
            .flat_map(|k| [("keyDown", k), ("keyUp", k)])
            .map(|(kind, k)| json!({"type": kind, "value": k}))
            .collect();
        let actions = json!({"actions": [{"type": "key", "id": "keys", "actions": strokes}]});
        self.within("POST", "/actions", &actions);
    }

    /// Presses at the first place, moves through the others, lets go at the last. With one place: a
    /// tap. `kind`: `mouse` or `touch`.
    pub fn drag(&self, kind: &str, places: &[(f64, f64)]) {
        let mut steps = Vec::new();
        for (i, (x, y)) in places.iter().enumerate() {
            let long = if i == 0 { 0 } else { 25 };
            let (x, y) = (x.round() as i64, y.round() as i64);
            steps.push(json!({"type": "pointerMove", "duration": long, "x": x, "y": y}));
            if i == 0 {
                steps.push(json!({"type": "pointerDown", "button": 0}));
            }
        }
        steps.push(json!({"type": "pointerUp", "button": 0}));
        self.pointer(&[(kind, steps)]);
    }

    /// Moves the mouse there, nothing pressed.
    pub fn hover(&self, (x, y): (f64, f64)) {
        let step = json!({"type": "pointerMove", "duration": 0, "x": x.round() as i64, "y": y.round() as i64});
        self.pointer(&[("mouse", vec![step])]);
    }

    /// Two fingers from a distance to another, around a place.
    pub fn pinch(&self, (x, y): (f64, f64), from: f64, to: f64) {
        let finger = |side: f64| {
            let at = |apart: f64, long: u32| json!({"type": "pointerMove", "duration": long, "x": (x + side * apart).round() as i64, "y": y.round() as i64});
            let mut steps = vec![at(from, 0), json!({"type": "pointerDown", "button": 0})];
            steps.extend((1..=6).map(|i| at(from + (to - from) * f64::from(i) / 6.0, 20)));
            steps.push(json!({"type": "pointerUp", "button": 0}));
            ("touch", steps)
        };
        self.pointer(&[finger(-0.5), finger(0.5)]);
    }

    fn pointer(&self, hands: &[(&str, Vec<Value>)]) {
        let actions: Vec<Value> = hands
            .iter()
            .enumerate()
            .map(|(i, (kind, steps))| {
                json!({"type": "pointer", "id": format!("{kind}{i}"), "parameters": {"pointerType": kind}, "actions": steps})
            })
            .collect();
        self.within("POST", "/actions", &json!({"actions": actions}));
    }

    fn protocol(&self, command: &str, params: &Value) {
        self.within("POST", "/goog/cdp/execute", &json!({"cmd": command, "params": params}));
    }

    pub fn size(&self, width: u32, height: u32) {
        let params =
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false});
        self.protocol("Emulation.setDeviceMetricsOverride", &params);
    }

    /// What the device prefers: `light` or `dark`.
    pub fn prefer(&self, scheme: &str) {
        // Little motion is preferred too, so that a test need not wait for what glides.
        let params = json!({"features": [
            {"name": "prefers-color-scheme", "value": scheme},
            {"name": "prefers-reduced-motion", "value": "reduce"},
        ]});
        self.protocol("Emulation.setEmulatedMedia", &params);
    }

    /// Everything the page and the browser complained about.
    pub fn log(&self) -> Vec<String> {
        let entries = self.within("POST", "/se/log", &json!({"type": "browser"}));
        let entries = entries.as_array().cloned().unwrap_or_default();
        entries.iter().map(|e| e["message"].as_str().unwrap_or_default().to_owned()).collect()
    }

    /// A picture of the window, kept with the build for whoever wants to look.
    pub fn picture(&self, name: &str) {
        let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/workbench-screens");
        std::fs::create_dir_all(&dir).expect("folder of pictures");
        let png = self.within("GET", "/screenshot", &Value::Null);
        let png = BASE64.decode(png.as_str().expect("a picture")).expect("base64");
        std::fs::write(dir.join(format!("{name}.png")), png).expect("picture");
    }

    /// Waits until what was asked for is drawn: a frame to lay it out, a frame to draw it.
    pub fn settle(&self) {
        self.run_async(
            "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 60)))",
        );
    }

    /// Pictures of the page in light and dark, upright and wide tablet, and the accessibility check
    /// (axe-core: WCAG 2.1, levels A and AA) in both colours. The page is left light and wide.
    pub fn look(&self, name: &str) {
        self.look_at(name, "body");
    }

    /// The same with an element in view.
    pub fn look_at(&self, name: &str, selector: &str) {
        for scheme in ["dark", "light"] {
            self.prefer(scheme);
            for (shape, width, height) in [("upright", 800, 1280), ("wide", 1280, 800)] {
                self.size(width, height);
                self.run(
                    "document.querySelector(arguments[0]).scrollIntoView({ block: 'start' })",
                    &[json!(selector)],
                );
                self.settle();
                self.picture(&format!("{name}-{scheme}-{shape}"));
                let (inner, outer) = (
                    self.value("document.documentElement.scrollWidth"),
                    self.value("document.documentElement.clientWidth"),
                );
                assert!(inner.as_f64() <= outer.as_f64(), "{name} {shape}: wider than its window");
            }
            let broken = self.accessibility();
            assert!(broken.is_empty(), "{name}, {scheme}: {broken:#?}");
        }
    }

    fn accessibility(&self) -> Vec<String> {
        if !self.value("Boolean(window.axe)").as_bool().unwrap_or(false) {
            self.run(&format!("{AXE}\n;return 1"), &[]);
        }
        let found = self.run_async(
            "const done = arguments[0];
             axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa'] })
               .then((r) => done(r.violations.map((v) => v.id + ': ' + v.nodes.map((n) => n.html + ' ' + n.failureSummary).join(' | '))))
               .catch((e) => done(['axe: ' + e]))",
        );
        let found = found.as_array().cloned().unwrap_or_default();
        found.iter().map(|v| v.as_str().unwrap_or_default().to_owned()).collect()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Ended politely, so that Chromium's own processes end with it.
        let path = format!("/session/{}", self.session);
        let _ = request(self.port, "DELETE", &path, &[], b"");
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}
