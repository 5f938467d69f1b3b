//! A headless Chromium, told what to do by the DevTools protocol over two pipes, so that no port is opened and no other
//! program is needed.

use std::io::{BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

const PATIENCE: Duration = Duration::from_secs(60);

/// Where a Chromium is: `BLOCKWRIGHT_CHROMIUM`, or the usual names in the path. Where tests must not be left out, its
/// lack is a failure.
pub fn find() -> Option<PathBuf> {
    let named = std::env::var_os("BLOCKWRIGHT_CHROMIUM").map(PathBuf::from);
    let folders = std::env::var_os("PATH").unwrap_or_default();
    let found = named.or_else(|| {
        ["chromium", "chromium-browser", "google-chrome"]
            .iter()
            .flat_map(|name| std::env::split_paths(&folders).map(move |folder| folder.join(name)))
            .find(|path| path.is_file())
    });
    if found.is_none() {
        assert!(
            std::env::var_os("CI").is_none(),
            "no chromium, and this run may leave nothing out"
        );
        println!("skipped: no chromium");
    }
    found
}

pub struct Browser {
    child: Child,
    to: ChildStdin,
    from: Receiver<Value>,
    next: u64,
    session: String,
    /// What the browser told by itself since the start.
    pub events: Vec<Value>,
    _profile: tempfile::TempDir,
}

impl Browser {
    pub fn start(program: &Path) -> Browser {
        let profile = tempfile::tempdir().expect("a folder for the profile");
        let mut child = Command::new("sh")
            // The browser listens on descriptor 3 and answers on 4.
            .args([
                "-c",
                r#"exec "$0" "$@" 3<&0 4>&1 0</dev/null 1>/dev/null 2>/dev/null"#,
            ])
            .arg(program)
            .args([
                "--headless=new",
                "--remote-debugging-pipe",
                "--no-sandbox",
                "--disable-gpu",
            ])
            .args([
                "--no-first-run",
                "--disable-dev-shm-usage",
                "--disable-background-networking",
            ])
            .args([
                "--disable-component-update",
                "--disable-sync",
                "--hide-scrollbars",
                "--lang=en",
            ])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .arg("about:blank")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the browser starts");
        let to = child.stdin.take().expect("piped");
        let mut stdout = BufReader::new(child.stdout.take().expect("piped"));
        let (sender, from) = channel();
        std::thread::spawn(move || {
            let mut message = Vec::new();
            let mut buffer = [0; 1 << 16];
            while let Ok(count @ 1..) = stdout.read(&mut buffer) {
                for byte in &buffer[..count] {
                    if *byte != 0 {
                        message.push(*byte);
                        continue;
                    }
                    let value = serde_json::from_slice(&message).expect("JSON");
                    message.clear();
                    if sender.send(value).is_err() {
                        return;
                    }
                }
            }
        });
        let mut browser = Browser {
            child,
            to,
            from,
            next: 0,
            session: String::new(),
            events: vec![],
            _profile: profile,
        };
        let made = browser.call("Target.createTarget", json!({ "url": "about:blank" }));
        let attached = browser.call(
            "Target.attachToTarget",
            json!({ "targetId": made["targetId"], "flatten": true }),
        );
        browser.session = attached["sessionId"]
            .as_str()
            .expect("a session")
            .to_owned();
        for domain in ["Page", "Runtime", "Log", "Network"] {
            browser.call(&format!("{domain}.enable"), json!({}));
        }
        browser
    }

    pub fn call(&mut self, method: &str, parameters: Value) -> Value {
        self.next += 1;
        let id = self.next;
        let mut message = json!({ "id": id, "method": method, "params": parameters });
        if !self.session.is_empty() {
            message["sessionId"] = json!(self.session);
        }
        self.to
            .write_all(message.to_string().as_bytes())
            .expect("the browser listens");
        self.to.write_all(&[0]).expect("the browser listens");
        loop {
            let answer = self
                .from
                .recv_timeout(PATIENCE)
                .unwrap_or_else(|_| panic!("no answer to {method}"));
            if answer["id"] == json!(id) {
                assert!(answer["error"].is_null(), "{method}: {}", answer["error"]);
                return answer["result"].clone();
            }
            if answer["method"] == "Page.javascriptDialogOpening" {
                panic!("a dialog opened: {}", answer["params"]["message"]);
            }
            self.events.push(answer);
        }
    }

    /// The value of an expression; promises are waited for.
    pub fn eval(&mut self, expression: &str) -> Value {
        let answer = self.call(
            "Runtime.evaluate",
            json!({ "expression": expression, "awaitPromise": true, "returnByValue": true }),
        );
        assert!(
            answer["exceptionDetails"].is_null(),
            "{expression}: {}",
            answer["exceptionDetails"]
        );
        answer["result"]["value"].clone()
    }

    pub fn text(&mut self, expression: &str) -> String {
        let value = self.eval(expression);
        value
            .as_str()
            .unwrap_or_else(|| panic!("{expression} is {value}"))
            .to_owned()
    }

    pub fn number(&mut self, expression: &str) -> f64 {
        let value = self.eval(expression);
        value
            .as_f64()
            .unwrap_or_else(|| panic!("{expression} is {value}"))
    }

    pub fn wait(&mut self, condition: &str) {
        let started = Instant::now();
        while self.eval(&format!("Boolean({condition})")) != json!(true) {
            assert!(started.elapsed() < PATIENCE, "never: {condition}");
            std::thread::sleep(Duration::from_millis(30));
        }
    }

    /// Opens a page afresh and waits until its scripts have run.
    pub fn open(&mut self, address: &str) {
        self.call("Page.navigate", json!({ "url": "about:blank" }));
        self.call("Page.navigate", json!({ "url": address }));
        self.wait("location.protocol === 'file:' && document.readyState === 'complete' && document.querySelector('main h1')");
    }

    pub fn view(&mut self, width: u32, height: u32, dark: bool, phone: bool) {
        self.call(
            "Emulation.setDeviceMetricsOverride",
            json!({ "width": width, "height": height, "deviceScaleFactor": if phone { 2 } else { 1 }, "mobile": phone }),
        );
        let scheme = if dark { "dark" } else { "light" };
        self.call(
            "Emulation.setEmulatedMedia",
            json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] }),
        );
    }

    pub fn press(&mut self, key: &str) {
        let code = match key {
            "Tab" => 9,
            "Enter" => 13,
            "ArrowRight" => 39,
            _ => u32::from(key.as_bytes()[0]),
        };
        let text = match key {
            "Enter" => "\r",
            "Tab" | "ArrowRight" => "",
            other => other,
        };
        for kind in ["keyDown", "keyUp"] {
            self.call(
                "Input.dispatchKeyEvent",
                json!({ "type": kind, "key": key, "windowsVirtualKeyCode": code, "text": if kind == "keyDown" { text } else { "" } }),
            );
        }
    }

    pub fn mouse(&mut self, kind: &str, x: f64, y: f64, more: Value) {
        let mut parameters = json!({ "type": kind, "x": x, "y": y });
        for (key, value) in more.as_object().expect("an object") {
            parameters[key] = value.clone();
        }
        self.call("Input.dispatchMouseEvent", parameters);
    }

    pub fn click(&mut self, x: f64, y: f64) {
        self.mouse("mouseMoved", x, y, json!({}));
        let left = json!({ "button": "left", "clickCount": 1 });
        self.mouse("mousePressed", x, y, left.clone());
        self.mouse("mouseReleased", x, y, left);
    }

    /// A picture of the window, or of the whole page; PNG.
    pub fn picture(&mut self, path: &Path, whole: bool) {
        let answer = self.call(
            "Page.captureScreenshot",
            json!({ "format": "png", "captureBeyondViewport": whole }),
        );
        write_base64(path, &answer);
    }

    pub fn print(&mut self, path: &Path) {
        let answer = self.call("Page.printToPDF", json!({ "printBackground": false, "preferCSSPageSize": true, "paperWidth": 8.27, "paperHeight": 11.69 }));
        write_base64(path, &answer);
    }

    /// What a console would show in red: errors of scripts, of loading, of the page's own rules.
    pub fn complaints(&mut self) -> Vec<String> {
        self.eval("1");
        self.events
            .iter()
            .filter(|event| match event["method"].as_str() {
                Some("Runtime.exceptionThrown") => true,
                Some("Runtime.consoleAPICalled") => ["error", "warning", "assert"]
                    .contains(&event["params"]["type"].as_str().unwrap_or("")),
                Some("Log.entryAdded") => event["params"]["entry"]["level"] != "verbose",
                _ => false,
            })
            .map(|event| event["params"].to_string())
            .collect()
    }

    /// Every address that was asked for.
    pub fn addresses(&self) -> Vec<String> {
        self.events
            .iter()
            .filter(|event| event["method"] == "Network.requestWillBeSent")
            .filter_map(|event| {
                event["params"]["request"]["url"]
                    .as_str()
                    .map(str::to_owned)
            })
            .collect()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn write_base64(path: &Path, answer: &Value) {
    let text = answer["data"].as_str().expect("data");
    let mut bytes = Vec::with_capacity(text.len() * 3 / 4);
    let (mut held, mut bits) = (0u32, 0);
    for letter in text.bytes() {
        let six = match letter {
            b'A'..=b'Z' => letter - b'A',
            b'a'..=b'z' => letter - b'a' + 26,
            b'0'..=b'9' => letter - b'0' + 52,
            b'+' => 62,
            b'/' => 63,
            _ => continue,
        };
        held = held << 6 | u32::from(six);
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            bytes.push((held >> bits) as u8);
            held &= (1 << bits) - 1;
        }
    }
    std::fs::write(path, bytes).expect("a picture is written");
}
