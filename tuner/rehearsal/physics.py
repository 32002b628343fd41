"""Simulated mechanics: what microsteps do to a motor, a belt, a carriage.

Rule: the true place of a carriage follows from the microsteps that its motor has really made,
and from nothing else. Commanded millimetres do not exist here. A motion can be cut off at any
moment and leaves the carriage where it was, and how often somebody looks changes nothing.
Lengths are true millimetres (degrees for what turns), times are seconds. Chance comes from the
`seed` of a part and from what has happened to it, never from the process.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import Literal

__all__ = ["Carriage", "Mechanics", "Motor", "VirtualClock", "Weakness"]

# A two-phase stepper falls behind by whole electrical cycles of four full steps.
FULL_STEPS_PER_CYCLE = 4
LONG_PULL_MM = 40.0
NUT_SLIPS_MM = (0.3, 0.7)
SNAP_FULL_STEPS = 2.0  # half a cycle: the furthest that the nearest place in phase can be


class VirtualClock:
    """A clock that stands still until somebody advances it."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        """Seconds since the machine was made."""
        return self._now_s

    def advance(self, seconds: float) -> None:
        """Let `seconds` (>= 0) pass; raises ``ValueError`` for a step back."""
        if not seconds >= 0:
            raise ValueError(f"a clock cannot be advanced by {seconds} s; give 0 or more")
        self._now_s += seconds


@dataclass(frozen=True, kw_only=True)
class Weakness:
    """When a motor, or what it pulls, falls behind in the middle of a move, and by how much.

    `unit` is what is lost at a time: an electrical cycle of the motor, a tooth of the belt of
    `tooth_mm`, or a slip of the nut by 0.3 to 0.7 mm, in plus direction only. It happens above
    `limit_rev_per_s` of the motor, the surer the faster and always from a fifth above it; after
    `hot_after_s`, growing to always within twenty minutes; once in the move `in_move` (0: never)
    and with the probability `now_and_then` in any, both of the long moves alone that pull 40 mm or
    more, counted from 1. Each time 1 to `most` units are lost. The shapes are assumptions, no
    source.
    """

    unit: Literal["cycle", "tooth", "slip"]
    most: int
    tooth_mm: float = 0.0
    limit_rev_per_s: float = math.inf
    hot_after_s: float = math.inf
    in_move: int = 0
    now_and_then: float = 0.0

    def units(self, move: int, rev_per_s: float, at_s: float, chance: random.Random) -> int:
        """Return how many units are lost in the middle of move number `move` (0: a short one)."""
        too_fast = (rev_per_s / self.limit_rev_per_s - 1) / 0.2
        too_hot = (at_s - self.hot_after_s) / 1200.0
        is_due = move > 0 and move == self.in_move
        at_random = self.now_and_then if move else 0.0
        if is_due or chance.random() < max(too_fast, too_hot, at_random):
            return chance.randint(1, self.most)
        return 0


@dataclass(frozen=True, kw_only=True)
class Mechanics:
    """What one axis is really built of.

    `gear_ratio` is output turns per motor turn, `full_steps` and `microsteps` are those of the
    motor and driver that are really there, `ends_mm` is where the frame stops the carriage.
    `play_mm` is what is lost on reversal; with `most_play_mm` above it the play is drawn anew
    between the two at every reversal. With `gravity` the carriage always lies on the lower flank
    and its play is never seen. `eccentricity_mm` is the amplitude of a sine with one period in
    `eccentric_turns` output turns, `eccentricity_phase_rad` its phase where the motor started.
    `direction` is -1 for a motor that turns the wrong way round. `sinks_mm` is how far it sinks
    when the motor gets no current, and `snaps` says that the motor comes back elsewhere then.
    """

    travel_per_rev_mm: float
    full_steps: int
    microsteps: int
    ends_mm: tuple[float, float]
    gear_ratio: float = 1.0
    play_mm: float = 0.0
    most_play_mm: float = 0.0
    gravity: bool = False
    eccentricity_mm: float = 0.0
    eccentric_turns: float = 1.0
    eccentricity_phase_rad: float = 0.0
    direction: Literal[1, -1] = 1
    powered: bool = True
    sinks_mm: float = 0.0
    snaps: bool = False
    weakness: Weakness | None = None
    seed: str = ""

    @property
    def microsteps_per_turn(self) -> int:
        """Microsteps that turn the motor once."""
        return self.full_steps * self.microsteps

    def pull_mm(self, microsteps: int) -> float:
        """Return how far belt or nut have been pulled, in mm, after `microsteps` of the motor."""
        motor_turns = self.direction * microsteps / self.microsteps_per_turn
        output_turns = motor_turns * self.gear_ratio
        angle = math.tau * output_turns / self.eccentric_turns + self.eccentricity_phase_rad
        wobble = math.sin(angle) - math.sin(self.eccentricity_phase_rad)
        return self.travel_per_rev_mm * output_turns + self.eccentricity_mm * wobble

    def chance(self, *of: object) -> random.Random:
        """Return a source of chance that depends on the seed and on nothing but `of`."""
        return random.Random("/".join(map(str, (self.seed, *of))))


class Motor:
    """One motor with its belt or nut: the microsteps it made, and what it lost.

    `lost_cycles` and `jumped_teeth` count what was lost against the direction of the moves, with
    the sign of the move that lost it.
    """

    def __init__(self, mechanics: Mechanics) -> None:
        self.mechanics = mechanics
        self.lost_cycles = 0
        self.jumped_teeth = 0
        self._made_steps = 0
        self._shifted_mm = 0.0
        self._strains = 0
        self._long_moves = 0
        self._snaps = 0

    @property
    def pulled_mm(self) -> float:
        """How far belt or nut have been pulled since the start, in mm."""
        return self.mechanics.pull_mm(self._made_steps) + self._shifted_mm

    def turn(self, microsteps: int) -> None:
        """Make signed `microsteps` in one go, in one direction."""
        if self.mechanics.powered:
            self._made_steps += microsteps

    def strain(self, microsteps: int, microsteps_per_s: float, at_s: float) -> None:
        """Pass the middle of a move of signed `microsteps`, at its highest speed."""
        weakness, parts = self.mechanics.weakness, self.mechanics
        if weakness is None or not parts.powered:
            return
        self._strains += 1
        motor_turns = abs(microsteps) / parts.microsteps_per_turn
        is_long = motor_turns * parts.gear_ratio * parts.travel_per_rev_mm >= LONG_PULL_MM
        self._long_moves += is_long
        chance = parts.chance("strain", self._strains)
        units = weakness.units(
            self._long_moves if is_long else 0,
            microsteps_per_s / parts.microsteps_per_turn,
            at_s,
            chance,
        )
        behind = units if microsteps > 0 else -units
        match weakness.unit:
            case "cycle":
                self.lost_cycles += behind
                self._made_steps -= behind * FULL_STEPS_PER_CYCLE * parts.microsteps
            case "tooth":
                self.jumped_teeth += behind
                self._shifted_mm -= behind * parts.direction * weakness.tooth_mm
            case "slip" if behind > 0:
                self._shifted_mm -= parts.direction * chance.uniform(*NUT_SLIPS_MM)

    def sink(self) -> None:
        """Get no current: the weight turns the motor."""
        self._shifted_mm -= self.mechanics.sinks_mm

    def snap(self) -> None:
        """Get current again: turn to the nearest place in phase, up to two full steps away."""
        if self.mechanics.snaps:
            self._snaps += 1
            part = self.mechanics.chance("snap", self._snaps).uniform(-1.0, 1.0)
            self._made_steps += round(part * SNAP_FULL_STEPS * self.mechanics.microsteps)


class Carriage:
    """A carriage that belt or nut drag along, with play between the two.

    `true_mm` is where it stands. `struck_end` becomes true for good when the motor ran it
    against the frame; from then on the motor has lost steps.
    """

    def __init__(self, mechanics: Mechanics, start_mm: float) -> None:
        self.mechanics = mechanics
        self.motor = Motor(mechanics)
        self.true_mm = start_mm
        self.struck_end = False
        self._play_mm = mechanics.play_mm
        self._origin_mm = start_mm + (self._play_mm / 2 if mechanics.gravity else 0.0)
        self._pull_mm = 0.0
        self._way = 0
        self._reversals = 0

    def turn(self, microsteps: int) -> None:
        """Make signed `microsteps` of the carriage's own motor in one go, in one direction."""
        self.motor.turn(microsteps)
        self.follow(self.motor.pulled_mm)

    def follow(self, pull_mm: float) -> None:
        """Be dragged to where belt or nut have been pulled, `pull_mm` from their start."""
        self._note_reversal(pull_mm)
        pulled_mm = self._origin_mm + pull_mm
        slack_mm = self._play_mm / 2
        dragged_mm = min(max(self.true_mm, pulled_mm - slack_mm), pulled_mm + slack_mm)
        if self.mechanics.gravity:
            dragged_mm = pulled_mm - slack_mm
        low_mm, high_mm = self.mechanics.ends_mm
        self.true_mm = min(max(dragged_mm, low_mm), high_mm)
        if self.true_mm != dragged_mm:
            # The motor stalls for the rest of the way, so the rest is no longer part of its count.
            self._origin_mm += self.true_mm - dragged_mm
            self.struck_end = True

    def _note_reversal(self, pull_mm: float) -> None:
        by_mm, self._pull_mm = pull_mm - self._pull_mm, pull_mm
        way = (by_mm > 0) - (by_mm < 0)
        if way in (0, self._way):
            return
        self._way = way
        if self.mechanics.most_play_mm > self.mechanics.play_mm:
            self._reversals += 1
            chance = self.mechanics.chance("reversal", self._reversals)
            self._play_mm = chance.uniform(self.mechanics.play_mm, self.mechanics.most_play_mm)
