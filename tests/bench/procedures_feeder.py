"""The feeder procedure against the rehearsal, with every fault it can meet.

Usage: python tests/bench/procedures_feeder.py [SEEDS]

Prints for every case of ``feeder_world.CASES`` the share of seeds judged right, the commonest
other outcomes, and the pooled shares: right, and wrong though confident.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from evidence import check, parse
from feeder_world import CASES, Case, is_wrong_and_confident, play


def one(case: Case, seed: int) -> tuple[bool, bool, str]:
    """Play one seed; return whether it is right, wrong though confident, and its outcome."""
    with tempfile.TemporaryDirectory() as folder:
        played = play(Path(folder), case.fault, seed, case.how)
        broken = [line for path in (Path(folder) / "wire").iterdir() for line in check(parse(path))]
    outcome = f"exit {played.exit_status}, {played.verdict} {'+'.join(played.causes)}"
    if broken:
        return False, True, f"{outcome}, {broken[0]}"
    wrong = is_wrong_and_confident(case.fault, played, seed)
    return case.is_right(played, seed), wrong, outcome


def main(seeds: int) -> None:
    right = confident = 0
    for case in CASES:
        others: Counter[str] = Counter()
        for seed in range(1, seeds + 1):
            is_right, is_wrong, outcome = one(case, seed)
            right += is_right
            confident += is_wrong
            if not is_right:
                others[outcome] += 1
        share = 100.0 * (1.0 - others.total() / seeds)
        print(f"{case.name:28} {share:6.2f} %  {dict(others.most_common(3)) or ''}", flush=True)
    total = seeds * len(CASES)
    print(f"\n{total} sessions: right {100.0 * right / total:.2f} %, ", end="")
    print(f"wrong and confident {100.0 * confident / total:.2f} %")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
