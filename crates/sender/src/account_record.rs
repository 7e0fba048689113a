//! From the two ends' accounts to the run record.

mod clocks;
mod leg;
mod stream_facts;

use culvert_engine::facts;
use culvert_engine::probe::{ProbedBy, RoundTrips};
use culvert_record::{
    Caveat, End, Ends, Finding, Percentiles, RunRecord, SCHEMA, Transport, VoidReason, Way,
};
use culvert_units::explain;
use culvert_wire::message::{EndReport, Load, SessionRequest, TcpSamplesReport, UseReport};
use jiff::Timestamp;

use crate::dial::{Contact, family_of};
use crate::session::{Account, Broken};
use crate::wanted::Wanted;
use leg::Leg;

/// What is known of a run besides its account.
#[derive(Debug)]
pub(crate) struct RunContext<'a> {
    /// What was wanted.
    pub(crate) wanted: &'a Wanted,
    /// What was asked of the listener.
    pub(crate) request: &'a SessionRequest,
    /// The two ends.
    pub(crate) contact: &'a Contact,
    /// This end's facts.
    pub(crate) near: &'a EndReport,
    /// When the session was asked for.
    pub(crate) started_at: Timestamp,
    /// Identifies the run.
    pub(crate) id: String,
}

/// The record of a session that ran.
pub(crate) fn record_of(context: &RunContext<'_>, account: &Account) -> RunRecord {
    let mut record = without_figures(context, account);
    let legs = legs_of(context, account);
    for leg in &legs {
        let direction = Some(leg.direction(context));
        match leg.way {
            Way::Far => record.toward_far = direction,
            Way::Near => record.toward_near = direction,
        }
        record.caveats.extend(leg.caveats(context).iter().map(Caveat::to_finding));
    }
    record.caveats.extend(caveats_of(account, context.contact));
    record.void = void_of(account, &legs, context);
    record
}

fn without_figures(context: &RunContext<'_>, account: &Account) -> RunRecord {
    let RunContext { wanted, request, contact, near, started_at, id } = context;
    let far = &contact.far;
    let far_host = account.far.as_ref().map(|report| &report.host);
    let is_paced = matches!(request.load, Load::Paced { .. });
    RunRecord {
        schema: SCHEMA.to_owned(),
        id: id.clone(),
        started_at: *started_at,
        kind: wanted.kind(),
        path: wanted.path.clone(),
        family: Some(family_of(contact.peer.ip())),
        asked: wanted.asked(request),
        survey: wanted.survey.clone(),
        void: None,
        caveats: Vec::new(),
        ends: Ends {
            near: Some(end_of(near, far.sees_peer_at.clone(), Some(&account.host))),
            far: Some(end_of(far, Some(contact.peer.ip().to_string()), far_host)),
        },
        toward_far: None,
        toward_near: None,
        rtt_baseline_us: baseline_of(account, wanted),
        rtt_transfer_us: account.round_trips.and_then(|trips| trips.transfer),
        round_trips_by: answered_by(account),
        queue_delay: account
            .round_trips
            .as_ref()
            .filter(|_| !is_paced && !wanted.baseline.is_zero())
            .and_then(clocks::queue_delay_of),
        clocks: account.round_trips.and_then(|trips| trips.clocks).map(clocks::clocks_of),
        fragmentation_allowed: is_paced.then_some(true),
        instrument: None,
        call: None,
    }
}

/// The few probes that are answered before data flows are no baseline when none was to be measured.
fn baseline_of(account: &Account, wanted: &Wanted) -> Option<Percentiles> {
    account.round_trips.filter(|_| !wanted.baseline.is_zero()).and_then(|trips| trips.baseline)
}

