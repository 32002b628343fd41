"""Caliper readings, as they were taken. Nothing here is corrected or left out.

``Reading`` is one of them, as a session takes it; ``Columns`` are many, as a file or a notebook
has them. Both refuse what no caliper can show and no axis can be told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from tuner.errors import BadReadings
from tuner.metrology.least_squares import Floats

Approached = Literal["plus", "minus"]
Integers = npt.NDArray[np.int64]

SIDE = {"plus": 1.0, "minus": -1.0, None: 0.0}
"""The approach as the model counts it; 0 when nobody wrote it down."""

# A kilometre: longer than any axis, and short enough that no sum of squares overflows.
_FARTHEST_MM = 1e6
_MOST_VISITS = 1000


@dataclass(frozen=True)
class Reading:
    """One caliper value with its commanded position, both in mm.

    `approach` is the direction of the move by which the axis arrived, None when nobody
    wrote it down. `n` counts readings from 1 in the order taken. `visit` rises by one
    whenever the position was lost: readings of one visit share one datum. `time_s` counts
    from any start. Raises ``BadReadings`` for a value no caliper and no axis can have.
    """

    commanded_mm: float
    reading_mm: float
    approach: Approached | None
    _: KW_ONLY
    n: int
    visit: int = 1
    time_s: float | None = None
    feed_mm_per_min: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.commanded_mm) and math.isfinite(self.reading_mm)):
            raise BadReadings(
                f"reading {self.n} is {self.reading_mm} mm at {self.commanded_mm} mm; both must "
                "be plain numbers; read the caliper again"
            )
        if max(abs(self.commanded_mm), abs(self.reading_mm)) > _FARTHEST_MM:
            raise BadReadings(_too_far(self.n, self.reading_mm, self.commanded_mm))
        if self.time_s is not None and not math.isfinite(self.time_s):
            raise BadReadings(_no_time(self.n, self.time_s))
        if self.approach not in ("plus", "minus", None):
            raise BadReadings(
                f"reading {self.n} has approach {self.approach!r}; expected plus or minus: the "
                "direction of the move by which the axis arrived"
            )


def _too_far(n: int, reading_mm: float, commanded_mm: float) -> str:
    return (
        f"reading {n} is {reading_mm:g} mm at {commanded_mm:g} mm; expected at most a kilometre "
        "either way; look where the decimal point stands"
    )


def _no_time(n: int, time_s: float) -> str:
    return f"reading {n} was taken at {time_s} s; expected a plain number; correct or leave it out"


@dataclass(frozen=True)
class Columns:
    """Many readings as columns, in the order taken. Checked once, then trusted.

    commanded_mm, reading_mm : (n,) float, mm
    side : (n,) float, +1 arrived moving plus, -1 minus, 0 not known
    visit : (n,) int, readings of one visit share one datum
    time_s : (n,) float, seconds from any start, or None when not all were timed

    Raises ``BadReadings``, naming the reading by its number from 1, for columns of different
    lengths, for what is no plain number, for more than a kilometre, for a side that is none,
    and for more than a thousand visits.
    """

    commanded_mm: Floats
    reading_mm: Floats
    side: Floats
    visit: Integers
    time_s: Floats | None = None

    def __post_init__(self) -> None:
        lengths = {len(one) for one in (self.commanded_mm, self.reading_mm, self.side, self.visit)}
        if self.time_s is not None:
            lengths.add(len(self.time_s))
        if len(lengths) > 1:
            raise BadReadings(
                f"columns of {', '.join(map(str, sorted(lengths)))} readings; expected every "
                "column to have one entry a reading"
            )
        farthest = np.maximum(np.abs(self.commanded_mm), np.abs(self.reading_mm))
        # Written so that what is no number is caught as well.
        for at in np.flatnonzero(~(farthest <= _FARTHEST_MM))[:1]:
            raise BadReadings(
                _too_far(int(at) + 1, float(self.reading_mm[at]), float(self.commanded_mm[at]))
            )
        if self.time_s is not None:
            for at in np.flatnonzero(~np.isfinite(self.time_s))[:1]:
                raise BadReadings(_no_time(int(at) + 1, float(self.time_s[at])))
        for at in np.flatnonzero(~np.isin(self.side, (1.0, -1.0, 0.0)))[:1]:
            raise BadReadings(
                f"reading {int(at) + 1} has side {self.side[at]:g}; expected 1 for plus, -1 for "
                "minus, 0 where the approach is not known"
            )
        visits = len(visits_in(self.visit))
        if visits > _MOST_VISITS:
            raise BadReadings(
                f"{visits} visits; expected at most {_MOST_VISITS}; a new visit begins only where "
                "the position was lost"
            )

    def __len__(self) -> int:
        return len(self.commanded_mm)

    def only(self, rows: Integers | npt.NDArray[np.bool_]) -> Columns:
        """Return the readings at `rows` : (k,) int from 0, or (n,) bool, in that order."""
        return Columns(
            commanded_mm=self.commanded_mm[rows],
            reading_mm=self.reading_mm[rows],
            side=self.side[rows],
            visit=self.visit[rows],
            time_s=None if self.time_s is None else self.time_s[rows],
        )


def visits_in(visit: Integers) -> Integers:
    """Return the different visits in `visit` : (n,), rising; one visit, the usual case, is fast."""
    if len(visit) and bool(np.all(visit == visit[0])):
        return visit[:1]
    return np.unique(visit)


def columns(readings: Sequence[Reading] | Columns) -> Columns:
    """Return `readings` as columns; times only when every reading has one."""
    if isinstance(readings, Columns):
        return readings
    times_s = [one.time_s for one in readings if one.time_s is not None]
    timed = bool(readings) and len(times_s) == len(readings)
    return Columns(
        commanded_mm=np.array([one.commanded_mm for one in readings], dtype=float),
        reading_mm=np.array([one.reading_mm for one in readings], dtype=float),
        side=np.array([SIDE[one.approach] for one in readings], dtype=float),
        visit=np.array([one.visit for one in readings], dtype=np.int64),
        time_s=np.array(times_s, dtype=float) if timed else None,
    )
