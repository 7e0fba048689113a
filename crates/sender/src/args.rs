//! The command line of `culvert`, as typed.

mod calls;
mod path;
mod sweep;

use std::num::NonZeroU16;
use std::path::PathBuf;
use std::time::Duration;

use clap::{ArgGroup, CommandFactory as _, Parser, Subcommand, ValueEnum};
use culvert_pathmodel::{
    Counted, Encapsulation, Family, Framing, LossRatio, LossResponse, PathLink,
};
use culvert_session::plan::{Settle, Target, Toward};
use culvert_units::{
    BitRate, Bytes, Dscp, ExitStatus, Explain as _, Fraction, Mtu, explain, explain_usage,
    parse_duration,
};

use culvert_wire::message::Handover;

use crate::commands::ceiling::typed;
use crate::console::Console;
use crate::invite_source;
pub(crate) use calls::CallsArgs;
pub(crate) use path::PathArgs;
pub(crate) use sweep::SweepArgs;

/// Measures what each tunnel to a host behind a gateway costs, and says why.
///
/// Measure the bare path first, through one forwarded port, then the same two hosts through each tunnel. Only load
/// networks you own or may load (RFC 6815); the rules of your provider, employer and place come first.
#[derive(Debug, Parser)]
#[command(
    name = "culvert",
    version,
    disable_help_subcommand = true,
    arg_required_else_help = false
)]
pub(crate) struct Args {
    #[command(subcommand)]
    pub(crate) command: Command,
    /// Say nothing but results and errors
    #[arg(short, long, global = true)]
    pub(crate) quiet: bool,
}

/// Reads the process's arguments; an error was explained already, and help or version were shown.
pub(crate) fn parse() -> Result<Args, ExitStatus> {
    let console = Console::new(false);
    // An argument need not be text: `args` would panic at it.
    if std::env::args_os()
        .any(|argument| invite_source::holds_an_invite(&argument.to_string_lossy()))
    {
        let error = invite_source::InviteSourceError::OnCommandLine;
        console.complain(&explain(&error));
        return Err(error.exit_status());
    }
    Args::try_parse().map_err(|error| {
        if error.use_stderr() {
            console.complain(&explain_usage(&error.to_string(), &command_words()));
            return ExitStatus::Usage;
        }
        // Help that nobody can read any more is no failure.
        let _ = error.print();
        ExitStatus::Done
    })
}

/// The program and the command that was typed, whose help lists the options.
fn command_words() -> String {
    let typed = std::env::args_os().nth(1).unwrap_or_default();
    let program = Args::command();
    let command = program.find_subcommand(&typed);
    command
        .map_or_else(|| "culvert".to_owned(), |command| format!("culvert {}", command.get_name()))
}

/// What can be done.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Whether and how the listener is reached: addresses, NAT, path MTU each way, round trip, limits
    Preflight(PreflightArgs),
    /// Timed TCP with as much as the path takes
    Bulk(BulkArgs),
    /// UDP at a chosen rate: loss, order, delay variation
    Paced(PacedArgs),
    /// Highest IP-layer rate within bounds of loss and delay, by RFC 9097's method
    Capacity(CapacityArgs),
    /// Packet sizes and rates: what a packet and a byte cost the path, and what limits it
    Sweep(SweepArgs),
    /// Whether a call would do, alone and beside bulk traffic each way
    Calls(CallsArgs),
    /// The whole job from a plan; resumes where it stopped
    Survey(SurveyArgs),
    /// What can fit: each encapsulation's headers, MTU to set, MSS to clamp, highest goodput
    Ceiling(CeilingArgs),
    /// The paths of a ledger side by side, and what the headers explain
    Compare(CompareArgs),
    /// The ledger as files: CSV, JSON, Markdown
    Report(ReportArgs),
    /// The instrument's certificate: what both programs can do and see on this host, which later runs quote
    #[cfg(target_os = "linux")]
    Calibrate(CalibrateArgs),
}

