//! What may go wrong in a world, and how its clock goes.

use super::World;
use crate::shaky::{Point, Trap};
use endplate_followup::ports::Clock;
use jiff::SignedDuration;

/// What may go wrong. Each kind is switched off in some worlds, so that others come to bear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Misfortune {
    /// The process ends.
    Crash,
    /// The store fails, and is well again.
    Fault,
    /// A receiver is not to be reached for a while.
    Storm,
    /// The clock is set back.
    JumpBack,
    /// Nothing runs for weeks.
    Pause,
}

impl Misfortune {
    /// Each with how many worlds in a thousand know it.
    pub const ALL: [(Self, u64); 5] = [
        (Self::Crash, 700),
        (Self::Fault, 500),
        (Self::Storm, 700),
        (Self::JumpBack, 500),
        (Self::Pause, 500),
    ];
}

impl World<'_> {
    pub(super) fn knows(&self, misfortune: Misfortune) -> bool {
        self.misfortunes.contains(&misfortune)
    }

    /// The clock goes on, mostly; it may be set back.
    pub(super) fn pass_time(&mut self) {
        let morning = self.clock.next(8);
        let to_morning = morning.duration_since(self.clock.now());
        let hours = SignedDuration::from_hours;
        let by = match self.dice.between(0, 99) {
            0..=7 if self.knows(Misfortune::JumpBack) => {
                -SignedDuration::from_secs(*self.dice.pick(&[1, 90, 3_600, 90_000, 180_000]))
            }
            0..=17 => SignedDuration::from_secs(self.dice.between(1, 20_000)),
            18..=27 => {
                self.clock.next(0).duration_since(self.clock.now())
                    + SignedDuration::from_secs(self.dice.between(-5, 5))
            }
            28..=59 => to_morning + hours(24 * self.dice.between(0, 9)),
            60..=91 => to_morning + hours(24 * self.dice.between(7, 35)),
            _ if self.knows(Misfortune::Pause) => to_morning + hours(24 * self.dice.between(35, 90)),
            _ => to_morning,
        };
        self.clock.turn(by);
        self.latest = self.latest.max(self.clock.now());
    }

    /// Somewhere something may break off.
    pub(super) fn set_trap(&mut self) {
        let ends =
            self.knows(Misfortune::Crash) && (!self.knows(Misfortune::Fault) || self.dice.happens(600));
        if !(ends || self.knows(Misfortune::Fault)) || !self.dice.happens(500) {
            return;
        }
        let point = *self.dice.pick(&[
            Point::Deciding,
            Point::BeforeCommit,
            Point::AfterCommit,
            Point::BeforeSettling,
            Point::AfterSettling,
        ]);
        let after = self.dice.between(0, 5) as u32;
        self.store.set(Trap { point, after, ends });
    }
}
