//! What applies to whoever measures again or acts on the result.

use culvert_pathmodel::Confidentiality;
use culvert_record::SurveyHeader;

use crate::{Comparison, PathKey, sentences::protection};

/// The cautions that apply here, the general ones first.
pub(crate) fn cautions(comparison: &Comparison, header: Option<&SurveyHeader>) -> Vec<String> {
    let mut cautions = vec![
        "Load only networks that you own or may load (RFC 6815).".to_owned(),
        "The rules of the provider, the employer and the place come first.".to_owned(),
    ];
    if comparison.paths().any(|path| !path.is_inside()) {
        cautions.push(
            "A forwarded port is found by strangers: close it when the measuring is done."
                .to_owned(),
        );
    }
    cautions.extend(metered(header));
    cautions.extend(exposed(comparison));
    cautions
}

/// The caution about a tunnel that keeps no secrets; `None` for any other path.
pub fn protection_caution(path: &PathKey) -> Option<String> {
    let tunnelled = path.encapsulation.as_deref().is_some_and(|key| key != "none");
    let may_be_inside = path.is_inside() || (tunnelled && !path.is_outside());
    match protection(path).filter(|_| may_be_inside)? {
        (Confidentiality::None | Confidentiality::Broken, reason) => Some(format!(
            "{} gives no confidentiality, and is not to be chosen however fast: {reason}.",
            path.name
        )),
        (Confidentiality::Sound | Confidentiality::Unknown, _) => None,
    }
}

fn metered(header: Option<&SurveyHeader>) -> Vec<String> {
    let sites = header.map(|header| [&header.sites.near, &header.sites.far]);
    sites
        .into_iter()
        .flatten()
        .filter(|site| site.line.is_some_and(|line| line.metered))
        .map(|site| {
            format!("The line of {} is metered: every run costs its data volume.", site.name)
        })
        .collect()
}

fn exposed(comparison: &Comparison) -> Vec<String> {
    let mut cautions = Vec::new();
    for path in comparison.paths().filter(|path| path.is_inside()) {
        let Some(caution) = protection_caution(path) else { continue };
        if !cautions.contains(&caution) {
            cautions.push(caution);
        }
    }
    cautions
}
