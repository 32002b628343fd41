"""An axis of known truth, read with a caliper by a hand: readings for the metrology tests.

Plain arithmetic of its own, so that a mistake in the code under test is not repeated here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from tuner.drive.parts import Belt, DriveTrain, Motor, Screw
from tuner.drive.scale import Form, Stored
from tuner.metrology.budget import measured_scale
from tuner.metrology.fit import fit
from tuner.metrology.reading import Reading
from tuner.metrology.targets import Target, plan_targets
from tuner.metrology.verdict import Finding, decide

STEPPER = Motor(Fraction("1.8"), 16)
BELT = DriveTrain(Belt(Fraction(2), 20), STEPPER)
BELT_STORED = Stored(Form.STEPS_PER_MM, Fraction(80))
SCREW = DriveTrain(Screw(Fraction(4)), STEPPER)
SCREW_STORED = Stored(Form.STEPS_PER_MM, Fraction(800))


@dataclass(frozen=True)
class Truth:
    """What the axis and the hand really do; lengths in mm, one turn every `turn_mm`."""

    scale: float
    play_mm: float = 0.03
    sigma_mm: float = 0.02
    eccentric_mm: float = 0.0
    turn_mm: float = 40.0


def read(targets: list[Target], truth: Truth, seed: int) -> list[Reading]:
    """Return what a caliper of 0.01 mm shows at each of `targets`."""
    random = np.random.default_rng(seed)
    datum_mm = 20.0 + random.uniform(-0.2, 0.2)
    phase = random.uniform(0.0, 2.0 * math.pi)
    readings = []
    for n, target in enumerate(targets, 1):
        side = 1 if target.approach == "plus" else -1
        turns = target.commanded_mm / truth.turn_mm
        value = (
            datum_mm
            + truth.scale * target.commanded_mm
            - side * truth.play_mm / 2
            + truth.eccentric_mm * math.sin(2.0 * math.pi * turns + phase)
            + random.normal(0.0, truth.sigma_mm)
        )
        readings.append(Reading(target.commanded_mm, round(value, 2), target.approach, n=n))
    return readings


def judge(
    truth: Truth,
    seed: int,
    *,
    train: DriveTrain = BELT,
    stored: Stored = BELT_STORED,
    n: int = 4,
    base_true_mm: float = 125.0,
    setups: int = 1,
    looks: Mapping[str, str] | None = None,
) -> Finding:
    """Plan, read `n` times, fit and decide: what a session does, without a machine."""
    reach = (0.0, base_true_mm / truth.scale)
    targets = plan_targets(train, stored, reach=reach, over_mm=1.0)[:n]
    result = fit(read(targets, truth, seed), grows=1, resolution_mm=0.01)
    scale = measured_scale(result, error_limit_mm=0.03)
    return decide(
        scale, train, stored, fit=result, axis_length_mm=220.0, setups=setups, looks=looks
    )