/// The ways that were loaded.
fn legs_of<'a>(context: &RunContext<'_>, account: &'a Account) -> Vec<Leg<'a>> {
    let far = account.far.as_ref();
    let samples = |of: &'a [(Way, TcpSamplesReport)], way: Way| {
        of.iter().find(|(which, _)| *which == way).map(|(_, samples)| samples)
    };
    let clocks = account.round_trips.and_then(|trips| trips.clocks);
    let leg = |way: &Way| match way {
        Way::Far => Leg {
            way: Way::Far,
            transmitter: account.transmitted.as_ref(),
            receiver: far.and_then(|report| report.received.as_ref()),
            series: &account.series_far,
            transmitter_samples: samples(&account.samples_here, Way::Far),
            receiver_samples: samples(&account.samples_far, Way::Far),
            clocks,
        },
        Way::Near => Leg {
            way: Way::Near,
            transmitter: far.and_then(|report| report.transmitted.as_ref()),
            receiver: account.received.as_ref(),
            series: &account.series_near,
            transmitter_samples: samples(&account.samples_far, Way::Near),
            receiver_samples: samples(&account.samples_here, Way::Near),
            clocks,
        },
    };
    context.request.ways.iter().map(leg).collect()
}

/// What weakens any session's result.
pub(crate) fn caveats_of(account: &Account, contact: &Contact) -> Vec<Finding> {
    let port_changes = account.far.as_ref().map_or(0, |report| report.port_changes);
    let mut caveats = Vec::new();
    let unanswered = account.unanswered_opens;
    match account.round_trips {
        Some(_) if answered_by(account) == Some(Transport::Tcp) => {
            caveats.push(Caveat::ProbesByTcp { unanswered });
        }
        _ if unanswered > 0 => caveats.push(Caveat::ProbesUnanswered { sent: unanswered }),
        Some(trips) if answered_by(account).is_none() => {
            caveats.push(Caveat::ProbesUnanswered { sent: trips.sent });
        }
        _ => {}
    }
    if port_changes > 0 {
        caveats.push(Caveat::PortChanged { times: port_changes });
    }
    if contact.local.ip() == contact.peer.ip() {
        caveats.push(Caveat::SameHost {});
    }
    caveats.iter().map(Caveat::to_finding).collect()
}

/// What carried the probes that were answered.
fn answered_by(account: &Account) -> Option<Transport> {
    let answered = |trips: &RoundTrips| trips.baseline.is_some() || trips.transfer.is_some();
    account.round_trips.filter(answered).map(|trips| match trips.by {
        ProbedBy::Udp => Transport::Udp,
        ProbedBy::Tcp => Transport::Tcp,
    })
}

/// The reason known to the session itself; what follows from the figures alone is judged later.
fn void_of(account: &Account, legs: &[Leg<'_>], context: &RunContext<'_>) -> Option<Finding> {
    let of_legs = || legs.iter().find_map(|leg| leg.void(context.request));
    broken_reason(account, context.near).or_else(of_legs).map(|reason| reason.to_finding())
}

/// Why the account is incomplete, as the record tells it.
pub(crate) fn broken_reason(account: &Account, near: &EndReport) -> Option<VoidReason> {
    match &account.broken {
        Some(Broken::Interrupted) => Some(VoidReason::Interrupted {}),
        Some(Broken::Channel(error)) => {
            // Silence has a plain reason when this host itself cut the way.
            let gone = near.interface.as_deref().and_then(facts::interface_lost);
            let gone = gone.map_or_else(String::new, |gone| format!(", and {gone}"));
            Some(VoidReason::ControlLost { cause: first_line(&explain(error)) + &gone })
        }
        Some(Broken::Refused(refusal)) => {
            Some(VoidReason::EndedByListener { cause: refusal.text.clone() })
        }
        None => None,
    }
}

/// The first line of an explained error, without its label.
pub(crate) fn first_line(text: &str) -> String {
    let line = text.lines().next().unwrap_or_default();
    line.strip_prefix("error: ").unwrap_or(line).to_owned()
}

/// One end as the record tells of it.
pub(crate) fn end_of(
    report: &EndReport,
    seen_from: Option<String>,
    host: Option<&UseReport>,
) -> End {
    End {
        program: report.program.clone(),
        system: report.system.clone(),
        processor: report.processor.clone(),
        address: report.address.clone(),
        interface: report.interface.clone(),
        interface_mtu: report.interface_mtu,
        seen_from,
        cores: host.and_then(|host| host.cores.clone()),
        program_cpu_s: host.and_then(|host| host.program_cpu_s),
        data_threads_on: host.and_then(|host| host.data_threads_on.clone()),
    }
}
