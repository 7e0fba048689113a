//! A relay in the WAN that disturbs the datagrams of a session by a rule and keeps an exact account of it.
//!
//! `culvert` dials the WAN router; the relay passes TCP and UDP on to the gateway, so that the listener sees both come
//! from one address. Its rules count the data datagrams of one way, each of which it passes, drops, sends twice or holds
//! back until some later ones have passed it; and it can forget a client's UDP port as a NAT does.
//!
//! It is this same test program, started again inside the WAN's namespace: a thread cannot enter one without the system
//! calls that only one crate of this project may make.

use std::collections::{HashMap, HashSet, VecDeque};
use std::env;
use std::io::{self, BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream, UdpSocket};
use std::process::{Child, Stdio};
use std::str::FromStr;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use crate::lab::Lab;

/// The WAN router's address on the cabin's side, where the relay listens.
pub(crate) const TARGET: &str = "10.81.1.1:28460";
const RULES: &str = "CULVERT_TEST_RELAY";
const FORWARD: &str = "CULVERT_TEST_RELAY_FORWARD";
/// The process ends by then, whatever happens.
const LONGEST_LIFE: Duration = Duration::from_mins(1);
/// What is held back leaves when nothing has come for so long.
const QUIET: Duration = Duration::from_millis(200);

/// What the relay does to the data datagrams of each way, counted from 1; 0 does nothing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Rules {
    /// Each so many are dropped.
    pub(crate) drop_each: u64,
    /// Each so many are sent twice.
    pub(crate) copy_each: u64,
    /// Each so many are held back ...
    pub(crate) hold_each: u64,
    /// ... until so many later ones have passed.
    pub(crate) hold_for: u64,
    /// After each so many the client's port toward far is forgotten ...
    pub(crate) forget_each: u64,
    /// ... so many times at most.
    pub(crate) forget_times: u64,
}

/// What the relay did with the data of one way.
#[derive(Debug, Default)]
pub(crate) struct Account {
    /// The sequence numbers in the order in which they came.
    pub(crate) arrived: Vec<u64>,
    /// The sequence numbers in the order in which they left, copies too.
    pub(crate) left: Vec<u64>,
}

/// A running relay.
pub(crate) struct Relay {
    process: Child,
}

impl Relay {
    /// Starts it in the WAN of a lab.
    pub(crate) fn start(lab: &Lab, rules: Rules) -> Self {
        let own = env::current_exe().expect("this program");
        let process = lab
            .command("wan", own.to_str().expect("its name"))
            .args(["--exact", "relay::process", "--ignored", "--nocapture"])
            .env(RULES, rules.to_string())
            .env(FORWARD, lab.outside())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the relay can be started");
        let mut relay = Self { process };
        assert_eq!(relay.line("ready"), "", "the relay listens");
        relay
    }

    /// Ends it and gives what it did: toward far, toward near.
    pub(crate) fn finish(mut self) -> (Account, Account) {
        drop(self.process.stdin.take());
        let mut numbers = |title: &str| -> Vec<u64> {
            let line = self.line(title);
            line.split_whitespace().map(|number| number.parse().expect("a number")).collect()
        };
        let mut account = |way: &str| Account {
            arrived: numbers(&format!("{way} arrived")),
            left: numbers(&format!("{way} left")),
        };
        (account("toward far"), account("toward near"))
    }

