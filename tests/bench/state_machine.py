"""The state machine of ``tests/test_state_machine.py``, many times over.

    python tests/bench/state_machine.py                10 000 sessions' lives of 50 steps
    python tests/bench/state_machine.py 500 50         as many, as long as one says

Every run begins somewhere else. Prints how many there were and how long it took; what is found
is printed as the steps that lead there, and ends the run with 1.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path

from hypothesis import settings
from hypothesis.stateful import run_state_machine_as_test

sys.path.insert(0, str(Path(__file__).parents[1]))

import test_state_machine
from test_state_machine import QUICK, Sessions


def main(examples: int, steps: int) -> int:
    seen: Counter[str] = Counter()
    test_state_machine.event = lambda what: seen.update([what])
    bounds = {**QUICK, "max_examples": examples, "stateful_step_count": steps, "derandomize": False}
    started_s = time.perf_counter()
    run_state_machine_as_test(Sessions, settings=settings(database=None, **bounds))
    took_s = time.perf_counter() - started_s
    print(f"{examples} lives of {steps} steps, {took_s:.0f} s; nothing found")
    for what, times in seen.most_common():
        print(f"{times:7d} {what}")
    return 0


if __name__ == "__main__":
    numbers = [int(one) for one in sys.argv[1:]] or [10_000, 50]
    raise SystemExit(main(*numbers))
