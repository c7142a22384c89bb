"""The forecast by brute force, as a reference for the Rust core.

It shares nothing with the Rust code but the protocol file. Every integral over the belief (ln r, ln L) is a plain
trapezoid sum on a dense grid over 6 standard deviations, and the arrest position is integrated by Gauss-Legendre.

    python reference.py           writes reference.json from cases.py
    python reference.py --check   compares with half as many nodes and prints the largest change of each kind of figure

All times are days since the operation, all lengths mm. `x` is measured from the proximal coaptation.
"""

import json
import multiprocessing
import platform
import sys
import tomllib
from pathlib import Path

import numpy as np
import scipy
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq
from scipy.special import ndtr

HERE = Path(__file__).parent
PROTOCOL = tomllib.loads((HERE / "../../profiles/protocol.toml").read_text())
FIBULAR_TRANSFER_ARREST = 0.25  # arrest prior of a nerve transfer to a fibular target
MILESTONES = {
    "muscle": ["nascent-potentials", "first-contraction", "antigravity", "strong"],
    "skin": ["sudomotor-return", "protective-sensation", "useful-sensation"],
}
QUANTILES = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
NODES = {"rate": 1201, "latency": 401, "arrest": 200}
SPAN = 6.0  # the grid reaches this many standard deviations to each side
GROWTH = PROTOCOL["growth"]
RATE_SD, LATENCY_SD = GROWTH["rate_log_sd"], GROWTH["latency_log_sd"]


def age_factor(age_years):
    """The first row whose `below_years` exceeds the age."""
    return next(row["factor"] for row in GROWTH["age_factor"] if age_years < row["below_years"])


def arrest_prior(case):
    if case["technique"] == "nerve-transfer" and any(t.get("fibular") for t in case["targets"]):
        return FIBULAR_TRANSFER_ARREST
    rows = PROTOCOL["technique"][case["technique"]]["arrest"]
    return next(row["probability"] for row in rows if case["gap_mm"] < row["below_mm"])


def travel_terms(technique, gap, x):
    """B and D of A(x) = L + B / r + D."""
    factors = PROTOCOL["technique"][technique]
    b = min(x, gap) / factors["graft_factor"] + max(x - gap, 0.0) / factors["beyond_factor"]
    return b, float(factors["second_coaptation_days"] if gap > 0 and x > gap else 0)


def tinel_sd(case):
    evidence = PROTOCOL["evidence"]
    if case["motor_only"]:
        return evidence["tinel_sd_motor_only_mm"]
    return evidence["tinel_sd_lower_limb_mm" if case["lower_limb"] else "tinel_sd_mm"]


def sequence(case, target, milestone):
    """Exam days and findings of one sign, in day order."""
    found = [
        (exam["day"], finding["seen"])
        for exam in case["exams"]
        for finding in exam["findings"]
        if finding["target"] == target and finding["milestone"] == milestone
    ]
    found.sort(key=lambda pair: pair[0])
    return [day for day, _ in found], [seen for _, seen in found]


def interval_weights(seen):
    """w[i]: chance of the findings if the sign appears after the first i exams and before the next; w[K]: if never."""
    false_pos, false_neg = PROTOCOL["evidence"]["false_positive"], PROTOCOL["evidence"]["false_negative"]
    absent = [false_pos if s else 1 - false_pos for s in seen]
    present = [1 - false_neg if s else false_neg for s in seen]
    return [float(np.prod(absent[:i]) * np.prod(present[i:])) for i in range(len(seen) + 1)]


