"""Compares the published first signs of published.json with the prior windows, and writes both back into it."""

import json

from reference import HERE, QUANTILES, Belief, age_factor, rounded

# A prior window of a live front needs neither exams nor the arrested branch: few nodes are plenty.
NODES = {"rate": 401, "latency": 201, "arrest": 2}


def window(row, path_mm):
    target = {"name": "target", "kind": "muscle", "path_mm": path_mm, "fibular": row["fibular"]}
    factor = 1.0 if row["age_years"] is None else age_factor(row["age_years"])
    belief = Belief(
        {**row, "age_factor": factor, "targets": [target], "exams": [], "motor_only": False}, NODES
    )
    if row["milestone"] == "axon-arrival":
        x = belief.x["target"]
        return [belief.travel_quantile(row["technique"], belief.gap, x, p) for p in QUANTILES.values()]
    return list(belief.window("target", row["milestone"], prior=True).values())


def judge(row):
    """Adds the windows, and whether what was recorded lies in them."""
    recorded = row["recorded_days"] if isinstance(row["recorded_days"], list) else [row["recorded_days"]] * 2
    windows = [[round(day, 1) for day in window(row, path)] for path in row["path_mm"]]
    low, _, high = windows[1]
    inside = [w[0] <= recorded[0] and recorded[1] <= w[2] for w in windows]
    row["windows_days"] = windows
    row["recorded_inside"] = inside[1]
    row["inside_at_some_path"] = any(inside)
    row["interval_meets"] = row["interval_days"][0] <= high and low <= row["interval_days"][1]


def main():
    file = HERE / "published.json"
    document = json.loads(file.read_text())
    observed = document["observed_first_signs"]
    counts = {}
    for group in ("single_patients", "series"):
        for row in observed[group]:
            judge(row)
            print(f"{row['id']}: recorded {row['recorded_days']}, windows {row['windows_days']}")
        counts[group] = {"of": len(observed[group])} | {
            key: sum(row[key] for row in observed[group])
            for key in ("recorded_inside", "inside_at_some_path", "interval_meets")
        }
    observed["counts"] = counts
    file.write_text(json.dumps(rounded(document), indent=1) + "\n")
    print(json.dumps(counts))


if __name__ == "__main__":
    main()
