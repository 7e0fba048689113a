//! Runs one session from the name of its target to its record.

use culvert_engine::{Pins, facts};
use culvert_pathmodel::Family;
use culvert_record::{CapacityRecord, QuotedCertificate, RunRecord};
use culvert_session::plan::Target;
use culvert_units::{ExitStatus, Explain};
use culvert_wire::Invite;
use culvert_wire::message::{FromNear, Limits, SessionRequest};
use jiff::Timestamp;
use rand::Rng as _;
use tokio::runtime::Runtime;

use crate::account_record::{RunContext, record_of};
use crate::capacity::{CapacityWanted, Searched};
use crate::dial::{Contact, DialError, PROGRAM, dial, family_of, resolve};
use crate::interrupt::Interrupt;
use crate::progress::Progress;
use crate::session::{self, Account, Here, SessionError};
use crate::wanted::{Wanted, WantedError};

/// What every session of this call shares.
#[derive(Debug)]
pub(crate) struct Runner {
    invite: Invite,
    interrupt: Interrupt,
    quiet: bool,
    pins: Pins,
    runtime: Runtime,
    instrument: Option<QuotedCertificate>,
}

impl Runner {
    /// A runner that holds `invite` and keeps data threads on `pins`.
    pub(crate) fn new(
        invite: Invite,
        interrupt: Interrupt,
        quiet: bool,
        pins: Pins,
    ) -> Result<Self, RunError> {
        let now = Timestamp::now().as_second();
        if u64::try_from(now).is_ok_and(|now| invite.has_expired(now)) {
            let at = Timestamp::from_second(i64::from(invite.expires)).unwrap_or(Timestamp::MAX);
            return Err(RunError::Expired { at });
        }
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|source| RunError::Runtime { source })?;
        Ok(Self { invite, interrupt, quiet, pins, runtime, instrument: quoted_certificate(quiet) })
    }

    /// A silent runner for what runs beside; it ends with `interrupt`.
    pub(crate) fn companion(&self, interrupt: Interrupt) -> Result<Self, RunError> {
        Self::new(self.invite.clone(), interrupt, true, self.pins.clone())
    }

    /// Runs one session; whatever flowed is in the record, which is not judged, stored or shown yet.
    pub(crate) fn run(&self, wanted: &Wanted) -> Result<RunRecord, RunError> {
        self.run_in_full(wanted).map(|(record, _)| record)
    }

    /// The same with the two ends' accounts, for those who need more of them than a record holds.
    pub(crate) fn run_in_full(&self, wanted: &Wanted) -> Result<(RunRecord, Account), RunError> {
        let request = wanted.request()?;
        self.runtime.block_on(self.run_request(wanted, request))
    }

    /// Asks the listener who it is and what it grants, and nothing else.
    pub(crate) fn look(&self, target: &Target, family: Option<Family>) -> Result<Seen, RunError> {
        self.runtime.block_on(async {
            let looking = async {
                let peer = resolve(target, family).await?;
                dial(peer, &self.invite).await
            };
            let mut contact = tokio::select! {
                contact = looking => contact?,
                () = self.interrupt.raised() => return Err(SessionError::Interrupted.into()),
            };
            let near = facts::end_report(PROGRAM, contact.local.ip(), contact.peer, None);
            // Whoever hangs up without a word is logged as lost.
            let _ = contact.channel.say(&FromNear::Stop {}).await;
            contact.channel.close().await;
            let mtus = near.interface_mtu.into_iter().chain(contact.far.interface_mtu);
            Ok(Seen {
                family: family_of(contact.peer.ip()),
                least_interface_mtu: mtus.min(),
                limits: contact.limits,
            })
        })
    }

    async fn run_request(
        &self,
        wanted: &Wanted,
        request: SessionRequest,
    ) -> Result<(RunRecord, Account), RunError> {
        let title = wanted.path.name.clone().unwrap_or_else(|| wanted.target.to_string());
        let progress = Progress::new(title, self.quiet);
        let mut contact = tokio::select! {
            contact = self.contact(&wanted.target, wanted.family, &progress) => contact?,
            () = self.interrupt.raised() => return Err(SessionError::Interrupted.into()),
        };
        let near = facts::end_report(PROGRAM, contact.local.ip(), contact.peer, None);
        let started_at = Timestamp::now();
        let here = Here { baseline: wanted.baseline, pins: self.pins.clone() };
        let account =
            session::run(&mut contact, request.clone(), &here, &progress, &self.interrupt).await?;
        drop(progress);
        let context = RunContext {
            wanted,
            request: &request,
            contact: &contact,
            near: &near,
            started_at,
            id: fresh_id(),
        };
        let mut record = record_of(&context, &account);
        record.instrument.clone_from(&self.instrument);
        contact.channel.close().await;
        Ok((record, account))
    }
}

