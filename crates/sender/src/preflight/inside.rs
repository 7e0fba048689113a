//! Which of the listener's own addresses is reached, and how.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use culvert_report::preflight::{Inside, InsideFacts};
use culvert_wire::Invite;
use culvert_wire::message::{EndReport, FromNear};

use super::own_network::{link_of, way_to};
use crate::dial::{DialError, dial};

/// How long one address may take.
const PATIENCE: Duration = Duration::from_secs(4);
/// Addresses that are tried: a listener has a few, and whoever tells more shall not make this host knock everywhere.
const MOST: usize = 8;

/// The addresses that a listener tells and that another host may reach.
pub(super) fn told(far: &EndReport) -> Vec<IpAddr> {
    let all = far.addresses.iter().filter_map(|text| text.parse::<IpAddr>().ok());
    let usable = |address: &IpAddr| {
        let link_local = match address {
            IpAddr::V4(address) => address.is_link_local() || address.is_broadcast(),
            IpAddr::V6(address) => address.is_unicast_link_local(),
        };
        !(address.is_loopback() || address.is_multicast() || address.is_unspecified() || link_local)
    };
    let mut addresses: Vec<IpAddr> = all.filter(usable).collect();
    addresses.truncate(MOST);
    addresses
}

/// Tries each at the listener's port.
pub(super) async fn try_each(
    addresses: &[IpAddr],
    dialled: SocketAddr,
    invite: &Invite,
) -> Vec<InsideFacts> {
    let outside = way_to(dialled.ip()).map(|(route, _)| route.interface);
    let mut all = Vec::new();
    for address in addresses {
        let way = way_to(*address);
        let found = if *address == dialled.ip() {
            Inside::Dialled
        } else if link_of(*address).is_some() {
            Inside::InOwnNetwork
        } else {
            knock(SocketAddr::new(*address, dialled.port()), invite).await
        };
        all.push(InsideFacts {
            address: *address,
            found,
            leaves_as_dialled: way
                .as_ref()
                .zip(outside.as_ref())
                .map(|((route, _), outside)| route.interface == *outside),
            interface: way.as_ref().map(|(route, _)| route.interface.clone()),
            interface_kind: way.and_then(|(_, interface)| interface?.kind),
        });
    }
    all
}

/// The pinned key proves that it is the same listener.
async fn knock(address: SocketAddr, invite: &Invite) -> Inside {
    match tokio::time::timeout(PATIENCE, dial(address, invite)).await {
        Ok(Ok(mut contact)) => {
            // It only looks; the listener need not wait.
            let _ = contact.channel.say(&FromNear::Stop {}).await;
            contact.channel.close().await;
            Inside::SameListener
        }
        Ok(Err(DialError::Handshake { .. })) => Inside::SomebodyElse,
        // It has proven its key before it refuses.
        Ok(Err(DialError::Refused(_))) => Inside::SameListener,
        Ok(Err(_)) | Err(_) => Inside::NotReached,
    }
}
