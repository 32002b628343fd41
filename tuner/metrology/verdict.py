"""Decide: keep the stored number, change it, measure again, repair first, or say "cannot tell".

The verdict is about the number that the controller stores, in the form in which it stores it.
The rules: no value is snapped to a part that does not hold 95 % of the probability with
every rival at 4 % or below; no part counts as known before a person has looked at it; a
caliper alone changes a number only above three standard uncertainties, from two independent
set-ups, and where it matters, and never before the stored number was read again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from typing import Any, Literal

from tuner.drive.numbers import Rounding, decimals_kept, plain_number, roundings
from tuner.drive.parts import DriveTrain
from tuner.drive.scale import Form, Stored, all_forms, form_words, scaled, steps_per_mm
from tuner.metrology.budget import Scale
from tuner.metrology.causes import (
    MOTOR_TURN,
    Cause,
    Changes,
    Looked,
    Weighed,
    odds_in_words,
    weigh,
)
from tuner.metrology.faults import Told, told_by
from tuner.metrology.fit import Fit
from tuner.metrology.looks import Look, cheapest_look, next_look
from tuner.metrology.motion import Motion
from tuner.metrology.screen import Suspect

Verdict = Literal["keep", "change", "repair-first", "measure-again", "cannot-tell"]
Basis = Literal["parts", "measured"]

_CONFIDENT = 0.95
_RIVAL = 0.04
_KEEP_U = 2.5
_MEASURED_U = 3.0
_SET_UPS = 2
# Enough to tell neighbouring parts apart; a coarser measurement cannot call a machine right.
_PRECISE_ENOUGH = 0.003
WANTED_U = 0.0005  # relative: 0.05 %
_MATTERS_MM = 0.1
_MOST_NAMED = 3  # suspect readings in one sentence
# What is shown of the causes: as many as a person reads, none that is next to impossible.
_MOST_CAUSES = 6
_WORTH_SHOWING = 0.001
_NUMBER = "stored-number"

_Forms = dict[Form, Fraction | None]


@dataclass(frozen=True)
class Proposed:
    """The new numbers, exact where parts give them; None where a tie leaves a form open.

    `changes` are keys of the axis on the card with their new values, empty while a tie leaves
    open which part it is. `found` is what the controller must hold today for the axis to
    travel as it does; it differs from the card where the stored number was misread. `rounded`
    says what the decimals of the stored number cost over the axis, empty where it is open.
    """

    basis: Basis
    changes: Changes
    forms: _Forms
    found: Mapping[Form, Fraction]
    rounded: tuple[Rounding, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the proposal as plain data."""
        return {
            "basis": self.basis,
            "changes": {key: _number(value) for key, value in self.changes.items()},
            **{
                str(form): None if value is None else float(value)
                for form, value in self.forms.items()
            },
            "found": {str(form): float(value) for form, value in self.found.items()},
            "rounded": [
                {"decimals": one.decimals, "value": float(one.value), "off_mm": one.off_mm}
                for one in self.rounded
            ],
        }


