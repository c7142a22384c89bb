use super::*;
use crate::ports::Notice;

const NOW: Timestamp = Timestamp::UNIX_EPOCH;

fn event(receiver: &str, number: u64, attempts: u32) -> Event {
    let notice =
        Notice { receiver: receiver.to_owned(), kind: "Task".to_owned(), id: "1".to_owned(), version: 1 };
    Event { notice, number, attempts, raised_at: NOW, queued_at: NOW, trace: None, is_waiting: true }
}

fn standing(failures: u32) -> Standing {
    Standing { failures, give_up_after: SignedDuration::from_hours(GIVE_UP_AFTER_H) }
}

fn refused(status: u16, retry_after_s: Option<u64>) -> Outcome {
    Outcome::Refused { status, retry_after_s }
}

fn wait_ms(failures: u32, outcome: &Outcome) -> i64 {
    match next(&event("desk", 1, failures), standing(failures), outcome, NOW) {
        Settlement::Retry { next_at, .. } => next_at.as_millisecond(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn waits_grow_to_four_hours_and_are_at_most_a_fifth_longer_than_published() {
    for failures in (0..9).chain([u32::MAX]) {
        let step = usize::try_from(failures).unwrap().min(RETRY_AFTER_S.len() - 1);
        let published_ms = RETRY_AFTER_S[step] * 1_000;
        for outcome in [refused(500, None), Outcome::Unreachable { reason: "no answer".to_owned() }] {
            let wait_ms = wait_ms(failures, &outcome);
            assert!((published_ms..=published_ms * 6 / 5).contains(&wait_ms), "{failures}: {wait_ms}");
        }
    }
    assert_eq!(next(&event("desk", 1, 3), standing(3), &Outcome::Accepted, NOW), Settlement::Delivered);
}

/// Receivers that failed at the same moment come back spread over the time that is added, and the same ones at the same time.
#[test]
fn what_is_added_is_spread_and_is_the_same_each_time() {
    let at = |receiver: usize| {
        let event = event(&format!("r{receiver}"), 1, 0);
        let settlement = next(&event, standing(2), &refused(503, None), NOW);
        assert_eq!(settlement, next(&event, standing(2), &refused(503, None), NOW));
        let Settlement::Retry { next_at, .. } = settlement else { panic!("{settlement:?}") };
        next_at.as_millisecond()
    };
    // Ten equal parts of 120 s to 144 s: of 1,000 receivers each has 100, give or take five standard deviations (48).
    let mut parts = [0; 10];
    for receiver in 0..1_000 {
        parts[usize::try_from((at(receiver) - 120_000) / 2_400).unwrap().min(9)] += 1;
    }
    assert!(parts.iter().all(|count| (52..=148).contains(count)), "{parts:?}");
}

/// RFC 9110, section 10.2.3: Retry-After says how long to wait before a follow-up request.
#[test]
fn a_receiver_may_ask_for_more_time_but_not_for_less_nor_for_ever() {
    assert_eq!(wait_ms(0, &refused(429, Some(60))), 60_000);
    assert!((600_000..=720_000).contains(&wait_ms(3, &refused(429, Some(60)))));
    assert!((5_000..=6_000).contains(&wait_ms(0, &refused(429, Some(u64::MAX)))));
    assert_eq!(wait_ms(0, &refused(429, Some(1_000_000))), 86_400_000);
}

/// RFC 9110, sections 15.5.1, 15.5.14, 15.5.16, 15.5.21: the fault is in the message. Every other refusal may end.
#[test]
fn what_will_never_be_taken_is_parked_and_the_next_may_go_until_the_breaker_is_open() {
    let parked = |status, failures| match next(
        &event("desk", 1, 0),
        standing(failures),
        &refused(status, None),
        NOW,
    ) {
        Settlement::Parked { next_at, is_old: false, reason } => {
            assert!(reason.contains(&status.to_string()), "{reason}");
            Some(next_at.as_second())
        }
        _ => None,
    };
    for status in [400, 413, 415, 422] {
        for failures in 0..BREAKER_FAILURES - 1 {
            assert_eq!(parked(status, failures), Some(0));
        }
        assert!(parked(status, BREAKER_FAILURES - 1) >= Some(RETRY_AFTER_S[4]));
    }
    for status in [301, 401, 403, 404, 408, 410, 429, 500, 502, 503, 504] {
        assert_eq!(parked(status, 0), None, "{status}");
    }
}

#[test]
fn what_has_waited_too_long_is_parked_when_it_fails() {
    let after = |hours| {
        let now = NOW + SignedDuration::from_hours(hours) + SignedDuration::from_secs(1);
        next(&event("desk", 1, 90), standing(90), &refused(503, None), now)
    };
    assert!(matches!(after(GIVE_UP_AFTER_H - 1), Settlement::Retry { .. }));
    let given_up = after(GIVE_UP_AFTER_H);
    assert!(
        matches!(&given_up, Settlement::Parked { is_old: true, reason, .. } if reason == "given up after 336 hours: the receiver answered 503"),
        "{given_up:?}"
    );
}
