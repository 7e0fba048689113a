//! What the listener holds in memory.

use std::time::Duration;

use crate::culvert::{Listener, Programs};
use crate::error::BenchError;
use crate::options::Options;
use crate::ratio::Bar;
use crate::table::Row;

const FLOWS: u16 = 16;
/// After its start everything that a listener needs has been loaded.
const UNTIL_IDLE: Duration = Duration::from_millis(300);

pub(super) fn run(programs: &Programs, options: &Options) -> Result<Vec<Row>, BenchError> {
    let mut listener = Listener::start(programs)?;
    std::thread::sleep(UNTIL_IDLE);
    let idle = listener.daemon.memory_mib("VmRSS")?;
    let times = (options.settle, options.plateau.max(Duration::from_secs(1)));
    listener.bulk("cubic", FLOWS, times)?;
    let most = listener.daemon.memory_mib("VmHWM")?;
    Ok(vec![
        Row::plain("culvertd resident, idle", "MiB", &[idle]).bar(Bar::AtMost(6.0)),
        Row::plain(format!("culvertd resident, {FLOWS} flows, at most"), "MiB", &[most])
            .bar(Bar::AtMost(32.0)),
    ])
}
