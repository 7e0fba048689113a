//! What can be found out about a path: names, addresses and routes first, then the listener, then the probe flow.
//!
//! Every wait is bounded, and what was found until something fails stays in the document. Start with [`Look::at_all`].

mod error;
mod inside;
mod own_network;

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use culvert_engine::facts;
use culvert_engine::sounding::Sounded;
use culvert_os::route;
use culvert_pathmodel::{Encapsulation, Family};
use culvert_report::preflight::{EndFacts, LimitFacts, ModelFacts, Preflight};
use culvert_session::path_mtu::tcp_mss;
use culvert_session::plan::Target;
use culvert_units::Mtu;
use culvert_wire::message::EndReport;

pub(crate) use error::PreflightError;

use crate::console::Console;
use crate::dial::{Contact, DialError, choose, dial, family_of, resolve_all};
use crate::progress::Progress;
use crate::runner::Runner;
use crate::session::{SessionError, SoundingWish, sound};

/// An encapsulation, the MTU below it, and the family of its outer packets.
pub(crate) type NamedModel<'a> = (&'a Encapsulation, Mtu, Family);

/// What is to be looked at.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Look<'a> {
    /// Holds the invite.
    pub(crate) runner: &'a Runner,
    /// The listener.
    pub(crate) target: &'a Target,
    /// The wanted family.
    pub(crate) family: Option<Family>,
    /// How long round trips are measured.
    pub(crate) baseline: Duration,
    /// What the model is asked.
    pub(crate) model: Option<NamedModel<'a>>,
    /// Whether the listener's own addresses are tried.
    pub(crate) find_inside: bool,
}

/// Sizes that are tried first when no encapsulation is named: `PPPoE` (RFC 2516), and `WireGuard`'s custom.
const LIKELY: [u16; 2] = [1492, 1420];

impl Look<'_> {
    /// Finds out all there is; what is known stays in `facts` when it fails.
    pub(crate) async fn at_all(
        &self,
        facts: &mut Preflight,
        progress: &Progress,
        console: &Console,
    ) -> Result<(), PreflightError> {
        let mut contact = tokio::select! {
            contact = self.reach(facts, progress) => contact?,
            () = self.runner.interrupt().raised() => return Err(SessionError::Interrupted.into()),
        };
        Self::note_ends(facts, &contact);
        if let Some(named) = self.model {
            facts.model = Some(model_of(named, facts.family));
        }
        let wish = self.wish(facts);
        let budget = wish.budget(&contact.limits);
        facts.sounding_bytes_each_way = Some(budget.get());
        console.talk(&format!("this sends {budget} each way at most, to find the path MTU"));
        progress.say("measuring the round trip, then the path MTU each way");
        let sounding = sound(&mut contact, &wish, self.runner.interrupt()).await;
        let peer = contact.peer;
        contact.channel.close().await;
        let account = sounding?;
        facts.udp_reached = Some(account.sounded.is_some());
        let Some(sounded) = account.sounded else {
            facts.udp_unanswered = Some(account.unanswered_opens);
            self.try_inside(facts, peer, progress).await;
            return Err(SessionError::UdpSilent { peer }.into());
        };
        note_sounded(facts, &sounded);
        if let Some(broken) = account.broken {
            return Err(PreflightError::Broken(broken));
        }
        self.try_inside(facts, peer, progress).await;
        Ok(())
    }

    async fn reach(
        &self,
        facts: &mut Preflight,
        progress: &Progress,
    ) -> Result<Contact, PreflightError> {
        progress.say("looking up the address");
        let found = resolve_all(self.target).await?;
        facts.resolved = found.iter().map(SocketAddr::ip).collect();
        let peer = choose(&found, self.target, self.family)?;
        facts.dialled = Some(peer.ip());
        facts.family = Some(family_of(peer.ip()));
        facts.near = own_end(peer, None);
        progress.say(&format!("connecting to {peer}"));
        match dial(peer, self.runner.invite()).await {
            Ok(contact) => {
                facts.tcp_reached = Some(true);
                Ok(contact)
            }
            Err(error @ (DialError::Connect { .. } | DialError::NoAnswer { .. })) => {
                facts.tcp_reached = Some(false);
                progress.say("looking why nothing answers");
                facts.dialled_is_own_gateway = own_network::is_own_gateway(peer.ip()).await;
                Err(self.other_family(&found, peer).await.unwrap_or_else(|| error.into()))
            }
            Err(error) => Err(error.into()),
        }
    }

    /// Where the name has an address of the other family and the listener answers there, that is the finding.
    async fn other_family(&self, found: &[SocketAddr], peer: SocketAddr) -> Option<PreflightError> {
        let other = *found.iter().find(|other| other.is_ipv4() != peer.is_ipv4())?;
        let contact = dial(other, self.runner.invite()).await.ok()?;
        contact.channel.close().await;
        Some(PreflightError::WrongFamily { peer, other })
    }

    fn note_ends(facts: &mut Preflight, contact: &Contact) {
        let Contact { far, limits, .. } = contact;
        let stream = contact.channel.stream().get_ref().0;
        facts.tcp_connect_us = u64::try_from(contact.round_trip.as_micros()).ok();
        facts.near = own_end(contact.peer, Some(contact.local));
        facts.near.seen_from = address_in(far.sees_peer_at.as_ref());
        facts.far = far_end(far);
        facts.far.seen_from = Some(contact.peer.ip());
        facts.far_addresses = inside::told(far);
        let link_of = |address: Option<IpAddr>| address.and_then(own_network::link_of);
        let far_link = link_of(facts.far.address);
        facts.far_is_on_own_link = Some(far_link.is_some());
        facts.seen_from_is_on_far_link =
            Some(far_link.is_some() && link_of(facts.near.seen_from) == far_link);
        facts.toward_far.tcp_mss = facts::told_mss(stream);
        facts.toward_near.tcp_mss = far.tcp_mss;
        facts.limits = Some(LimitFacts {
            duration_ms: limits.duration_ms,
            rate_bps: limits.rate_bps,
            bytes: limits.bytes,
            flows: limits.flows,
        });
    }

    fn wish(&self, facts: &Preflight) -> SoundingWish {
        let near = facts.near.interface_mtu.and_then(mtu_of);
        let far = facts.far.interface_mtu.and_then(mtu_of);
        let known = near.or(far).unwrap_or(Mtu::ETHERNET);
        let modelled = facts.model.iter().flat_map(|model| [model.tunnel_mtu, model.largest_inner]);
        let modelled: Vec<u16> = modelled.flatten().collect();
        let likely = if modelled.is_empty() { LIKELY.to_vec() } else { modelled };
        SoundingWish {
            baseline: self.baseline,
            interface_near: near.unwrap_or(known),
            interface_far: far.unwrap_or(known),
            likely: likely.into_iter().filter_map(|bytes| Mtu::new(bytes).ok()).collect(),
        }
    }

    async fn try_inside(&self, facts: &mut Preflight, peer: SocketAddr, progress: &Progress) {
        if self.find_inside {
            progress.say("trying the listener's own addresses");
            let told = facts.far_addresses.clone();
            facts.inside = Some(inside::try_each(&told, peer, self.runner.invite()).await);
        }
    }
}

