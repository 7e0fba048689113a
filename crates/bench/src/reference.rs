//! The loops that both programs are held against: the same bytes over the same sockets, and nothing else.
//!
//! A receiver prints the port that it waits on, measures within its window and prints one account; a sender sends until
//! nobody receives any more.

mod datagrams;
mod pacer;
mod stream;

use std::io;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use clap::{Parser, Subcommand, ValueEnum};
use culvert_units::parse_duration;
use serde::{Deserialize, Serialize};

/// The plainest loops that move the same bytes over the same sockets as culvert and culvertd.
#[derive(Debug, Parser)]
#[command(name = "culvert-reference", version)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Takes one TCP flow
    Take {
        #[arg(long, value_enum)]
        how: Taking,
        #[command(flatten)]
        window: Window,
        #[arg(long, default_value = "cubic")]
        congestion_control: String,
    },
    /// Writes one TCP flow
    Write {
        #[arg(long)]
        port: u16,
        #[arg(long)]
        bytes: usize,
        #[arg(long, default_value = "cubic")]
        congestion_control: String,
    },
    /// Takes datagrams
    TakeDatagrams {
        #[arg(long, value_enum)]
        how: Batching,
        #[arg(long)]
        bytes: u16,
        #[arg(long)]
        buffer: usize,
        #[command(flatten)]
        window: Window,
    },
    /// Sends datagrams, as many as it can
    SendDatagrams {
        #[arg(long)]
        port: u16,
        #[arg(long, value_enum)]
        how: Batching,
        #[arg(long)]
        bytes: u16,
        #[arg(long)]
        buffer: usize,
    },
    /// Sends datagrams, each when it is due
    Pace {
        #[arg(long)]
        port: u16,
        #[arg(long, value_enum)]
        how: Waiting,
        #[arg(long)]
        bytes: u16,
        #[arg(long)]
        bits_per_second: u64,
        #[arg(long = "for", value_parser = parse_duration)]
        length: Duration,
    },
}

/// How a TCP flow is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Taking {
    /// Read into memory
    Read,
    /// Discarded in the kernel (`MSG_TRUNC`, tcp(7))
    Discard,
}

/// How many datagrams a system call moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Batching {
    /// One
    One,
    /// Many of their own (sendmmsg, recvmmsg)
    Many,
    /// One buffer that the kernel cuts, and joins again (`UDP_SEGMENT`, `UDP_GRO`)
    Segments,
}

/// How a pacer waits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Waiting {
    /// Sleeping
    Sleep,
    /// Looking at the clock without a pause
    Spin,
}

#[derive(Debug, Clone, Copy, clap::Args)]
struct Window {
    /// Cut away from the first byte on
    #[arg(long, value_parser = parse_duration)]
    settle: Duration,
    /// Measured behind it
    #[arg(long = "for", value_parser = parse_duration)]
    length: Duration,
}

/// What a loop has done.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Account {
    /// Payload bytes of the whole run.
    pub bytes: u64,
    /// Payload bytes within the window.
    pub window_bytes: u64,
    /// The window's length, seconds.
    pub window_s: f64,
    /// Datagrams of the whole run.
    pub datagrams: u64,
    /// How late datagrams left, microseconds: the 50th and 99th percentile and the largest; of a pacer.
    pub lateness_us: Option<[f64; 3]>,
    /// The rate over the whole run, payload bits per second; of a pacer.
    pub offered_bps: Option<f64>,
    /// Payload bytes that left in each full step of 100 ms; of a pacer.
    #[serde(default)]
    pub steps: Vec<u64>,
}

/// Runs the program `culvert-reference`.
#[expect(clippy::print_stdout, clippy::print_stderr, reason = "it talks to whoever started it")]
pub fn run() -> ExitCode {
    let outcome = match Arguments::parse().command {
        Command::Take { how, window, congestion_control } => {
            stream::take(how, window, &congestion_control)
        }
        Command::Write { port, bytes, congestion_control } => {
            stream::write(port, bytes, &congestion_control)
        }
        Command::TakeDatagrams { how, bytes, buffer, window } => {
            datagrams::take(how, bytes, buffer, window)
        }
        Command::SendDatagrams { port, how, bytes, buffer } => {
            datagrams::send(port, how, bytes, buffer)
        }
        Command::Pace { port, how, bytes, bits_per_second, length } => {
            pacer::pace(port, how, bytes, bits_per_second, length)
        }
    };
    match outcome.and_then(|account| serde_json::to_string(&account).map_err(io::Error::from)) {
        Ok(account) => {
            println!("{account}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::FAILURE
        }
    }
}

#[expect(clippy::print_stdout, reason = "whoever started it reads where it waits")]
fn tell_port(port: u16) {
    println!("{port}");
}

/// Counts what arrives within the window, which begins with the first byte.
struct Counter {
    window: Window,
    origin: Option<Instant>,
    account: Account,
}

impl Counter {
    fn new(window: Window) -> Self {
        let account = Account { window_s: window.length.as_secs_f64(), ..Account::default() };
        Self { window, origin: None, account }
    }

    /// Counts bytes that arrived now; `false` once the window is over.
    fn count(&mut self, bytes: usize) -> bool {
        let now = Instant::now();
        let since = now.duration_since(*self.origin.get_or_insert(now));
        self.account.bytes += bytes as u64;
        let end = self.window.settle + self.window.length;
        if since >= self.window.settle && since < end {
            self.account.window_bytes += bytes as u64;
        }
        since < end
    }
}

/// Incompressible, as the programs' own payload is.
fn random_bytes(length: usize) -> Vec<u8> {
    use rand::Rng as _;

    let mut bytes = vec![0; length];
    rand::rng().fill_bytes(&mut bytes);
    bytes
}