/// Options of the preflight.
#[derive(Debug, clap::Args)]
pub(crate) struct PreflightArgs {
    /// The listener: host or host:port, an IPv6 address in brackets
    #[arg(value_parser = parse_target)]
    pub(crate) target: Target,
    #[command(flatten)]
    pub(crate) invite: InviteArgs,
    /// Address family, ipv4 or ipv6 [default: the target's, ipv4 when it has both]
    #[arg(long, value_name = "FAMILY", value_parser = typed::word::<Family>)]
    pub(crate) family: Option<Family>,
    /// The encapsulation the path is believed to use: a key that culvert ceiling lists, or custom:BYTES
    #[arg(long, value_name = "KEY", value_parser = typed::encapsulation)]
    pub(crate) encapsulation: Option<Encapsulation>,
    /// The MTU of the line below the tunnel
    #[arg(long, value_name = "BYTES", default_value = "1500", value_parser = typed::mtu)]
    pub(crate) underlay_mtu: Mtu,
    /// The family of the tunnel's outer packets, ipv4 or ipv6
    #[arg(long, value_name = "FAMILY", default_value = "ipv4", value_parser = typed::word::<Family>)]
    pub(crate) outer_family: Family,
    /// How long the baseline round trip is measured, 5s at most
    #[arg(long, value_name = "DURATION", default_value = "2s", value_parser = parse_baseline)]
    pub(crate) baseline: Duration,
    /// A plan, to say what it would move
    #[arg(long, value_name = "PLAN")]
    pub(crate) plan: Option<PathBuf>,
    /// Try the addresses the listener tells: which of them is reached through the tunnel that is up
    #[arg(long)]
    pub(crate) find_inside: bool,
    /// Print one JSON document
    #[arg(long)]
    pub(crate) json: bool,
}

/// Options of a bulk session.
#[derive(Debug, clap::Args)]
pub(crate) struct BulkArgs {
    #[command(flatten)]
    pub(crate) session: SessionArgs,
    /// TCP flows each way
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..=64))]
    pub(crate) flows: u16,
    /// Congestion control both ends shall use; a host that does not let its user choose it uses its own, and the run
    /// says so
    #[arg(long, value_name = "NAME", default_value = "cubic")]
    pub(crate) congestion_control: String,
    /// Largest TCP segment, both ways: 88 to 32767 bytes [default: what the MTU leaves]
    #[arg(long, value_name = "BYTES", value_parser = clap::value_parser!(u16).range(88..=32_767))]
    pub(crate) mss: Option<u16>,
    /// Codepoint both ends mark their packets with: 0 to 63, or a name such as ef, af11, cs1, le [default: the hosts' own]
    #[arg(long, value_name = "CODEPOINT")]
    pub(crate) dscp: Option<Dscp>,
}

/// Options of a paced session.
#[derive(Debug, clap::Args)]
pub(crate) struct PacedArgs {
    #[command(flatten)]
    pub(crate) session: SessionArgs,
    /// UDP payload bits per second each way, such as 50Mbit/s; or unlimited: as fast as the transmitting host can,
    /// without regard for anybody else on the path
    #[arg(long, value_name = "RATE|unlimited", allow_hyphen_values = true, value_parser = parse_pace)]
    pub(crate) pace: Pace,
    /// UDP payload of each datagram, bytes
    #[arg(long, value_name = "BYTES", default_value_t = 1200, value_parser = clap::value_parser!(u16).range(32..=65_507))]
    pub(crate) payload: u16,
    /// Longest burst, as the time it takes at the pace, 10ms at most; a burst has at least one datagram [default: 100us]
    #[arg(long, value_name = "DURATION", value_parser = parse_duration)]
    pub(crate) burst: Option<Duration>,
    /// How datagrams are handed to the systems at both ends; auto tries at the start and keeps the cheaper, and keeps
    /// datagrams apart whose times are to be told apart
    #[arg(long, value_enum, default_value_t = HandoverArg::Auto)]
    pub(crate) handover: HandoverArg,
}

