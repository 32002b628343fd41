"""Where to take readings, and from which side, so that few of them say much.

Two clusters, one at each end of the reach, whole output turns apart: whatever rises and
falls once per turn then cancels out of the scale. Inside each cluster readings a quarter and
half a turn on make it visible. Both approaches at both ends separate play from scale, and the
order near-far-far-near cancels a steady drift.

The rule: every target keeps the over-travel away from both ends of the reach, so that the axis
can overshoot any target on either side and come back without leaving the reach.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from tuner.drive.parts import DriveTrain, Screw
from tuner.drive.scale import Stored, steps_per_mm
from tuner.errors import InputFault
from tuner.metrology.reading import Approached

# A caliper that may be 0.03 mm wrong is 0.6 % wrong over this; below it neighbouring parts
# could not be told apart.
_SHORTEST_BASE_MM = 5.0
_QUARTER, _HALF = 0.25, 0.5


@dataclass(frozen=True)
class Target:
    """One reading to take: commanded position in mm, side of arrival, stage 1 or 2."""

    commanded_mm: float
    approach: Approached
    stage: Literal[1, 2]


def over_travel_mm(play_mm: float, lost_cycle_mm: float) -> float:
    """Return how far to go past a target and back so that play is taken up, in mm.

    The largest of 1 mm, three times the play, and one lost cycle of the motor.
    """
    return max(1.0, 3.0 * play_mm, lost_cycle_mm)


def output_turn_mm(train: DriveTrain, stored: Stored) -> float:
    """Return the commanded mm that make one turn of the output shaft, counted from steps.

    Never the expected travel: the controller counts steps, and whether a turn gives the
    expected travel is what the readings are to show.
    """
    turn = train.motor.microsteps_per_rev / train.gear_ratio / steps_per_mm(stored, train)
    return float(turn)


def _far_offset_turns(turns: int, fraction: float, room_turns: float) -> float:
    """Where the far partner of a near reading at `fraction` of a turn stands, in turns.

    Exactly whole turns from its partner; past the far end when there is room, else one turn
    before it. With a single turn that would be the same place: then it mirrors its partner.
    """
    if turns + fraction <= room_turns:
        return turns + fraction
    return turns - 1 + fraction if turns > 1 else turns - fraction


def plan_targets(
    train: DriveTrain,
    stored: Stored,
    *,
    reach: tuple[float, float],
    over_mm: float,
    near: Literal["low", "high"] = "low",
    even_turns: bool = False,
) -> list[Target]:
    """Return ten targets in the order to take them; the first four (stage 1) give the scale.

    `reach` is where the axis may go, low and high in commanded mm, with over-travel: targets
    keep `over_mm` from both of its ends. `near` is the end where the caliper reads least.
    `even_turns` asks for an even number of turns between the clusters, as long as there are
    two; screws always get that. A reach shorter than one turn gives its two ends, without
    quarter and half turns: what repeats every turn cannot be seen then.

    Raises ``InputFault`` for a reach too short to measure in.
    """
    low, high = reach
    room = high - low - 2.0 * over_mm
    if not room >= _SHORTEST_BASE_MM:
        raise InputFault(
            f"{high - low:.1f} mm of travel less {over_mm:.1f} mm at each end leaves "
            f"{max(room, 0.0):.1f} mm to measure over; expected at least "
            f"{_SHORTEST_BASE_MM:.0f} mm; give the axis more free travel"
        )
    turn = output_turn_mm(train, stored)
    # A hair more than the room, so that a reach of exactly three turns is three turns.
    room_turns = room / turn * (1.0 + 1e-12)
    turns = math.floor(room_turns)
    if (even_turns or isinstance(train.drive, Screw)) and turns > 2:
        turns -= turns % 2

    if turns:
        near_turns = {0.0: 0.0, _QUARTER: _QUARTER, _HALF: _HALF}
        far_turns = {0.0: float(turns)} | {
            one: _far_offset_turns(turns, one, room_turns) for one in (_QUARTER, _HALF)
        }
    else:
        near_turns = dict.fromkeys((0.0, _QUARTER, _HALF), 0.0)
        far_turns = dict.fromkeys((0.0, _QUARTER, _HALF), room_turns)

    def at(offset_turns: float) -> float:
        offset = min(offset_turns * turn, room)
        return low + over_mm + offset if near == "low" else high - over_mm - offset

    def target(offset_turns: float, approach: Approached, stage: Literal[1, 2]) -> Target:
        return Target(at(offset_turns), approach, stage)

    return [
        target(near_turns[0.0], "plus", 1),
        target(far_turns[0.0], "plus", 1),
        target(far_turns[0.0], "minus", 1),
        target(near_turns[0.0], "minus", 1),
        target(near_turns[_QUARTER], "plus", 2),
        target(far_turns[_QUARTER], "plus", 2),
        target(far_turns[_HALF], "minus", 2),
        target(near_turns[_HALF], "minus", 2),
        target(far_turns[0.0], "plus", 2),
        target(near_turns[0.0], "minus", 2),
    ]
