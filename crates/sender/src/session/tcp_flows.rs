//! Opening TCP data flows: connect, say which flow it is.

use std::collections::HashMap;
use std::io::{self, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::time::Duration;

use culvert_engine::bulk::as_asked;
use culvert_engine::on_thread;
use culvert_engine::timeline::Switch;
use culvert_os::tcp;
use culvert_wire::message::{SessionRequest, Way};
use culvert_wire::{FlowPreamble, Secret};

use super::{Granted, SessionError};

/// How long one flow may take to connect.
const PATIENCE: Duration = Duration::from_secs(5);
/// How long all may take.
const PATIENCE_FOR_ALL: Duration = Duration::from_secs(12);
/// Flows that connect at the same time; the listener's gate lets 16 of one address wait.
const AT_A_TIME: usize = 8;

/// Opens one flow for each token, by the way its data will go.
pub(super) async fn open(
    granted: &Granted,
    mut tokens: Vec<(u16, Way, Secret<16>)>,
) -> Result<HashMap<Way, Vec<TcpStream>>, SessionError> {
    let peer = granted.peer;
    let share = tokens.len().div_ceil(AT_A_TIME).max(1);
    let mut threads = Vec::new();
    while !tokens.is_empty() {
        let some = tokens.split_off(tokens.len().saturating_sub(share));
        let connector = Connector::new(granted);
        threads.push(on_thread("connect", move || connector.connect_all(some)));
    }
    let all = async {
        let mut flows: HashMap<Way, Vec<TcpStream>> = HashMap::new();
        for thread in threads {
            let opened = thread.await?.map_err(|source| SessionError::Flow { peer, source })?;
            for (way, stream) in opened {
                flows.entry(way).or_default().push(stream);
            }
        }
        Ok(flows)
    };
    let late = || SessionError::Flow { peer, source: io::ErrorKind::TimedOut.into() };
    tokio::time::timeout(PATIENCE_FOR_ALL, all).await.unwrap_or_else(|_| Err(late()))
}

/// Opens one flow that the session can do without; `None` when it cannot be connected.
pub(super) async fn open_one(
    granted: &Granted,
    flow: u16,
    token: Secret<16>,
) -> Result<Option<TcpStream>, SessionError> {
    let connector = Connector::new(granted);
    let opened = on_thread("connect", move || connector.connect(flow, token)).await?;
    Ok(opened.ok())
}

/// Connects some of a session's flows, one after another.
struct Connector {
    peer: SocketAddr,
    session: u32,
    request: SessionRequest,
    switch: Arc<Switch>,
}

impl Connector {
    fn new(granted: &Granted) -> Self {
        Self {
            peer: granted.peer,
            session: granted.number,
            request: granted.session.request().clone(),
            switch: Arc::clone(&granted.switch),
        }
    }

    fn connect(&self, flow: u16, token: Secret<16>) -> io::Result<TcpStream> {
        let mut stream =
            as_asked(&self.request, |options| tcp::connect(self.peer, options, PATIENCE))?;
        stream.write_all(&FlowPreamble { flow, session: self.session, token }.emit())?;
        Ok(stream)
    }

    fn connect_all(
        &self,
        tokens: Vec<(u16, Way, Secret<16>)>,
    ) -> io::Result<Vec<(Way, TcpStream)>> {
        let mut flows = Vec::new();
        for (flow, way, token) in tokens {
            if self.switch.is_stopped() {
                break;
            }
            flows.push((way, self.connect(flow, token)?));
        }
        Ok(flows)
    }
}
