"""What an axis lost on a way out and back, read again and again from one datum at one place.

A way out that is fast and a way back that is slow lose in one direction only, so losses cannot
cancel; one place read from one side knows neither play nor scale. What is left between two
readings is the hand, or a loss.

The rule: a loss counts when its t, with a scatter from repeats, is beyond what the likeliest of all
cycles shows by chance in one healthy hunt out of a thousand (Bonferroni). What these readings
would not have shown is always told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from tuner.drive.parts import Belt, DriveTrain
from tuner.metrology.faults import check_of
from tuner.metrology.lattice import CONFIDENT, DatumLook, Meaning, Offset, Sense, sense_of
from tuner.metrology.student import student_t_factor
from tuner.metrology.terms import Hand, usual_hand

__all__ = ["Judged", "Lines", "Ways", "judge_loss", "loss_between", "peak_mm_per_s", "ways_of"]

_FALSE_ALARMS = 0.001
_FOUND = 0.95
# One loss is believed only where everything before it and after it looks even.
_UNEVEN = 0.01
# Where speed says nothing, a lattice any finer fits every loss to within its own half step.
_TOO_FINE_U = 10.0

Ways = Literal["still", "one-loss", "scatter"]
"""What several readings of one place are: the same, two groups with one step, or neither."""

Lines = Literal["whole", "belt-off", "pulley-off"]
"""What became of pencil lines across belt and pulley, and across pulley and shaft."""


def peak_mm_per_s(
    distance_mm: float, feed_mm_per_min: float, acceleration_mm_per_s2: float
) -> float:
    """Return the highest speed of a move from rest to rest, in mm per s.

    A way shorter than ``v^2 / a`` is over before the feed is reached: ``sqrt(a x distance)``, from
    ``v^2 = 2 a s`` for each half of it (constant acceleration).
    """
    return min(feed_mm_per_min / 60.0, math.sqrt(acceleration_mm_per_s2 * distance_mm))


def loss_between(
    before_mm: Sequence[float],
    after_mm: Sequence[float],
    *,
    repeats: Sequence[Sequence[float]],
    resolution_mm: float,
    chances: int,
) -> tuple[Offset, float, bool]:
    """Return the step between two groups of readings of one place, and whether it is a loss.

    `repeats` are groups of readings between which nothing can have been lost; `chances` is in
    how many cycles a loss is looked for. The middle one of the result is the smallest step, in mm,
    that is found nineteen times in twenty.
    """
    hand = usual_hand(repeats, resolution_mm)
    u_mm = hand.s_mm * math.sqrt(1.0 / len(before_mm) + 1.0 / len(after_mm))
    size_mm = float(np.mean(after_mm) - np.mean(before_mm))
    alarm = student_t_factor(hand.dof, 1.0 - _FALSE_ALARMS / chances)
    smallest_mm = (alarm + student_t_factor(hand.dof, 2.0 * _FOUND - 1.0)) * u_mm
    return Offset(size_mm, u_mm, hand.dof), smallest_mm, abs(size_mm) > alarm * u_mm


def ways_of(
    groups_mm: Sequence[Sequence[float]], *, resolution_mm: float
) -> tuple[Ways, int, Offset | None]:
    """Return what `groups_mm` are, which were read at one place with a slow cycle between them.

    With one loss also the first group after it, counted from 0, and its size; else 0 and None.
    Each group holds one or more readings for which the caliper was seated anew without a move.
    """
    repeats = [one for one in groups_mm if len(one) > 1]
    hand = usual_hand(repeats, resolution_mm)
    if _is_one_place(groups_mm, hand, _FALSE_ALARMS):
        return "still", 0, None
    for row in _by_size(groups_mm):
        before, after = groups_mm[:row], groups_mm[row:]
        if _is_one_place(before, hand, _UNEVEN) and _is_one_place(after, hand, _UNEVEN):
            offset, _, _ = loss_between(
                _joined(before),
                _joined(after),
                repeats=repeats,
                resolution_mm=resolution_mm,
                chances=len(groups_mm) - 1,
            )
            return "one-loss", row, offset
    return "scatter", 0, None


def _by_size(groups_mm: Sequence[Sequence[float]]) -> list[int]:
    """Return the rows of the steps between neighbours, the largest first."""
    means = [float(np.mean(one)) for one in groups_mm]
    return sorted(range(1, len(means)), key=lambda row: -abs(means[row] - means[row - 1]))


def _joined(groups_mm: Sequence[Sequence[float]]) -> list[float]:
    return [one for group in groups_mm for one in group]


def _is_one_place(groups_mm: Sequence[Sequence[float]], hand: Hand, p: float) -> bool:
    """Return whether no group stands out from the first one as a healthy one does in `p` cases."""
    alarm = student_t_factor(hand.dof, 1.0 - p / max(1, len(groups_mm) - 1))
    first = groups_mm[0]
    return all(
        abs(float(np.mean(one) - np.mean(first)))
        <= alarm * hand.s_mm * math.sqrt(1.0 / len(first) + 1.0 / len(one))
        for one in groups_mm[1:]
    )


@dataclass(frozen=True)
class Judged:
    """What a loss is, in the words of a finding."""

    verdict: str
    causes: tuple[dict[str, Any], ...]
    tie: tuple[str, ...]
    not_tested: Mapping[str, str]
    next: str


def judge_loss(
    offset: Offset,
    train: DriveTrain,
    *,
    datum_look: DatumLook,
    needs_speed: bool,
    not_again: int = 0,
    lines: Lines | None = None,
) -> Judged:
    """Return what the loss `offset` is on an axis of `train`, and what to do about it.

    `datum_look` is what the closed jaws showed after it, and `needs_speed` whether many cycles
    before it, at lower feeds, lost nothing: a nut slips at any feed, a motor rather at a high one.
    `not_again` counts the other cycles at the same feed, which lost nothing: then it was not the
    feed. `lines` says what became of the pencil lines; None where nobody has looked.
    """
    if datum_look == "unmoved" and lines == "pulley-off":
        return Judged(
            "repair-first", (_PULLEY_TURNED,), (), {}, f"{_PULLEY_TURNED['check']}{_THEN}"
        )
    sense = sense_of(offset, [train], datum_look)
    cycle_mm = float(train.lost_cycle_mm)
    if not needs_speed and datum_look == "unmoved" and cycle_mm < _TOO_FINE_U * offset.u_mm:
        why = (
            f"a lost cycle of the motor is {cycle_mm:.2g} mm, so fine that lost motion of any "
            "other kind fits it as well"
        )
        sense = Sense(sense_of(offset, [], datum_look).meanings, {"lost-steps": why})
    meanings, sure = sense.meanings, sense.sure
    if lines is not None and datum_look == "unmoved":
        meanings = _after_the_look(sense, lines)
        sure = meanings[0] if meanings[0].p >= CONFIDENT and not sense.not_tested else None
    names = tuple(dict.fromkeys([*(one.name for one in meanings), *sense.not_tested]))
    causes = tuple(_cause(one, train, not_again) for one in meanings)
    if sure is not None and sure.name in _REPAIRS:
        by_feed = sure.name != "lost-steps" or not not_again
        what = _REPAIRS[sure.name] if by_feed else _STOPPED_ONCE
        return Judged("repair-first", causes, (), sense.not_tested, f"{what}{_THEN}")
    if sure is not None and sure.name == "datum-moved":
        return Judged("measure-again", causes, (), sense.not_tested, _ZERO_MOVED)
    splits = len({one.name for one in meanings if one.lattice}) > 1 and lines is None
    tie = names if len(names) > 1 else ()
    slips = "pulleys, and what holds the belt" if isinstance(train.drive, Belt) else "nut, coupling"
    what = _MARKS if splits else _SOMETHING_SLIPS.format(slips=slips)
    return Judged("cannot-tell", causes, tie, sense.not_tested, what)


def _after_the_look(sense: Sense, lines: Lines) -> tuple[Meaning, ...]:
    """Return the meanings that a look at the lines leaves, the likeliest first."""
    ruled_out = "lost-steps" if lines == "belt-off" else "belt-jump"
    left = [one for one in sense.meanings if one.name != ruled_out]
    whole = math.fsum(one.p for one in left)
    if not whole > 0.0:
        return (Meaning("not-listed", 1.0),)
    return tuple(replace(one, p=one.p / whole) for one in left)


def _cause(one: Meaning, train: DriveTrain, not_again: int) -> dict[str, Any]:
    says, check = one.says, check_of(one.name, [train])
    if one.name == "lost-steps" and not_again:
        says += ", once: something held it up, the feed alone did not"
        check = _STOPPED_ONCE
    return {"name": one.name, "p": one.p, "says": says, "check": check, "odds": None, "looks": []}


_THEN = "; then hunt again. The stored number is not touched by this"
_REPAIRS = {
    "lost-steps": (
        "the motor is too weak for that feed or that load: let the axis run lighter (grease, "
        "alignment, weight), give the motor the current it is made for, or stay below that feed "
        "and its acceleration"
    ),
    "belt-jump": (
        "the belt jumps teeth: tension it, look at its teeth and at how far it wraps the pulley, "
        "power off and unplugged"
    ),
}
_STOPPED_ONCE = (
    "it was lost once and not again at that feed, so the motor is strong enough for it. Look for "
    "what held it up, power off and unplugged: something in its way, a cable or hose that caught, "
    "dirt, a plug that is loose"
)
_PULLEY_TURNED = {
    "name": "loose-pulley",
    "p": 1.0,
    "says": "the pulley turned on its shaft: its line no longer meets that on the shaft",
    "check": "tighten the screws of the pulley on the flat of the shaft, power off and unplugged",
    "odds": None,
    "looks": [],
}
_ZERO_MOVED = (
    "with closed jaws the caliper no longer shows zero: nothing was lost on the axis. Clean the "
    "jaws, set zero, and hunt again"
)
_MARKS = (
    "so large a loss is a whole number of cycles and of teeth. Draw pencil lines across belt and "
    "pulley, and across pulley and shaft, and hunt again: the line on the belt off means a belt "
    "that jumped, both whole means lost cycles"
)
_SOMETHING_SLIPS = (
    "the loss is no number of cycles or teeth that this caliper can tell. See first whether what "
    "the caliper reads from has moved; then look at {slips} and the screws of both, power "
    "off and unplugged, a vertical axis blocked; then hunt again"
)
