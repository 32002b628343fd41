"""Jumps, play, rises and falls, drift and ends: how often the right thing is said of each.

Usage: python tests/bench/motion_faults.py [SEEDS]

Prints, for every case of ``motion_world.CASES``, the share of seeds judged right and the commonest
other judgements; then, for machines with nothing wrong, how often a jump was alarmed for.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from motion_world import CASES, SOUND, Case


def main(seeds: int) -> None:
    for name, case in CASES.items():
        others: Counter[str] = Counter()
        for seed in range(seeds):
            found = case.examined(seed)
            if not case.is_right(found):
                report = found.as_json(file=None, axis="x")
                likely = [one["name"] for one in report["causes"] if one["p"] > 0.5]
                others[f"{report['verdict']} {'+'.join(likely)}"] += 1
        right = 1.0 - others.total() / seeds
        print(f"{name:24} {100 * right:6.2f} %  {dict(others.most_common(3)) or ''}", flush=True)
    print("\na jump alarmed for where there was none:")
    for name, readings in SOUND.items():
        case = Case(readings, ())
        alarms = sum(bool(case.examined(seed).motion.jumps.found) for seed in range(seeds))
        print(f"{name:24} {100 * alarms / seeds:6.2f} %", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