@dataclass(frozen=True)
class Finding:
    """What was found about one axis, and what to do next.

    `value_known` says that more readings would not change the verdict, so a first stage may
    stop. `part_known` is true when one cause is left and every part of it was looked at.
    `tie` names the causes that give exactly the same scale, when there are several. `look` is
    the cheapest look that splits or confirms what is left, None when no look helps.
    `place_anew` is true when only a second placing of the caliper leads on. `suspects` are the
    readings that look misread, None when nobody looked for them. `told` is what the sequence of the
    readings means, None where nobody looked.
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
    place_anew: bool = False
    suspects: tuple[Suspect, ...] | None = None
    look: Look | None = None
    told: Told | None = None

    def as_json(self, *, file: str | None, axis: str | None) -> dict[str, Any]:
        """Return one object as ``tuner examine --json`` prints it: no NaN, no infinity."""
        stored_mm = _stored_travel_mm(self.stored, self.train)
        return {
            "schema": 1,
            "file": file,
            "axis": axis,
            **fit_as_json(self.fit, self.scale, self.suspects, self.told),
            "travel_per_rev_mm": {
                "expected": float(self.train.travel_per_rev_mm),
                "stored": float(stored_mm),
                "measured": self.scale.value * float(stored_mm),
                "U": self.scale.U * float(stored_mm),
            },
            "causes": self._causes_as_json(),
            "tie": [" + ".join((one.name, *one.also)) for one in self.tie]
            or [*(self.told.tie if self.told else ())],
            "next": self.next,
            "look": asdict(self.look) if self.look else None,
            "verdict": self.verdict,
            "value_known": self.value_known,
            "place_anew": self.place_anew,
            "proposal": self.proposal.as_json() if self.proposal else None,
        }

    def _causes_as_json(self) -> list[dict[str, Any]]:
        if self.weighed is None:
            return []
        causes: list[dict[str, Any]] = [
            {
                "name": one.name,
                "p": one.p,
                "odds": odds_in_words(one.p),
                "says": one.says,
                "check": one.check,
                "looks": list(one.looks),
                "asks": list(one.asks),
                "about": "number",
            }
            | ({"also": list(one.also)} if one.also else {})
            for one in self.weighed.causes
        ]
        causes.append(
            {
                "name": "not-listed",
                "p": self.weighed.p_not_listed,
                "odds": odds_in_words(self.weighed.p_not_listed),
                "says": "none of the usual parts and settings explains this scale"
                + self._excluded(),
                "check": "place the caliper anew and measure again",
                "looks": [],
                "about": "number",
            }
        )
        causes.sort(key=lambda one: -one["p"])
        shown = [one for one in causes[:_MOST_CAUSES] if one["p"] >= _WORTH_SHOWING]
        # Two parts that cancel each other out do no harm; but they are never excluded.
        cancelling = [one for one in causes if one["name"] == "compensating"]
        if self.verdict == "keep" and cancelling and cancelling[0] not in shown:
            shown.append(cancelling[0])
        return shown + [one.as_json() for one in (self.told.faults if self.told else ())]

    def _excluded(self) -> str:
        """The nearest alternatives and how far off they are, for a scale that none fits."""
        assert self.weighed is not None
        off = [
            f"{one.says}: {float(predicted):.4f}, "
            f"{abs(math.log(self.scale.value / predicted)) / self.weighed.u_relative:.1f} u away"
            for one, predicted in self.weighed.nearest
            if predicted != 1
        ]
        return f" (nearest: {'; '.join(off)})" if off else ""


def fit_as_json(
    fit: Fit, scale: Scale, suspects: Sequence[Suspect] | None, told: Told | None = None
) -> dict[str, Any]:
    """Return what the readings alone say, under the keys of ``tuner examine --json``."""
    not_tested = {**fit.not_tested}
    if told is None:
        not_tested["jumps"] = "no jump between two readings was looked for"
    else:
        not_tested |= told.not_tested
    if suspects is None:
        not_tested["suspect_readings"] = "the readings were not held against each other"
    play, drift, periodic = fit.play_mm, fit.drift_mm_per_min, fit.periodic
    return {
        "n": fit.n,
        "scale": {
            "value": scale.value,
            "u": scale.u,
            "U": scale.U,
            "k": scale.k,
            "dof": scale.dof,
        },
        "play_mm": None if play is None else {"value": play, "u": fit.u_play_mm},
        "periodic": None
        if periodic is None
        else {
            "amplitude_mm": periodic.amplitude_mm,
            "u": periodic.u_mm,
            "period_turns": periodic.period_turns,
        },
        "drift_mm_per_min": None
        if drift is None
        else {"value": drift, "u": fit.u_drift_mm_per_min},
        "not_tested": not_tested,
        "suspect_readings": None if suspects is None else [one.row for one in suspects],
        "jumps": None if told is None else told.jumps_as_json(),
        "smallest_jump_mm": None if told is None else told.smallest_jump_as_json(),
    }


def _number(value: Fraction | int | None) -> int | float | None:
    return float(value) if isinstance(value, Fraction) else value


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


def _wanted(cause: Cause) -> dict[Form, Fraction]:
    """The right number in every form, if `cause` is true."""
    return all_forms(cause.train.steps_per_mm, cause.train)


def _remedy(cause: Cause, form: Form) -> tuple[object, ...]:
    """What a person would set on the controller; equal for causes that ask for the same.

    Steps per mm and mm per step hold everything in one number. A stored travel is only right
    together with the step counts, which such a controller holds apart.
    """
    if cause.name == "inch-units":
        return cause.looks
    number = _wanted(cause)[form]
    if form in (Form.STEPS_PER_MM, Form.MM_PER_STEP):
        return (number,)
    motor = cause.train.motor
    return (number, motor.full_steps_per_rev, motor.microsteps)


def _shared_forms(causes: Sequence[Cause]) -> _Forms:
    every = [_wanted(one) for one in causes]
    return {
        form: every[0][form] if len({forms[form] for forms in every}) == 1 else None
        for form in Form
    }


# --- the decision ------------------------------------------------------------------------


@dataclass(frozen=True)
class _Ruling:
    verdict: Verdict
    next: str
    tie: tuple[Cause, ...] = ()
    proposal: Proposed | None = None
    value_known: bool = False
    part_known: bool = False
    place_anew: bool = False
    look: Look | None = None


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
    wanted_U: float = WANTED_U,
    suspects: Sequence[Suspect] | None = None,
    motion: Motion | None = None,
) -> Finding:
    """Return what `scale`, measured by `fit`, means for the number that is stored.

    `setups` counts independent placings of the caliper that went into the fit and agree.
    `looks` is what a person found on looking, as for ``weigh``. `matters_mm` is the smallest
    error over `axis_length_mm` that is worth a measured change; `wanted_U` the relative
    uncertainty at which a measured value is good enough. `suspects` are the readings that look
    misread, from ``screen``: they are asked for again before anything is decided. `motion` is what
    the sequence of the readings says, from ``watch``: jumps are cleared up before the number is.
    """
    weighed, told = None, None
    ruling = _no_ratio(scale)
    if ruling is None:
        weighed = _weighed(scale, train, stored, looks or {})
        if motion is not None:
            told = told_by(motion, fit, scale.value, _machines_left(weighed, train))
        ruling = (
            _misread(suspects or ())
            or _jumped(told)
            or _not_enough(fit)
            or _right_as_it_is(scale, fit, weighed)
            or _from_parts(weighed, train, stored, looks or {}, axis_length_mm)
            or _between_parts(scale, weighed, train, stored, looks or {})
            or _measured(
                scale,
                train,
                stored,
                weighed,
                axis_length_mm,
                setups,
                matters_mm,
                wanted_U,
                (looks or {}).get(_NUMBER),
            )
        )
    keeps = ruling.verdict == "keep"
    return Finding(
        verdict=ruling.verdict,
        next=told.looked_at_before(ruling.next) if keeps and told else ruling.next,
        scale=scale,
        fit=fit,
        train=train,
        stored=stored,
        weighed=weighed,
        tie=ruling.tie,
        proposal=ruling.proposal,
        value_known=ruling.value_known,
        part_known=ruling.part_known,
        place_anew=ruling.place_anew,
        suspects=None if suspects is None else tuple(suspects),
        look=ruling.look,
        told=told,
    )


def _weighed(
    scale: Scale, train: DriveTrain, stored: Stored, looks: Mapping[str, Looked]
) -> Weighed:
    """Weigh the causes; a stored number read again splits them only where one was suspected."""
    parts = weigh(scale, train, stored, {key: one for key, one in looks.items() if key != _NUMBER})
    suspected = any(
        _NUMBER in (one.name, *one.also) and one.p >= _WORTH_SHOWING for one in parts.causes
    )
    return weigh(scale, train, stored, looks) if _NUMBER in looks and suspected else parts


def _no_ratio(scale: Scale) -> _Ruling | None:
    """A scale that is not clearly above zero has no ratio to compare with parts."""
    if scale.value - scale.U > 0.0:
        return None
    if scale.value + scale.U < 0.0:
        return _Ruling(
            "cannot-tell",
            "the readings shrink where the card says they grow: look which way the caliper "
            "faces, correct reading_grows on the card, and measure again",
        )
    return _Ruling(
        "measure-again",
        f"the axis went only {100 * max(scale.value, 0.0):.2g} % of the way it was told: look "
        "whether it moves at all and whether the caliper follows it, then measure again",
    )


def _misread(suspects: Sequence[Suspect]) -> _Ruling | None:
    """A reading that the others contradict is taken again; until then nothing is decided."""
    if not suspects:
        return None
    named = "; ".join(
        f"{one.row} shows {one.reading_mm:g} mm at {one.commanded_mm:g} mm where the others put "
        f"{one.expected_mm:.2f}" + (f" ({one.looks_like})" if one.looks_like else "")
        for one in suspects[:_MOST_NAMED]
    )
    more = len(suspects) - _MOST_NAMED
    return _Ruling(
        "measure-again",
        f"take again what looks misread: reading {named}" + (f"; and {more} more" * (more > 0)),
    )


def _machines_left(weighed: Weighed, train: DriveTrain) -> list[DriveTrain]:
    """What the machine may be made of after the scale; the card where nothing stands out."""
    return [one.train for one in weighed.causes if one.p > _RIVAL] or [train]


def _jumped(told: Told | None) -> _Ruling | None:
    """Motion that was lost, or never made, is cleared up before the number is judged."""
    if told is None or told.verdict is None:
        return None
    return _Ruling(told.verdict, told.next)


def _not_enough(fit: Fit) -> _Ruling | None:
    """Readings that cannot contradict each other, or that do, decide nothing."""
    if fit.own_dof < 1:
        return _Ruling(
            "cannot-tell",
            f"{fit.n} readings leave nothing to notice a misreading with: take four more "
            "readings, at both ends and from both sides",
        )
    if not fit.adequate:
        return _Ruling(
            "measure-again",
            f"the readings scatter by {fit.s_mm:.2f} mm, more than hand and caliper explain: "
            "look at the residuals, seat the caliper the same way every time, measure again",
        )
    return None


def _off_in_u(scale: Scale, weighed: Weighed) -> float:
    return abs(math.log(scale.value)) / weighed.u_relative


def _right_as_it_is(scale: Scale, fit: Fit, weighed: Weighed) -> _Ruling | None:
    if _off_in_u(scale, weighed) > _KEEP_U:
        return None
    if scale.U_relative > _PRECISE_ENOUGH:
        return _Ruling(
            "measure-again",
            f"no error is seen, but one of {100 * scale.U_relative:.2g} % could hide: measure "
            "over a longer way, or take more readings",
        )
    words = "the axis travels what it is told: leave the stored number as it is"
    if weighed.causes and weighed.causes[0].name == "compensating":
        words += "; the parts on the card do not fit that number: look them over, correct the card"
    if fit.play_mm is not None and fit.u_play_mm is not None:
        surely_lost_mm = fit.play_mm - 3.0 * fit.u_play_mm
        if surely_lost_mm > _MATTERS_MM / 2.0:
            words += f"; it loses {fit.play_mm:.2f} mm on reversal, which no number cures"
    return _Ruling("keep", words, value_known=True)


def _from_parts(
    weighed: Weighed,
    train: DriveTrain,
    stored: Stored,
    looks: Mapping[str, Looked],
    axis_length_mm: float,
) -> _Ruling | None:
    """The value, where one class of parts is certain enough; and what is open about the part."""
    rivals = [one for one in weighed.classes if one.p > _RIVAL]
    if len(rivals) != 1 or rivals[0].p < _CONFIDENT or weighed.p_not_listed > _RIVAL:
        return None
    best = rivals[0]
    if best.predicted == 1:
        return None
    members = [one for one in best.causes if one.p > _RIVAL * best.p]
    tie = tuple(members) if len(members) > 1 else ()
    words = next_look(members, train, stored)
    look = cheapest_look(members, train, stored, looks)
    if len({_remedy(one, stored.form) for one in members}) > 1:
        return _Ruling("cannot-tell", words, tie=tie, value_known=True, look=look)
    first = members[0]
    denied = {key for key, seen in looks.items() if seen == "denied"} - {MOTOR_TURN}
    if first.also and denied and not set(first.looks) & set(looks):
        # The likely parts were looked at and are right: two unlikely ones need a look first.
        return _Ruling("cannot-tell", words, value_known=True, look=look)
    if first.name == "inch-units":
        verdict: Verdict = "measure-again" if first.motor_turns == 1 else "repair-first"
        return _Ruling(verdict, words, value_known=True, look=look)
    confirmed = {key for key, seen in looks.items() if seen == "confirmed"}
    part_known = not tie and all({one, one.split("=")[0]} & confirmed for one in first.looks)
    forms = _shared_forms(members)
    number = forms[stored.form]
    proposal = Proposed(
        "parts",
        {} if tie else first.changes,
        forms,
        # predicted = steps sent x true mm per step
        all_forms(first.predicted * first.train.steps_per_mm, train),
        () if number is None else roundings(number, axis_length_mm),
    )
    return _Ruling(
        "change",
        _by_hand(proposal, stored.form) if part_known else words,
        tie=tie,
        proposal=proposal,
        value_known=True,
        part_known=part_known,
        look=None if part_known else look,
    )


def _by_hand(proposal: Proposed, form: Form) -> str:
    what = "set the number by hand"
    if proposal.forms[form] == proposal.found[form]:
        what = "leave the number, and set by hand the step counts that the controller holds"
    return f"{what}, then measure once more to check it"


def _between_parts(
    scale: Scale,
    weighed: Weighed,
    train: DriveTrain,
    stored: Stored,
    looks: Mapping[str, Looked],
) -> _Ruling | None:
    """Parts that may explain the scale, none of them certain enough."""
    candidates = [
        cause
        for one in weighed.classes
        if one.p > _RIVAL and one.predicted != 1
        for cause in one.causes
        if cause.p > _RIVAL * one.p
    ]
    if not candidates:
        return None
    return _Ruling(
        "cannot-tell",
        f"the scale is {scale.value:.4f} ± {scale.U:.4f}; to see where it comes from: "
        + next_look(candidates, train, stored),
        look=cheapest_look(candidates, train, stored, looks),
    )


def _measured(
    scale: Scale,
    train: DriveTrain,
    stored: Stored,
    weighed: Weighed,
    axis_length_mm: float,
    setups: int,
    matters_mm: float,
    wanted_U: float,
    number_again: Looked | None,
) -> _Ruling:
    """No part explains the scale: only a caliper, placed twice, can give a number.

    `number_again` is what reading the stored number again said: confirmed where it is another one.
    """
    effect_mm = axis_length_mm * abs(1.0 - scale.value)
    clear = _off_in_u(scale, weighed) > _MEASURED_U
    if clear and effect_mm < matters_mm:
        return _Ruling(
            "keep",
            f"the error is {effect_mm:.2f} {train.unit} over the whole axis, less than the "
            f"{matters_mm:g} {train.unit} that matter here: leave the stored number as it is",
            value_known=True,
        )
    if not clear or setups < _SET_UPS:
        return _Ruling(
            "measure-again",
            f"the scale is {scale.value:.5f} ± {scale.U:.5f} and no usual part explains it: take "
            "the caliper off, place it anew, and measure a second time",
            place_anew=True,
        )
    held = f"{plain_number(stored.value)} {form_words(stored.form, train.unit)}"
    another = (
        "write that one into the card and examine these readings with that card (tuner examine): "
        "a new number is reckoned from the one that is stored"
    )
    if number_again == "confirmed":
        return _Ruling(
            "measure-again",
            f"the controller holds another number than the {held} of the card: {another}",
        )
    exact = scaled(stored, Fraction(scale.value))
    number = round(exact.value, decimals_kept(scale.u_relative * float(exact.value)))
    new = replace(exact, value=number)
    set_it = "set the number by hand, then measure once more to check it"
    look = Look(
        key=_NUMBER,
        asks="read the stored number again from the controller, to its last digit: was it ever "
        f"changed? Is it another one than the {held} of the card?",
        yes=f"then {another}",
        no=f"then {set_it}",
    )
    return _Ruling(
        "change",
        set_it if number_again else f"first {look.asks} yes: {look.yes}; no: {look.no}",
        look=None if number_again else look,
        proposal=Proposed(
            "measured",
            {f"stored.{stored.form}": new.value},
            dict(all_forms(steps_per_mm(new, train), train)),
            all_forms(steps_per_mm(stored, train), train),
            roundings(number, axis_length_mm),
        ),
        value_known=scale.U_relative <= wanted_U or caliper_dominates(scale),
    )


def caliper_dominates(scale: Scale) -> bool:
    """More readings no longer help: what they cannot average away is three quarters of u²."""
    readings = math.fsum(o.u_relative**2 for o in scale.contributions if o.name == "readings")
    return readings <= 0.25 * scale.u_relative**2
