//! What each technique asks of the patient besides time: facts of the trade, each with where it is from.

use endplate_recovery::anatomy::Limb;
use endplate_recovery::repair::{Place, Repair, RepairedNerve, Technique};

/// Something that is given up, or taken on, with a technique.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Consequence {
    /// Its code in `CodeSystem/option-consequence`.
    pub code: &'static str,
    /// In one plain sentence.
    pub text: &'static str,
    /// The publication, or "common practice" where there is none to name.
    pub source: &'static str,
}

/// A wish of the patient that can be held against a technique.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wish {
    /// Its code in `CodeSystem/patient-wish`.
    pub code: &'static str,
    /// As a person would say it.
    pub display: &'static str,
    /// The consequence that it speaks against.
    against: &'static str,
}

/// All wishes that are known by a code.
pub const WISHES: [Wish; 3] = [
    Wish {
        code: "no-general-anaesthetic",
        display: "no general anaesthetic",
        against: "general-anaesthetic",
    },
    Wish { code: "no-donor-deficit", display: "no loss at a donor site", against: "donor-deficit" },
    Wish {
        code: "independent-finger-motion",
        display: "fingers that move independently",
        against: "coupled-finger-motion",
    },
];

impl Wish {
    /// Why this wish speaks against an option with these consequences; none if it does not.
    pub fn against<'a>(&self, consequences: &'a [Consequence]) -> Option<&'a Consequence> {
        consequences.iter().find(|consequence| consequence.code == self.against)
    }
}

const COMMON: &str = "common practice";

const fn fact(code: &'static str, text: &'static str, source: &'static str) -> Consequence {
    Consequence { code, text, source }
}

const GENERAL: Consequence = fact(
    "general-anaesthetic",
    "A general anaesthetic is usual, since two sites are operated on or muscles are stimulated; ask the anaesthetist whether another way is open.",
    COMMON,
);
const SECOND_SITE: Consequence = fact(
    "second-site",
    "A second operation site, with its own scar and its own chance of a wound problem or a painful neuroma.",
    COMMON,
);

/// What is given up with a repair.
pub fn consequences(repair: &Repair) -> Vec<Consequence> {
    match repair.technique {
        Technique::DirectCoaptation => vec![fact(
            "tension",
            "Only without tension: a graft did better than a suture under tension.",
            "Millesi 1976",
        )],
        Technique::Autograft => vec![
            fact("donor-deficit", "A lasting loss of feeling in the skin of the donor nerve.", COMMON),
            SECOND_SITE,
            GENERAL,
        ],
        Technique::ProcessedAllograft => vec![
            fact(
                "slower-growth",
                "Growth in the graft is taken to be slower than in an autograft; no human speed is published.",
                "estimate of the protocol",
            ),
            fact(
                "limited-evidence",
                "Published results are mostly of sensory nerves and short gaps, with ties to industry; of gaps from 50 to 70 mm 69 % recovered usefully.",
                "Lans 2022; review in Plast Aesthet Res 2022;9:38",
            ),
        ],
        Technique::Conduit => vec![fact(
            "limited-evidence",
            "A hollow tube is dependable only over very short gaps, and for feeling rather than movement.",
            "reviews of nerve injury, StatPearls",
        )],
        Technique::NerveTransfer => vec![
            fact(
                "donor-deficit",
                "The function of the donor branch is given up or weakened; how much depends on the branch.",
                COMMON,
            ),
            fact(
                "old-path-closed",
                "The old path to this muscle is cut: recovery along it is given up.",
                COMMON,
            ),
            fact("relearning", "The new movement has to be learned with a therapist.", COMMON),
            SECOND_SITE,
            GENERAL,
        ],
        Technique::TendonTransfer => tendon_transfer(repair),
        Technique::Neurolysis => vec![fact(
            "no-new-path",
            "Nothing is joined: what has not grown through by itself will not do so because of it alone.",
            COMMON,
        )],
    }
}

fn tendon_transfer(repair: &Repair) -> Vec<Consequence> {
    let mut all = vec![
        fact(
            "donor-deficit",
            "A healthy muscle gives up its own work, and the moved one loses about one grade of strength.",
            COMMON,
        ),
        fact("no-regeneration", "Nothing grows back: feeling is not restored by it.", COMMON),
        fact("immobilisation", "Several weeks in a splint, then training with a therapist.", COMMON),
        fact("supple-joints", "Needs supple joints and a strong donor muscle.", COMMON),
        fact("second-site", "Further incisions where the donor tendon is released.", COMMON),
    ];
    if moves_fingers(repair) {
        all.push(fact(
            "coupled-finger-motion",
            "One tendon moves several fingers together: they no longer move independently.",
            COMMON,
        ));
    }
    all
}

/// Whether the moved tendon may have to move fingers: in the arm, where it is not recorded for other muscles only.
fn moves_fingers(repair: &Repair) -> bool {
    let arm = match repair.nerve {
        RepairedNerve::Known(nerve) => nerve.limb() == Limb::Upper,
        RepairedNerve::Named(_) => true,
    };
    let finger = |place: &Place| match place {
        Place::Known(structure) => {
            ["digitorum", "indicis", "digiti"].iter().any(|part| structure.code().contains(part))
        }
        Place::Named { .. } => true,
    };
    arm && (repair.targets.is_empty() || repair.targets.iter().any(|target| finger(&target.place)))
}
