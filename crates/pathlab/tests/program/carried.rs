//! Numbered datagrams through the program: what arrives is what the truth says, one by one.

use std::{
    env, fs,
    net::UdpSocket,
    thread,
    time::{Duration, Instant},
};

use crate::lab::{Found, Lab, Truth, expected, extents, order, quoted};

const COUNT: u32 = 3_000;
const PAYLOAD: usize = 200;
const LENGTH: u64 = 228;
/// How often a run is tried whose receiver was too slow for what arrived.
const ATTEMPTS: u32 = 5;

const LOSSY: &str = r#"
loss = { bursts = { enter = 0.02, leave = 0.4 } }
duplicate = { ratio = 0.02 }
reorder = { ratio = 0.03, by = "2ms" }
"#;

fn config(toward: &str) -> String {
    format!(
        r#"
[[paths]]
name = "worn"
near = "10.90.1.1"
far = "10.90.1.2"
[paths.both_ways]
rate = "50Mbit/s"
delay = "5ms"
jitter = {{ uniform = "1ms" }}
[paths.toward_{toward}]
{LOSSY}
"#
    )
}

#[test]
fn what_arrives_is_what_the_truth_says() {
    for (seed, toward) in [(1, "far"), (2, "near"), (3, "far")] {
        let lab = Lab::new(&config(toward));
        let Some((truth, arrived)) = run(&lab, seed, toward) else { return };
        let mut seen = vec![0_u64; COUNT as usize];
        let mut first = Vec::new();
        for number in &arrived {
            if seen[*number] == 0 {
                first.push(*number);
            }
            seen[*number] += 1;
        }
        let packets = truth.of_length(toward, LENGTH);
        let order = order(&packets);
        let found = Found {
            sent: u64::from(COUNT),
            lost: seen.iter().filter(|times| **times == 0).count() as u64,
            duplicates: seen.iter().map(|times| times.saturating_sub(1)).sum(),
            reordered: extents(&first).len() as u64,
        };
        assert_eq!(found, expected(&packets), "seed {seed} toward {toward}");
        assert!(found.lost > 0 && found.duplicates > 0 && found.reordered > 0, "{found:?}");
        // Not only as many, but the same ones, each as far out of order.
        assert_eq!(first, order, "seed {seed} toward {toward}");
        assert_eq!(extents(&first), extents(&order));
        for (line, times) in packets.iter().zip(seen) {
            let copies = match (line["fate"].as_str(), line["duplicated"].as_bool()) {
                (Some("delivered"), Some(true)) => 2,
                (Some("delivered"), _) => 1,
                _ => 0,
            };
            assert_eq!(times, copies, "{line}");
        }
        let flows = &truth.document["paths"][0]["truth"][format!("toward_{toward}")]["flows"];
        assert_eq!(flows[0]["reordered"], found.reordered);
    }
}

/// The truth of a run and the numbers that arrived. One whose receiver was too slow says nothing of the path and is
/// tried again.
fn run(lab: &Lab, seed: u64, toward: &str) -> Option<(Truth, Vec<usize>)> {
    let this = quoted(&env::current_exe().expect("a path"));
    let file = lab.file("arrived.json");
    let role = |host: &str, (own, other): (&str, &str)| {
        let role = if host == toward { "receiver" } else { "sender" };
        let file = quoted(&file);
        format!(
            "CULVERT_ARRIVED={file} CULVERT_OWN={own} CULVERT_OTHER={other} exec {this} --exact carried::{role} \
             --ignored --nocapture >&2"
        )
    };
    let (near, far) = ("10.90.1.1", "10.90.1.2");
    for _ in 0..ATTEMPTS {
        // The receiver ends by itself; the sender waits for its file.
        let truth = lab.run(seed, &role("far", (far, near)), &role("near", (near, far)), &[])?;
        let arrived: (Vec<usize>, u64) =
            serde_json::from_str(&lab.read("arrived.json")).expect("numbers");
        fs::remove_file(&file).expect("the file was read");
        if let (numbers, 0) = arrived
            && truth.is_whole()
        {
            return Some((truth, numbers));
        }
    }
    panic!("this machine is too busy: packets were lost outside of the path {ATTEMPTS} times");
}

/// What all UDP sockets of this network namespace dropped for want of room: `RcvbufErrors` of `proc_net_snmp(5)`.
fn overflowed() -> u64 {
    let table = fs::read_to_string("/proc/thread-self/net/snmp").expect("a table");
    let mut lines = table.lines().filter_map(|line| line.strip_prefix("Udp: "));
    let (names, values) = lines.next().zip(lines.next()).expect("names and values");
    let mut fields = names.split(' ').zip(values.split(' '));
    let (_, value) = fields.find(|(name, _)| *name == "RcvbufErrors").expect("a counter");
    value.parse().expect("a number")
}

#[test]
#[ignore = "runs on a host of the test above"]
fn receiver() {
    let socket = UdpSocket::bind((env::var("CULVERT_OWN").unwrap(), 28_460)).unwrap();
    socket.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
    let mut numbers = Vec::new();
    let mut datagram = [0; 2_000];
    while let Ok(length) = socket.recv(&mut datagram) {
        assert_eq!(length, PAYLOAD);
        numbers.push(u32::from_be_bytes(datagram[..4].try_into().unwrap()));
        socket.set_read_timeout(Some(Duration::from_secs(1))).unwrap();
    }
    let file = env::var("CULVERT_ARRIVED").unwrap();
    fs::write(format!("{file}.part"), serde_json::to_string(&(numbers, overflowed())).unwrap())
        .unwrap();
    fs::rename(format!("{file}.part"), file).unwrap();
}

#[test]
#[ignore = "runs on a host of the test above"]
fn sender() {
    let socket = UdpSocket::bind((env::var("CULVERT_OWN").unwrap(), 0)).unwrap();
    socket.connect((env::var("CULVERT_OTHER").unwrap(), 28_460)).unwrap();
    // The other host needs a moment to listen.
    thread::sleep(Duration::from_millis(300));
    let began = Instant::now();
    for number in 0..COUNT {
        let due = began + Duration::from_micros(400) * number;
        thread::sleep(due.saturating_duration_since(Instant::now()));
        let mut datagram = [0; PAYLOAD];
        datagram[..4].copy_from_slice(&number.to_be_bytes());
        socket.send(&datagram).unwrap();
    }
    let file = env::var("CULVERT_ARRIVED").unwrap();
    for _ in 0..200 {
        if fs::exists(&file).unwrap() {
            return;
        }
        thread::sleep(Duration::from_millis(50));
    }
    panic!("the other host never told what arrived");
}
