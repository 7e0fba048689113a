//! The secrets of the data flows, taken from the TLS session that both ends have proven themselves in.

use culvert_wire::message::Way;
use culvert_wire::{Secret, datagram::DatagramKey};
use rustls::ConnectionCommon;
use zeroize::Zeroizing;

/// The secrets of one flow, by the direction its data goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FlowKeys {
    /// For what near transmits.
    pub toward_far: DirectionKeys,
    /// For what far transmits.
    pub toward_near: DirectionKeys,
}

impl FlowKeys {
    /// The secrets of what goes this way.
    pub const fn toward(&self, way: Way) -> &DirectionKeys {
        match way {
            Way::Far => &self.toward_far,
            Way::Near => &self.toward_near,
        }
    }
}

/// The secrets of one flow in one direction.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DirectionKeys {
    /// Tags the datagrams that go this way.
    pub datagram: DatagramKey,
    /// Begins the TCP flow that carries data this way.
    pub token: Secret<16>,
}

/// Derives the secrets of flow `flow` of run `run` by TLS exporters (RFC 8446 7.5), the same at both ends.
///
/// The labels begin with EXPERIMENTAL, as RFC 5705 4 asks of unregistered ones; the context is run u32 and flow u16,
/// big-endian. Fails before the handshake is finished.
pub fn flow_keys<Data>(
    connection: &ConnectionCommon<Data>,
    run: u32,
    flow: u16,
) -> Result<FlowKeys, rustls::Error> {
    let context = [run.to_be_bytes().as_slice(), &flow.to_be_bytes()].concat();
    let export = |label: &str| -> Result<Secret<16>, rustls::Error> {
        let output = Zeroizing::new([0; 16]);
        let output = connection.export_keying_material(output, label.as_bytes(), Some(&context))?;
        Ok(Secret::new(*output))
    };
    Ok(FlowKeys {
        toward_far: DirectionKeys {
            datagram: DatagramKey::new(export("EXPERIMENTAL-culvert-1 datagram toward far")?),
            token: export("EXPERIMENTAL-culvert-1 token toward far")?,
        },
        toward_near: DirectionKeys {
            datagram: DatagramKey::new(export("EXPERIMENTAL-culvert-1 datagram toward near")?),
            token: export("EXPERIMENTAL-culvert-1 token toward near")?,
        },
    })
}
