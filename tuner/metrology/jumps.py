"""Sudden offsets in a sequence of readings: before which reading, how large, how sure.

A jump is a step that stays. One that only a single reading shows is a misreading until it is read
again, so at least two readings stand on either side of every jump.

The rule: a place counts as a jump only when its t, with a scatter from repeats and fit, is beyond
what the likeliest of all places shows by chance in one healthy table out of a thousand
(Bonferroni). The smallest jump that these readings would have shown depends on its place and is
always told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tuner.metrology.least_squares import Floats, least_squares
from tuner.metrology.reading import Columns, Integers, Reading, columns, visits_in
from tuner.metrology.student import f_exceeded, student_t_factor
from tuner.metrology.terms import Hand, Model, usual_hand

__all__ = [
    "MOST_READINGS",
    "Jump",
    "Jumps",
    "find_jumps",
    "jumps_beside",
    "step_columns",
    "why_untold",
    "without_jumps",
]

_FALSE_ALARMS = 0.001
_FOUND = 0.95
_STAYS = 2  # readings
# Where so little of a step is its own, it is a matter of the other terms.
_SEPARABLE = 0.05
_MOST_JUMPS = 4
# What the search costs grows with the square of the readings.
MOST_READINGS = 500
# Beside one datum a visit: the scale, the jump, and one reading to contradict them.
_FEWEST_BESIDE = 3
_SETTLED_AFTER = 5


@dataclass(frozen=True)
class Jump:
    """A step of `size_mm` in what the caliper shows, give or take `u_mm` with `dof`.

    `before` is the first reading after it, counted from 1 in the order given. `told_mm` is the
    commanded move that led there, and `paused_s` the time since the reading before, None
    without times.
    """

    before: int
    size_mm: float
    u_mm: float
    dof: float
    told_mm: float
    paused_s: float | None


@dataclass(frozen=True)
class Jumps:
    """The jumps `found`, in their order; `why_not` says why none could be looked for, else None.

    `smallest_mm` are the smallest jumps that are found nineteen times in twenty, at the best and at
    the worst place among the readings.
    """

    found: tuple[Jump, ...]
    smallest_mm: tuple[float, float] | None = None
    why_not: str | None = None


def find_jumps(
    readings: Sequence[Reading] | Columns,
    *,
    grows: Literal[1, -1],
    resolution_mm: float,
    repeats: Sequence[Sequence[float]] = (),
    turn_mm: float | None = None,
) -> Jumps:
    """Return the sudden offsets among `readings`, which are in the order taken.

    The arguments are those of ``fit``. The machine is taken for one with nothing else wrong. Never
    raises: what cannot be tested is told in ``why_not``.
    """
    data = columns(readings)
    if why := why_untold(data):
        return Jumps((), why_not=why)
    model = Model.of(data, grows, turn_mm).of_a_sound_machine()
    return jumps_beside(model, data, usual_hand(repeats, resolution_mm))


def why_untold(data: Columns) -> str | None:
    """Return why no jump can be looked for in `data`, or None where one can."""
    if len(data) > MOST_READINGS:
        return f"more than {MOST_READINGS} readings: examine a part of them"
    if not len(_places(data.visit)) or len(data) < len(visits_in(data.visit)) + _FEWEST_BESIDE:
        return "a jump needs two readings before and two after it in one visit, and one to spare"
    return None


def jumps_beside(model: Model, data: Columns, hand: Hand) -> Jumps:
    """Return the jumps that `data` shows beside the terms of `model`; see ``why_untold`` first.

    The largest step is taken first, then the next one beside it, and each then moves to the place
    that suits it best beside the others.
    """
    search = _Search(data, model, hand)
    chosen: list[int] = []
    while len(chosen) < _MOST_JUMPS and search.spare(len(chosen) + 1) >= 1:
        place = search.next(chosen)
        if place is None:
            break
        chosen = search.settled([*chosen, place])
    return search.told(sorted(chosen))


def _places(visit: Integers) -> Integers:
    """Return the rows, from 0, before which a jump would stand between enough readings : (k,)."""
    places = np.arange(_STAYS, len(visit) - _STAYS + 1)
    together = np.ones(len(places), dtype=bool)
    for off in range(-_STAYS, _STAYS):
        together &= visit[places] == visit[places + off]
    return places[together]


def step_columns(visit: Integers, places: Sequence[int] | Integers) -> Floats:
    """Return what a step of 1 before each of `places`, from 0, does to the readings : (n, k)."""
    rows = np.arange(len(visit))[:, None]
    at = np.asarray(places, dtype=np.int64)[None, :]
    return np.asarray((rows >= at) & (visit[:, None] == visit[at]), dtype=float)


def without_jumps(readings: Columns, jumps: Sequence[Jump]) -> Floats:
    """Return what the caliper would have shown without `jumps` : (n,)."""
    steps = step_columns(readings.visit, [one.before - 1 for one in jumps])
    return np.asarray(readings.reading_mm - steps @ np.array([one.size_mm for one in jumps]))


class _Search:
    """Steps beside the usual terms of a reading, and how sure each of them is."""

    def __init__(self, data: Columns, model: Model, hand: Hand) -> None:
        self._data = data
        self._hand = hand
        self._free = model.free
        usual = model.usual(self._hand.s_mm)
        self._table = np.vstack([model.table(data), usual])
        self._y = np.append(data.reading_mm - np.median(data.reading_mm), np.zeros(len(usual)))
        self.places = _places(data.visit)
        self._steps = step_columns(data.visit, self.places)
        after = self._steps.sum(axis=0)
        of_visit = (data.visit[:, None] == data.visit[self.places]).sum(axis=0)
        self._alone = after * (of_visit - after) / np.maximum(of_visit, 1)

    def spare(self, steps: int) -> int:
        """Return how many readings are left to contradict the free terms and so many steps."""
        return len(self._data) - self._free - steps

    def _with(self, steps: Sequence[int]) -> Floats:
        shown = step_columns(self._data.visit, steps)
        nothing = np.zeros((len(self._table) - len(shown), len(steps)))
        return np.column_stack([self._table, np.vstack([shown, nothing])])

    def _s2_mm2(self, rss_mm2: Floats, steps: int) -> Floats:
        known_mm2 = self._hand.dof * self._hand.s_mm**2
        return (known_mm2 + np.maximum(rss_mm2, 0.0)) / (self._hand.dof + self.spare(steps))

    def _scan(self, steps: Sequence[int]) -> tuple[Floats, Floats, float]:
        """Return, for one more step at each place, its fall in RSS, its own rest, and RSS before.

        Both : (places,), 0 where a step cannot be told from the terms and `steps` there are.
        """
        q, _ = np.linalg.qr(self._with(steps))
        left = self._y - q @ (q.T @ self._y)
        n = len(self._data)
        rest = self._steps.sum(axis=0) - np.sum((q[:n].T @ self._steps) ** 2, axis=0)
        told = rest > _SEPARABLE * self._alone
        for one in steps:
            told &= np.abs(self.places - one) >= _STAYS
        rest = np.where(told, rest, 0.0)
        drop = (self._steps.T @ left[:n]) ** 2 / np.where(told, rest, 1.0)
        return np.where(told, drop, 0.0), rest, float(left @ left)

    def next(self, steps: Sequence[int]) -> int | None:
        """Return the place of the surest further step, None where none is sure enough."""
        drop, _, rss = self._scan(steps)
        best = int(np.argmax(drop))
        if not drop[best] > 0.0:
            return None
        s2 = float(self._s2_mm2(np.asarray(rss - drop[best]), len(steps) + 1))
        dof = self._hand.dof + self.spare(len(steps) + 1)
        by_chance = f_exceeded(float(drop[best]) / s2, 1.0, dof) * len(self.places)
        return int(self.places[best]) if by_chance < _FALSE_ALARMS else None

    def settled(self, steps: Sequence[int]) -> list[int]:
        """Return `steps`, each moved to the place that suits it best beside the others."""
        now = list(steps)
        for _ in range(_SETTLED_AFTER):
            before = list(now)
            for at in range(len(now)):
                others = now[:at] + now[at + 1 :]
                drop, _, _ = self._scan(others)
                if drop.any():
                    now[at] = int(self.places[int(np.argmax(drop))])
            if now == before:
                break
        return now

    def told(self, steps: Sequence[int]) -> Jumps:
        """Return the jumps before the rows `steps` with their sizes, and the smallest visible."""
        data, dof = self._data, self._hand.dof + self.spare(len(steps))
        solution = least_squares(self._with(steps), self._y)
        size_mm = solution.beta[self._table.shape[1] :]
        length = np.sqrt(np.sum(solution.root[self._table.shape[1] :] ** 2, axis=1))
        _, rest, rss = self._scan(steps)
        s_mm = math.sqrt(self._s2_mm2(np.asarray(rss), len(steps)))
        found = tuple(
            Jump(
                before=step + 1,
                size_mm=float(size),
                u_mm=float(s_mm * u),
                dof=dof,
                told_mm=float(data.commanded_mm[step] - data.commanded_mm[step - 1]),
                paused_s=None
                if data.time_s is None
                else float(data.time_s[step] - data.time_s[step - 1]),
            )
            for step, size, u in zip(steps, size_mm, length, strict=True)
        )
        seen = rest[rest > 0.0]
        if not len(seen):
            return Jumps(found)
        alarm = student_t_factor(dof, 1.0 - _FALSE_ALARMS / len(self.places))
        least = (alarm + student_t_factor(dof, 2.0 * _FOUND - 1.0)) * s_mm
        best, worst = least / np.sqrt(seen.max()), least / np.sqrt(seen.min())
        return Jumps(found, smallest_mm=(float(best), float(worst)))