/// Options of a capacity search.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "The search fills the path and whatever shares it. It takes loss for a sign that the path is full: where \
                  packets are lost at random it stays below the truth (RFC 9097 section 8.1)."
)]
pub(crate) struct CapacityArgs {
    /// The listener: host or host:port, an IPv6 address in brackets
    #[arg(value_parser = parse_target)]
    pub(crate) target: Target,
    #[command(flatten)]
    pub(crate) invite: InviteArgs,
    /// Which end receives
    #[arg(long, value_enum, default_value_t = OneWayArg::Far)]
    pub(crate) toward: OneWayArg,
    /// RFC 9097 with its own parameters, or faster: the rate doubles at first, and the search ends once it is steady
    #[arg(long, value_enum, default_value_t = MethodArg::Rfc9097)]
    pub(crate) method: MethodArg,
    /// Most bytes of IP packets the search may move, such as 500MB; half of it is kept for the verification
    #[arg(long, value_name = "AMOUNT")]
    pub(crate) at_most: Option<Bytes>,
    /// Highest IP-layer rate to try, such as 100Mbit/s
    #[arg(long, value_name = "RATE")]
    pub(crate) ceiling: Option<BitRate>,
    /// Loss that disqualifies a sub-interval of the search, such as 5%
    #[arg(long, value_name = "SHARE", default_value = "5%", value_parser = parse_share)]
    pub(crate) search_loss: Fraction,
    /// Loss that fails the verification
    #[arg(long, value_name = "SHARE", default_value = "0.1%", value_parser = parse_share)]
    pub(crate) verified_loss: Fraction,
    /// Queue delay below which the rate rises
    #[arg(long, value_name = "DURATION", default_value = "30ms", value_parser = parse_duration)]
    pub(crate) low_delay: Duration,
    /// Queue delay above which the rate falls
    #[arg(long, value_name = "DURATION", default_value = "90ms", value_parser = parse_duration)]
    pub(crate) high_delay: Duration,
    /// How long round trips are measured before data flows; 0s leaves it out
    #[arg(long, value_name = "DURATION", default_value = "500ms", value_parser = parse_baseline)]
    pub(crate) baseline: Duration,
    #[command(flatten)]
    pub(crate) pins: PinArgs,
    #[command(flatten)]
    pub(crate) through: PathArgs,
    /// Print one JSON document
    #[arg(long)]
    pub(crate) json: bool,
}

/// Which end receives, one way at a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum OneWayArg {
    /// Data goes from here to the listener
    Far,
    /// Data comes from the listener
    Near,
}

/// How a capacity is searched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum MethodArg {
    /// The parameters of RFC 9097: ten seconds, and ten to verify
    Rfc9097,
    /// Our own rise and end, from three seconds on, and three to verify; its steps are a hundredth of the rate
    Faster,
}

/// A pace, or none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Pace {
    /// Payload bits per second.
    Rate(BitRate),
    /// As fast as the host can.
    Unlimited,
}

/// How datagrams are handed to the systems.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum HandoverArg {
    /// Each end chooses
    Auto,
    /// As large ones that the system cuts and joins, where it can
    Segmented,
    /// Many by one call
    Batched,
    /// One by one
    Single,
}

impl From<HandoverArg> for Handover {
    fn from(handover: HandoverArg) -> Self {
        match handover {
            HandoverArg::Auto => Self::Auto,
            HandoverArg::Segmented => Self::Segmented,
            HandoverArg::Batched => Self::Batched,
            HandoverArg::Single => Self::Single,
        }
    }
}

