"""Coupled belts, a vertical axis on two screws, a table: against every fault of the rehearsal.

The table turns freely, or is tied by a cable and read at a radius.

    nice python tests/bench/procedures_coupled.py [--seeds N] [--only TEXT]

Prints how often what was said of each fault is right, and pooled how often it is right (at least
98 % wanted) and how often wrong and confident (at most 0.5 %). One line for each session that is
not right.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from coupled_world import CASES


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--only", default="", help="only cases with this in their name")
    given = parser.parse_args()
    sessions = right = confidently_wrong = 0
    for case in (one for one in CASES if given.only in str(one)):
        good = 0
        for seed in range(1, given.seeds + 1):
            with tempfile.TemporaryDirectory() as home:
                held = case.hold(Path(home), seed)
            wrong = case.wrong(held.findings)
            good += not wrong
            confidently_wrong += case.is_confidently_wrong(held.findings)
            if wrong:
                print(f"  {case} seed {seed}: {'; '.join(wrong)}", flush=True)
        sessions, right = sessions + given.seeds, right + good
        print(f"{case!s:28} {good:4} of {given.seeds}", flush=True)
    if not sessions:
        print(f"there is no case with {given.only} in its name", file=sys.stderr)
        return 2
    print(f"right {100 * right / sessions:.2f} %", end=", ")
    print(f"wrong and confident {100 * confidently_wrong / sessions:.2f} %, of {sessions}")
    return 0 if right >= 0.98 * sessions and confidently_wrong <= 0.005 * sessions else 1


if __name__ == "__main__":
    sys.exit(main())
