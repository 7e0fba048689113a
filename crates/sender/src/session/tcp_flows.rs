//! Opening TCP data flows: connect, say which flow it is.

use std::collections::HashMap;
use std::io::Write as _;
use std::net::TcpStream;
use std::time::Duration;

use culvert_engine::bulk::with_congestion_control;
use culvert_engine::on_thread;
use culvert_os::tcp;
use culvert_wire::message::Way;
use culvert_wire::{FlowPreamble, Secret};

use super::{Granted, SessionError};

/// How long one flow may take to connect.
const PATIENCE: Duration = Duration::from_secs(5);

/// Opens one flow for each token, by the way its data will go.
pub(super) async fn open(
    granted: &Granted,
    tokens: Vec<(u16, Way, Secret<16>)>,
    congestion_control: &str,
) -> Result<HashMap<Way, Vec<TcpStream>>, SessionError> {
    let (peer, session) = (granted.peer, granted.number);
    let buffer = granted.session.request().buffer_bytes;
    let congestion_control = congestion_control.to_owned();
    let connecting = on_thread("connect", move || {
        let connect = || {
            with_congestion_control(&congestion_control, buffer, |options| {
                tcp::connect(peer, options, PATIENCE)
            })
        };
        let mut flows: HashMap<Way, Vec<TcpStream>> = HashMap::new();
        for (flow, way, token) in tokens {
            let mut stream = connect()?;
            stream.write_all(&FlowPreamble { flow, session, token }.emit())?;
            flows.entry(way).or_default().push(stream);
        }
        Ok(flows)
    });
    connecting.await?.map_err(|source| SessionError::Flow { peer, source })
}
