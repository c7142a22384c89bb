"""Times one assessment in NumPy, written as a careful person would: 64 x 24 nodes, every quantile bisected at once.

    python speed.py           prints {"case": ..., "us": ...}: microseconds, the median of many runs
    python speed.py --check   prints the largest differences from reference.py

The work is what the service does for one repair after an exam: three muscles, six exams, twelve windows given all findings,
P(arrest), the rate, P(in time) and both last useful dates of each muscle. Windows are found to 0.01 day.
"""

import json
import statistics
import sys
import time

import numpy as np
from scipy.special import ndtr

from cases import CASES
from reference import GROWTH, LATENCY_SD, MILESTONES, PROTOCOL, RATE_SD, arrest_prior, interval_weights, output, sequence, tinel_sd, travel_terms

CASE = next(c for c in CASES if c["name"] == "pin-autograft-30-six-exams")
LEVELS = np.array([0.1, 0.5, 0.9])
ARREST_NODES = np.polynomial.legendre.leggauss(16)


def bisect(cdf, rows, levels):
    """The day at which `cdf` of each row reaches each level, all at once: to 0.01 day within 2,621.44 days."""
    low, high = np.zeros((rows, len(levels))), np.full((rows, len(levels)), 2621.44)
    for _ in range(18):
        middle = (low + high) / 2
        above = cdf(middle) >= levels
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return (low + high) / 2


