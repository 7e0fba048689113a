//! What a survey set out to do, written once at the head of its runs.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::Place;

/// The name and version of this format, the value of [`SurveyHeader::schema`].
pub const SURVEY_SCHEMA: &str = "culvert/survey/1";

/// The plan a survey follows, as far as its runs must be read against it: one line of the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SurveyHeader {
    /// The name and version of the format: [`SURVEY_SCHEMA`].
    pub schema: String,
    /// Identifies the survey; its runs name it.
    pub id: String,
    /// The plan's SHA-256 in hexadecimal digits, so that a changed plan is noticed.
    pub plan_hash: String,
    /// The practitioner's name for the survey.
    pub name: String,
    /// When the survey began, on the near end's wall clock (RFC 3339).
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub started_at: Timestamp,
    /// The two sites.
    pub sites: Sites,
    /// The gateway, as typed by the practitioner.
    pub gateway: Gateway,
    /// How often every session is repeated on every path.
    pub rounds: u32,
    /// The paths that are compared.
    pub paths: Vec<PlannedPath>,
    /// How many runs the survey consists of.
    pub planned_runs: u32,
}

/// The sites of the two ends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Sites {
    /// Where `culvert` runs.
    pub near: Site,
    /// Where the listener is.
    pub far: Site,
}

/// One site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Site {
    /// Its name.
    pub name: String,
    /// Its line; `null` when it was not stated.
    pub line: Option<Line>,
}

/// A site's line to the internet, as the practitioner stated it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Line {
    /// Rate toward the site, bit/s.
    pub down_bps: Option<u64>,
    /// Rate from the site, bit/s.
    pub up_bps: Option<u64>,
    /// Whether data on it costs money or is capped.
    #[serde(default)]
    pub metered: bool,
    /// Which bytes the rates count.
    #[serde(default)]
    pub counted: Counted,
}

/// Which bytes a line's rate counts.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Counted {
    /// Everything Ethernet spends on a packet: preamble, header, check sequence and gap.
    #[default]
    Ethernet,
    /// IP packets alone.
    Ip,
}

/// The router that ends the tunnels, as typed by the practitioner.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Gateway {
    /// Maker and model.
    pub model: Option<String>,
    /// Version of its firmware.
    pub firmware: Option<String>,
    /// Its processor.
    pub processor: Option<String>,
}

/// One path of the plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PlannedPath {
    /// The practitioner's name for it.
    pub name: String,
    /// Without or through a tunnel.
    pub place: Place,
    /// The address to dial.
    pub target: String,
    /// The key of the encapsulation it is believed to use.
    pub encapsulation: Option<String>,
    /// The MTU a packet of the session finds on it (through a tunnel: the tunnel's), bytes.
    pub mtu: Option<u16>,
}
