//! One encapsulation in depth.

use culvert_pathmodel::{Advice, Anatomy, CeilingQuestion, Confidentiality, advice, anatomy};
use serde::Serialize;

/// What is shown of a single encapsulation beside its ceilings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct InDepth {
    /// Where the arrangement of its layers is published.
    pub(super) source: &'static str,
    /// Whether strangers can read what it carries.
    pub(super) secrecy: Secrecy,
    /// Its bytes.
    pub(super) anatomy: Anatomy,
    /// What to set.
    pub(super) advice: Advice,
}

/// The verdict on secrecy with its reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub(super) struct Secrecy {
    /// The verdict.
    pub(super) confidentiality: Confidentiality,
    /// The tunnel of the stack that decides it.
    pub(super) decided_by: String,
    /// Why.
    pub(super) reason: &'static str,
}

impl InDepth {
    /// `None` where the model refuses.
    pub(super) fn new(question: &CeilingQuestion<'_>) -> Option<Self> {
        let (protection, decisive) = question.protection();
        Some(Self {
            source: question.encapsulation.source(),
            secrecy: Secrecy {
                confidentiality: protection.confidentiality,
                decided_by: decisive.key().to_owned(),
                reason: protection.reason,
            },
            anatomy: anatomy(question).ok()?,
            advice: advice(question).ok()?,
        })
    }
}
