"""The cases of reference.json. All are invented; distances follow the published ones where they exist."""

from reference import age_factor


def muscle(name, path_mm, limit_days=540, delay=0, donor_mm=60, fibular=False):
    row = {"name": name, "kind": "muscle", "path_mm": path_mm, "limit_days": limit_days}
    return row | {"days_injury_to_repair": delay, "donor_mm": donor_mm, "fibular": fibular}


def intrinsic(name, path_mm, delay=0):
    """A muscle of the hand: the shorter denervation limit and the longer donor path of the protocol."""
    return muscle(name, path_mm, limit_days=365, delay=delay, donor_mm=90)


def skin(name, path_mm, delay=0):
    return {"name": name, "kind": "skin", "path_mm": path_mm, "limit_days": None, "days_injury_to_repair": delay}


def exam(day, tinel_mm, **found):
    """`found`: milestone (with _ for -) = {target: seen}."""
    findings = [
        {"target": target, "milestone": milestone.replace("_", "-"), "seen": seen}
        for milestone, targets in found.items()
        for target, seen in targets.items()
    ]
    return {"day": day, "tinel_mm": tinel_mm, "findings": findings}


def case(name, why, technique, gap_mm, age, targets, exams=(), motor_only=False, lower_limb=False):
    return {
        "name": name, "why": why, "technique": technique, "gap_mm": gap_mm, "age_years": age, "age_factor": age_factor(age),
        "motor_only": motor_only, "lower_limb": lower_limb, "targets": list(targets), "exams": list(exams),
    }  # fmt: skip


def extensors(delay=7):
    return [muscle("ED", 60, delay=delay), muscle("ECU", 80, delay=delay), muscle("EPL", 100, delay=delay)]


def each(seen, *names):
    return dict.fromkeys(names, seen)


NONE = each(False, "ED", "ECU", "EPL")
GOOD = [
    exam(84, 25, first_contraction=NONE),
    exam(140, 70, nascent_potentials={"ED": True, "ECU": False}, first_contraction=NONE),
    exam(196, 110, first_contraction={"ED": True, "ECU": True, "EPL": False}),
    exam(280, None, first_contraction=each(True, "ED", "ECU", "EPL"), antigravity={"ED": True, "ECU": False}),
]
STATIC = [exam(90, 20, first_contraction=NONE), exam(180, 22, first_contraction=NONE), exam(270, 21, first_contraction=NONE)]
SIX = [
    exam(42, 5),
    exam(90, 20, first_contraction=NONE),
    exam(150, 60, nascent_potentials={"ED": True, "ECU": False}, first_contraction=NONE),
    exam(210, 110, first_contraction={"ED": True, "ECU": True, "EPL": False}),
    exam(270, None, first_contraction=each(True, "ED", "ECU", "EPL"), antigravity={"ED": True, "ECU": False}),
    exam(330, None, antigravity={"ED": True, "ECU": True, "EPL": False}),
]

