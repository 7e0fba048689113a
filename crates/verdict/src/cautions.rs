//! What applies to whoever measures again or acts on the result.

use culvert_pathmodel::Confidentiality;
use culvert_record::SurveyHeader;

use crate::{Comparison, sentences::protection};

/// The cautions that apply here, the general ones first.
pub(crate) fn cautions(comparison: &Comparison, header: Option<&SurveyHeader>) -> Vec<String> {
    let mut cautions = vec![
        "Load only networks that you own or may load (RFC 6815).".to_owned(),
        "The rules of the provider, the employer and the place come first.".to_owned(),
    ];
    if comparison.rows.iter().any(|row| !row.path.is_inside()) {
        cautions.push(
            "A forwarded port is found by strangers: close it when the measuring is done."
                .to_owned(),
        );
    }
    cautions.extend(metered(header));
    cautions.extend(exposed(comparison));
    cautions
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
    for row in comparison.rows.iter().filter(|row| row.path.is_inside()) {
        let caution = match protection(&row.path) {
            Some((Confidentiality::None | Confidentiality::Broken, reason)) => {
                format!("{} gives no confidentiality: {reason}.", row.path.name)
            }
            _ => continue,
        };
        if !cautions.contains(&caution) {
            cautions.push(caution);
        }
    }
    cautions
}
