"""How well an axis finds its places again: the evaluation of ISO 230-2.

Every target is approached several times from both sides, and the actual position is measured
each time. From the deviations (actual minus target) come reversal, repeatability, systematic
deviation and accuracy, for each side and for both together. A constant that is added to every
position, such as the datum of a caliper, changes none of them.

The rule it keeps: both sides are joined as the standard joins them. Larger of two one-sided
values is not what it calls the value of the axis.

Formulas: ISO 230-2:2006, definitions 2.10 to 2.24 (renumbered in 2014), coverage factor 2, s
with n - 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from tuner.errors import BadReadings
from tuner.metrology.student import student_t_factor

__all__ = ["SURELY_ELSEWHERE", "AxisTest", "Side", "axis_test"]

Floats = npt.NDArray[np.float64]

_FEWEST_TARGETS = 5
_FEWEST_RUNS = 5
_COVERAGE = 2.0
# Further than any axis; squares of it stay far from the end of a float.
_FURTHEST_MM = 1e6
_DECIMALS = 3
_PICTURE_COLUMNS = 41
SURELY_ELSEWHERE = 0.999
"""How sure it is, each time, that one run lies apart from the next."""
# Standard deviation over median deviation of a normal distribution.
_S_PER_MEDIAN = 1.4826
# No hand with a caliper scatters less (common practice, no source).
_STEADIEST_MM = 0.01
# Where nothing deviates the picture still needs a width.
_FLAT_MM = 1e-3


@dataclass(frozen=True)
class Side:
    """One direction of approach: at each target, and for the whole axis; mm.

    `mean_mm`, `s_mm` and `repeatability_at_mm` : (m,) float, mean deviation, standard deviation
    and 4 s at each of m targets. `repeatability_mm` is the largest of them, `systematic_mm` the
    span of the means (E), `accuracy_mm` the span of mean +- 2 s (A). `runs_apart`
    is how many runs lie apart from the next as a whole.
    """

    mean_mm: Floats = field(repr=False)
    s_mm: Floats = field(repr=False)
    repeatability_at_mm: Floats = field(repr=False)
    repeatability_mm: float
    systematic_mm: float
    accuracy_mm: float
    runs_apart: int


@dataclass(frozen=True)
class AxisTest:
    """What an axis test says, in mm: `plus` and `minus` for one side, the rest for both.

    `target_mm`, `reversal_at_mm` and `repeatability_at_mm` : (m,) float, one each target.
    `reversal_at_mm` is the mean arriving in plus direction minus the mean arriving in minus
    direction: play makes it negative. `reversal_mm` is the largest size (B),
    `mean_reversal_mm` the mean of them with their signs. `repeatability_mm` is R,
    `systematic_mm` E, `mean_deviation_mm` M, `accuracy_mm` A. `runs` is how often each target
    was approached from each side.
    """

    runs: int
    target_mm: Floats = field(repr=False)
    plus: Side
    minus: Side
    reversal_at_mm: Floats = field(repr=False)
    reversal_mm: float
    mean_reversal_mm: float
    repeatability_at_mm: Floats = field(repr=False)
    repeatability_mm: float
    systematic_mm: float
    mean_deviation_mm: float
    accuracy_mm: float

    @property
    def comes_elsewhere(self) -> Literal["plus", "minus"] | None:
        """The side from which runs come to rest elsewhere, the worse one; None for neither.

        More than half of the runs lie apart from the next. A jump parts them once, and a drift is
        left out; what is loose parts them at every reversal.
        """
        plus, minus = self.plus.runs_apart, self.minus.runs_apart
        if plus + minus <= self.runs - 1:
            return None
        return "plus" if plus >= minus else "minus"

    def table(self) -> list[tuple[str, ...]]:
        """Return the result as rows of equally many cells, a heading first, in mm.

        One row each target in the order given, then one row each quantity of the axis, whose
        cells are: name, plus, minus, both, and empty where the standard has no such value.
        """
        heading = (
            "target",
            "mean plus",
            "mean minus",
            "reversal",
            "s plus",
            "s minus",
            "repeatability",
        )
        columns = (
            self.target_mm,
            self.plus.mean_mm,
            self.minus.mean_mm,
            self.reversal_at_mm,
            self.plus.s_mm,
            self.minus.s_mm,
            self.repeatability_at_mm,
        )
        rows = [heading, *(tuple(map(_mm, row)) for row in zip(*columns, strict=True))]
        plus, minus = self.plus, self.minus
        for name, *values in (
            ("axis", "plus", "minus", "both"),
            ("reversal B", None, None, self.reversal_mm),
            ("mean reversal", None, None, self.mean_reversal_mm),
            (
                "repeatability R",
                plus.repeatability_mm,
                minus.repeatability_mm,
                self.repeatability_mm,
            ),
            ("systematic E", plus.systematic_mm, minus.systematic_mm, self.systematic_mm),
            ("mean deviation M", None, None, self.mean_deviation_mm),
            ("accuracy A", plus.accuracy_mm, minus.accuracy_mm, self.accuracy_mm),
        ):
            cells = [one if isinstance(one, str) else _mm(one) for one in values]
            rows.append((name, *cells, *("",) * (len(heading) - 1 - len(cells))))
        return rows

    def picture(self) -> list[str]:
        """Return the deviations as lines of text: two each target, arriving in plus and in minus.

        From the mean, ``o``, 2 s reach to either side. The first line says what the edges mean.
        """
        sides = (("plus ", self.plus), ("minus", self.minus))
        low = min(float(np.min(one.mean_mm - _COVERAGE * one.s_mm)) for _, one in sides)
        high = max(float(np.max(one.mean_mm + _COVERAGE * one.s_mm)) for _, one in sides)
        column = (_PICTURE_COLUMNS - 1) / max(high - low, _FLAT_MM)
        lines = [f"deviations from {_mm(low)} mm at the left edge to {_mm(high)} mm at the right"]
        for number, target in enumerate(self.target_mm):
            for name, one in sides:
                mean, spread = float(one.mean_mm[number]), _COVERAGE * float(one.s_mm[number])
                at, first, last = (
                    round((value - low) * column) for value in (mean, mean - spread, mean + spread)
                )
                drawn = [" "] * _PICTURE_COLUMNS
                drawn[first : last + 1] = "-" * (last + 1 - first)
                drawn[at] = "o"
                lines.append(f"{target:8.2f} {name} [{''.join(drawn)}]")
        return lines

    def as_json(self) -> dict[str, Any]:
        """Return it as plain data, in mm; one value each target, and those of the axis."""
        sides = {
            name: {
                "mean_mm": one.mean_mm.tolist(),
                "s_mm": one.s_mm.tolist(),
                "repeatability_mm": one.repeatability_mm,
                "systematic_mm": one.systematic_mm,
                "accuracy_mm": one.accuracy_mm,
            }
            for name, one in (("plus", self.plus), ("minus", self.minus))
        }
        return {
            "runs": self.runs,
            "target_mm": self.target_mm.tolist(),
            **sides,
            "reversal_mm": self.reversal_mm,
            "mean_reversal_mm": self.mean_reversal_mm,
            "repeatability_mm": self.repeatability_mm,
            "systematic_mm": self.systematic_mm,
            "mean_deviation_mm": self.mean_deviation_mm,
            "accuracy_mm": self.accuracy_mm,
        }


def _mm(value: float | None) -> str:
    return "" if value is None else f"{value:.{_DECIMALS}f}"


def axis_test(
    target_mm: npt.ArrayLike, plus_mm: npt.ArrayLike, minus_mm: npt.ArrayLike
) -> AxisTest:
    """Return reversal, repeatability, systematic deviation and accuracy after ISO 230-2.

    `target_mm` : (m,) float, at least five different places; the standard spaces them unevenly,
    so that an error that repeats does not hide. `plus_mm` and `minus_mm` : (m, n) float, the
    positions in mm measured at each target in n >= 5 runs, arriving in plus and in minus
    direction of the axis. Raises ``BadReadings`` for other shapes, equal targets and what is
    no finite number within a kilometre.
    """
    target, plus, minus = (np.asarray(one, dtype=float) for one in (target_mm, plus_mm, minus_mm))
    _check(target, plus, minus)
    up, down = (_side(one - target[:, None]) for one in (plus, minus))

    reversal_at = up.mean_mm - down.mean_mm
    middle = (up.mean_mm + down.mean_mm) / 2.0
    repeatability_at = np.maximum(
        _COVERAGE * (up.s_mm + down.s_mm) + np.abs(reversal_at),
        np.maximum(up.repeatability_at_mm, down.repeatability_at_mm),
    )
    means = np.concatenate([up.mean_mm, down.mean_mm])
    spread = _COVERAGE * np.concatenate([up.s_mm, down.s_mm])
    return AxisTest(
        runs=plus.shape[1],
        target_mm=target,
        plus=up,
        minus=down,
        reversal_at_mm=reversal_at,
        reversal_mm=float(np.max(np.abs(reversal_at))),
        mean_reversal_mm=float(np.mean(reversal_at)),
        repeatability_at_mm=repeatability_at,
        repeatability_mm=float(np.max(repeatability_at)),
        systematic_mm=float(np.ptp(means)),
        mean_deviation_mm=float(np.ptp(middle)),
        accuracy_mm=float(np.max(means + spread) - np.min(means - spread)),
    )


def _side(deviation_mm: Floats) -> Side:
    """Evaluate the deviations : (m, n) of one direction of approach."""
    mean = np.mean(deviation_mm, axis=1)
    s = np.std(deviation_mm, axis=1, ddof=1)
    repeatability_at = 2.0 * _COVERAGE * s
    return Side(
        mean_mm=mean,
        s_mm=s,
        repeatability_at_mm=repeatability_at,
        repeatability_mm=float(np.max(repeatability_at)),
        systematic_mm=float(np.ptp(mean)),
        accuracy_mm=float(np.max(mean + _COVERAGE * s) - np.min(mean - _COVERAGE * s)),
        runs_apart=_runs_apart(deviation_mm - mean[:, None]),
    )


def _runs_apart(off_mm: Floats) -> int:
    """Return how many runs differ from the next, in `off_mm` : (m, n) about the means.

    Counted once as they are and once without a steady drift, and the lower number counts. By
    medians, since the first target of a run is sometimes reached after a reversal of its own.
    """
    targets, runs = off_mm.shape
    run_mm = np.median(off_mm, axis=0)
    dof = (targets - 1) * (runs - 1)
    s_mm = max(_S_PER_MEDIAN * float(np.median(np.abs(off_mm - run_mm))), _STEADIEST_MM)
    u_mm = s_mm * math.sqrt(math.pi / 2.0 / targets)  # of a median, for many targets
    alarm_mm = student_t_factor(dof, SURELY_ELSEWHERE) * u_mm * math.sqrt(2.0)
    steps_mm = np.diff(run_mm)
    number = np.arange(runs) - (runs - 1) / 2.0
    drift_mm = number @ run_mm / (number @ number)
    return min(int(np.sum(np.abs(one) > alarm_mm)) for one in (steps_mm, steps_mm - drift_mm))


def _check(target: Floats, plus: Floats, minus: Floats) -> None:
    if target.ndim != 1 or len(target) < _FEWEST_TARGETS:
        raise BadReadings(
            f"targets of shape {target.shape}; an axis test needs at least {_FEWEST_TARGETS} "
            "places in one row; add targets"
        )
    for name, one in (("plus", plus), ("minus", minus)):
        if one.ndim != 2 or len(one) != len(target) or one.shape[1] < _FEWEST_RUNS:
            raise BadReadings(
                f"positions of shape {one.shape} arriving in {name} direction; expected one row "
                f"for each of the {len(target)} targets, with at least {_FEWEST_RUNS} runs in it"
            )
    if plus.shape != minus.shape:
        raise BadReadings(
            f"{plus.shape[1]} runs in plus and {minus.shape[1]} in minus direction; expected "
            "equally many; leave out a run that has no partner"
        )
    for one in (target, plus, minus):
        if not np.all(np.abs(one) <= _FURTHEST_MM):  # false for nan as well
            raise BadReadings(
                f"a target or position is no number within {_FURTHEST_MM:g} mm; expected plain "
                "numbers in mm; measure what is missing"
            )
    if len(np.unique(target)) < len(target):
        raise BadReadings(
            "two targets are at one place; expected different ones; put their runs together"
        )
