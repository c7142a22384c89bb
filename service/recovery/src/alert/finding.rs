//! Findings that cannot be.

use crate::anatomy;
use crate::assessment::{Finding, Sign};
use crate::episode::Followed;
use crate::protocol::Protocol;
use crate::repair::{Place, RepairedNerve};

/// Findings that cannot be, each with those it contradicts and a sentence.
pub(super) fn impossible<'a>(
    followed: &'a Followed,
    protocol: &Protocol,
) -> Vec<(&'a Finding, Vec<String>, String)> {
    let Followed { repair, findings } = followed;
    let mut all = Vec::new();
    let reach = repair.end().0 + protocol.evidence.tinel_beyond_end_sd * repair.tinel_sd(protocol).0;
    for finding in findings {
        if finding.on < repair.operated.earliest {
            all.push((
                finding,
                Vec::new(),
                format!("a finding is dated {}, before the operation", finding.on),
            ));
        }
        if let Sign::Tinel(at) = finding.sign
            && at.0 > reach
        {
            let end = repair.end().0;
            let what = format!(
                "a Tinel sign at {:.0} mm on {} lies beyond the end of the nerve ({end:.0} mm)",
                at.0, finding.on
            );
            all.push((finding, Vec::new(), what));
        }
    }
    fallen(followed, protocol, &mut all);
    out_of_order(followed, &mut all);
    all
}

/// Grades that went backwards by two or more from one examination to the next.
fn fallen<'a>(
    followed: &'a Followed,
    protocol: &Protocol,
    all: &mut Vec<(&'a Finding, Vec<String>, String)>,
) {
    let mut sorted: Vec<&Finding> = followed.findings.iter().collect();
    sorted.sort_by(|a, b| (a.on, &a.id).cmp(&(b.on, &b.id)));
    for (i, finding) in sorted.iter().enumerate() {
        let grade = |sign: &Sign| match sign {
            Sign::Motor(_, grade) => Some((i32::from(grade.value()), format!("M{}", grade.value()))),
            Sign::Sensory(_, grade) => Some((*grade as i32, grade.code().to_owned())),
            _ => None,
        };
        let same = |other: &&&Finding| {
            other.sign.place() == finding.sign.place()
                && std::mem::discriminant(&other.sign) == std::mem::discriminant(&finding.sign)
                && other.on < finding.on
        };
        let Some((now, written)) = grade(&finding.sign) else { continue };
        let Some(earlier) = sorted.iter().take(i).rev().find(same) else { continue };
        let Some((then, before)) = grade(&earlier.sign) else { continue };
        if then - now >= i32::from(protocol.evidence.grade_fall) {
            let place = finding.sign.place().map_or("", Place::display);
            let what = format!("{place} was {before} on {} and {written} on {}", earlier.on, finding.on);
            all.push((finding, vec![earlier.id.clone()], what));
        }
    }
}

/// A distal muscle against gravity on the day on which a clearly proximal one on the same nerve shows nothing.
fn out_of_order<'a>(followed: &'a Followed, all: &mut Vec<(&'a Finding, Vec<String>, String)>) {
    let RepairedNerve::Known(nerve) = followed.repair.nerve else { return };
    for distal in &followed.findings {
        let Sign::Motor(Place::Known(far), grade) = &distal.sign else { continue };
        if grade.value() < 3 {
            continue;
        }
        let silent = followed.findings.iter().find(|other| match &other.sign {
            Sign::Motor(Place::Known(near), grade) => {
                grade.value() == 0 && other.on == distal.on && anatomy::clearly_distal(nerve, *near, *far)
            }
            _ => false,
        });
        if let Some(silent) = silent {
            let near = silent.sign.place().map_or("", Place::display);
            let what = format!(
                "{} moves against gravity on {} while {near}, closer to the repair, shows nothing",
                far.display(),
                distal.on
            );
            all.push((distal, vec![silent.id.clone()], what));
        }
    }
}