    fn line(&mut self, title: &str) -> String {
        let out = self.process.stdout.as_mut().expect("its output");
        // One byte at a time: what a larger read would take beyond the line belongs to the next call.
        let mut line = Vec::new();
        let wanted = format!("{MARK}{title}");
        loop {
            let mut byte = [0];
            assert_eq!(out.read(&mut byte).expect("output"), 1, "the relay ended before '{title}'");
            if byte != *b"\n" {
                line.push(byte[0]);
                continue;
            }
            let text = String::from_utf8_lossy(&line).into_owned();
            line.clear();
            // The test harness speaks there too, also on the same line.
            if let Some((_, rest)) = text.split_once(&wanted) {
                return rest.trim().to_owned();
            }
        }
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

impl Account {
    /// How many left more than once, all further copies counted (RFC 5560 section 3.2).
    pub(crate) fn copies(&self) -> u64 {
        let different: HashSet<&u64> = self.left.iter().collect();
        (self.left.len() - different.len()) as u64
    }

    /// How many never left.
    pub(crate) fn dropped(&self) -> u64 {
        let left: HashSet<&u64> = self.left.iter().collect();
        self.arrived.iter().filter(|number| !left.contains(number)).count() as u64
    }

    /// How many are of type reordered: their number is below `NextExp`, which is one above the largest number so far
    /// (RFC 4737 section 3.3); further copies are left out (section 3.6).
    pub(crate) fn reordered(&self) -> u64 {
        let (mut next_expected, mut reordered, mut seen) = (0, 0, HashSet::new());
        for &number in &self.left {
            if !seen.insert(number) {
                continue;
            }
            if number >= next_expected {
                next_expected = number + 1;
            } else {
                reordered += 1;
            }
        }
        reordered
    }
}

/// Begins what the relay says, among what the test harness says.
const MARK: &str = "relay: ";

#[test]
#[ignore = "is the relay's own process, started by the tests that need it"]
fn process() {
    let (Ok(rules), Ok(forward)) = (env::var(RULES), env::var(FORWARD)) else { return };
    let rules: Rules = rules.parse().expect("rules");
    let forward: SocketAddr = forward.parse().expect("an address");
    thread::spawn(|| {
        thread::sleep(LONGEST_LIFE);
        panic!("the relay was forgotten");
    });
    let ways = [Arc::new(Mutex::new(Way::new(rules))), Arc::new(Mutex::new(Way::new(rules)))];
    let streams = TcpListener::bind(TARGET).expect("the port");
    let datagrams = UdpSocket::bind(TARGET).expect("the port");
    thread::spawn(move || relay_streams(&streams, forward));
    let for_threads = ways.clone();
    thread::spawn(move || Datagrams::new(datagrams, forward, rules, for_threads).relay());
    println!("\n{MARK}ready");
    io::stdout().flush().expect("output");
    // The end of the input asks for the account.
    let mut nothing = String::new();
    BufReader::new(io::stdin()).read_line(&mut nothing).expect("input");
    for (name, way) in ["toward far", "toward near"].iter().zip(&ways) {
        let account = &way.lock().expect("no thread panics").account;
        println!("{MARK}{name} arrived {}", words(&account.arrived));
        println!("{MARK}{name} left {}", words(&account.left));
    }
}

fn words(numbers: &[u64]) -> String {
    numbers.iter().map(u64::to_string).collect::<Vec<_>>().join(" ")
}

fn relay_streams(listener: &TcpListener, forward: SocketAddr) {
    for near in listener.incoming() {
        let (Ok(near), Ok(far)) = (near, TcpStream::connect(forward)) else { continue };
        for (mut from, mut to) in [(&near, &far), (&far, &near)]
            .map(|(from, to)| (from.try_clone().expect("room"), to.try_clone().expect("room")))
        {
            thread::spawn(move || {
                let _ = from.set_nodelay(true);
                let _ = io::copy(&mut from, &mut to);
                let _ = to.shutdown(std::net::Shutdown::Write);
            });
        }
    }
}

/// The data of one way under the rules.
struct Way {
    rules: Rules,
    counted: u64,
    held: VecDeque<Held>,
    account: Account,
}

/// A datagram that later ones pass.
struct Held {
    left_to_wait: u64,
    sequence: u64,
    datagram: Vec<u8>,
    exit: Exit,
}

/// Where a datagram leaves: by a connected socket, or to an address.
#[derive(Clone)]
struct Exit(Arc<UdpSocket>, Option<SocketAddr>);

impl Exit {
    fn send(&self, datagram: &[u8]) {
        // What cannot be sent, because nobody listens any more, is missed by nobody.
        let _ = match self.1 {
            Some(to) => self.0.send_to(datagram, to),
            None => self.0.send(datagram),
        };
    }
}

impl Way {
    fn new(rules: Rules) -> Self {
        Self { rules, counted: 0, held: VecDeque::new(), account: Account::default() }
    }

    /// Does to a datagram what the rules say.
    fn take(&mut self, datagram: &[u8], exit: &Exit) {
        let Some(sequence) = data_sequence(datagram) else { return exit.send(datagram) };
        self.counted += 1;
        self.account.arrived.push(sequence);
        let Rules { drop_each, copy_each, hold_each, hold_for, .. } = self.rules;
        let is_each = |n: u64| n > 0 && self.counted.is_multiple_of(n);
        if is_each(drop_each) {
            return;
        }
        if is_each(hold_each) {
            self.held.push_back(Held {
                left_to_wait: hold_for,
                sequence,
                datagram: datagram.to_vec(),
                exit: exit.clone(),
            });
            return;
        }
        for _ in 0..=u8::from(is_each(copy_each)) {
            self.account.left.push(sequence);
            exit.send(datagram);
        }
        for held in &mut self.held {
            held.left_to_wait = held.left_to_wait.saturating_sub(1);
        }
        while self.held.front().is_some_and(|held| held.left_to_wait == 0) {
            self.release_one();
        }
    }

    fn release_all(&mut self) {
        while !self.held.is_empty() {
            self.release_one();
        }
    }

    fn release_one(&mut self) {
        if let Some(held) = self.held.pop_front() {
            self.account.left.push(held.sequence);
            held.exit.send(&held.datagram);
        }
    }
}

/// The sequence number of a counted datagram: kind 1 in the first byte, the number in bytes 8 to 16.
fn data_sequence(datagram: &[u8]) -> Option<u64> {
    let number = datagram.get(8..16).filter(|_| datagram[0] == 1 && datagram.len() >= 32)?;
    number.try_into().ok().map(u64::from_be_bytes)
}

/// All datagrams of the port.
struct Datagrams {
    near: Arc<UdpSocket>,
    forward: SocketAddr,
    rules: Rules,
    ways: [Arc<Mutex<Way>>; 2],
    clients: HashMap<SocketAddr, Client>,
}

/// A client's way on: a port of its own toward far.
struct Client {
    far: Arc<UdpSocket>,
    /// Data datagrams either way since the port was taken.
    passed: Arc<AtomicU64>,
    is_forgotten: Arc<AtomicBool>,
    times_forgotten: u64,
}

impl Datagrams {
    fn new(near: UdpSocket, forward: SocketAddr, rules: Rules, ways: [Arc<Mutex<Way>>; 2]) -> Self {
        near.set_read_timeout(Some(QUIET)).expect("a timeout");
        Self { near: Arc::new(near), forward, rules, ways, clients: HashMap::new() }
    }

    fn relay(&mut self) {
        let mut buffer = vec![0; 65_535];
        loop {
            let received = self.near.recv_from(&mut buffer);
            let Ok((length, from)) = received else {
                self.ways[0].lock().expect("no thread panics").release_all();
                continue;
            };
            let datagram = &buffer[..length];
            let client = self.client(from);
            if data_sequence(datagram).is_some() {
                client.passed.fetch_add(1, Ordering::Relaxed);
            }
            let exit = Exit(Arc::clone(&client.far), None);
            self.ways[0].lock().expect("no thread panics").take(datagram, &exit);
        }
    }

    /// The client's way on; a new one, from another port, once the old one is due to be forgotten.
    fn client(&mut self, address: SocketAddr) -> &Client {
        let rules = self.rules;
        let times = match self.clients.get(&address) {
            Some(client) => {
                let passed = client.passed.load(Ordering::Relaxed);
                let is_due = rules.forget_each > 0
                    && passed >= rules.forget_each
                    && client.times_forgotten < rules.forget_times;
                if !is_due {
                    return &self.clients[&address];
                }
                client.is_forgotten.store(true, Ordering::Relaxed);
                client.times_forgotten + 1
            }
            None => 0,
        };
        let client = self.open(address, times);
        self.clients.entry(address).insert_entry(client).into_mut()
    }

    fn open(&self, address: SocketAddr, times_forgotten: u64) -> Client {
        let far = UdpSocket::bind("0.0.0.0:0").expect("a port");
        far.connect(self.forward).expect("an address");
        far.set_read_timeout(Some(QUIET)).expect("a timeout");
        let client = Client {
            far: Arc::new(far),
            passed: Arc::default(),
            is_forgotten: Arc::default(),
            times_forgotten,
        };
        let back = WayBack {
            far: Arc::clone(&client.far),
            near: Arc::clone(&self.near),
            client: address,
            passed: Arc::clone(&client.passed),
            is_forgotten: Arc::clone(&client.is_forgotten),
            due: (times_forgotten < self.rules.forget_times).then_some(self.rules.forget_each),
            way: Arc::clone(&self.ways[1]),
        };
        thread::spawn(move || back.relay());
        client
    }
}

/// What comes back to one port.
struct WayBack {
    far: Arc<UdpSocket>,
    near: Arc<UdpSocket>,
    client: SocketAddr,
    passed: Arc<AtomicU64>,
    is_forgotten: Arc<AtomicBool>,
    due: Option<u64>,
    way: Arc<Mutex<Way>>,
}

impl WayBack {
    fn relay(&self) {
        let mut buffer = vec![0; 65_535];
        let exit = Exit(Arc::clone(&self.near), Some(self.client));
        loop {
            match self.far.recv(&mut buffer) {
                // What comes to a forgotten port vanishes, and nothing tells its sender.
                _ if self.is_forgotten() => {}
                Ok(length) => {
                    let datagram = &buffer[..length];
                    if data_sequence(datagram).is_some() {
                        self.passed.fetch_add(1, Ordering::Relaxed);
                    }
                    self.way.lock().expect("no thread panics").take(datagram, &exit);
                }
                Err(_) => self.way.lock().expect("no thread panics").release_all(),
            }
        }
    }

    /// A port is forgotten at once, also before the client speaks again.
    fn is_forgotten(&self) -> bool {
        let is_due =
            self.due.is_some_and(|due| due > 0 && self.passed.load(Ordering::Relaxed) >= due);
        is_due || self.is_forgotten.load(Ordering::Relaxed)
    }
}

impl std::fmt::Display for Rules {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { drop_each, copy_each, hold_each, hold_for, forget_each, forget_times } = self;
        write!(f, "{drop_each} {copy_each} {hold_each} {hold_for} {forget_each} {forget_times}")
    }
}

impl FromStr for Rules {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let numbers: Vec<u64> = text.split(' ').filter_map(|word| word.parse().ok()).collect();
        let [drop_each, copy_each, hold_each, hold_for, forget_each, forget_times] = numbers[..]
        else {
            return Err(format!("'{text}' is not six numbers"));
        };
        Ok(Self { drop_each, copy_each, hold_each, hold_for, forget_each, forget_times })
    }
}

#[test]
fn reordering_is_counted_as_rfc_4737_has_it() {
    // RFC 4737 section 4.2.2's example of a packet that arrives late is of this kind; the counts follow from 3.3.
    let left = |numbers: &[u64]| Account { left: numbers.to_vec(), ..Account::default() };
    assert_eq!(left(&[0, 1, 2, 3]).reordered(), 0);
    assert_eq!(left(&[0, 1, 3, 2, 4]).reordered(), 1);
    assert_eq!(left(&[1, 2, 3, 0]).reordered(), 1);
    assert_eq!(left(&[3, 2, 1, 0]).reordered(), 3);
    assert_eq!(left(&[0, 2, 2, 1, 1, 3]).reordered(), 1);
    assert_eq!(left(&[0, 2, 2, 1, 1, 3]).copies(), 2);
}
