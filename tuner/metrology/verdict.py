"""Decide: keep the stored number, change it, measure again, repair first, or say "cannot tell".

The verdict is about the number that the controller stores, in the form in which it stores it.
The rules: no value is snapped to a part that does not hold 95 % of the probability with
every rival at 4 % or below; no part counts as known before a person has looked at it; a
caliper alone changes a number only above three standard uncertainties, from two independent
set-ups, and where it matters.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

from tuner.drive.parts import DriveTrain
from tuner.drive.scale import Form, Stored, all_forms, plain_number, scaled, steps_per_mm
from tuner.metrology.budget import Scale
from tuner.metrology.causes import Cause, CauseClass, Changes, Looked, Weighed, weigh
from tuner.metrology.fit import Fit

Verdict = Literal["keep", "change", "repair-first", "measure-again", "cannot-tell"]
Basis = Literal["parts", "measured"]

_CONFIDENT = 0.95
_RIVAL = 0.04
_KEEP_U = 2.5
_MEASURED_U = 3.0
_SET_UPS = 2
# Enough to tell neighbouring parts apart; a coarser measurement cannot call a machine right.
_PRECISE_ENOUGH = 0.003
_WANTED = 0.0005
_MATTERS_MM = 0.1
# What is shown of the causes: as many as a person reads, none that is next to impossible.
_MOST_CAUSES = 6
_WORTH_SHOWING = 0.001

_Forms = dict[Form, Fraction | None]


@dataclass(frozen=True)
class Proposed:
    """The new numbers, exact where parts give them; None where a tie leaves a form open.

    `changes` are keys of the axis on the card with their new values, empty while a tie leaves
    open which part it is.
    """

    basis: Basis
    changes: Changes
    forms: _Forms

    def as_json(self) -> dict[str, Any]:
        """Return the proposal as plain data."""
        return {
            "basis": self.basis,
            "changes": {key: _number(value) for key, value in self.changes.items()},
            **{
                str(form): None if value is None else float(value)
                for form, value in self.forms.items()
            },
        }


@dataclass(frozen=True)
class Finding:
    """What was found about one axis, and what to do next.

    `value_known` says that more readings would not change the verdict, so a first stage may
    stop. `part_known` is true when one cause is left and every part of it was looked at.
    `tie` names the causes that give exactly the same scale, when there are several.
    """

    verdict: Verdict
    next: str
    scale: Scale
    fit: Fit
    train: DriveTrain
    stored: Stored
    weighed: Weighed | None
    tie: tuple[Cause, ...] = ()
    proposal: Proposed | None = None
    value_known: bool = False
    part_known: bool = False

    def as_json(self, *, file: str | None, axis: str) -> dict[str, Any]:
        """Return one object as ``tuner examine --json`` prints it: no NaN, no infinity."""
        scale, fit = self.scale, self.fit
        stored_mm = _stored_travel_mm(self.stored, self.train)
        play = {"value": fit.play_mm, "u": fit.u_play_mm} if fit.play_mm is not None else None
        later = "readings are fitted together, not screened one by one"
        return {
            "schema": 1,
            "file": file,
            "axis": axis,
            "n": fit.n,
            "scale": {
                "value": scale.value, "u": scale.u, "U": scale.U, "k": scale.k, "dof": scale.dof,
            },
            "travel_per_rev_mm": {
                "expected": float(self.train.travel_per_rev_mm),
                "stored": float(stored_mm),
                "measured": scale.value * float(stored_mm),
                "U": scale.U * float(stored_mm),
            },
            "play_mm": play,
            "periodic": None,
            "drift_mm_per_min": None,
            "not_tested": {**fit.not_tested, "suspect_readings": later, "jumps": later},
            "suspect_readings": None,
            "jumps": None,
            "causes": self._causes_as_json(),
            "tie": [one.name for one in self.tie],
            "next": self.next,
            "verdict": self.verdict,
            "proposal": self.proposal.as_json() if self.proposal else None,
        }

    def _causes_as_json(self) -> list[dict[str, Any]]:
        if self.weighed is None:
            return []
        causes = [
            {"name": one.name, "p": one.p, "says": one.says, "check": one.check}
            | ({"also": list(one.also)} if one.also else {})
            for one in self.weighed.causes
        ]
        causes.append(
            {
                "name": "not-listed",
                "p": self.weighed.p_not_listed,
                "says": "none of the usual parts and settings explains this scale",
                "check": "place the caliper anew and measure again",
            }
        )
        causes.sort(key=lambda one: -one["p"])
        return [one for one in causes[:_MOST_CAUSES] if one["p"] >= _WORTH_SHOWING]


def _number(value: Fraction | int) -> int | float:
    return value if isinstance(value, int) else float(value)


def _stored_travel_mm(stored: Stored, train: DriveTrain) -> Fraction:
    return all_forms(steps_per_mm(stored, train), train)[Form.TRAVEL_PER_REV_MM]


def agree(one: Scale, other: Scale) -> bool:
    """Return whether two independent set-ups found the same scale, within 2.5 of their u."""
    return abs(one.value - other.value) <= _KEEP_U * math.hypot(one.u, other.u)


def scale_bounds(
    reading_start_mm: float,
    reading_end_mm: float,
    commanded_mm: float,
    *,
    error_limit_mm: float = 0.03,
    play_mm: float = 1.5,
    misreading_mm: float = 0.2,
) -> tuple[float, float]:
    """Return generous bounds (low, high) of the scale from two readings of one move.

    `commanded_mm` is the signed length of the move. For the safety ladder: the true scale is
    inside even when both readings are off by the caliper's limit, one was read off by
    `misreading_mm`, and up to `play_mm` was lost before the axis followed. Raises
    ``ValueError`` for a move of no length.
    """
    if not abs(commanded_mm) > 0.0:
        raise ValueError("a move of 0 mm shows no scale; expected a move of some length")
    moved = abs(reading_end_mm - reading_start_mm)
    slack = 2.0 * error_limit_mm + misreading_mm
    low = max(0.0, moved - slack) / abs(commanded_mm)
    return low, (moved + slack + play_mm) / abs(commanded_mm)


# --- what a cause asks for ---------------------------------------------------------------


def _wanted_forms(cause: Cause, train: DriveTrain) -> dict[Form, Fraction]:
    """The right number in every form, if `cause` is true."""
    return all_forms(cause.train.steps_per_mm, cause.train)


def _remedy(cause: Cause, stored: Stored, train: DriveTrain) -> tuple[object, ...]:
    """What a person would set on the controller; equal for causes that ask for the same.

    Steps per mm and mm per step hold everything in one number. A stored travel is only right
    together with the step counts, which such a controller holds apart.
    """
    if cause.remedy in ("units", "number"):
        return (cause.remedy, cause.looks if cause.remedy == "units" else ())
    number = _wanted_forms(cause, train)[stored.form]
    if stored.form in (Form.STEPS_PER_MM, Form.MM_PER_STEP):
        return ("parts", number)
    motor = cause.train.motor
    return ("parts", number, motor.full_steps_per_rev, motor.microsteps)


def _shared_forms(causes: Sequence[Cause], train: DriveTrain) -> _Forms:
    every = [_wanted_forms(one, train) for one in causes]
    return {
        form: every[0][form] if len({forms[form] for forms in every}) == 1 else None
        for form in Form
    }


def _splitting_look(causes: Sequence[Cause], stored: Stored, train: DriveTrain) -> str:
    """The cheapest look that splits `causes`, and what each outcome means."""
    numbers = [one for one in causes if one.remedy == "number"]
    if numbers and len(causes) > 1:
        return f"{numbers[0].check}; if it is what the card says, then {_other_look(causes)}"
    sides = {one.side for one in causes}
    if {"motor", "output"} <= sides:
        turn_mm = train.motor.microsteps_per_rev / steps_per_mm(stored, train)
        return (
            "put a mark on the motor shaft and have the axis move "
            f"{plain_number(turn_mm)} mm, hands out: if the shaft makes exactly one turn, the "
            "motor and its driver are as the card says; if not, they are not. Then "
            + _other_look(causes)
        )
    return _other_look(causes)


def _other_look(causes: Sequence[Cause]) -> str:
    checks = dict.fromkeys(one.check for one in causes if one.remedy != "number")
    return "; or ".join(checks)


# --- the decision ------------------------------------------------------------------------


def decide(
    scale: Scale,
    train: DriveTrain,
    stored: Stored,
    *,
    fit: Fit,
    axis_length_mm: float,
    setups: int = 1,
    looks: Mapping[str, Looked] | None = None,
    matters_mm: float = _MATTERS_MM,
    wanted_U: float = _WANTED,  # noqa: N803 - U and u differ, in metrology as here
) -> Finding:
    """Return what `scale`, measured by `fit`, means for the number that is stored.

    `setups` counts independent placings of the caliper that went into the fit and agree.
    `looks` is what a person found on looking, as for ``weigh``. `matters_mm` is the smallest
    error over `axis_length_mm` that is worth a measured change; `wanted_U` the relative
    uncertainty at which a measured value is good enough.
    """

    def finding(verdict: Verdict, next_step: str, **more: Any) -> Finding:
        return Finding(verdict, next_step, scale, fit, train, stored, **more)

    if scale.value - scale.U <= 0.0:
        if scale.value + scale.U < 0.0:
            return finding(
                "cannot-tell",
                "the readings shrink where the card says they grow: look which way the caliper "
                "faces, correct reading_grows on the card, and measure again",
                weighed=None,
            )
        return finding(
            "measure-again",
            f"the axis went {scale.value:.3f} of the way it was told, +-{scale.U:.3f}: look "
            "whether it moves at all and whether the caliper follows it, then measure again",
            weighed=None,
        )

    weighed = weigh(scale, train, stored, looks)
    if fit.own_dof < 1:
        return finding(
            "cannot-tell",
            f"{fit.n} readings leave nothing to notice a misreading with: take four more "
            "readings, at both ends and from both sides",
            weighed=weighed,
        )
    if not fit.adequate:
        return finding(
            "measure-again",
            f"the readings scatter by {fit.s_mm:.2f} mm, more than hand and caliper explain: "
            "look at the residuals, seat the caliper the same way every time, and measure again",
            weighed=weighed,
        )

    off_u = abs(math.log(scale.value)) / weighed.u_relative
    if off_u <= _KEEP_U:
        if scale.U_relative > _PRECISE_ENOUGH:
            return finding(
                "measure-again",
                f"no error is seen, but one of up to {100 * scale.U_relative:.2f} % would not "
                "be: measure over a longer way, or take more readings",
                weighed=weighed,
            )
        return finding("keep", _why_keep(fit, weighed), weighed=weighed, value_known=True)

    classes = weighed.classes
    rivals = [one for one in classes if one.p > _RIVAL]
    if (
        classes
        and classes[0].p >= _CONFIDENT
        and len(rivals) == 1
        and weighed.p_not_listed <= _RIVAL
        and classes[0].predicted != 1
    ):
        return _from_parts(classes[0], finding, weighed, train, stored, looks or {})
    named = [cause for one in rivals if one.predicted != 1 for cause in one.causes[:1]]
    if named:
        return finding(
            "cannot-tell",
            f"the scale is {scale.value:.4f} +-{scale.U:.4f}; to see what it is: "
            + _splitting_look(named, stored, train),
            weighed=weighed,
            tie=tuple(named) if len(named) > 1 else (),
        )

    effect_mm = abs(1.0 - scale.value) * axis_length_mm
    if off_u > _MEASURED_U and effect_mm < matters_mm:
        return finding(
            "keep",
            f"the error is {effect_mm:.2f} mm over {axis_length_mm:.0f} mm, less than the "
            f"{matters_mm:g} mm that matter here",
            weighed=weighed,
            value_known=True,
        )
    if off_u > _MEASURED_U and setups >= _SET_UPS:
        factor = Fraction(scale.value)
        new = scaled(stored, factor)
        return finding(
            "change",
            "no usual part explains this scale; the new number is what the caliper measured",
            weighed=weighed,
            proposal=Proposed(
                basis="measured",
                changes={f"stored.{stored.form}": new.value},
                forms=dict(all_forms(steps_per_mm(new, train), train)),
            ),
            value_known=scale.U_relative <= wanted_U or _caliper_dominates(scale),
        )
    return finding(
        "measure-again",
        f"the scale is {scale.value:.5f} +-{scale.U:.5f} and no usual part explains it: take "
        "the caliper off, place it anew, and measure a second time",
        weighed=weighed,
    )


def _why_keep(fit: Fit, weighed: Weighed) -> str:
    words = "the axis travels what it is told; leave the stored number as it is"
    if weighed.causes and weighed.causes[0].name == "compensating":
        words += "; the parts on the card do not fit it: look them over and correct the card"
    if fit.play_mm is not None and fit.u_play_mm is not None:
        sure_mm = fit.play_mm - 3.0 * fit.u_play_mm
        if sure_mm > _MATTERS_MM / 2:
            words += f"; on reversal it loses {fit.play_mm:.2f} mm, which no number cures"
    return words


def _caliper_dominates(scale: Scale) -> bool:
    """More readings no longer help: what they cannot average away is three quarters of u^2."""
    readings = sum(one.u_relative**2 for one in scale.contributions if one.name == "readings")
    return readings <= 0.25 * scale.u_relative**2


def _from_parts(
    best: CauseClass,
    finding: Any,
    weighed: Weighed,
    train: DriveTrain,
    stored: Stored,
    looks: Mapping[str, Looked],
) -> Finding:
    """The value is one exact class: name it, and what is open about the part."""
    members = [one for one in best.causes if one.p > _RIVAL * best.p]
    tie = tuple(members) if len(members) > 1 else ()
    look = _splitting_look(members, stored, train)
    if len({_remedy(one, stored, train) for one in members}) > 1:
        return finding(
            "cannot-tell", look, weighed=weighed, tie=tie, value_known=True
        )
    one = members[0]
    if one.remedy == "units":
        return finding("repair-first", one.check, weighed=weighed, tie=tie, value_known=True)
    return finding(
        "change",
        look,
        weighed=weighed,
        tie=tie,
        proposal=Proposed(
            basis="parts",
            changes={} if tie else one.changes,
            forms=_shared_forms(members, train),
        ),
        value_known=True,
    )