/// Options of any single session.
#[derive(Debug, clap::Args)]
pub(crate) struct SessionArgs {
    /// The listener: host or host:port, an IPv6 address in brackets
    #[arg(value_parser = parse_target)]
    pub(crate) target: Target,
    #[command(flatten)]
    pub(crate) invite: InviteArgs,
    /// Which end receives
    #[arg(long, value_enum, default_value_t = TowardArg::Far)]
    pub(crate) toward: TowardArg,
    /// Length of the plateau that is reported; settling comes on top
    #[arg(long = "for", value_name = "DURATION", default_value = "12s", value_parser = parse_duration)]
    pub(crate) plateau: Duration,
    /// Time cut away before the plateau, or auto: bulk finds it from the data and takes 5s at most, paced takes 1s
    #[arg(long, value_name = "DURATION", default_value = "auto", value_parser = parse_settle)]
    pub(crate) settle: Settle,
    /// Most payload the session may move, such as 500MB
    #[arg(long, value_name = "AMOUNT")]
    pub(crate) at_most: Option<Bytes>,
    /// Socket buffer to ask for at both ends, such as 4MiB
    #[arg(long, value_name = "AMOUNT")]
    pub(crate) buffer: Option<Bytes>,
    /// How long round trips are measured before data flows, the baseline; 0s leaves it out
    #[arg(long, value_name = "DURATION", default_value = "500ms", value_parser = parse_baseline)]
    pub(crate) baseline: Duration,
    #[command(flatten)]
    pub(crate) pins: PinArgs,
    #[command(flatten)]
    pub(crate) through: PathArgs,
    /// Print the run record as one JSON document
    #[arg(long)]
    pub(crate) json: bool,
}

/// How the listener is known.
#[derive(Debug, clap::Args)]
pub(crate) struct InviteArgs {
    #[arg(
        long = "invite",
        value_name = "FILE",
        help = "File with the invite; else the environment variable CULVERT_INVITE holds it"
    )]
    pub(crate) file: Option<PathBuf>,
}

/// Where this end's data threads run.
#[derive(Debug, clap::Args)]
pub(crate) struct PinArgs {
    #[arg(
        long = "pin",
        value_name = "CORE[,CORE]",
        value_delimiter = ',',
        help = "Cores to keep this end's data threads on, in turn, such as 1 or 0,2 [default: the system chooses]"
    )]
    pub(crate) cores: Vec<u32>,
}

/// Options of a survey.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "README.md lists every key of a plan; demo/plan.toml is one to begin with. Only load networks you own \
                  or may load (RFC 6815); the rules of your provider, employer and place come first."
)]
pub(crate) struct SurveyArgs {
    /// The plan
    #[arg(value_name = "PLAN.toml")]
    pub(crate) plan: PathBuf,
    #[command(flatten)]
    pub(crate) invite: InviteArgs,
    /// Where the runs are kept [default: the plan's name with .jsonl]
    #[arg(long, value_name = "FILE")]
    pub(crate) ledger: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) pins: PinArgs,
    /// Print the comparison as one JSON document
    #[arg(long)]
    pub(crate) json: bool,
}

