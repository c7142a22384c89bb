"""Times `fhirclient` from PyPI on one Bundle: JSON to its R4 models, which check types, names and cardinalities.

    python models.py FILE     prints {"us": ...}: microseconds, the median of many runs
"""

import json
import statistics
import sys
import time

from fhirclient.models.bundle import Bundle


def main(path):
    text = open(path, "rb").read()
    times = []
    for _ in range(60):
        start = time.perf_counter()
        Bundle(json.loads(text))
        times.append(time.perf_counter() - start)
    print(json.dumps({"us": statistics.median(times) * 1e6}))


if __name__ == "__main__":
    main(sys.argv[1])
