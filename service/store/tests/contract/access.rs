//! What may be used once, and who wrote Subscriptions.

use endplate_followup::ports::{Changeset, Maker, Store, StoreError};
use jiff::Timestamp;

fn at_s(seconds: i64) -> Timestamp {
    Timestamp::from_second(seconds).unwrap()
}

pub async fn what_may_be_used_once_is_used_once(store: &dyn Store) {
    let used =
        async |key: &str, until: i64, now: i64| store.use_once(key, at_s(until), at_s(now)).await.unwrap();
    assert!(used("a", 100, 10).await);
    assert!(!used("a", 200, 11).await, "used");
    assert!(used("b", 100, 11).await, "another one");
    assert!(!used("a", 200, 100).await, "until then, end included");
    assert!(used("a", 200, 101).await, "forgotten");
    assert!(!used("a", 300, 102).await);
}

pub async fn who_last_wrote_a_subscription_is_kept_beside_it(store: &dyn Store) {
    assert_eq!(store.maker("s1").await.unwrap(), None);
    let maker = |client: &str| Maker {
        subscription: "s1".into(),
        client: client.into(),
        registration: "login".into(),
        scope: "system/Task.r".into(),
    };
    for client in ["one", "other"] {
        let change = Changeset { makers: vec![maker(client)], ..Changeset::default() };
        store.commit(change).await.unwrap();
        assert_eq!(store.maker("s1").await.unwrap(), Some(maker(client)));
    }
    // A changeset that is refused leaves it as it was.
    let scope = endplate_followup::ports::Scope { key: "Patient/p1".into(), generation: 7 };
    let refused = Changeset { scopes: vec![scope], makers: vec![maker("third")], ..Changeset::default() };
    assert!(matches!(store.commit(refused).await, Err(StoreError::Moved)));
    assert_eq!(store.maker("s1").await.unwrap(), Some(maker("other")));
}