CASES = [
    case("median-direct", "a fresh direct repair at the wrist that goes as expected", "direct-coaptation", 0, 28,
         [intrinsic("APB", 45, delay=1), skin("index-pulp", 165, delay=1)],
         [exam(42, 10), exam(91, 75, first_contraction={"APB": False}, sudomotor_return={"index-pulp": False}),
          exam(182, 165, first_contraction={"APB": True}, sudomotor_return={"index-pulp": True}, protective_sensation={"index-pulp": False})]),
    case("pin-autograft-30-prior", "the prior alone; gap 30 is already in the second row of the arrest table", "autograft", 30, 34,
         extensors(), motor_only=True),
    case("pin-autograft-30-good", "the same with exams that go well", "autograft", 30, 34, extensors(), GOOD, motor_only=True),
    case("pin-autograft-30-static", "the same with a front that stands still", "autograft", 30, 34, extensors(), STATIC, motor_only=True),
    case("pin-autograft-30-slow", "the same half a year on, when it may still be either", "autograft", 30, 34, extensors(), STATIC[:2], motor_only=True),
    case("pin-autograft-30-six-exams", "the case that speed.py times", "autograft", 30, 34, extensors(), SIX, motor_only=True),
    case("pin-allograft-30", "slower inside and beyond the graft", "processed-allograft", 30, 34, extensors(),
         [exam(91, None, first_contraction=NONE), exam(182, 60, first_contraction=NONE),
          exam(273, 120, first_contraction={"ED": True, "ECU": False, "EPL": False})], motor_only=True),
    case("median-conduit-20", "a conduit on a mixed nerve, Tinel lagging", "conduit", 20, 45,
         [intrinsic("APB", 90, delay=14), skin("index-pulp", 210, delay=14)],
         [exam(91, 12, first_contraction={"APB": False}), exam(168, 30, first_contraction={"APB": False}, sudomotor_return={"index-pulp": False})]),
    case("radial-autograft-50", "gap 50 is already in the third row of the arrest table", "autograft", 50, 22,
         [muscle("BR", 90, delay=30), muscle("ECRB", 150, delay=30), skin("first-web", 350, delay=30)],
         [exam(120, 55, first_contraction={"BR": False}), exam(210, 150, first_contraction={"BR": True, "ECRB": False}),
          exam(300, 240, first_contraction={"BR": True, "ECRB": True}, antigravity={"BR": True, "ECRB": False})]),
    case("radial-autograft-70", "a long graft, mixed signs, late for its distal muscles", "autograft", 70, 50,
         [muscle("BR", 60, delay=90), muscle("ED", 120, delay=90), muscle("EIP", 200, delay=90, donor_mm=80)],
         [exam(150, 40, first_contraction={"BR": False}), exam(270, 100, first_contraction={"BR": False, "ED": False}),
          exam(360, 150, first_contraction={"BR": True, "ED": False, "EIP": False})]),
    case("tibialis-anterior-transfer-19", "a nerve transfer close to a fibular target", "nerve-transfer", 0, 31,
         [muscle("TA", 19, limit_days=365, delay=120, fibular=True)],
         [exam(91, None, first_contraction={"TA": False}), exam(182, None, nascent_potentials={"TA": True}, first_contraction={"TA": False})],
         motor_only=True, lower_limb=True),
    case("tibial-direct", "the wider Tinel reading of the lower limb", "direct-coaptation", 0, 39,
         [muscle("gastrocnemius", 70, delay=10), muscle("tibialis-posterior", 140, delay=10), skin("sole", 480, delay=10)],
         [exam(91, 70, first_contraction=each(False, "gastrocnemius")), exam(182, 190, first_contraction={"gastrocnemius": True, "tibialis-posterior": False})],
         lower_limb=True),
    case("ulnar-high-direct", "a repair at the elbow: the intrinsics are hardly within reach", "direct-coaptation", 0, 36,
         [muscle("FDP4-5", 83, delay=3), intrinsic("FDI", 310, delay=3), skin("little-pulp", 380, delay=3)],
         [exam(91, 60, first_contraction={"FDP4-5": False}), exam(182, 135, first_contraction={"FDP4-5": True, "FDI": False}),
          exam(273, 215, first_contraction={"FDI": False}, antigravity={"FDP4-5": True}, sudomotor_return={"little-pulp": False})]),
    case("ulnar-child-10", "a child: the faster growth", "direct-coaptation", 0, 10,
         [intrinsic("ADM", 120), skin("little-pulp", 240)],
         [exam(84, 100, first_contraction={"ADM": False}), exam(140, 195, first_contraction={"ADM": True}, protective_sensation={"little-pulp": False})]),
    case("radial-direct-65", "an older patient, slow but moving", "direct-coaptation", 0, 65,
         [muscle("BR", 137, delay=21), muscle("ECRB", 200, delay=21), muscle("EIP", 340, delay=21, donor_mm=80)],
         [exam(91, 45, first_contraction={"BR": False}), exam(182, 105, first_contraction={"BR": False}),
          exam(273, 180, first_contraction={"BR": True, "ECRB": False, "EIP": False})]),
    case("digital-direct", "a sensory repair: skin only, no limit, no salvage", "direct-coaptation", 0, 41,
         [skin("thumb-radial-pulp", 45)],
         [exam(42, 15), exam(91, 45, sudomotor_return={"thumb-radial-pulp": True}, protective_sensation={"thumb-radial-pulp": False}),
          exam(182, None, protective_sensation={"thumb-radial-pulp": True}, useful_sensation={"thumb-radial-pulp": False})]),
    case("false-positive", "an early flicker that two later exams do not find again", "autograft", 40, 33,
         [muscle("FCU", 70, delay=14), intrinsic("ADM", 250, delay=14)],
         [exam(84, 30, first_contraction={"FCU": True}), exam(182, None, first_contraction={"FCU": False}),
          exam(252, None, first_contraction={"FCU": False, "ADM": False})]),
    case("late-referral", "150 days between injury and repair", "autograft", 35, 29,
         [muscle("biceps", 90, delay=150, donor_mm=30), muscle("brachialis", 140, delay=150, donor_mm=40), skin("lateral-forearm", 270, delay=150)],
         [exam(91, 35, first_contraction={"biceps": False}), exam(182, 70, first_contraction={"biceps": False, "brachialis": False})]),
    case("gracilis-transfer-6", "a target nearer than the least arrest spread: some arrested fronts still reach it", "nerve-transfer", 0, 18,
         [muscle("gracilis", 6, donor_mm=20)],
         [exam(60, 4, first_contraction={"gracilis": False}), exam(120, None, first_contraction={"gracilis": True}), exam(150, None, first_contraction={"gracilis": True})]),
]  # fmt: skip