/// Options of the model.
#[derive(Debug, clap::Args)]
pub(crate) struct CeilingArgs {
    /// Encapsulation to show, in depth when it is the only one; repeat it for several [default: all]. Besides those keys:
    /// custom:BYTES:ALIGNMENT for a header of that length (the alignment may be left out), geneve:BYTES with that much of
    /// options
    #[arg(long, value_name = "KEY", value_parser = typed::encapsulation)]
    pub(crate) encapsulation: Vec<Encapsulation>,
    #[arg(
        long,
        value_name = "TUNNEL",
        value_parser = typed::tunnel,
        help = "Tunnel around it, KEY[,ipv4|ipv6][,mtu=BYTES]; repeat it for more, the innermost first"
    )]
    pub(crate) through: Vec<typed::TypedTunnel>,
    /// Family of the outer packets, ipv4 or ipv6
    #[arg(long, value_name = "FAMILY", default_value = "ipv4", value_parser = typed::word::<Family>)]
    pub(crate) outer: Family,
    /// Family of the inner packets, ipv4 or ipv6
    #[arg(long, value_name = "FAMILY", default_value = "ipv4", value_parser = typed::word::<Family>)]
    pub(crate) inner: Family,
    /// MTU of the tunnel interface [default: the one the protocol sets, else the largest that fits]
    #[arg(long, value_name = "BYTES", value_parser = typed::mtu)]
    pub(crate) tunnel_mtu: Option<Mtu>,
    /// Whether TCP segments carry timestamps (RFC 7323)
    #[arg(long, value_enum, default_value_t = OnOff::On)]
    pub(crate) timestamps: OnOff,
    /// Rate of the line under the tunnel, in both directions
    #[arg(long, value_name = "RATE", default_value = "1Gbit/s", value_parser = typed::rate, help_heading = LINE)]
    pub(crate) link_rate: BitRate,
    /// Its rate toward far, where it differs
    #[arg(long, value_name = "RATE", value_parser = typed::rate, help_heading = LINE)]
    pub(crate) link_rate_up: Option<BitRate>,
    /// Its rate toward near, where it differs
    #[arg(long, value_name = "RATE", value_parser = typed::rate, help_heading = LINE)]
    pub(crate) link_rate_down: Option<BitRate>,
    /// Its framing: ethernet, ethernet-vlan, pppoe, pppoe-vlan, pppoa-atm, pppoe-atm or ppp
    #[arg(long, value_name = "NAME", default_value = "ethernet", value_parser = typed::word::<Framing>, help_heading = LINE)]
    pub(crate) framing: Framing,
    /// What its rate counts: line, frame or ip-layer
    #[arg(long, value_name = "NAME", default_value = "line", value_parser = typed::word::<Counted>, help_heading = LINE)]
    pub(crate) counted: Counted,
    /// Its MTU [default: that of the framing]
    #[arg(long, value_name = "BYTES", value_parser = typed::mtu, help_heading = LINE)]
    pub(crate) mtu: Option<Mtu>,
    /// The share of its rate that really passes, such as 60%; yours to state, nothing is assumed
    #[arg(long, value_name = "SHARE", value_parser = typed::efficiency, help_heading = LINE)]
    pub(crate) efficiency: Option<Fraction>,
    /// Both directions take turns on it, and acknowledgements cost time
    #[arg(long, help_heading = LINE)]
    pub(crate) shared_medium: bool,
    /// Further link of the path: NAME,rate=RATE or NAME,up=RATE,down=RATE, then any of framing=, counted=, mtu=,
    /// efficiency=, carries=inner (it lies outside of the tunnel's ends), shared, end=far (up and down as seen from there)
    #[arg(long, value_name = "LINK", value_parser = typed::link, help_heading = LINE)]
    pub(crate) link: Vec<PathLink>,
    /// Segments that one acknowledgement stands for (RFC 9293 section 3.8.6.3)
    #[arg(long, value_name = "N", default_value = "2", help_heading = LINE)]
    pub(crate) segments_per_acknowledgement: NonZeroU16,
    /// Round-trip time, such as 40ms: shows what bounds one TCP connection besides headers
    #[arg(long, value_name = "DURATION", value_parser = parse_duration, help_heading = CONNECTION)]
    pub(crate) rtt: Option<Duration>,
    /// The receiver's window, such as 4MiB
    #[arg(long, value_name = "AMOUNT", requires = "rtt", value_parser = typed::amount, help_heading = CONNECTION)]
    pub(crate) window: Option<Bytes>,
    /// The socket buffer
    #[arg(long, value_name = "AMOUNT", requires = "rtt", value_parser = typed::amount, help_heading = CONNECTION)]
    pub(crate) buffer: Option<Bytes>,
    /// Share of packets that are lost, such as 0.1%
    #[arg(long, value_name = "SHARE", requires = "rtt", value_parser = typed::loss, help_heading = CONNECTION)]
    pub(crate) loss: Option<LossRatio>,
    /// How the transmitter reacts to loss: cubic or reno
    #[arg(long, value_name = "NAME", default_value = "cubic", value_parser = typed::control, help_heading = CONNECTION)]
    pub(crate) congestion_control: LossResponse,
    /// Print one JSON document
    #[arg(long, conflicts_with = "csv")]
    pub(crate) json: bool,
    /// Print CSV
    #[arg(long)]
    pub(crate) csv: bool,
}

const LINE: &str = "The line under the tunnel, and further links";
const CONNECTION: &str = "One TCP connection";