impl Runner {
    /// How the listener is known.
    pub(crate) const fn invite(&self) -> &Invite {
        &self.invite
    }

    /// What stops a session.
    pub(crate) const fn interrupt(&self) -> &Interrupt {
        &self.interrupt
    }

    /// Runs something else than a session on the control runtime.
    pub(crate) fn block_on<F: Future>(&self, future: F) -> F::Output {
        self.runtime.block_on(future)
    }

    /// Searches a capacity once; the record is not shown yet.
    pub(crate) fn search(&self, wanted: &CapacityWanted) -> Result<CapacityRecord, RunError> {
        self.runtime.block_on(self.search_capacity(wanted))
    }

    async fn search_capacity(&self, wanted: &CapacityWanted) -> Result<CapacityRecord, RunError> {
        let progress = Progress::new(wanted.target.to_string(), self.quiet);
        let mut contact = tokio::select! {
            contact = self.contact(&wanted.target, wanted.family, &progress) => contact?,
            () = self.interrupt.raised() => return Err(SessionError::Interrupted.into()),
        };
        let near = facts::end_report(PROGRAM, contact.local.ip(), contact.peer, None);
        let started_at = Timestamp::now();
        let here = Here { baseline: wanted.baseline, pins: self.pins.clone() };
        let request = wanted.request(&contact);
        let account =
            session::run(&mut contact, request.clone(), &here, &progress, &self.interrupt).await?;
        drop(progress);
        let searched =
            Searched { wanted, request: &request, contact: &contact, near: &near, started_at };
        let record = searched.record(fresh_id(), &account);
        contact.channel.close().await;
        Ok(record)
    }

    async fn contact(
        &self,
        target: &Target,
        family: Option<Family>,
        progress: &Progress,
    ) -> Result<Contact, DialError> {
        progress.say("looking up the address");
        let peer = resolve(target, family).await?;
        progress.say(&format!("connecting to {peer}"));
        dial(peer, &self.invite).await
    }
}

/// What runs of this call quote of this host's certificate.
#[cfg(target_os = "linux")]
fn quoted_certificate(quiet: bool) -> Option<QuotedCertificate> {
    crate::calibrate::store::quoted(&crate::console::Console::new(quiet))
}

#[cfg(not(target_os = "linux"))]
const fn quoted_certificate(_quiet: bool) -> Option<QuotedCertificate> {
    None
}

/// What a look at the listener shows.
#[derive(Debug)]
pub(crate) struct Seen {
    /// The family of the address that answered.
    pub(crate) family: Family,
    /// The smaller of the two ends' interface MTUs, bytes; `None` when neither is known.
    pub(crate) least_interface_mtu: Option<u32>,
    /// What it grants at most.
    pub(crate) limits: Limits,
}

/// 128 random bits in hexadecimal digits.
pub(crate) fn fresh_id() -> String {
    format!("{:016x}{:016x}", rand::rng().next_u64(), rand::rng().next_u64())
}

/// Why no session came about.
#[derive(Debug, thiserror::Error)]
pub(crate) enum RunError {
    /// The session cannot be as it was wanted.
    #[error(transparent)]
    Wanted(#[from] WantedError),
    /// The listener cannot be spoken to.
    #[error(transparent)]
    Dial(#[from] DialError),
    /// The session came to nothing.
    #[error(transparent)]
    Session(#[from] SessionError),
    /// The invite's time is over.
    #[error("the invite expired at {at}")]
    Expired {
        /// When.
        at: Timestamp,
    },
    /// The runtime cannot be made.
    #[error("the control runtime cannot start")]
    Runtime {
        /// What the system says.
        source: std::io::Error,
    },
}

impl Explain for RunError {
    fn hint(&self) -> Option<String> {
        match self {
            Self::Wanted(error) => error.hint(),
            Self::Dial(error) => error.hint(),
            Self::Session(error) => error.hint(),
            Self::Expired { .. } => Some("ask for a new invite: culvertd invite NAME".to_owned()),
            Self::Runtime { .. } => {
                Some("check this host's limits on open files and threads".to_owned())
            }
        }
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Wanted(error) => error.exit_status(),
            Self::Dial(error) => error.exit_status(),
            Self::Session(error) => error.exit_status(),
            Self::Expired { .. } => ExitStatus::Refused,
            Self::Runtime { .. } => ExitStatus::LocalFault,
        }
    }
}
