"""Times a library from PyPI on one Bundle: JSON to its R4 models, which check types, names and cardinalities.

    python models.py FILE     `fhir.resources` if it is installed, else `fhirclient`; prints the medians of many runs:
                              {"us": with reading the JSON, "models_us": without}, in microseconds
"""

import json
import statistics
import sys
import time

try:
    from fhir.resources.bundle import Bundle

    models = Bundle.parse_obj
except ImportError:
    from fhirclient.models.bundle import Bundle

    models = Bundle


def median_us(run):
    times = []
    for _ in range(60):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return statistics.median(times) * 1e6


def main(path):
    text = open(path, "rb").read()
    # Each run has an object of its own, made before the clock starts: a library may change what it is given.
    fresh = iter([json.loads(text) for _ in range(60)])
    print(json.dumps({"us": median_us(lambda: models(json.loads(text))), "models_us": median_us(lambda: models(next(fresh)))}))


if __name__ == "__main__":
    main(sys.argv[1])
