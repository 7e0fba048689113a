//! The daemon: binds, accepts, and ends on a signal or after its time.

use std::fs::File;
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use culvert_engine::Pins;
use culvert_os::{tcp, udp::WildcardSocket};
use culvert_wire::message::Limits;
use nix::errno::Errno;
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tokio::task::{JoinSet, LocalSet};

use crate::args::Serve;
use crate::conversation::House;
use crate::door::{Door, ends_of};
use crate::failure::ListenerError;
use crate::quiet::Quiet;
use crate::registry::Registry;
use crate::state::{InviteTable, StateDirectory};
use crate::{datagram_door, failure};

/// Longest session unless set, settle time included.
const DEFAULT_DURATION: Duration = Duration::from_mins(2);
/// Most TCP flows each way.
const MOST_FLOWS: u16 = 64;
/// Connections the kernel keeps until they are accepted.
const BACKLOG: u16 = 256;
/// A rest after accepting failed: the usual cause is a want of descriptors, which ends only when others close.
const AFTER_ACCEPT_FAILED: Duration = Duration::from_millis(100);

/// Runs the daemon until it is told to end.
pub(crate) fn serve(args: Serve, state: StateDirectory) -> Result<(), ListenerError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|source| ListenerError::Runtime { source })?;
    LocalSet::new().block_on(&runtime, run(args, state))
}

async fn run(args: Serve, state: StateDirectory) -> Result<(), ListenerError> {
    let identity = state.identity()?;
    let invites = InviteTable::load(state, identity.clone())?;
    let registry = Arc::new(Registry::default());
    let house = House {
        registry: Arc::clone(&registry),
        limits: limits(&args),
        pins: Pins::new(&args.pin)?,
        session_slots: usize::from(args.limit_sessions),
        sessions: 0.into(),
    };
    let door = Arc::new(Door::new(identity, invites, args.allow, house));
    let mut tasks = JoinSet::new();
    for address in &args.listen {
        let (listener, socket) = match bind(*address) {
            // One family may be missing from this system altogether; the other one then has to do.
            Err(ListenerError::Binding { source, .. })
                if args.listen.len() > 1 && is_family_missing(&source) =>
            {
                tracing::warn!("not listening on {address}: {source}");
                continue;
            }
            bound => bound?,
        };
        // What was bound: with port 0 only the system knows the port.
        tracing::info!("listening on {}, TCP and UDP", socket.local_address());
        tasks.spawn_local(accept(listener, Arc::clone(&door)));
        tasks.spawn_local(datagram_door::serve(socket, Arc::clone(&registry)));
    }
    tracing::info!("a forwarded port is found by strangers: close it when the measuring is done");
    tokio::select! {
        reason = told_to_end(args.close_after) => tracing::info!("ending: {reason}"),
        Some(ended) = tasks.join_next() => {
            if let Ok(Err(source)) = ended {
                return Err(ListenerError::Serving { source });
            }
        }
    }
    Ok(())
}

fn is_family_missing(error: &io::Error) -> bool {
    let missing = [Errno::EAFNOSUPPORT, Errno::EADDRNOTAVAIL];
    error.raw_os_error().is_some_and(|code| missing.contains(&Errno::from_raw(code)))
}

fn limits(args: &Serve) -> Limits {
    let duration = args.limits.duration.unwrap_or(DEFAULT_DURATION);
    Limits {
        duration_ms: u64::try_from(duration.as_millis()).unwrap_or(u64::MAX),
        rate_bps: args.limits.rate.map(culvert_units::BitRate::bits_per_second),
        bytes: args.limits.bytes.map(culvert_units::Bytes::get),
        flows: MOST_FLOWS,
    }
}

/// Binds one address for TCP and UDP; a port of 0 becomes the same port for both.
fn bind(address: SocketAddr) -> Result<(TcpListener, WildcardSocket), ListenerError> {
    let failed = |source| failure::binding(address, source);
    let listener = tcp::listen(address, BACKLOG).map_err(failed)?;
    let bound = listener.local_addr().map_err(failed)?;
    let socket = WildcardSocket::bind(bound).map_err(failed)?;
    let listener = TcpListener::from_std(listener).map_err(failed)?;
    Ok((listener, socket))
}

async fn accept(listener: TcpListener, door: Arc<Door>) -> io::Result<()> {
    let quiet = Quiet::default();
    let mut spare = Some(spare_descriptor()?);
    loop {
        match listener.accept().await {
            Ok((stream, peer)) => {
                let door = Arc::clone(&door);
                tokio::task::spawn_local(async move {
                    if let Ok(ends) = ends_of(&stream, peer) {
                        door.serve(stream, ends).await;
                    }
                });
            }
            Err(error) => {
                quiet.warn("accept", &format!("accepting failed: {error}"));
                // Without a descriptor the one who knocks would stay in the queue, and be met again and again.
                if spare.take().is_some() {
                    drop(tokio::time::timeout(AFTER_ACCEPT_FAILED, listener.accept()).await);
                }
                tokio::time::sleep(AFTER_ACCEPT_FAILED).await;
                spare = spare_descriptor().ok();
            }
        }
    }
}

/// A descriptor to give up when there is no other.
fn spare_descriptor() -> io::Result<File> {
    File::open("/dev/null")
}

async fn told_to_end(close_after: Option<Duration>) -> &'static str {
    let time_is_over = async {
        match close_after {
            Some(time) => tokio::time::sleep(time).await,
            None => std::future::pending().await,
        }
    };
    let terminated = async {
        match signal(SignalKind::terminate()) {
            Ok(mut signal) => {
                signal.recv().await;
            }
            Err(_) => std::future::pending().await,
        }
    };
    tokio::select! {
        () = time_is_over => "its time is over",
        () = terminated => "it was told to",
        Ok(()) = tokio::signal::ctrl_c() => "it was interrupted",
    }
}