class Belief:
    """The prior grid of one repair, its likelihood, and what follows from both."""

    def __init__(self, case, nodes=NODES):
        self.case, self.nodes = case, nodes
        self.gap = float(case["gap_mm"])
        self.pi = arrest_prior(case)
        self.z_rate = np.linspace(-SPAN, SPAN, nodes["rate"])
        self.z_latency = np.linspace(-SPAN, SPAN, nodes["latency"])
        self.median_rate = GROWTH["rate_mm_per_day"] * case["age_factor"]
        self.r = self.median_rate * np.exp(RATE_SD * self.z_rate)
        self.latency = GROWTH["latency_days"] * np.exp(LATENCY_SD * self.z_latency)
        prior = np.exp(-0.5 * (self.z_rate[:, None] ** 2 + self.z_latency[None, :] ** 2))
        self.prior = prior / prior.sum()
        self.x = {t["name"]: self.gap + t["path_mm"] for t in case["targets"]}
        self.end = max(self.x.values())
        self.sequences = {}
        for target in case["targets"]:
            for milestone in MILESTONES[target["kind"]]:
                days, seen = sequence(case, target["name"], milestone)
                if days:
                    self.sequences[target["name"], milestone] = days, interval_weights(seen)
        self._condition()

    def travel(self, name):
        """A(x) on the grid."""
        b, d = travel_terms(self.case["technique"], self.gap, self.x[name])
        return (b / self.r + d)[:, None] + self.latency[None, :]

    def front(self, day):
        """Where a live front is: the inverse of A, capped at the furthest target."""
        factors = PROTOCOL["technique"][self.case["technique"]]
        growing = np.maximum(day - self.latency, 0.0)[None, :]
        r = self.r[:, None]
        inside = growing * r * factors["graft_factor"]
        if self.gap > 0:
            crossed = self.gap / (r * factors["graft_factor"]) + factors["second_coaptation_days"]
            beyond = self.gap + np.maximum(growing - crossed, 0.0) * r * factors["beyond_factor"]
            place = np.where(inside < self.gap, inside, beyond)
        else:
            place = growing * r * factors["beyond_factor"]
        return np.minimum(place, self.end)

    def finding_factor(self, name, milestone):
        """Likelihood of one sequence on the grid, of a front that reaches the target."""
        days, weights = self.sequences[name, milestone]
        travel = self.travel(name)
        cdf = [0.0] + [arrived_by(day, travel, milestone) for day in days] + [1.0]
        return sum(w * (late - early) for w, early, late in zip(weights, cdf, cdf[1:]))

    def _condition(self):
        """Weights of the live branch, and the arrested branch summed over its position."""
        tinels = [(e["day"], e["tinel_mm"]) for e in self.case["exams"] if e["tinel_mm"] is not None]
        sd = tinel_sd(self.case)
        fronts = [(self.front(day), y) for day, y in tinels]
        misfit = sum((((y - front) / sd) ** 2 for front, y in fronts), np.zeros_like(self.prior))
        factors = {key: self.finding_factor(*key) for key in self.sequences}
        live = self.prior * np.exp(-0.5 * misfit)
        for factor in factors.values():
            live = live * factor
        self.live = live  # not normalised: its sum is the likelihood given a live front
        self.arrested_rate = np.zeros(len(self.r))  # marginal over r, times its likelihood
        self.arrested_in_time = {t["name"]: 0.0 for t in self.case["targets"] if t.get("limit_days")}  # muscles
        for place, share in self.arrest_places():
            misfit = sum((((y - np.minimum(front, place)) / sd) ** 2 for front, y in fronts), np.zeros_like(self.prior))
            weight = share * self.prior * np.exp(-0.5 * misfit)
            for (name, milestone), (_, weights) in self.sequences.items():
                weight = weight * (factors[name, milestone] if self.x[name] <= place else weights[-1])
            self.arrested_rate += weight.sum(axis=1)
            for name in self.arrested_in_time:
                if self.x[name] <= place:
                    self.arrested_in_time[name] += self.mass_in_time(weight, name)
        live_mass, arrested_mass = (1 - self.pi) * self.live.sum(), self.pi * self.arrested_rate.sum()
        self.evidence = live_mass + arrested_mass
        self.arrest = arrested_mass / self.evidence
        self.rate_marginal = ((1 - self.pi) * self.live.sum(axis=1) + self.pi * self.arrested_rate) / self.evidence

    def arrest_places(self):
        """Gauss-Legendre nodes over the arrest position, split where a target comes within reach."""
        spread = max(self.gap, PROTOCOL["arrest"]["spread_min_mm"])
        edges = [0.0] + sorted({x for x in self.x.values() if 0 < x < spread}) + [spread]
        nodes, weights = np.polynomial.legendre.leggauss(self.nodes["arrest"])
        for low, high in zip(edges, edges[1:]):
            for node, weight in zip(nodes, weights):
                yield low + (high - low) * (node + 1) / 2, weight / 2 * (high - low) / spread

    def mass_in_time(self, weight, name):
        """Sum of `weight` where A(x) is within the limit. The edge runs through cells: the weight is taken as linear in each."""
        target = next(t for t in self.case["targets"] if t["name"] == name)
        b, d = travel_terms(self.case["technique"], self.gap, self.x[name])
        left = target["limit_days"] - target["days_injury_to_repair"] - d - b / self.r  # what is left for L
        step = self.z_latency[1] - self.z_latency[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            z = np.where(left > 0, np.log(np.maximum(left, 1e-300) / GROWTH["latency_days"]) / LATENCY_SD, -np.inf)
        at = np.clip((z + SPAN) / step, 0, len(self.z_latency) - 1.000001)
        cell = at.astype(int)
        part = at - cell
        rows = np.arange(len(self.r))
        full = np.concatenate([np.zeros((len(self.r), 1)), np.cumsum((weight[:, 1:] + weight[:, :-1]) / 2, axis=1)], axis=1)
        w0, w1 = weight[rows, cell], weight[rows, cell + 1]
        return float((full[rows, cell] + part * (w0 + part / 2 * (w1 - w0))).sum())

    def in_time(self, name):
        return ((1 - self.pi) * self.mass_in_time(self.live, name) + self.pi * self.arrested_in_time[name]) / self.evidence

    def window(self, name, milestone, prior=False):
        """p10, p50, p90 of a milestone, given a live front and, unless `prior`, everything found."""
        own = None if prior else self.sequences.get((name, milestone))
        base = self.prior if prior else self.live
        if own:
            base = base / self.finding_factor(name, milestone)  # its own findings reweight T below
        keep = base > 1e-13 * base.max()
        weight, travel = base[keep], self.travel(name)[keep]
        return quantiles(weight, travel, milestone, *(own or ([], [1.0])))

    def rate_quantiles(self):
        """Of the whole posterior, arrested and live together."""
        cdf = CubicSpline(self.z_rate, self.rate_marginal).antiderivative()
        total = float(cdf(SPAN))
        return {
            key: float(self.median_rate * np.exp(RATE_SD * brentq(lambda z: float(cdf(z)) - p * total, -SPAN, SPAN, xtol=1e-12)))
            for key, p in QUANTILES.items()
        }

    def travel_quantile(self, technique, gap, x, p=0.9):
        """Of A of a new coaptation: L afresh from its prior, r as it is believed of this patient now."""
        b, d = travel_terms(technique, gap, x)

        def excess(a):
            left = np.maximum(a - d - b / self.r, 1e-300)
            return float((self.rate_marginal * ndtr(np.log(left / GROWTH["latency_days"]) / LATENCY_SD)).sum()) - p

        return brentq(excess, 0.0, 1e5, xtol=1e-9)

    def last_useful(self, target):
        """Days since the injury."""
        graft = "autograft" if self.gap > 0 else "direct-coaptation"
        limit = target["limit_days"]
        return {
            "second_graft": limit - self.travel_quantile(graft, self.gap, self.x[target["name"]]),
            "distal_transfer": limit - self.travel_quantile("direct-coaptation", 0.0, float(target["donor_mm"])),
        }


def arrived_by(day, travel, milestone):
    """P(A + E <= day) for each node."""
    row = PROTOCOL["milestone"][milestone]
    left = np.maximum(day - travel, 1e-300)  # not yet arrived: the log is so low that the chance is 0
    return ndtr(np.log(left / row["days"]) / row["log_sd"])


def quantiles(weight, travel, milestone, days, weights):
    """Of T = A + E, its density reweighted in each interval between the exam `days` by `weights`."""
    cache = {}

    def below(day):
        if day not in cache:
            cache[day] = float(weight @ arrived_by(day, travel, milestone))
        return cache[day]

    edges = [0.0, *days]

    def mass(day):
        """Unnormalised P(T <= day and the findings)."""
        total = 0.0
        for w, start, stop in zip(weights, edges, edges[1:] + [np.inf]):
            if start < day:
                total += w * (below(min(day, stop)) - (below(start) if start > 0 else 0.0))
        return total

    whole = mass(1e7)
    return {key: brentq(lambda day: mass(day) / whole - p, 0.0, 20_000.0, xtol=1e-7) for key, p in QUANTILES.items()}


def output(case, nodes=NODES):
    """Every figure of one case."""
    belief = Belief(case, nodes)
    muscles = [t for t in case["targets"] if t["kind"] == "muscle"]
    windows = {
        part: {t["name"]: {m: belief.window(t["name"], m, part == "prior") for m in MILESTONES[t["kind"]]} for t in case["targets"]}
        for part in ("prior", "posterior")
    }
    median_travel = {}
    for name, x in belief.x.items():
        b, d = travel_terms(case["technique"], belief.gap, x)
        median_travel[name] = GROWTH["latency_days"] + b / belief.median_rate + d
    return {
        "arrest_prior": belief.pi,
        "travel_days_at_medians": median_travel,
        **windows,
        "arrest_posterior": belief.arrest,
        "rate_mm_per_day": belief.rate_quantiles(),
        "in_time": {t["name"]: belief.in_time(t["name"]) for t in muscles},
        "last_useful_days_since_injury": {t["name"]: belief.last_useful(t) for t in muscles},
    }


def rounded(value):
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    return round(value, 6) if isinstance(value, float) else value


def versions():
    return {"python": platform.python_version(), "numpy": np.__version__, "scipy": scipy.__version__}


def leaves(value, path=""):
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, f"{path}/{key}")
    else:
        yield path, value


def coarse_output(case):
    return output(case, {"rate": 601, "latency": 201, "arrest": 100})


def main():
    from cases import CASES

    with multiprocessing.Pool() as pool:
        outputs = pool.map(output, CASES, chunksize=1)
        if "--check" in sys.argv:
            worst = {}
            for fine, coarse in zip(outputs, pool.map(coarse_output, CASES, chunksize=1)):
                for (path, a), (_, b) in zip(leaves(fine), leaves(coarse)):
                    kind = path.split("/")[1]
                    worst[kind] = max(worst.get(kind, 0.0), abs(a - b))
            print(json.dumps(worst, indent=1))
            return
    document = {
        "versions": versions(),
        "nodes": NODES | {"standard_deviations": SPAN},
        "cases": [{**case, "output": rounded(out)} for case, out in zip(CASES, outputs)],
    }
    (HERE / "reference.json").write_text(json.dumps(document, indent=1) + "\n")
    for case, out in zip(CASES, outputs):
        print(f"{case['name']}: P(arrest) {out['arrest_posterior']:.3f}")


if __name__ == "__main__":
    main()
