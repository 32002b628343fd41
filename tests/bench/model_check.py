"""The model check of ``tests/test_model_wire.py``, further than there is time for in every run.

    python tests/bench/model_check.py            three faults of every kind of the channel and a
                                                 stop; two of every kind there is, in all dialects
    python tests/bench/model_check.py --quick    one fault less

Prints a line for each program that was checked; ends with 1 when something is wrong.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from model.explore import CHANNEL_FAULTS, FAULTS, explore
from model.host import Host
from model.programs import NUMBERED, PLAIN, PRINTER, STOPLESS, heating, moving

# A move that is refused with a word that gets lost is noticed by nobody without a position report.
KNOWN = {"plain": {"'G1 X5 F600' began a group where the machine does not stand"}}


def main() -> int:
    less = 1 if "--quick" in sys.argv[1:] else 0
    is_wrong = False
    for name, parts in {
        "printer": moving(PRINTER),
        "line numbers": moving(NUMBERED),
        "no stop word": moving(STOPLESS),
        "plain": moving(PLAIN),
        "heating": heating(PRINTER),
    }.items():
        host = Host(parts)
        for kinds, faults in ((CHANNEL_FAULTS, 3 - less), (FAULTS, 2 - less)):
            started_s = time.perf_counter()
            result = explore(host, faults=faults, stops=1, kinds=kinds)
            took_s = time.perf_counter() - started_s
            print(
                f"{name}: {faults} faults of {len(kinds)} kinds and a stop: {result.states} "
                f"states, {result.steps} events, {host.states} states of the program, "
                f"{took_s:.0f} s",
                flush=True,
            )
            found = set(result.breaches) - KNOWN.get(name, set())
            for breach in found:
                print(breach, *result.breaches[breach], sep="\n    ")
            if found or result.stuck:
                print(f"{result.stuck} states from which the session cannot end")
                is_wrong = True
    return int(is_wrong)


if __name__ == "__main__":
    raise SystemExit(main())
