"""Which look at the machine splits the causes that are left, and what each outcome means.

The rule: no number splits a tie; a look does, and the cheapest one comes first. Power is off and
unplugged before anything is touched.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from tuner.drive.parts import DriveTrain
from tuner.drive.scale import Stored, plain_number, steps_per_mm
from tuner.metrology.alternatives import OFF
from tuner.metrology.causes import MOTOR_TURN, Cause, Looked

_MOST_NAMED = 3  # causes in one sentence
# What a look costs, the cheapest first: reading a number again, a mark on the shaft, a label or
# a jumper, counting teeth, measuring a belt or a screw (common practice, no source).
_COST = {
    "stored-number": 0,
    "inch-units": 0,
    MOTOR_TURN: 1,
    "microsteps": 2,
    "step-angle": 2,
    "pulley-teeth": 3,
    "pinion-teeth": 3,
    "gear-teeth": 3,
    "belt-pitch": 4,
    "rack-module": 4,
    "screw-lead": 4,
}


@dataclass(frozen=True)
class Look:
    """The cheapest look that splits the causes that are left, and what each outcome means.

    `key` is that under which ``decide`` takes its outcome: confirmed for yes, denied for no.
    `asks` is the question, `yes` and `no` what follows. Where one turn of the motor belongs to it,
    `move_mm` is the commanded way of that, None otherwise.
    """

    key: str
    asks: str
    yes: str
    no: str
    move_mm: float | None = None


def next_look(causes: Sequence[Cause], train: DriveTrain, stored: Stored) -> str:
    """What to look at, what its outcomes mean, and the look after it.

    Reading a number again costs nothing; a mark on the shaft splits the motor from what it
    drives without taking anything apart. `causes` are in order of probability.
    """
    number = next((one for one in causes if one.side == "number"), None)
    parts = [one for one in causes if one.side != "number"]
    if number is not None:
        then = f"; if it is as on the card, {parts[0].check}" if parts else ""
        return number.check + then
    motor = next((one for one in parts if one.side == "motor"), None)
    output = next((one for one in parts if one.side == "output"), None)
    if motor is not None and output is not None:
        turn_mm = plain_number(_motor_turn_mm(train, stored))
        return (
            f"{OFF}mark the motor shaft; power on, hands and caliper out, move the axis "
            f"{turn_mm} {train.unit}: not one whole turn, then {motor.check}; one whole turn, "
            f"then {output.check}"
        )
    return OFF + "; then ".join(dict.fromkeys(one.check.removeprefix(OFF) for one in parts[:3]))


def _motor_turn_mm(train: DriveTrain, stored: Stored) -> Fraction:
    """The commanded mm for which the controller sends the steps of one motor turn."""
    return train.motor.microsteps_per_rev / steps_per_mm(stored, train)


def cheapest_look(
    causes: Sequence[Cause], train: DriveTrain, stored: Stored, looks: Mapping[str, Looked]
) -> Look | None:
    """The cheapest look not yet taken that splits `causes`, or that confirms the only one.

    Of looks that cost the same, the one that splits the probability most evenly, then the likelier
    part. None when all of them were taken.
    """
    whole = math.fsum(one.p for one in causes)
    members = {one.look: one for cause in causes for one in cause.members}
    holds = {key: [one for one in causes if key in one.looks] for key in members}
    holds[MOTOR_TURN] = [one for one in causes if one.motor_turns == 1]
    ranked = []
    for key, ones in holds.items():
        splits = 0 < len(ones) < len(causes)
        name = key.split("=")[0]
        if name not in _COST or {key, name} & set(looks) or (len(causes) > 1 and not splits):
            continue
        if key == MOTOR_TURN and not splits:
            continue
        uneven = abs(math.fsum(one.p for one in ones) / whole - 0.5)
        likely = max((one.p for one in ones), default=0.0)
        ranked.append((_COST[name], round(uneven, 9), -round(likely, 9), key))
    if not ranked:
        return None
    key = min(ranked)[-1]
    others = [one for one in causes if one not in holds[key]]
    if key == MOTOR_TURN:
        turn_mm = _motor_turn_mm(train, stored)
        return Look(
            key=key,
            asks=f"{OFF}mark the motor shaft and what it turns in; power on, hands and caliper "
            f"out, move the axis {plain_number(turn_mm)} {train.unit}. Did the mark make exactly "
            "one turn?",
            yes=_in_doubt(holds[key]),
            no=_in_doubt(others),
            move_mm=float(turn_mm),
        )
    return Look(
        key=key,
        asks=f"{members[key].check}. {members[key].asks}",
        yes=_in_doubt(holds[key]),
        no=_in_doubt(others),
    )


def _in_doubt(causes: Sequence[Cause]) -> str:
    """What is left after a look, in words."""
    if not causes:
        return "then another cause is to be looked for"
    return "then: " + ", or ".join(one.says for one in causes[:_MOST_NAMED])
