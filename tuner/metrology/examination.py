"""Everything that a table of readings says about one axis, without a machine.

The rule it keeps: the fit never depends on what a person believes about the parts. Without a
description of the axis there is a scale, its uncertainty and the play; causes and a verdict
about the stored number need the description as well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from tuner.drive.parts import DriveTrain
from tuner.drive.scale import Stored, steps_per_mm
from tuner.errors import BadReadings
from tuner.metrology.budget import Scale, measured_scale
from tuner.metrology.fit import Fit, fit
from tuner.metrology.reading import Columns, Reading, columns
from tuner.metrology.verdict import Finding, agree, decide, fit_as_json

__all__ = ["Described", "Examination", "examine_readings"]

# A placing with fewer readings cannot notice its own mistakes.
_WHOLE_PLACING = 4


@dataclass(frozen=True)
class Described:
    """What a person believes about the axis; `length_mm` is from end to end of its range."""

    train: DriveTrain
    stored: Stored
    length_mm: float

    @property
    def turn_mm(self) -> float:
        """Commanded mm of one nominal turn of the output shaft, counted from steps."""
        motor_turn_mm = self.train.motor.microsteps_per_rev / steps_per_mm(self.stored, self.train)
        return float(motor_turn_mm / self.train.gear_ratio)


@dataclass(frozen=True)
class Examination:
    """What the readings of one axis say.

    `fit` has the datum, scale and play with residuals, `scale` the uncertainty with the
    caliper's and the bench's own errors. `finding` holds causes and verdict; it is None where
    the axis was not described, and `why_no_causes` says so. `resolution_mm` and
    `error_limit_mm` are those of the caliper as it was placed.
    """

    readings: Columns = field(repr=False)
    fit: Fit
    scale: Scale
    finding: Finding | None
    why_no_causes: str
    resolution_mm: float
    error_limit_mm: float

    @property
    def next(self) -> str:
        """What to do next, in a sentence."""
        return self.finding.next if self.finding else self.why_no_causes

    def as_json(self, *, file: str | None, axis: str | None) -> dict[str, Any]:
        """Return one object as ``tuner examine --json`` prints it: no NaN, no infinity."""
        if self.finding is not None:
            said = self.finding.as_json(file=file, axis=axis)
        else:
            said = {
                "schema": 1,
                "file": file,
                "axis": axis,
                **fit_as_json(self.fit, self.scale),
                "travel_per_rev_mm": None,
                "causes": [],
                "tie": [],
                "next": self.next,
                "verdict": "cannot-tell",
                "value_known": False,
                "place_anew": False,
                "proposal": None,
            }
            said["not_tested"] = {**said["not_tested"], "travel_per_rev_mm": self.why_no_causes}
        caliper = {"resolution_mm": self.resolution_mm, "error_limit_mm": self.error_limit_mm}
        budget = [
            {"name": one.name, "u_relative": one.u_relative} for one in self.scale.contributions
        ]
        return {**said, "caliper": caliper, "budget": budget}


def examine_readings(
    readings: Sequence[Reading] | Columns,
    *,
    resolution_mm: float,
    error_limit_mm: float,
    grows: Literal[1, -1] | None = None,
    described: Described | None = None,
    why_no_causes: str = "",
) -> Examination:
    """Fit `readings`, and say what the result means for the axis that is `described`.

    `resolution_mm` is the step of the caliper's display, `error_limit_mm` what it may be wrong
    by as it was placed. `grows` is 1 where the reading grows in plus direction of the axis,
    else -1; None takes it from the readings. Raises ``BadReadings`` for readings that show no
    scale: fewer than two, all at one place, or none that differ.
    """
    data = columns(readings)
    direction: Literal[1, -1] = grows or _grows(data)
    turn_mm = None if described is None else described.turn_mm

    def fit_of(some: Columns) -> Fit:
        return fit(some, grows=direction, resolution_mm=resolution_mm, turn_mm=turn_mm)

    def scale_of(some: Columns) -> Scale:
        return measured_scale(fit_of(some), error_limit_mm=error_limit_mm)

    fitted = fit_of(data)
    scale = measured_scale(fitted, error_limit_mm=error_limit_mm)
    finding = None
    if described is not None:
        finding = decide(
            scale,
            described.train,
            described.stored,
            fit=fitted,
            axis_length_mm=described.length_mm,
            setups=agreeing_placings(data, scale_of),
        )
    return Examination(
        readings=data,
        fit=fitted,
        scale=scale,
        finding=finding,
        why_no_causes="" if finding else why_no_causes,
        resolution_mm=resolution_mm,
        error_limit_mm=error_limit_mm,
    )


def _grows(readings: Columns) -> Literal[1, -1]:
    """Return in which direction the readings of the largest visit grow."""
    visits, counts = np.unique(readings.visit, return_counts=True)
    here = readings.visit == visits[np.argmax(counts)]
    commanded, reading = readings.commanded_mm[here], readings.reading_mm[here]
    together = float((commanded - commanded.mean()) @ (reading - reading.mean()))
    return -1 if together < 0.0 else 1


def agreeing_placings(
    readings: Sequence[Reading] | Columns, scale_of: Callable[[Columns], Scale]
) -> int:
    """Return how many placings of the caliper agree, 1 where two of them do not.

    Each visit is a placing. One counts that has enough readings to notice its own mistakes,
    and of which `scale_of` makes a scale.
    """
    data = columns(readings)
    visits, sizes = np.unique(data.visit, return_counts=True)
    whole = visits[sizes >= _WHOLE_PLACING]
    if len(whole) < 2:
        return 1
    scales = []
    for visit in whole:
        here = data.visit == visit
        with suppress(BadReadings):
            scales.append(scale_of(_only(data, here)))
    return len(scales) if scales and all(agree(scales[0], one) for one in scales[1:]) else 1


def _only(readings: Columns, wanted: npt.NDArray[np.bool_]) -> Columns:
    """Return those of `readings` where `wanted` : (n,) is true."""
    return Columns(
        commanded_mm=readings.commanded_mm[wanted],
        reading_mm=readings.reading_mm[wanted],
        side=readings.side[wanted],
        visit=readings.visit[wanted],
        time_s=None if readings.time_s is None else readings.time_s[wanted],
    )
