"""Everything that a table of readings says about one axis, without a machine.

The rules: no value of a part enters the fit (the description says only where a turn
of the shaft ends); without a description there is a scale and no verdict. A reading that looks
misread is set aside, named, and asked for again; it is never corrected.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from tuner.drive.parts import DriveTrain
from tuner.drive.scale import Stored
from tuner.errors import BadReadings
from tuner.metrology.budget import Outlook, Scale, measured_scale, more_readings
from tuner.metrology.fit import Fit, fit
from tuner.metrology.reading import Columns, Reading, columns, visits_in
from tuner.metrology.screen import Suspect, screen
from tuner.metrology.targets import output_turn_mm
from tuner.metrology.verdict import WANTED_U, Finding, agree, decide, fit_as_json

__all__ = ["Described", "Examination", "examine_readings"]

# A placing with fewer readings cannot notice its own mistakes.
_WHOLE_PLACING = 4
# One datum a visit and a scale go through any readings; two more can contradict them.
_TO_CONTRADICT = 3
_TOO_FEW = "too few readings to contradict each other"
# Where more of them look misread, it is not the exceptions that are wrong.
_MOST_SET_ASIDE = 0.25


@dataclass(frozen=True)
class Described:
    """What a person believes about the axis; `length_mm` is from end to end of its range."""

    train: DriveTrain
    stored: Stored
    length_mm: float


@dataclass(frozen=True)
class Examination:
    """What the readings of one axis say.

    `suspects` look misread; they were left out of `fit` where `set_aside` says so, and nothing is
    decided before they are taken again; None when the readings are too few to contradict each
    other. `fit` has datum, scale, play, period and drift with the residuals of the readings in
    `fitted`, `scale` the uncertainty with the caliper's and the bench's own errors, `outlook`
    what would make it smaller. `finding` holds causes and verdict; it is None where the axis
    was not described, and `why_no_causes` says so. `resolution_mm` and `error_limit_mm` are those
    of the caliper as it was placed.
    """

    readings: Columns = field(repr=False)
    fitted: Columns = field(repr=False)
    suspects: tuple[Suspect, ...] | None
    fit: Fit
    scale: Scale
    outlook: Outlook
    finding: Finding | None
    why_no_causes: str
    resolution_mm: float
    error_limit_mm: float

    @property
    def set_aside(self) -> tuple[int, ...]:
        """The readings that were left out of the fit, counted from 1."""
        if len(self.fitted) == len(self.readings):
            return ()
        return tuple(one.row for one in self.suspects or ())

    def as_json(self, *, file: str | None, axis: str | None) -> dict[str, Any]:
        """Return one object as ``tuner examine --json`` prints it: no NaN, no infinity."""
        if self.finding is not None:
            said = self.finding.as_json(file=file, axis=axis)
        else:
            said = {
                "schema": 1,
                "file": file,
                "axis": axis,
                **fit_as_json(self.fit, self.scale, self.suspects),
                "travel_per_rev_mm": None,
                "causes": [],
                "tie": [],
                "next": self.why_no_causes,
                "verdict": "cannot-tell",
                "value_known": False,
                "place_anew": False,
                "proposal": None,
            }
            said["not_tested"] = {**said["not_tested"], "travel_per_rev_mm": self.why_no_causes}
        if self.suspects is None:
            said["not_tested"] = {**said["not_tested"], "suspect_readings": _TOO_FEW}
        return {
            **said,
            "n": len(self.readings),
            "set_aside": [*self.set_aside],
            "suspects": [asdict(one) for one in self.suspects or ()],
            "caliper": {
                "resolution_mm": self.resolution_mm,
                "error_limit_mm": self.error_limit_mm,
            },
            "budget": [
                {"name": one.name, "u_relative": one.u_relative} for one in self.scale.contributions
            ],
            "outlook": {"more": self.outlook.more, "says": self.outlook.says},
        }


def examine_readings(
    readings: Sequence[Reading] | Columns,
    *,
    resolution_mm: float,
    error_limit_mm: float,
    grows: Literal[1, -1] | None = None,
    described: Described | None = None,
    why_no_causes: str = "",
    wanted_U: float = WANTED_U,
) -> Examination:
    """Screen and fit `readings`, and say what they mean for the axis that is `described`.

    `resolution_mm` is the step of the caliper's display, `error_limit_mm` what it may be wrong
    by as it was placed. `grows` is 1 where the reading grows in plus direction of the axis,
    else -1; None takes it from the readings. `wanted_U` is the relative uncertainty that is
    wanted. Raises ``BadReadings`` for readings that show no scale: fewer than two, all at one
    place, or none that differ.
    """
    data = columns(readings)
    direction: Literal[1, -1] = grows or _grows(data)
    turn_mm = None if described is None else output_turn_mm(described.train, described.stored)

    def fit_of(some: Columns) -> tuple[Fit, Scale]:
        found = fit(some, grows=direction, resolution_mm=resolution_mm, turn_mm=turn_mm)
        return found, measured_scale(found, error_limit_mm=error_limit_mm)

    suspects = None
    if len(data) >= len(visits_in(data.visit)) + _TO_CONTRADICT:
        suspects = screen(data, grows=direction, resolution_mm=resolution_mm, turn_mm=turn_mm)
    fitted = _without(data, suspects or ())
    try:
        found, scale = fit_of(fitted)
    except BadReadings:
        if fitted is data:
            raise
        # What is left shows no scale: then better one with doubtful readings, and said so.
        fitted = data
        found, scale = fit_of(fitted)
    finding = None
    if described is not None:
        finding = decide(
            scale,
            described.train,
            described.stored,
            fit=found,
            axis_length_mm=described.length_mm,
            setups=agreeing_placings(fitted, lambda some: fit_of(some)[1]),
            wanted_U=wanted_U,
            suspects=suspects,
        )
    return Examination(
        readings=data,
        fitted=fitted,
        suspects=suspects,
        fit=found,
        scale=scale,
        outlook=more_readings(found, scale, wanted_U),
        finding=finding,
        why_no_causes="" if finding else why_no_causes,
        resolution_mm=resolution_mm,
        error_limit_mm=error_limit_mm,
    )


def _without(readings: Columns, suspects: Sequence[Suspect]) -> Columns:
    """Return `readings` without `suspects`, or all of them where those are not exceptions."""
    if not suspects or len(suspects) > _MOST_SET_ASIDE * len(readings):
        return readings
    wanted = np.ones(len(readings), dtype=bool)
    wanted[[one.row - 1 for one in suspects]] = False
    return _only(readings, wanted)


def _grows(readings: Columns) -> Literal[1, -1]:
    """Return in which direction the readings of the first visit grow."""
    here = readings.visit == readings.visit[:1]
    commanded, reading = readings.commanded_mm[here], readings.reading_mm[here]
    if not len(commanded):
        return 1
    return -1 if float((commanded - commanded.mean()) @ (reading - reading.mean())) < 0.0 else 1


def agreeing_placings(
    readings: Sequence[Reading] | Columns, scale_of: Callable[[Columns], Scale]
) -> int:
    """Return how many placings of the caliper agree, 1 where two of them do not.

    Each visit is a placing. One counts that has enough readings to notice its own mistakes,
    and of which `scale_of` makes a scale.
    """
    data = columns(readings)
    visits = visits_in(data.visit)
    if len(visits) < 2:
        return 1
    scales = []
    for visit in visits:
        placing = _only(data, data.visit == visit)
        if len(placing) >= _WHOLE_PLACING:
            with suppress(BadReadings):
                scales.append(scale_of(placing))
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
