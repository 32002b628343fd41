"""Where to take readings, and from which side, so that few of them say much.

Two clusters, one at each end of the reach, whole output turns apart: whatever rises and
falls once per turn then cancels out of the scale. Inside each cluster readings about a quarter
and half a turn on make it visible. Readings go in pairs, near and far, of the same approach and
the same place of the turn, which keeps play and scale apart after every pair; the order
near-far-far-near cancels a steady drift.

For the scale with play and one rise and fall per turn in the model this is the best there is
on whole turns (c-optimal: no design has a smaller variance than 1 / (n rho^2), rho the distance of
the line from all that the other terms can imitate; Karlin and Studden 1966).

The rule: every target keeps the over-travel away from both ends of the reach, so that the axis
can overshoot any target on either side and come back without leaving the reach.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from tuner.drive.parts import DriveTrain, Screw
from tuner.drive.scale import Stored, output_turn_mm
from tuner.errors import InputFault
from tuner.metrology.budget import Outlook, measured_scale, more_readings
from tuner.metrology.fit import fit
from tuner.metrology.reading import Approached, Reading

# A caliper that may be 0.03 mm wrong is 0.6 % wrong over this; below it neighbouring parts
# could not be told apart.
_SHORTEST_BASE_MM = 5.0
_QUARTER, _HALF = 0.25, 0.5
# With this much of a turn to spare the inner readings still show both phases of a rise and fall.
_LEAST_INNER = 0.42
# Ten readings on exactly three turns: the scale is 1.12 times as uncertain as from its two ends
# with single inner readings, 1.13 with pairs a turn shorter; on four turns 1.12 and 1.10.
_SHORT_BASE_TURNS = 3
# The readings of one plan: stage one needs four, and after twenty the caliper is the limit.
_FEWEST, _USUAL, _MOST = 4, 10, 20
# A hand in the middle of the usual range (common practice, no source), known from five repeats.
_HAND_MM = 0.025
_REPEAT_DOF = 4
_POINTED_AT_SIGMAS = 5.0


@dataclass(frozen=True)
class Target:
    """One reading to take: commanded position in mm, side of arrival, stage 1 or 2.

    Where `block_mm` is not 0 the spacer block of that length stands between datum and caliper,
    and is added to what the caliper shows.
    """

    commanded_mm: float
    approach: Approached
    stage: Literal[1, 2]
    block_mm: float = 0.0


@dataclass(frozen=True)
class CaliperReach:
    """What a caliper can follow, in true mm: from `nearest_mm` to `range_mm` less `spare_mm`.

    `block_mm` is the length of a spacer block that lengthens it, 0 without one. Raises
    ``InputFault`` where nothing is left, or where the block leaves a gap.
    """

    range_mm: float
    nearest_mm: float = 10.0
    spare_mm: float = 1.0
    block_mm: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.block_mm <= max(0.0, self.longest_mm - self.nearest_mm):
            raise InputFault(
                f"a caliper of {self.range_mm:g} mm reads from {self.nearest_mm:g} to "
                f"{self.longest_mm:g} mm, the block is {self.block_mm:g} mm; expected a block no "
                "longer than what the caliper reads, so that no place falls between; use a "
                "shorter block"
            )

    @property
    def longest_mm(self) -> float:
        """The longest distance from the datum that it reads without the block."""
        return self.range_mm - self.spare_mm

    @property
    def room_mm(self) -> float:
        """How far a carriage can go within its reach, with the block."""
        return self.longest_mm - self.nearest_mm + self.block_mm


@dataclass(frozen=True)
class PlanOfTargets:
    """The targets in the order to take them; the first four (stage 1) give the scale.

    `base_turns` output turns, `base_mm` commanded mm, lie between the clusters; 0 turns when
    not even one fits. `u_per_mm` is the standard uncertainty of the scale for each mm that a
    reading scatters by. `cannot_see` says what these readings will not show, and why.
    """

    targets: tuple[Target, ...]
    base_turns: int
    base_mm: float
    u_per_mm: float
    cannot_see: dict[str, str]


def over_travel_mm(play_mm: float, lost_cycle_mm: float) -> float:
    """Return how far to go past a target and back so that play is taken up, in mm.

    The largest of 1 mm, three times the play, and one lost cycle of the motor.
    """
    return max(1.0, 3.0 * play_mm, lost_cycle_mm)


def plan_targets(
    train: DriveTrain,
    stored: Stored,
    *,
    reach: tuple[float, float],
    over_mm: float,
    near: Literal["low", "high"] = "low",
    even_turns: bool = False,
) -> list[Target]:
    """Return the ten targets of ``measuring_plan`` for these arguments."""
    plan = measuring_plan(
        train, stored, reach=reach, over_mm=over_mm, near=near, even_turns=even_turns
    )
    return list(plan.targets)


def measuring_plan(
    train: DriveTrain,
    stored: Stored,
    *,
    reach: tuple[float, float],
    over_mm: float,
    near: Literal["low", "high"] = "low",
    even_turns: bool = False,
    caliper: CaliperReach | None = None,
    scale: float = 1.0,
    count: int = _USUAL,
) -> PlanOfTargets:
    """Return where to take `count` readings (4 to 20), and what they will not show.

    `reach` is where the axis may go, low and high in commanded mm, with over-travel: targets
    keep `over_mm` from both of its ends. `near` is the end where the caliper reads least.
    `even_turns` asks for an even number of turns between the clusters, as long as there are
    two; screws always get that: it holds when motor step angle or microsteps are in doubt.
    `caliper` limits the reach further, at a true / commanded travel of `scale`. A reach shorter
    than one turn gives its two ends.

    Raises ``InputFault`` for a reach too short to measure in, ``ValueError`` for another `count`.
    """
    if not _FEWEST <= count <= _MOST:
        raise ValueError(f"a plan of {count} readings; expected {_FEWEST} to {_MOST}")
    low, high = reach
    free_mm = high - low - 2.0 * over_mm
    room_mm = free_mm if caliper is None else min(free_mm, caliper.room_mm / scale)
    if not room_mm >= _SHORTEST_BASE_MM:
        raise InputFault(
            f"{high - low:.1f} mm of travel less {over_mm:.1f} mm at each end leaves "
            f"{max(room_mm, 0.0):.1f} mm to measure over; expected at least "
            f"{_SHORTEST_BASE_MM:.0f} mm; give the axis more free travel"
        )
    turn_mm = output_turn_mm(train, stored)
    # A hair more than the room, so that a reach of exactly three turns is three turns.
    room_turns = room_mm / turn_mm * (1.0 + 1e-12)
    turns = math.floor(room_turns)
    if (even_turns or isinstance(train.drive, Screw)) and turns > 2:
        turns -= turns % 2
    full_step_turns = float(train.gear_ratio / train.motor.full_steps_per_rev)
    pairs = _pairs(turns, room_turns, full_step_turns)

    def target(offset_turns: float, approach: Approached, stage: Literal[1, 2]) -> Target:
        offset_mm = min(offset_turns * turn_mm, room_mm)
        at_mm = low + over_mm + offset_mm if near == "low" else high - over_mm - offset_mm
        block_mm = 0.0
        if caliper is not None and caliper.nearest_mm + offset_mm * scale > caliper.longest_mm:
            block_mm = caliper.block_mm
        return Target(at_mm, approach, stage, block_mm)

    targets: list[Target] = []
    short = _is_short(turns, room_turns - turns)
    for number, (inner, approach) in enumerate(_ORDER[: (count + 1) // 2]):
        if short and inner == "half":
            # Two pairs with one place at an end each: play stays apart when both arrive alike.
            approach = "minus" if approach == "plus" else "plus"
        stage: Literal[1, 2] = 1 if number < 2 else 2
        both = [target(offset, approach, stage) for offset in pairs[inner]]
        targets += both if number % 2 == 0 else both[::-1]
    targets = targets[:count]
    base_mm = abs(targets[1].commanded_mm - targets[0].commanded_mm)
    return PlanOfTargets(
        targets=tuple(targets),
        base_turns=turns,
        base_mm=base_mm,
        u_per_mm=_u_per_mm(targets, turn_mm if turns else None),
        cannot_see=_cannot_see(train, turns, base_mm, turn_mm, targets),
    )


def outlook(
    plan: PlanOfTargets, *, wanted_U: float, error_limit_mm: float, hand_mm: float = _HAND_MM
) -> Outlook:
    """Return, before anything is read, whether `plan` reaches `wanted_U`, and what else would.

    For a hand that scatters by `hand_mm`, known from five repeats, a caliper that may be wrong by
    `error_limit_mm`, and a machine that is about right; `wanted_U` is relative.
    """
    exact = fit(_exact(plan.targets), grows=1, resolution_mm=0.01)
    expected = replace(
        exact,
        s_mm=hand_mm,
        u_scale=hand_mm * plan.u_per_mm,
        dof=float(exact.own_dof + _REPEAT_DOF),
    )
    scale = measured_scale(expected, error_limit_mm=error_limit_mm)
    return more_readings(expected, scale, wanted_U)


# Which pair of places, and from which side, one pair after the other: near-far, far-near, ...
_ORDER: tuple[tuple[Literal["end", "quarter", "half"], Approached], ...] = (
    ("end", "plus"),
    ("end", "minus"),
    ("quarter", "plus"),
    ("half", "minus"),
    ("end", "plus"),
    ("end", "minus"),
    ("quarter", "minus"),
    ("half", "plus"),
    ("end", "plus"),
    ("end", "minus"),
)


def _is_short(turns: int, spare: float) -> bool:
    """Whether the inner readings have no partner: a short base and no room beyond it."""
    return 0 < turns <= _SHORT_BASE_TURNS and spare < _LEAST_INNER


def _pairs(turns: int, room_turns: float, full_step_turns: float) -> dict[str, tuple[float, float]]:
    """Return the near and the far place of each pair, in turns from the near end.

    The inner pairs are as far apart as the ends where there is room for them beyond the far end:
    a quarter and half a turn on, or what there is and half of that, in whole full steps of
    the motor. Without room their far places move one turn in; on a short base, where that costs
    more, each inner pair has one of its places at an end.
    """
    if not turns:
        ends = (0.0, room_turns)
        return {"end": ends, "quarter": ends, "half": ends}
    far = float(turns)
    spare = room_turns - far
    quarter, half = _QUARTER, _HALF
    if _LEAST_INNER <= spare < _HALF:
        half = math.floor(spare / full_step_turns) * full_step_turns
        quarter = math.floor(half / 2.0 / full_step_turns) * full_step_turns
    if _is_short(turns, spare):
        return {"end": (0.0, far), "quarter": (quarter, far), "half": (0.0, far - half)}
    in_turns = {"end": 0.0, "quarter": quarter, "half": half}
    return {
        name: (inner, far + inner - (0.0 if far + inner <= room_turns else 1.0))
        for name, inner in in_turns.items()
    }


def _u_per_mm(targets: Sequence[Target], turn_mm: float | None) -> float:
    """What the scale would be uncertain by if a reading scattered by one mm."""
    said = fit(_exact(targets), grows=1, resolution_mm=0.01, turn_mm=turn_mm)
    return said.u_scale / said.s_mm


def _exact(targets: Sequence[Target]) -> list[Reading]:
    return [
        Reading(one.commanded_mm, one.commanded_mm, one.approach, n=n)
        for n, one in enumerate(targets, 1)
    ]


def _cannot_see(
    train: DriveTrain,
    turns: int,
    base_mm: float,
    turn_mm: float,
    targets: Sequence[Target],
) -> dict[str, str]:
    unseen = {}
    said = fit(_exact(targets), grows=1, resolution_mm=0.01, turn_mm=turn_mm)
    if not turns:
        # The ends then differ by at most twice the amplitude x |sin(half the angle between)|.
        worst = 2.0 * abs(math.sin(math.pi * base_mm / turn_mm)) / base_mm
        unseen["periodic"] = (
            f"one turn is {turn_mm:.1f} mm and only {base_mm:.1f} mm can be measured: what rises "
            f"and falls once per turn shows as scale, up to {100 * 0.1 * worst:.2g} % for each "
            "0.1 mm of it"
        )
    elif said.periodic is None:
        unseen["periodic"] = (
            f"{len(targets)} readings at whole turns show no rise and fall within the turn; it "
            "does not touch the scale"
        )
    if turns % 2:
        unseen["half-turns"] = (
            f"{turns} turn{'s' * (turns != 1)} is an odd number: if the motor makes half the turns "
            "that it is told, what rises and falls once per turn shows as scale"
        )
    lost_mm = float(train.lost_cycle_mm)
    least_mm = _POINTED_AT_SIGMAS * _HAND_MM * math.sqrt(2.0)
    if lost_mm < least_mm:
        unseen["lost-steps"] = (
            f"one lost cycle of the motor is {lost_mm:.2g} mm; a hand shows no step below "
            f"{least_mm:.2g} mm"
        )
    return unseen
