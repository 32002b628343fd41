"""Cut sessions off at every step, and kill them at random instants; is anything lost?

    nice python tests/bench/kill.py [--steps] [--kills N]

Without an option: every step once and 1000 kills. A killed session is killed up to three times
more while it recovers. Prints how many confirmed readings were lost and how many invented, which
has to be none, and every promise that was broken.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import random
import sys
import tempfile
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from cut_off import (
    CutOff,
    Kept,
    begin,
    broken_promises,
    cut_off_at,
    kept,
    killed_after,
    resume,
    without_waiting_for_the_disk,
    written_readings,
)

_LINES = 110
_MORE_KILLS = 3


class Tally:
    """What came of all sessions so far."""

    def __init__(self, whole: Kept) -> None:
        self._whole = whole
        self.sessions = self.kills = self.confirmed = self.lost = self.invented = 0
        self.broken: list[str] = []

    def add(self, home: Path, confirmed: Kept, where: str, *, was_killed: bool) -> None:
        """Hold the session in `home` to what it had `confirmed` when it was cut off."""
        now = kept(home)
        self.sessions += 1
        self.confirmed += len(confirmed.readings)
        self.lost += len(set(confirmed.readings) - set(now.readings))
        if now.ended_as == "finished":
            self.invented += len(set(written_readings(home)) - set(now.readings))
        for promise in broken_promises(home, confirmed, self._whole, was_killed=was_killed):
            self.broken.append(f"{where}: {promise}")


def every_step(whole: Kept, tally: Tally) -> None:
    for step in range(1, whole.steps + 1):
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder)
            with contextlib.suppress(CutOff), cut_off_at(step):
                begin(home)
            confirmed = kept(home)
            resume(home)
            tally.add(home, confirmed, f"step {step}", was_killed=False)


def kills(count: int, tally: Tally) -> None:
    rng = random.Random(7)
    for number in range(count):
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder)
            killed_after(rng.randint(1, _LINES), partial(begin, home))
            confirmed = kept(home)
            tally.kills += 1
            for _ in range(rng.randint(0, _MORE_KILLS)):
                if kept(home).ended_as == "finished":
                    break
                tally.kills += killed_after(rng.randint(1, _LINES), partial(resume, home))
                tally.lost += len(set(confirmed.readings) - set(kept(home).readings))
                confirmed = kept(home)
            if confirmed.ended_as != "finished":
                resume(home)
            tally.add(home, confirmed, f"kill {number}", was_killed=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--steps", action="store_true", help="only every step")
    parser.add_argument("--kills", type=int, metavar="N", help="only so many kills")
    given = parser.parse_args()
    both = not given.steps and given.kills is None
    with (
        without_waiting_for_the_disk(),
        contextlib.redirect_stdout(io.StringIO()),
        tempfile.TemporaryDirectory() as folder,
    ):
        begin(Path(folder))
        whole = kept(Path(folder))
        tally = Tally(whole)
        if given.steps or both:
            every_step(whole, tally)
        if given.kills is not None or both:
            kills(given.kills or 1000, tally)
    print(
        f"{tally.sessions} sessions, {tally.kills} kills, {tally.confirmed} readings confirmed: "
        f"{tally.lost} lost, {tally.invented} invented; {len(tally.broken)} promises broken"
    )
    for one in tally.broken:
        print(one)
    return 1 if tally.lost or tally.invented or tally.broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
