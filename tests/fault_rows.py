"""The rows of the table of faults that no caliper on an axis reads: filament fed, parts printed.

Each row is simulated from a seed and judged, and says whether that is what the table asks for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from tuner.drive.parts import DriveTrain, Feeder, GearPair, Motor
from tuner.drive.scale import Form, Stored
from tuner.metrology.feeder import FeederFinding, Run, delivery, judge_feeder
from tuner.metrology.prints import PrintedSizes, Sizes, axis_scale, judge_prints

MARK_MM = 0.2
HAND_MM = 0.02
CALIPER_MM = 0.03
_SCALE = {"override-active", "stored-number", "gear-teeth", "feeder-diameter"}

_TRAIN = DriveTrain(
    Feeder(Fraction("7.3")), Motor(Fraction("1.8"), 16), (GearPair(driver=1, driven=3),)
)
_STORED = Stored(Form.STEPS_PER_MM, Fraction(420))


@dataclass(frozen=True)
class Row:
    """One row: `play` gives a verdict and whether it is right for a seed."""

    id: str
    says: str
    play: Callable[[int], tuple[str, bool]]


def _fed(seed: int, delivered: Mapping[float, float]) -> FeederFinding:
    """A mark on the filament, read four times before and after 100 mm at each speed in mm/s."""
    random = np.random.default_rng([seed, 47])
    places_mm = np.repeat([0.0, 100.0], 4)
    runs = []
    for speed, share in delivered.items():
        seen_mm = random.uniform(115.0, 125.0) - share * places_mm
        seen_mm = np.round(seen_mm + random.normal(0.0, MARK_MM, len(places_mm)), 1)
        runs.append(Run(speed, tuple(places_mm), tuple(seen_mm)))
    repeats_mm = np.round(random.normal(50.0, MARK_MM, 5), 1)
    return judge_feeder(delivery(runs, repeats_mm=tuple(repeats_mm)), train=_TRAIN, stored=_STORED)


def _printed(
    seed: int,
    nominal_mm: Sequence[float],
    sides: Sequence[str],
    *,
    ratio: float = 1.0,
    offset_mm: float = 0.0,
    axis: float | None = None,
) -> PrintedSizes:
    """Parts of these sizes, measured with a caliper; `axis` is the scale measured on the axis."""
    random = np.random.default_rng([seed, 34])
    rows = [
        (
            size,
            round(
                ratio * size
                + (offset_mm if side == "outside" else -offset_mm)
                + random.uniform(-CALIPER_MM, CALIPER_MM)
                + random.normal(0.0, HAND_MM),
                2,
            ),
            side,
            "x",
            None,
        )
        for size in nominal_mm
        for side in sides
    ]
    (found,) = judge_prints(
        Sizes(*zip(*rows, strict=True)),
        resolution_mm=0.01,
        error_limit_mm=CALIPER_MM,
        scales=None if axis is None else {"x": axis_scale(axis, 0.0006)},
    )
    return found


def _feeder(
    delivered: Mapping[float, float], verdict: str, names: set[str], look: str | None = None
) -> Callable[[int], tuple[str, bool]]:
    """Right: that verdict, these names, no number proposed, and that look asked for first."""

    def play(seed: int) -> tuple[str, bool]:
        found = _fed(seed, delivered)
        named = set(found.tie) or {one["name"] for one in found.causes}
        right = found.verdict == verdict and names <= named and found.proposal is None
        return found.verdict, right and (look is None or found.look.key == look)

    return play


def _prints(
    verdict: str, names: set[str], nominal_mm: Sequence[float], sides: Sequence[str], **world: float
) -> Callable[[int], tuple[str, bool]]:
    """Right: that verdict, and these names tied or each almost certain, and no others."""

    def play(seed: int) -> tuple[str, bool]:
        found = _printed(seed, nominal_mm, sides, **world)
        named = set(found.tie) or {one["name"] for one in found.causes if one["p"] >= 0.95}
        return found.verdict, found.verdict == verdict and named == names

    return play


_THREE, _BOTH = (20.0, 60.0, 100.0), ("outside", "inside")
_TWO_SPEEDS = (1.0, 3.0)
_CUBE = {"scale", "shrinkage", "width-offset"}

ROWS: tuple[Row, ...] = (
    Row(
        "F31",
        "slip grows with speed",
        _feeder({1.0: 0.97, 3.0: 0.94, 6.0: 0.88}, "repair-first", {"feeder-slip"}),
    ),
    Row(
        "F32",
        "feeder gear 50:17 for 3:1",
        _feeder(dict.fromkeys(_TWO_SPEEDS, 1.02), "cannot-tell", _SCALE),
    ),
    Row("F33", "2 % low, one speed", _feeder({2.0: 0.98}, "cannot-tell", {"feeder-slip", "scale"})),
    Row(
        "F34", "width offset 0.20", _prints("keep", {"width-offset"}, _THREE, _BOTH, offset_mm=0.2)
    ),
    Row(
        "F35", "one cube of 19.60", _prints("cannot-tell", _CUBE, (20.0,), ("outside",), ratio=0.98)
    ),
    Row(
        "F36",
        "shrinkage 0.6 %",
        _prints("keep", {"shrinkage"}, _THREE, _BOTH, ratio=0.994, axis=1.0),
    ),
    Row(
        "F47",
        "override of 90 % at the panel",
        _feeder(dict.fromkeys(_TWO_SPEEDS, 0.9), "cannot-tell", _SCALE, "override-active"),
    ),
)
