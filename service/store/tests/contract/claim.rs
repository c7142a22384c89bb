//! Claims: who may do what only one may do at a time.

use endplate_followup::ports::Store;
use futures_util::future::join_all;

fn names(names: &[&str]) -> Vec<String> {
    names.iter().map(|name| (*name).to_owned()).collect()
}

pub async fn what_is_claimed_is_nobody_elses_until_it_is_given_up(store: &dyn Store) {
    let both = names(&["sweep", "deliver/s"]);
    assert_eq!(store.claim(&both, "one", 60).await.unwrap(), ["deliver/s", "sweep"]);
    assert_eq!(store.claim(&both, "two", 60).await.unwrap(), [""; 0]);
    // To claim again is to keep; what is new comes with it, and what is named twice comes once.
    let more = names(&["sweep", "deliver/t", "sweep"]);
    assert_eq!(store.claim(&more, "one", 60).await.unwrap(), ["deliver/t", "sweep"]);
    assert_eq!(store.claim(&names(&["deliver/u", "sweep"]), "two", 60).await.unwrap(), ["deliver/u"]);
    // Nobody gives up what another has.
    store.release(&both, "two").await.unwrap();
    assert_eq!(store.claim(&both, "two", 60).await.unwrap(), [""; 0]);
    store.release(&names(&["sweep"]), "one").await.unwrap();
    assert_eq!(store.claim(&both, "two", 60).await.unwrap(), ["sweep"]);
    assert_eq!(store.claim(&both, "one", 60).await.unwrap(), ["deliver/s"]);
    assert_eq!(store.claim(&[], "one", 60).await.unwrap(), [""; 0]);
}

pub async fn a_claim_ends_with_its_time(store: &dyn Store) {
    let sweep = names(&["sweep"]);
    // A claim of no seconds is over at once: as if its holder had died and its time had passed.
    assert_eq!(store.claim(&sweep, "one", 0).await.unwrap(), ["sweep"]);
    assert_eq!(store.claim(&sweep, "two", 60).await.unwrap(), ["sweep"]);
    assert_eq!(store.claim(&sweep, "one", 60).await.unwrap(), [""; 0]);
    // The first one, awake again, takes nothing from the second.
    store.release(&sweep, "one").await.unwrap();
    assert_eq!(store.claim(&sweep, "three", 60).await.unwrap(), [""; 0]);
    // To claim anew with no time is to let it go.
    assert_eq!(store.claim(&sweep, "two", 0).await.unwrap(), ["sweep"]);
    assert_eq!(store.claim(&sweep, "three", 60).await.unwrap(), ["sweep"]);
}

pub async fn of_many_who_claim_at_once_one_has_it(store: &dyn Store) {
    let works: Vec<String> = (0..20).map(|n| format!("deliver/{n:02}")).collect();
    let holders: Vec<String> = (0..8).map(|n| format!("h{n}")).collect();
    // Each asks in another order.
    let claims = holders.iter().enumerate().map(|(n, holder)| {
        let mut asked = works.clone();
        asked.rotate_left(n * 2);
        async move { store.claim(&asked, holder, 60).await.unwrap() }
    });
    let mut held = join_all(claims).await.concat();
    held.sort();
    assert_eq!(held, works);
}
