"""An axis that loses, slips, rises and falls, or drifts, read with a caliper by a hand.

Plain arithmetic of its own, so that a mistake in the code under test is not repeated here. Places
and order are those of the program's own plan of ten readings. ``CASES`` are faults of known truth.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
from simulated_axis import BELT, BELT_STORED, STEPPER

from tuner.drive.parts import DriveTrain, Screw
from tuner.drive.scale import Form, Stored
from tuner.metrology.examination import Described, Examination, examine_readings
from tuner.metrology.reading import SIDE, Columns
from tuner.metrology.targets import plan_targets

COARSE_SCREW = DriveTrain(Screw(Fraction(10), 4), STEPPER)
COARSE_STORED = Stored(Form.STEPS_PER_MM, Fraction(80))
HOLD_TIME_S = 120.0
BELT_AXIS = Described(BELT, BELT_STORED, 220.0)


def world(
    seed: int,
    *,
    scale: float = 1.0,
    play_mm: float = 0.03,
    rise_mm: float = 0.02,
    period_mm: float = 40.0,
    hand_mm: float = 0.02,
    drift_mm_per_min: float = 0.0,
    jumps: tuple[tuple[int, float], ...] = (),
    n: int = 10,
    train: DriveTrain = BELT,
    stored: Stored = BELT_STORED,
    seconds_a_reading: float = 30.0,
) -> Columns:
    """Read a belt axis of 20 teeth x 2 mm; `jumps` are (row from 0, mm) from that row on."""
    random = np.random.default_rng(seed)
    targets = plan_targets(train, stored, reach=(0.0, 160.0 / scale), over_mm=1.0)[:n]
    at = np.array([one.commanded_mm for one in targets])
    side = np.array([SIDE[one.approach] for one in targets])
    time_s = np.arange(n) * seconds_a_reading
    reading = 20.0 + random.uniform(-0.2, 0.2) + scale * at - side * play_mm / 2.0
    reading += rise_mm * np.sin(2.0 * np.pi * at / period_mm + random.uniform(0.0, 2.0 * np.pi))
    reading += drift_mm_per_min * time_s / 60.0 + random.normal(0.0, hand_mm, n)
    for row, size_mm in jumps:
        reading[row:] += size_mm
    return Columns(at, np.round(reading, 2), side, np.ones(n, dtype=np.int64), time_s)


def read_as(readings: Columns, reading_mm: np.ndarray) -> Columns:
    return replace(readings, reading_mm=np.round(reading_mm, 2))


def loose_pulley(seed: int) -> Columns:
    """What arrives from above is short by 0.2 to 1.5 mm, another time another length."""
    readings, random = world(seed, play_mm=0.0), np.random.default_rng(seed + 1_000_000)
    lost = np.where(readings.side < 0.0, random.uniform(0.2, 1.5, len(readings)), 0.0)
    return read_as(readings, readings.reading_mm + lost)


def clipped(seed: int, last_mm: float) -> Columns:
    """The axis stops at `last_mm`, wherever it was sent."""
    readings = world(seed)
    beyond = np.maximum(0.0, readings.commanded_mm - last_mm)
    return read_as(readings, readings.reading_mm - beyond)


def released(seed: int) -> Columns:
    """A long pause, after which the motor snaps by up to two full steps."""
    random, row = np.random.default_rng(seed + 1_000_000), 2 + seed % 7
    size = random.uniform(0.15, 0.4) * (1 if seed % 2 else -1)
    readings = world(seed, jumps=((row, size),))
    assert readings.time_s is not None
    return replace(readings, time_s=readings.time_s + np.where(np.arange(10) >= row, 200.0, 0.0))


def move_not_made(seed: int) -> Columns:
    """The 10 mm between the fourth and the fifth reading were never travelled."""
    readings = world(seed)
    return read_as(readings, readings.reading_mm - np.where(np.arange(10) >= 4, 10.0, 0.0))


def nut_slips(seed: int) -> Columns:
    random = np.random.default_rng(seed + 1_000_000)
    jumps = tuple((row, -float(random.uniform(0.3, 0.7))) for row in (2, 4, 7))
    return world(seed, train=COARSE_SCREW, stored=COARSE_STORED, period_mm=40.0, jumps=jumps)


def hot_driver(seed: int) -> Columns:
    random = np.random.default_rng(seed + 1_000_000)
    return world(seed, jumps=tuple((row, -0.8 * int(random.integers(1, 4))) for row in (6, 8)))


def worn_switch(seed: int) -> Columns:
    """Twenty readings, referenced anew, to within 0.1 mm either way, before every four of them."""
    twice = [world(2 * seed), world(2 * seed + 1)]
    datum = twice[0].reading_mm[0] - twice[1].reading_mm[0]
    random = np.random.default_rng(seed + 1_000_000)
    visit = np.repeat(np.arange(1, 6), 4)
    reading = np.concatenate([twice[0].reading_mm, twice[1].reading_mm + datum])
    return Columns(
        np.concatenate([one.commanded_mm for one in twice]),
        np.round(reading + random.uniform(-0.1, 0.1, 5)[visit - 1], 2),
        np.concatenate([one.side for one in twice]),
        visit,
    )


def misread(seed: int) -> Columns:
    readings = world(seed)
    return read_as(readings, readings.reading_mm + 1.8 * (np.arange(10) == seed % 10))


def row_of(seed: int) -> int:
    """The row before which the jump of a case stands."""
    return 2 + seed % 7


@dataclass(frozen=True)
class Case:
    """Readings of known truth by seed, and what must be said of them.

    `look` is what was seen on closing the caliper. `names` must stand among what is likely.
    """

    readings: Callable[[int], Columns]
    verdicts: tuple[str, ...]
    names: tuple[str, ...] = ()
    look: str | None = None
    said: str = ""
    tie: tuple[str, ...] = ()
    described: Described = BELT_AXIS

    def examined(self, seed: int) -> Examination:
        return examine_readings(
            self.readings(seed),
            resolution_mm=0.01,
            error_limit_mm=0.03,
            grows=1,
            described=self.described,
            hold_time_s=HOLD_TIME_S,
            datum_look=self.look,  # type: ignore[arg-type]
        )

    def is_right(self, found: Examination) -> bool:
        report = found.as_json(file=None, axis="x")
        likely = {one["name"] for one in report["causes"] if one["p"] > 0.5}
        return (
            report["verdict"] in self.verdicts
            and likely.issuperset(self.names)
            and self.said in report["next"]
            and (not self.tie or tuple(report["tie"]) == self.tie)
            and not (
                likely - {*self.names, "as-described", "not-listed"} and "keep" in self.verdicts
            )
        )


def _jump(*sizes: float, **kwargs: Any) -> Callable[[int], Columns]:
    return lambda seed: world(seed, jumps=((row_of(seed), sizes[seed % len(sizes)]),), **kwargs)


CASES = {
    "healthy": Case(world, ("keep",)),
    "play 0.3": Case(lambda s: world(s, play_mm=0.3), ("keep",), ("play",)),
    "loose pulley": Case(loose_pulley, ("repair-first",), ("loose-pulley",)),
    "eccentric pulley": Case(lambda s: world(s, rise_mm=0.15), ("keep",), ("eccentric-pulley",)),
    "period of 1.25 turns": Case(
        lambda s: world(s, rise_mm=0.15, period_mm=50.0),
        ("keep", "measure-again"),
        ("periodic-elsewhere",),
    ),
    "1 lost cycle": Case(_jump(-0.8), ("repair-first",), ("lost-steps",), "unmoved"),
    "1 lost cycle, no look": Case(
        _jump(-0.8), ("cannot-tell",), said="close its jaws", tie=("lost-steps", "datum-moved")
    ),
    "3 lost cycles": Case(_jump(-2.4), ("repair-first",), ("lost-steps",), "unmoved"),
    "1 tooth": Case(_jump(2.0, -2.0), ("repair-first",), ("belt-jump",), "unmoved"),
    "4 mm on 20 teeth": Case(
        _jump(4.0), ("cannot-tell",), (), "unmoved", "36 degrees", ("lost-steps", "belt-jump")
    ),
    "4 mm on 16 teeth": Case(
        _jump(4.0, scale=0.8), ("repair-first",), ("belt-jump", "pulley-teeth"), "unmoved"
    ),
    "-0.8 and -4 mm": Case(
        lambda s: world(s, jumps=((3, -0.8), (6, -4.0))),
        ("cannot-tell",),
        ("lost-steps",),
        "unmoved",
        "before reading 7",
    ),
    "zero moved by 0.37": Case(_jump(0.37), ("measure-again",), ("datum-moved",)),
    "0.79, two readings left": Case(
        lambda s: world(s, jumps=((8, 0.79),)), ("cannot-tell",), said="close its jaws"
    ),
    "zero moved, looked": Case(_jump(0.8), ("measure-again",), ("datum-moved",), "moved"),
    "move not made": Case(move_not_made, ("measure-again",), ("move-not-made",)),
    "misread": Case(misread, ("measure-again",), said="looks misread"),
    "drift": Case(
        lambda s: world(s, drift_mm_per_min=0.01, seconds_a_reading=115.0), ("keep",), ("drift",)
    ),
    "worn switch": Case(worn_switch, ("keep", "measure-again"), ("datum-moved",)),
    "16 teeth and play": Case(
        lambda s: world(s, scale=0.8, play_mm=0.3), ("change",), ("pulley-teeth", "play")
    ),
    "hot driver": Case(hot_driver, ("repair-first",), ("lost-steps",), "unmoved"),
    "nut slips": Case(
        nut_slips,
        ("repair-first",),
        ("not-listed",),
        "unmoved",
        "slips",
        described=Described(COARSE_SCREW, COARSE_STORED, 180.0),
    ),
    "motor released": Case(released, ("measure-again",), ("motor-released",)),
    "stops at 125 mm": Case(lambda s: clipped(s, 125.0), ("measure-again",), ("limit-clipped",)),
    "stops at 100 mm": Case(lambda s: clipped(s, 100.0), ("measure-again",), ("limit-clipped",)),
}

# Machines with nothing wrong, on which no jump may be alarmed for.
SOUND: dict[str, Callable[[int], Columns]] = {
    "usual": world,
    "unsteady hand": lambda s: world(s, hand_mm=0.05),
    "six readings, hand 0.06": lambda s: world(s, hand_mm=0.06, n=6),
    "play 0.3": lambda s: world(s, play_mm=0.3),
    "eccentric 0.15": lambda s: world(s, rise_mm=0.15),
    "period of 1.25 turns": lambda s: world(s, rise_mm=0.15, period_mm=50.0),
    "drift": lambda s: world(s, drift_mm_per_min=0.01),
    "all of it": lambda s: world(s, play_mm=0.2, rise_mm=0.05, drift_mm_per_min=0.005),
}