/// Options of the comparison.
#[derive(Debug, clap::Args)]
pub(crate) struct CompareArgs {
    /// The ledger
    pub(crate) ledger: PathBuf,
    /// Print one JSON document
    #[arg(long)]
    pub(crate) json: bool,
}

/// Options of the report.
#[derive(Debug, clap::Args)]
#[command(group = ArgGroup::new("files").args(["csv", "capacity_csv", "json", "markdown"]).required(true).multiple(true))]
pub(crate) struct ReportArgs {
    /// The ledger
    pub(crate) ledger: PathBuf,
    /// Write one line a run and direction to this file; - is standard output
    #[arg(long, value_name = "FILE")]
    pub(crate) csv: Option<PathBuf>,
    /// Write one line a searched capacity to this file; - is standard output
    #[arg(long, value_name = "FILE")]
    pub(crate) capacity_csv: Option<PathBuf>,
    /// Write comparison and runs as one document to this file; - is standard output
    #[arg(long, value_name = "FILE")]
    pub(crate) json: Option<PathBuf>,
    /// Write tables to paste to this file; - is standard output
    #[arg(long, value_name = "FILE")]
    pub(crate) markdown: Option<PathBuf>,
}

/// Options of the calibration.
#[cfg(target_os = "linux")]
#[derive(Debug, clap::Args)]
#[command(
    after_help = "It starts the culvertd that lies beside culvert, for half a minute or so; nothing leaves this host. Run it \
                  while nothing else runs: what else does is in the figures."
)]
pub(crate) struct CalibrateArgs {
    #[arg(
        long,
        value_name = "FILE",
        help = "File to keep it in; later runs look there when the environment variable CULVERT_CERTIFICATE names it \
                [default: $CULVERT_CERTIFICATE, $XDG_STATE_HOME/culvert/certificate.json or \
                ~/.local/state/culvert/certificate.json]"
    )]
    pub(crate) certificate: Option<PathBuf>,
    /// Print it as one JSON document
    #[arg(long)]
    pub(crate) json: bool,
}

/// Which end receives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum TowardArg {
    /// Data goes from here to the listener
    Far,
    /// Data comes from the listener
    Near,
    /// Both at the same time
    Both,
}

impl From<TowardArg> for Toward {
    fn from(toward: TowardArg) -> Self {
        match toward {
            TowardArg::Far => Self::Far,
            TowardArg::Near => Self::Near,
            TowardArg::Both => Self::Both,
        }
    }
}

/// On or off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum OnOff {
    /// Yes
    On,
    /// No
    Off,
}

fn parse_target(text: &str) -> Result<Target, String> {
    text.parse().map_err(|error: culvert_session::plan::TargetError| {
        format!("{error}\n  hint: {}", error.hint())
    })
}

/// A share of all, such as `0.1%` or `0.001`, below the whole.
fn parse_share(text: &str) -> Result<Fraction, String> {
    typed::loss(text).and_then(|loss| {
        Fraction::of(loss.get(), 1.0).ok_or_else(|| format!("'{text}' is not a share"))
    })
}

fn parse_baseline(text: &str) -> Result<Duration, String> {
    let baseline = parse_duration(text).map_err(|error| error.to_string())?;
    if baseline <= LONGEST_BASELINE {
        Ok(baseline)
    } else {
        Err(format!("the listener waits {LONGEST_BASELINE:?} for data at most"))
    }
}

/// The listener gives a session 15 s between its grant and its data, and opening the flows takes some of them.
const LONGEST_BASELINE: Duration = Duration::from_secs(5);

fn parse_pace(text: &str) -> Result<Pace, culvert_units::ParseQuantityError> {
    if text == "unlimited" { Ok(Pace::Unlimited) } else { text.parse().map(Pace::Rate) }
}

fn parse_settle(text: &str) -> Result<Settle, culvert_units::ParseQuantityError> {
    if text == "auto" { Ok(Settle::Auto) } else { parse_duration(text).map(Settle::Fixed) }
}
