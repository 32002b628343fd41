"""How long a list of many sessions takes, and looking at every record of a logbook.

Run ``python tests/bench/logbook_list.py [SESSIONS [STEPS]]``: by default 10 000 sessions of four
machines with 20 steps each. Fails when the list takes longer than 0.3 s.
"""

from __future__ import annotations

import contextlib
import io
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from fakes import CARD_TEXT

from tuner.commands.log import log
from tuner.session.damage import what_is_wrong
from tuner.session.logbook import Logbook
from tuner.session.schema import seal_session
from tuner.session.sealed import STEP, seal_of

MOST_S = 0.3
FINDING = {"verdict": "keep", "scale": {"value": 1.0, "U": 0.001}, "next": "nothing " * 100}
HEAD = {
    "card": CARD_TEXT, "dialect": CARD_TEXT, "port": "none", "plan": "bench", "plan_version": 1,
    "params": '{"axes": ["x", "y", "z"]}', "tool_version": "0", "ended_as": "finished",
    "summary": json.dumps({"x": FINDING, "y": FINDING, "z": FINDING}),
}  # fmt: skip


def write(path: Path, sessions: int, steps: int) -> None:
    """Write the sessions past the engine: with a commit a step it would take hours."""
    logbook = Logbook(path)
    body = json.dumps({"value": 61.5, "says": "a body of the usual length " * 6})
    with logbook._writing() as database:
        for number in range(sessions):
            name, utc = f"s-{number:05}", f"2026-03-14T10:15:02.{number:06}+00:00"
            row = {"id": name, "machine": f"Mule {number % 4}", "started_at": utc, **HEAD}
            database.execute(
                f"INSERT INTO session({', '.join(row)}) VALUES ({', '.join('?' * len(row))})",
                [*row.values()],
            )
            seal = ""
            for n in range(1, steps + 1):
                step = (name, n, 1, utc, 1.5, "reply", "Value", f"x.near.{n}", body)
                seal = seal_of(step, seal)
                database.execute(
                    f"INSERT INTO step({', '.join(STEP)}, seal) VALUES (?,?,?,?,?,?,?,?,?,?)",
                    (*step, seal),
                )
            seal_session(database, name)
    logbook.close()


def median_s(work: Callable[[], object], runs: int) -> float:
    """Return the median of the times that `work` takes."""
    taken = []
    for _ in range(runs):
        started = time.perf_counter()
        work()
        taken.append(time.perf_counter() - started)
    return statistics.median(taken)


def main(sessions: int, steps: int) -> int:
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        path = home / "logbook.db"
        write(path, sessions, steps)
        size_mb = path.stat().st_size / 1e6

        def listed(name: str | None = None) -> None:
            with contextlib.redirect_stdout(io.StringIO()):
                log(home=home, name=name, check=False, as_json=False)

        listing_s = median_s(listed, 7)
        print(f"{sessions} sessions, {size_mb:.0f} MB: listed in {listing_s:.3f} s")
        print(f"the newest shown in {median_s(lambda: listed('last'), 5):.3f} s")
        logbook = Logbook(path, largest_checked_bytes=0, check_pages=False)
        check_s = median_s(lambda: what_is_wrong(logbook._database), 3)
        database = logbook._database
        pages_s = median_s(lambda: database.execute("PRAGMA quick_check").fetchall(), 3)
        logbook.close()
        print(
            f"every record looked at in {check_s:.2f} s, {1e3 * check_s / size_mb:.1f} ms a MB; "
            f"the pages alone {1e3 * pages_s / size_mb:.1f} ms a MB"
        )
    return 0 if listing_s < MOST_S else 1


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])) if len(sys.argv) == 3 else main(10_000, 20))
