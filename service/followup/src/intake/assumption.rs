//! What had to be assumed of a repair, for people.

use endplate_recovery::repair::{Place, Repair};

/// What had to be assumed of one repair.
pub fn of(repair: &Repair) -> Vec<String> {
    let mut all = Vec::new();
    let nerve = repair.nerve.display();
    if !repair.operated.is_exact() {
        all.push(format!(
            "The operation on the {nerve} is known only to lie between {} and {}; the growth clock starts on the later.",
            repair.operated.earliest, repair.operated.latest
        ));
    }
    if repair.age_years.is_none() {
        all.push("No date of birth is recorded; growth is reckoned as at 20 to 39 years.".to_owned());
    }
    for target in &repair.targets {
        if let Place::Named { text, .. } = &target.place {
            all.push(format!("\"{text}\" is not in the anatomy table; it is taken as a muscle."));
        }
    }
    all
}
