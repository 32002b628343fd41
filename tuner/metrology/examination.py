"""Everything that a table of readings says about one axis, without a machine.

The rules: no value of a part enters the fit (the description says only where a turn
of the shaft ends); without a description there is a scale and no verdict. A reading that looks
misread is set aside, named, and asked for again; it is never corrected.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal

import numpy as np

from tuner.drive.parts import DriveTrain
from tuner.drive.scale import Stored, output_turn_mm
from tuner.errors import BadReadings
from tuner.metrology.budget import Outlook, Scale, measured_scale, more_readings
from tuner.metrology.causes import Looked
from tuner.metrology.faults import Told, told_by
from tuner.metrology.fit import Fit, fit
from tuner.metrology.jumps import find_jumps, without_jumps
from tuner.metrology.lattice import DatumLook
from tuner.metrology.motion import Motion, watch
from tuner.metrology.reading import Columns, Integers, Reading, columns, visits_in
from tuner.metrology.screen import Suspect, screen
from tuner.metrology.verdict import WANTED_U, Finding, agree, decide, fit_as_json

__all__ = ["Described", "Examination", "examine_readings"]

# A placing with fewer readings cannot notice its own mistakes.
_WHOLE_PLACING = 4
# One datum a visit and a scale go through any readings; two more can contradict them.
_TO_CONTRADICT = 3
_TOO_FEW = "too few readings to contradict each other"
# Where more of them look misread, it is not the exceptions that are wrong.
_MOST_SET_ASIDE = 0.25
_MOST_HIDING = 4


@dataclass(frozen=True)
class Described:
    """What a person believes about the axis; `length_mm` is from end to end of its range."""

    train: DriveTrain
    stored: Stored
    length_mm: float


@dataclass(frozen=True)
class Examination:
    """What the readings of one axis say.

    `suspects` look misread; they were left out of `fit` where `set_aside`, counted from 1, says so,
    and nothing is decided before they are taken again; None when the readings are too few to
    contradict each other. `motion` is what the sequence of all others says. `fit` has datum, scale,
    play, period, drift and the jumps of the motion, with the residuals of the readings in `fitted`;
    `scale` the uncertainty with the caliper's and the bench's own errors, `outlook` what would make
    it smaller. `finding` holds causes and verdict; it is None where the axis was not described, and
    `why_no_causes` says so. `resolution_mm` and `error_limit_mm` are those of the caliper as it was
    placed.
    """

    readings: Columns = field(repr=False)
    fitted: Columns = field(repr=False)
    suspects: tuple[Suspect, ...] | None
    set_aside: tuple[int, ...]
    motion: Motion
    fit: Fit
    scale: Scale
    outlook: Outlook
    finding: Finding | None
    why_no_causes: str
    resolution_mm: float
    error_limit_mm: float

    @property
    def told(self) -> Told:
        """What the motion means; without a description no size of a jump means anything."""
        if self.finding is not None and self.finding.told is not None:
            return self.finding.told
        return told_by(self.motion, self.fit, self.scale.value, ())

    def as_json(self, *, file: str | None, axis: str | None) -> dict[str, Any]:
        """Return one object as ``tuner examine --json`` prints it: no NaN, no infinity."""
        if self.finding is not None:
            said = self.finding.as_json(file=file, axis=axis)
        else:
            said = {
                "schema": 1,
                "file": file,
                "axis": axis,
                **fit_as_json(self.fit, self.scale, self.suspects, self.told),
                "travel_per_rev_mm": None,
                "causes": [one.as_json() for one in self.told.faults],
                "tie": [],
                "next": self.why_no_causes,
                "look": None,
                "verdict": "cannot-tell",
                "value_known": False,
                "place_anew": False,
                "proposal": None,
            }
            said["not_tested"] = {**said["not_tested"], "travel_per_rev_mm": self.why_no_causes}
        whole = len(self.fitted) == len(self.readings)
        if self.suspects is None:
            said["not_tested"] = {**said["not_tested"], "suspect_readings": _TOO_FEW}
        return {
            **said,
            "n": len(self.readings),
            "set_aside": [*self.set_aside],
            "left_out": [] if whole else [row + 1 for row in self.motion.left_out],
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
    hold_time_s: float | None = None,
    datum_look: DatumLook | None = None,
    looks: Mapping[str, Looked] | None = None,
    repeats: Sequence[Sequence[float]] = (),
    block_u_mm: float = 0.0,
    setups: int | None = None,
) -> Examination:
    """Screen and fit `readings`, and say what they mean for the axis that is `described`.

    `resolution_mm` is the step of the caliper's display, `error_limit_mm` what it may be wrong
    by as it was placed. `grows` is 1 where the reading grows in plus direction of the axis,
    else -1; None takes it from the readings. `wanted_U` is the relative uncertainty that is
    wanted. `hold_time_s` is how long the controller surely holds its motors, and `datum_look` what
    the closed jaws showed after a jump, None before that look. `looks` is what a person found on
    looking at parts, as for ``decide``; `repeats` are those of ``fit``; `block_u_mm` is the
    standard uncertainty of a spacer block's length. `setups` counts the placings of the caliper
    that agree, None where each visit is one. Raises ``BadReadings`` for readings that show no
    scale: fewer than two, all at one place, or none that differ.
    """
    data = columns(readings)
    direction: Literal[1, -1] = grows or _grows(data)
    turn_mm = None if described is None else output_turn_mm(described.train, described.stored)

    def fit_of(some: Columns, period_turns: float, jumps: Sequence[int]) -> tuple[Fit, Scale]:
        found = fit(
            some,
            grows=direction,
            resolution_mm=resolution_mm,
            turn_mm=turn_mm,
            period_turns=period_turns,
            jumps=jumps,
            repeats=repeats,
        )
        return found, measured_scale(found, error_limit_mm=error_limit_mm, block_u_mm=block_u_mm)

    suspects = None
    if len(data) >= len(visits_in(data.visit)) + _TO_CONTRADICT:
        suspects = _suspects(data, direction, resolution_mm, turn_mm, repeats)

    def watched(some: Columns, misread: Sequence[int] = ()) -> Motion:
        return watch(
            some,
            grows=direction,
            resolution_mm=resolution_mm,
            repeats=repeats,
            turn_mm=turn_mm,
            hold_time_s=hold_time_s,
            datum_look=datum_look,
            misread=misread,
        )

    kept = np.arange(len(data))
    motion = watched(data, [one.row - 1 for one in suspects or ()])
    if suspects and (motion.misread or motion.quiet):
        kept = _without(data, suspects)
        motion = watched(_only(data, kept)).numbered(kept)
    elif suspects:
        suspects = ()  # the machine did what looked like slips of the person
    rows = np.setdiff1d(kept, motion.left_out) if motion.left_out else kept
    while True:
        fitted = _only(data, rows)
        behind = [int(np.searchsorted(rows, one.before - 1)) for one in motion.jumps.found]
        try:
            found, scale = fit_of(fitted, motion.period_turns, behind)
            break
        except BadReadings:
            if len(rows) == len(data):
                raise
            # What is left shows no scale: then better one with doubtful readings, and said so.
            rows, kept = np.arange(len(data)), np.arange(len(data))
    level = fitted
    if behind:
        level = replace(data, reading_mm=without_jumps(data, motion.jumps.found)).only(rows)
    finding = None
    if described is not None:
        finding = decide(
            scale,
            described.train,
            described.stored,
            fit=found,
            axis_length_mm=described.length_mm,
            setups=agreeing_placings(level, lambda some: fit_of(some, motion.period_turns, ())[1])
            if setups is None
            else setups,
            looks=looks,
            wanted_U=wanted_U,
            suspects=suspects,
            motion=motion,
        )
    return Examination(
        readings=data,
        fitted=fitted,
        set_aside=() if len(kept) == len(data) else tuple(one.row for one in suspects or ()),
        suspects=suspects,
        motion=motion,
        fit=found,
        scale=scale,
        outlook=more_readings(found, scale, wanted_U),
        finding=finding,
        why_no_causes="" if finding else why_no_causes,
        resolution_mm=resolution_mm,
        error_limit_mm=error_limit_mm,
    )


def _suspects(
    readings: Columns,
    grows: Literal[1, -1],
    resolution_mm: float,
    turn_mm: float | None,
    repeats: Sequence[Sequence[float]],
) -> tuple[Suspect, ...]:
    """Return what looks misread, with jumps in the readings or without, whichever leaves less.

    Behind a jump every reading contradicts those before it; none of them is misread.
    """

    def screened(some: Columns) -> tuple[Suspect, ...]:
        return screen(
            some, grows=grows, resolution_mm=resolution_mm, repeats=repeats, turn_mm=turn_mm
        )

    fewest = as_read = screened(readings)
    # A misread reading can hide a jump: the jumps are looked for without each suspect as well.
    for aside in ((), *((one.row - 1,) for one in as_read[:_MOST_HIDING])) if as_read else ():
        rows = np.setdiff1d(np.arange(len(readings)), aside)
        found = find_jumps(
            _only(readings, rows), grows=grows, resolution_mm=resolution_mm, turn_mm=turn_mm
        ).found
        if found:
            jumps = [replace(one, before=int(rows[one.before - 1]) + 1) for one in found]
            level_mm = without_jumps(readings, jumps)
            level = screened(replace(readings, reading_mm=level_mm))
            fewest = min(fewest, level, key=len)
    return tuple(
        replace(
            one,
            reading_mm=float(readings.reading_mm[one.row - 1]),
            expected_mm=one.expected_mm + float(readings.reading_mm[one.row - 1]) - one.reading_mm,
        )
        for one in fewest
    )


def _without(readings: Columns, suspects: Sequence[Suspect]) -> Integers:
    """Return the rows that are no `suspects`, or all of them where those are not exceptions."""
    rows = np.arange(len(readings))
    if not suspects or len(suspects) > _MOST_SET_ASIDE * len(readings):
        return rows
    return np.setdiff1d(rows, [one.row - 1 for one in suspects])


def _only(readings: Columns, rows: Integers) -> Columns:
    """Return the readings at `rows`, rising; all of them as they are."""
    return readings if len(rows) == len(readings) else readings.only(rows)


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
        placing = data.only(data.visit == visit)
        if len(placing) >= _WHOLE_PLACING:
            with suppress(BadReadings):
                scales.append(scale_of(placing))
    return len(scales) if scales and all(agree(scales[0], one) for one in scales[1:]) else 1
