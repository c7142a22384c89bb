//! Findings that are next to impossible: what is believed is still Bayes' rule, reckoned here with logarithms on a plain grid.
//! Found by the simulated world: a mistyped Tinel distance made the chance of arrest no number at all.

use endplate_recovery::belief::{Belief, Evidence, Nodes, Prior, Tinel};
use endplate_recovery::protocol::Protocol;
use endplate_recovery::repair::Technique;
use endplate_recovery::unit::{Days, Mm, MmPerDay, Probability};

/// Chances agree to this, as in `reference.rs`.
const CHANCE: f64 = 0.005;

/// An autograft of 30 mm with one target 80 mm beyond it.
fn prior(protocol: &Protocol) -> Prior {
    Prior {
        rate: protocol.rate(Some(30)),
        latency: protocol.growth.latency,
        course: Technique::Autograft.course(Mm(30.0), protocol),
        end: Mm(110.0),
        arrest: Probability(0.18),
        arrest_spread: Mm(30.0),
    }
}

fn evidence(protocol: &Protocol, tinel: Vec<Tinel>) -> Evidence {
    Evidence {
        tinel,
        tinel_sd: protocol.evidence.tinel_sd,
        signs: Vec::new(),
        false_positive: protocol.evidence.false_positive,
        false_negative: protocol.evidence.false_negative,
    }
}

/// The logarithm of a sum of numbers of which the logarithms are given.
fn log_sum(logs: &[f64]) -> f64 {
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    most + logs.iter().map(|log| (log - most).exp()).sum::<f64>().ln()
}

/// `P(arrest | findings)` by Bayes' rule.
fn arrest(prior: &Prior, evidence: &Evidence) -> f64 {
    let (mut live, mut arrested) = (Vec::new(), Vec::new());
    let z = |i: i32, count: i32, reach: f64| (2.0 * f64::from(i) / f64::from(count - 1) - 1.0) * reach;
    let points = 40;
    for (i, k) in (0..160).flat_map(|i| (0..41).map(move |k| (i, k))) {
        let (z_rate, z_latency) = (z(i, 160, 5.5), z(k, 41, 3.5));
        let (rate, latency) = (MmPerDay(prior.rate.at(z_rate)), Days(prior.latency.at(z_latency)));
        let weight = -0.5 * (z_rate * z_rate + z_latency * z_latency);
        let fit = |stopped: f64| -> f64 {
            let miss = |tinel: &Tinel| {
                let front = prior.course.front(Days(tinel.day), rate, latency, prior.end).0.min(stopped);
                (tinel.at.0 - front) / evidence.tinel_sd.0
            };
            evidence.tinel.iter().map(|tinel| -0.5 * miss(tinel) * miss(tinel)).sum()
        };
        live.push((1.0 - prior.arrest.0).ln() + weight + fit(f64::INFINITY));
        for point in 0..points {
            let at = prior.arrest_spread.0 * (f64::from(point) + 0.5) / f64::from(points);
            arrested.push((prior.arrest.0 / f64::from(points)).ln() + weight + fit(at));
        }
    }
    let (live, arrested) = (log_sum(&live), log_sum(&arrested));
    (arrested - log_sum(&[live, arrested])).exp()
}

#[test]
fn a_distance_far_from_any_front_leaves_numbers() {
    let protocol = Protocol::default();
    let prior = prior(&protocol);
    let at = |day: i32, mm: f64| Tinel { day: f64::from(day), at: Mm(mm) };
    // Mistyped; a stop that was looked at again and again; both.
    let mistyped = |mm: f64| vec![at(120, mm)];
    let stopped = |count: i32| (1..=count).map(|k| at(60 + 700 * k / count, 5.0)).collect::<Vec<_>>();
    let mut all: Vec<Vec<Tinel>> = [115.0, 200.0, 450.0, 800.0, 1500.0].map(mistyped).into();
    all.extend([2, 10, 40, 200].map(stopped));
    all.push(stopped(12).into_iter().chain(mistyped(900.0)).collect());
    for tinel in all {
        let last = *tinel.last().expect("a finding");
        let name = format!("{} findings, the last {last:?}", tinel.len());
        let evidence = evidence(&protocol, tinel);
        let belief = Belief::form(&prior, &evidence, Nodes::default());
        let (ours, theirs) = (belief.arrest().0, arrest(&prior, &evidence));
        assert!((ours - theirs).abs() < CHANCE, "{name}: {ours}, by logarithms {theirs}");
        // Of a front that moves on something is expected all the same.
        let [low, high] = belief.front_quantiles(Days(400.0), [0.1, 0.9]);
        assert!(low.0 >= 0.0 && low <= high && high <= prior.end, "{name}: {low:?} to {high:?}");
        let rate = belief.rate();
        let [slow, middle, fast] = [0.1, 0.5, 0.9].map(|p| rate.quantile(p).0);
        assert!(
            0.0 < slow && slow <= middle && middle <= fast && fast < 100.0,
            "{name}: {slow} {middle} {fast}"
        );
        let reached = belief.reached_by(prior.end, Days(540.0)).0;
        assert!((0.0..=1.0).contains(&reached), "{name}: {reached}");
        let delay = protocol.delay(endplate_recovery::milestone::Milestone::FirstContraction);
        let arrival = belief.arrival(prior.end, Days(delay.spread()));
        let days = arrival.quantiles(delay, None, [0.1, 0.5, 0.9]).map(|days| days.0);
        assert!(days.iter().all(|day| day.is_finite()) && days.is_sorted(), "{name}: {days:?}");
    }
}
