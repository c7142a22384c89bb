//! Until when a second graft or a distal transfer can still help a muscle.
//!
//! With injury day `t₀` and denervation limit `W`, a distal transfer whose coaptation lies `d_s` mm from the muscle is
//! useful until `t₀ + W − q90(A(d_s))`, a second graft over the same path until `t₀ + W − q90(A(g + d_j))`: nine of ten
//! fronts of the new coaptation would then still arrive in time, at this patient's rate. A second graft is reckoned as an
//! autograft over the gap of the first (as a new direct coaptation where there was none). A tendon transfer has no last date.

use crate::belief::RateBelief;
use crate::growth::Course;
use crate::protocol::Protocol;
use crate::repair::{Repair, Target, Technique};
use crate::unit::{Date, Days, Mm};

/// An operation that restarts the way of axons to a muscle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Salvage {
    /// A second graft over the same path.
    SecondGraft,
    /// A nerve transfer close to the muscle.
    DistalTransfer,
}

impl Salvage {
    /// Its code.
    pub fn code(self) -> &'static str {
        match self {
            Self::SecondGraft => "second-graft",
            Self::DistalTransfer => "distal-transfer",
        }
    }

    /// As a person would write it.
    pub fn display(self) -> &'static str {
        match self {
            Self::SecondGraft => "second graft",
            Self::DistalTransfer => "distal nerve transfer",
        }
    }
}

/// The last date on which a salvage would still reach a muscle in time in nine of ten.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LastUseful {
    /// Which salvage.
    pub salvage: Salvage,
    /// The date, rounded down.
    pub on: Date,
    /// The path its axons would have to travel, mm.
    pub path: Mm,
    /// Whether `path` was recorded (or follows from recorded lengths) rather than being the protocol's default.
    pub recorded: bool,
}

/// The last useful dates of both salvages for one muscle; `limit` is its `W`, `injured_on` the earliest it may have been.
pub fn last_useful(
    repair: &Repair,
    target: &Target,
    (injured_on, limit): (Date, Days),
    rate: &RateBelief,
    protocol: &Protocol,
) -> [LastUseful; 2] {
    let on = |course: &Course, position: Mm| {
        injured_on.plus_floor(Days(limit.0 - rate.travel_p90(course, position).0))
    };
    let graft = if repair.technique.bridges_gap() && repair.gap.0 > 0.0 {
        Technique::Autograft.course(repair.gap, protocol)
    } else {
        Course::DIRECT
    };
    let over_again = graft.gap + target.path;
    let (donor, recorded) = repair.donor_path(&target.place, protocol);
    [
        LastUseful {
            salvage: Salvage::SecondGraft,
            on: on(&graft, over_again),
            path: over_again,
            recorded: true,
        },
        LastUseful {
            salvage: Salvage::DistalTransfer,
            on: on(&Course::DIRECT, donor),
            path: donor,
            recorded,
        },
    ]
}
