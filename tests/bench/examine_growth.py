"""What examining costs as readings become many, against a bare least-squares solver.

Usage: python tests/bench/examine_growth.py [READINGS]

Prints, for growing tables: reading the CSV file; examining the arrays, as a multiple of
numpy.linalg.lstsq on the same matrix (at most 4 for a million). Then, for ten readings: the whole
process of ``tuner examine`` as a multiple of one that only imports numpy (less than 2.5).
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from card_mutations import STRAIGHT

from tuner.metrology.examination import examine_readings
from tuner.metrology.reading import Columns
from tuner.metrology.table import parse_table

_RUNS = 11


def made(n: int) -> Columns:
    random = np.random.default_rng(1)
    commanded = np.round(random.uniform(0.0, 200.0, n), 3)
    side = random.choice([-1.0, 1.0], n)
    reading = 20.0 + 0.8 * commanded - 0.015 * side + random.normal(0.0, 0.02, n)
    return Columns(commanded, np.round(reading, 2), side, np.ones(n, dtype=np.int64))


def as_csv(readings: Columns) -> bytes:
    words = {1.0: "plus", -1.0: "minus"}
    rows = zip(readings.commanded_mm, readings.reading_mm, readings.side, strict=True)
    lines = [f"{at:.3f},{read:.2f},{words[side]}" for at, read, side in rows]
    return "\n".join(["commanded_mm,reading_mm,approach", *lines]).encode()


def fastest(*works: Callable[[], object], runs: int = _RUNS) -> list[float]:
    """Return the fewest seconds that each of `works` took, in turns, so that load is shared."""
    taken: list[list[float]] = [[] for _ in works]
    for _ in range(runs):
        for work, seconds in zip(works, taken, strict=True):
            started = time.perf_counter()
            work()
            seconds.append(time.perf_counter() - started)
    return [min(seconds) for seconds in taken]


def growth(most: int) -> None:
    for n in (most // 100, most // 10, most):
        readings = made(n)
        design = np.column_stack([np.ones(n), readings.commanded_mm, readings.side])
        bare, ours = fastest(
            lambda x=design, y=readings.reading_mm: np.linalg.lstsq(x, y, rcond=None),
            lambda r=readings: examine_readings(r, resolution_mm=0.01, error_limit_mm=0.03),
        )
        raw = as_csv(readings)
        (file,) = fastest(lambda r=raw: parse_table(r, "growth.csv"), runs=1)
        print(
            f"{n} readings: lstsq {1000 * bare:.1f} ms, examined in {1000 * ours:.1f} ms = "
            f"{ours / bare:.2f} x lstsq; reading the file {file:.2f} s = "
            f"{1e6 * file / n:.2f} us a reading"
        )


def start(runs: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        card, table = Path(folder, "card.toml"), Path(folder, "ten.csv")
        card.write_text(STRAIGHT.replace("coupled-belts", "independent"), encoding="utf-8")
        table.write_bytes(as_csv(made(10)))
        commands = {
            "import numpy": ["-c", "import numpy"],
            "tuner examine, ten readings": ["-m", "tuner", "examine", str(table)],
            "the same with card and causes": [
                *("-m", "tuner", "examine", str(table), "--card", str(card), "--axis", "x"),
            ],
        }
        taken: dict[str, list[float]] = {name: [] for name in commands}
        for _ in range(runs):
            for name, arguments in commands.items():
                started = time.perf_counter()
                subprocess.run(
                    [sys.executable, *arguments],
                    check=True,
                    stdout=subprocess.DEVNULL,
                    env=os.environ,
                )
                taken[name].append(time.perf_counter() - started)
    bare = statistics.median(taken["import numpy"])
    for name, seconds in taken.items():
        median = statistics.median(seconds)
        print(f"{name}: median {1000 * median:.0f} ms, {median / bare:.2f} x import numpy")


if __name__ == "__main__":
    growth(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
    start(11)
