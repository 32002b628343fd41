"""Every procedure interrupted at every place, and taken up again; is everything as promised?

    nice python tests/bench/interrupted.py [--only TEXT] [--kind KIND] [--each N] [--first N]

Interrupts every procedure of ``interrupted_world`` at each step, each question, and each look at
what is heated, there once by a fault and once by a stop; or at each N-th of all these, from the
first N on. Prints a line for each procedure and each broken promise.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from interrupted_world import KINDS, PROCEDURES, Procedure, Tried, places, tried, whole


def _every_place(procedure: Procedure, kind: str, first: int, each: int) -> list[Tried]:
    with tempfile.TemporaryDirectory() as home:
        of = whole(procedure, Path(home))
    all_tried = []
    for place in places(of, first, each):
        if kind not in ("", place.kind):
            continue
        with tempfile.TemporaryDirectory() as home:
            one = tried(of, [place], Path(home))
        all_tried.append(one)
        for promise in one.broken:
            print(f"  {procedure}, {place}: {promise}", flush=True)
    return all_tried


def _in_words(all_tried: list[Tried]) -> str:
    broken = sum(bool(one.broken) for one in all_tried)
    return (
        f"{len(all_tried)} interruptions, {sum(one.kept for one in all_tried)} readings confirmed "
        f"by then; heaters confirmed off at {sum(one.confirmed for one in all_tried)} ends, sent "
        f"to the mains at {sum(one.mains for one in all_tried)}; {broken} not as promised"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--only", default="", help="only procedures with this in their name")
    parser.add_argument("--kind", choices=KINDS, default="", help="only places of one kind")
    parser.add_argument("--each", type=int, default=1, help="only each N-th place")
    parser.add_argument("--first", type=int, default=1, help="and the first of them")
    given = parser.parse_args()
    everything: list[Tried] = []
    for procedure in (one for one in PROCEDURES if given.only in str(one)):
        all_tried = _every_place(procedure, given.kind, given.first, given.each)
        everything += all_tried
        print(f"{procedure}: {_in_words(all_tried)}", flush=True)
    print(_in_words(everything))
    return int(any(one.broken for one in everything))


if __name__ == "__main__":
    sys.exit(main())