def assess(job):
    technique, gap = PROTOCOL["technique"][job["technique"]], job["gap_mm"]
    phi, psi, delta = technique["graft_factor"], technique["beyond_factor"], technique["second_coaptation_days"]
    pi, sd = arrest_prior(job), tinel_sd(job)
    z_r, z_l = np.linspace(-4.5, 4.5, 64), np.linspace(-4.5, 4.5, 24)
    r = GROWTH["rate_mm_per_day"] * job["age_factor"] * np.exp(RATE_SD * z_r)
    latency = GROWTH["latency_days"] * np.exp(LATENCY_SD * z_l)
    prior = np.exp(-0.5 * (z_r[:, None] ** 2 + z_l[None, :] ** 2)).ravel()
    prior /= prior.sum()
    rate, start = np.repeat(r, 24), np.tile(latency, 64)
    terms = [travel_terms(job["technique"], gap, gap + t["path_mm"]) for t in job["targets"]]
    travel = np.array([start + b / rate + d for b, d in terms])
    end = gap + max(t["path_mm"] for t in job["targets"])

    # The front on each Tinel day, and the misfit of a live and of each arrested front.
    tinels = np.array([(e["day"], e["tinel_mm"]) for e in job["exams"] if e["tinel_mm"] is not None]).reshape(-1, 2)
    growing = np.maximum(tinels[:, :1] - start, 0.0)
    inside = growing * rate * phi
    front = np.where(inside < gap, inside, gap + np.maximum(growing - gap / (rate * phi) - delta, 0.0) * rate * psi)
    front = np.minimum(front, end)
    places = max(gap, PROTOCOL["arrest"]["spread_min_mm"]) * (ARREST_NODES[0] + 1) / 2
    misfit = np.exp(-0.5 * (((tinels[:, 1:] - front) / sd) ** 2).sum(axis=0))
    stopped = np.minimum(front[None], places[:, None, None])
    arrested = prior * (ARREST_NODES[1] / 2 @ np.exp(-0.5 * (((tinels[None, :, 1:] - stopped) / sd) ** 2).sum(axis=1)))

    # All windows in one array: per milestone its delay, its exam days (padded) and the weight of each interval.
    keys = [(i, t["name"], m) for i, t in enumerate(job["targets"]) for m in MILESTONES[t["kind"]]]
    log_delay = np.array([np.log(PROTOCOL["milestone"][m]["days"]) for _, _, m in keys])[:, None, None]
    log_sd = np.array([PROTOCOL["milestone"][m]["log_sd"] for _, _, m in keys])[:, None, None]
    found = [sequence(job, name, m) for _, name, m in keys]
    longest = max(len(days) for days, _ in found)
    days = np.array([d + [1e6] * (longest - len(d)) for d, _ in found], dtype=float)
    weights = np.array([(w := interval_weights(s)) + [w[-1]] * (longest - len(s)) for _, s in found])
    road = travel[[i for i, _, _ in keys]][:, None, :]

    def cdf(day):
        """P(T <= day) per milestone, level and node."""
        return ndtr((np.log(np.maximum(day[..., None] - road, 1e-300)) - log_delay) / log_sd)

    at_exams = cdf(days)
    steps = np.diff(np.concatenate([np.zeros_like(at_exams[:, :1]), at_exams, np.ones_like(at_exams[:, :1])], axis=1), axis=1)
    factor = np.einsum("mi,min->mn", weights, steps)
    live = prior * misfit * factor.prod(axis=0)
    arrested *= weights[:, -1].prod()
    live_mass, arrested_mass = (1 - pi) * live.sum(), pi * arrested.sum()
    evidence = live_mass + arrested_mass

    base = live / factor
    s_exams = np.einsum("mn,mkn->mk", base, at_exams)
    whole = np.concatenate([np.zeros_like(s_exams[:, :1]), s_exams, base.sum(axis=1, keepdims=True)], axis=1)
    mass = np.concatenate([np.zeros_like(s_exams[:, :1]), np.cumsum(weights * np.diff(whole, axis=1), axis=1)], axis=1)
    rows = np.arange(len(keys))[:, None]

    def below(day):
        k = (days[:, None, :] < day[..., None]).sum(axis=2)
        part = np.einsum("mn,mln->ml", base, cdf(day)) - whole[rows, k]
        return (mass[rows, k] + weights[rows, k] * part) / mass[:, -1:]

    windows = bisect(below, len(keys), LEVELS)
    marginal = ((1 - pi) * live + pi * arrested).reshape(64, 24).sum(axis=1) / evidence
    rates = np.interp(LEVELS, np.cumsum(marginal) - marginal / 2, r)
    limits = np.array([t["limit_days"] - t["days_injury_to_repair"] for t in job["targets"]])
    in_time = (1 - pi) * (live * (travel <= limits[:, None])).sum(axis=1) / evidence

    # q90 of A of a new coaptation, per muscle a second graft and a transfer.
    roads = [travel_terms("autograft" if gap else "direct-coaptation", gap, gap + t["path_mm"]) for t in job["targets"]]
    roads += [travel_terms("direct-coaptation", 0.0, t["donor_mm"]) for t in job["targets"]]
    lead = np.array([b / r + d for b, d in roads])

    def arrived(day):
        left = np.maximum(day - lead, 1e-300)
        return (ndtr(np.log(left / GROWTH["latency_days"]) / LATENCY_SD) @ marginal)[:, None]

    last = np.array([t["limit_days"] for t in job["targets"]] * 2) - bisect(arrived, len(roads), LEVELS[2:])[:, 0]
    return arrested_mass / evidence, windows, rates, in_time, last


def check():
    """The timed work is the right work: a few figures against the brute force of reference.py."""
    arrest, windows, rates, in_time, last = assess(CASE)
    right = output(CASE)
    days = [list(w.values()) for t in right["posterior"].values() for w in t.values()]
    useful = [u[kind] for kind in ("second_graft", "distal_transfer") for u in right["last_useful_days_since_injury"].values()]
    print(
        json.dumps(
            {
                "arrest": abs(arrest - right["arrest_posterior"]),
                "windows_days": float(np.abs(windows - days).max()),
                "rate": float(np.abs(rates - list(right["rate_mm_per_day"].values())).max()),
                "in_time": float(np.abs(in_time - list(right["in_time"].values())).max()),
                "last_useful_days": float(np.abs(last - useful).max()),
            }
        )
    )


def main():
    if "--check" in sys.argv:
        check()
        return
    for _ in range(5):
        assess(CASE)
    took = []
    for _ in range(60):
        start = time.perf_counter_ns()
        assess(CASE)
        took.append(time.perf_counter_ns() - start)
    print(json.dumps({"case": CASE["name"], "us": round(statistics.median(took) / 1000, 1)}))


if __name__ == "__main__":
    main()
