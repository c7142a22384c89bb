//! The alerts that stand, as a second look at the same facts on the same day would find them.

use super::Deriver;
use crate::message::{self, Word};
use crate::{answer, notice};
use endplate_fhir::Json;
use endplate_recovery::alert::{Alert, Previous, Situation};
use endplate_recovery::episode::Outlook;
use endplate_recovery::unit::Date;

/// Looks before what is decided is taken as it is. Three are the most that a decision has needed: one that decides, one that decides
/// otherwise, one that finds it so. Thresholds for keeping an alert are wider than those for raising it, so that what has begun to
/// stand goes on standing.
const LOOKS_MAX: usize = 5;

/// The alerts of one plan.
pub(super) struct Standing {
    /// What stands, and whether somebody wants to hear nothing of it for now.
    pub alerts: Vec<(Alert, bool)>,
    /// Each as a DetectedIssue.
    pub issues: Vec<Json>,
    /// What is to be told.
    pub words: Vec<Word>,
    /// The first day after today on which the clock alone may change this.
    pub next_look: Option<Date>,
}

impl Deriver<'_> {
    /// Which alerts stand depends on which stood before, when somebody was last told and what was answered; and each of these changes by
    /// what is decided now: an alert that became graver has lost its answer, somebody who comes to it today is asked today. So it is
    /// decided again on what it leads to, until it leads to itself.
    pub(super) fn standing(&self, outlook: &Outlook) -> Standing {
        let mut previous = self.injury.previous.clone();
        let mut looks = 1;
        loop {
            let (standing, next) = self.look(outlook, &previous);
            if next == previous || looks == LOOKS_MAX {
                return standing;
            }
            previous = next;
            looks += 1;
        }
    }

    /// What stands if it was like this before; and what the next look will find to have been before.
    fn look(&self, outlook: &Outlook, previous: &[Previous]) -> (Standing, Vec<Previous>) {
        let context = self.context;
        let situation = Situation {
            episode: &self.injury.episode,
            outlook,
            missed: &self.injury.missed,
            previous,
            today: context.today,
            protocol: context.protocol,
        };
        let mut next: Vec<Previous> =
            previous.iter().map(|one| Previous { stands: false, ..one.clone() }).collect();
        let next_look = situation.next_look();
        let mut standing = Standing { alerts: Vec::new(), issues: Vec::new(), words: Vec::new(), next_look };
        for alert in situation.alerts() {
            let stored = self.stored("DetectedIssue", &notice::issue_id(self.injury, &alert));
            let issue =
                notice::detected_issue(self.injury, &self.intake.patient, &alert, stored, context.now);
            let is_quiet = situation.is_quiet(&alert);
            let told = if is_quiet {
                Vec::new()
            } else {
                message::words(self.injury, &alert, stored, self.dossier, context.parties)
            };
            if let Some(mut one) = answer::previous(&issue, &self.injury.plan, self.dossier, context.today) {
                // Once it was handed over, only its successor is waited for.
                let to = answer::successor(&issue);
                if told.iter().any(|word| to.is_none_or(|to| word.is_to(to))) {
                    one.asked_on = one.asked_on.max(context.today);
                }
                match next.iter_mut().find(|old| old.kind == one.kind && old.subject == one.subject) {
                    Some(old) => *old = one,
                    None => next.push(one),
                }
            }
            standing.alerts.push((alert, is_quiet));
            standing.issues.push(issue);
            standing.words.extend(told);
        }
        (standing, next)
    }
}
