//! `culvert ceiling`: the path model alone.

pub(crate) mod typed;

use std::io::Write as _;

use culvert_pathmodel::{
    Carries, CeilingQuestion, Conditions, Direction, Encapsulation, Link, ModelError, Path,
    PathLink, Tunnel, all, ceiling as model, outlook, path_ceiling,
};
use culvert_report::CeilingTable;
use culvert_units::{Bytes, ExitStatus};

use crate::args::{CeilingArgs, OnOff};
use crate::console::Console;
use crate::failure::SenderError;

/// Shows what the model says of one encapsulation in depth, or of several beside each other.
pub(crate) fn ceiling(args: &CeilingArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let wanted: Vec<_> = if args.encapsulation.is_empty() {
        all().iter().collect()
    } else {
        args.encapsulation.iter().collect()
    };
    let Some(first) = wanted.first() else { return Ok(ExitStatus::Done) };
    let path = args.path();
    let conditions = args.conditions();
    let question = args.question(first, &path);
    let asked = Asked { path: args.is_path().then_some(&path), conditions: conditions.as_ref() };
    asked.check(&question, &wanted).map_err(Box::new)?;
    let table = CeilingTable::new(&question, asked.path, asked.conditions, wanted);
    let mut out = console.results();
    if args.json {
        table.json(&mut out)
    } else if args.csv {
        table.csv(&mut out)
    } else {
        out.write_all(table.terminal(console.width()).as_bytes())
    }
    .map_err(SenderError::Output)?;
    Ok(ExitStatus::Done)
}

struct Asked<'a> {
    path: Option<&'a Path>,
    conditions: Option<&'a Conditions>,
}

impl Asked<'_> {
    /// A question that the model refuses for all is an error; among many it is a note.
    fn check(
        &self,
        question: &CeilingQuestion<'_>,
        wanted: &[&Encapsulation],
    ) -> Result<(), ModelError> {
        let mut refused = None;
        for encapsulation in wanted {
            match self.answer(&CeilingQuestion { encapsulation, ..question.clone() }) {
                Ok(()) => return Ok(()),
                Err(error) => refused = refused.or(Some(error)),
            }
        }
        refused.map_or(Ok(()), Err)
    }

    fn answer(&self, question: &CeilingQuestion<'_>) -> Result<(), ModelError> {
        let full = model(question)?;
        for direction in Direction::ALL {
            self.path.map(|path| path_ceiling(question, path, direction)).transpose()?;
        }
        let segment = Bytes::new(full.tcp_payload.into());
        let bounds = |conditions| outlook(full.tcp, question.link.rate, segment, conditions);
        self.conditions.map(bounds).transpose()?;
        Ok(())
    }
}

impl CeilingArgs {
    fn question<'a>(&'a self, first: &'a Encapsulation, path: &Path) -> CeilingQuestion<'a> {
        let link = Link {
            rate: self.link_rate_up.unwrap_or(self.link_rate),
            framing: self.framing,
            counted: self.counted,
        };
        let customary = self.framing.customary_mtu();
        CeilingQuestion {
            underlay_mtu: path.underlay_mtu().unwrap_or(customary),
            outer_family: self.outer,
            inner_family: self.inner,
            inner_mtu: self.tunnel_mtu,
            timestamps: self.timestamps == OnOff::On,
            through: self
                .through
                .iter()
                .map(|tunnel| Tunnel {
                    encapsulation: &tunnel.encapsulation,
                    outer_family: tunnel.outer_family.unwrap_or(self.outer),
                    interface_mtu: tunnel.interface_mtu,
                })
                .collect(),
            ..CeilingQuestion::new(link, first)
        }
    }

    /// Whether more was said of the path than one rate for both directions.
    fn is_path(&self) -> bool {
        self.link_rate_up.is_some()
            || self.link_rate_down.is_some()
            || self.efficiency.is_some()
            || self.shared_medium
            || !self.link.is_empty()
    }

    /// The line under the tunnel, and the further links.
    fn path(&self) -> Path {
        let line = PathLink {
            name: typed::LINE.to_owned(),
            toward_far: self.link_rate_up.unwrap_or(self.link_rate),
            toward_near: self.link_rate_down.unwrap_or(self.link_rate),
            framing: self.framing,
            counted: self.counted,
            mtu: self.mtu,
            carries: Carries::Outer,
            efficiency: self.efficiency,
            shared: self.shared_medium,
        };
        let mut links = vec![line];
        links.extend(self.link.iter().cloned());
        Path { links, segments_per_acknowledgement: self.segments_per_acknowledgement }
    }

    fn conditions(&self) -> Option<Conditions> {
        self.rtt.map(|rtt| Conditions {
            rtt,
            window: self.window,
            buffer: self.buffer,
            loss: self.loss,
            control: self.congestion_control,
        })
    }
}