/// What the model says of an encapsulation; the segment is that of the path's own family.
pub(crate) fn model_of(
    (encapsulation, underlay, outer): NamedModel<'_>,
    family: Option<Family>,
) -> ModelFacts {
    let largest = encapsulation.largest_inner(underlay, outer).ok().map(Mtu::get);
    let tunnel = encapsulation.customary_mtu().map(Mtu::get).or(largest);
    ModelFacts {
        encapsulation: encapsulation.key().to_owned(),
        underlay_mtu: underlay.get(),
        largest_inner: largest,
        tunnel_mtu: tunnel,
        tcp_mss: tunnel.and_then(|mtu| tcp_mss(family?, mtu)),
    }
}

/// An interface's MTU as a search can use it: no IP packet is longer than 65,535 bytes (RFC 791).
fn mtu_of(bytes: u32) -> Option<Mtu> {
    Mtu::new(u16::try_from(bytes).unwrap_or(u16::MAX)).ok()
}

fn address_in(text: Option<&String>) -> Option<IpAddr> {
    text?.parse().ok()
}

fn own_end(peer: SocketAddr, local: Option<SocketAddr>) -> EndFacts {
    let Ok(way) = route::route_to_peer(peer, local.map(|local| local.ip())) else {
        return EndFacts::default();
    };
    let known = route::interfaces().unwrap_or_default();
    let interface = known.into_iter().find(|one| one.index == way.interface_index);
    EndFacts {
        address: local.map(|local| local.ip()).or(way.source),
        seen_from: None,
        interface: Some(way.interface),
        interface_kind: interface.as_ref().and_then(|one| one.kind.clone()),
        interface_mtu: interface.and_then(|one| one.mtu),
        gateway: way.gateway,
    }
}

fn far_end(report: &EndReport) -> EndFacts {
    EndFacts {
        address: address_in(report.address.as_ref()),
        interface: report.interface.clone(),
        interface_mtu: report.interface_mtu,
        ..EndFacts::default()
    }
}

fn note_sounded(facts: &mut Preflight, sounded: &Sounded) {
    facts.rtt_probes = Some(sounded.probes);
    facts.rtt_baseline_us = sounded.round_trips;
    facts.clock_error_us = sounded.clock.map(|clock| clock.error_bound as f64 / 1_000.0);
    facts.toward_far.path_mtu = Some(sounded.toward_far);
    facts.toward_near.path_mtu = Some(sounded.toward_near);
}
