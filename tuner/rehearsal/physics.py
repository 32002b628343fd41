"""Simulated mechanics: time, motion in time, and what microsteps do to a carriage.

Rule: the true place of a carriage follows from the microsteps that its motor has really made,
and from nothing else. Commanded millimetres do not exist here. A motion can be cut off at any
moment and leaves the carriage where it was. Lengths are true millimetres, times are seconds.
"""

from __future__ import annotations

import copy
import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

__all__ = ["Block", "Carriage", "Mechanics", "Mechanism", "MotionQueue", "Ramp", "VirtualClock"]


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
class Mechanics:
    """What one axis is really built of.

    `gear_ratio` is output turns per motor turn, `full_steps` and `microsteps` are those of the
    motor and driver that are really there, `ends_mm` is where the frame stops the carriage.
    `play_mm` is what is lost on reversal. `eccentricity_mm` is the amplitude of a sine with one
    period per output turn, `eccentricity_phase_rad` its phase where the motor started.
    `direction` is -1 for a motor that turns the wrong way round.
    """

    travel_per_rev_mm: float
    full_steps: int
    microsteps: int
    ends_mm: tuple[float, float]
    gear_ratio: float = 1.0
    play_mm: float = 0.0
    eccentricity_mm: float = 0.0
    eccentricity_phase_rad: float = 0.0
    direction: Literal[1, -1] = 1
    powered: bool = True

    def pull_mm(self, microsteps: int) -> float:
        """Return how far belt or nut have been pulled, in mm, after `microsteps` of the motor."""
        motor_turns = self.direction * microsteps / (self.full_steps * self.microsteps)
        output_turns = motor_turns * self.gear_ratio
        angle = math.tau * output_turns + self.eccentricity_phase_rad
        wobble = math.sin(angle) - math.sin(self.eccentricity_phase_rad)
        return self.travel_per_rev_mm * output_turns + self.eccentricity_mm * wobble


class Carriage:
    """A carriage that belt or nut drag along, with play between the two.

    `true_mm` is where it stands. `struck_end` becomes true for good when the motor ran it
    against the frame; from then on the motor has lost steps.
    """

    def __init__(self, mechanics: Mechanics, start_mm: float) -> None:
        self.mechanics = mechanics
        self.true_mm = start_mm
        self.struck_end = False
        self._made_steps = 0
        self._origin_mm = start_mm

    def turn(self, microsteps: int) -> None:
        """Make signed `microsteps` in one go, in one direction."""
        if not self.mechanics.powered:
            return
        self._made_steps += microsteps
        pulled_mm = self._origin_mm + self.mechanics.pull_mm(self._made_steps)
        slack_mm = self.mechanics.play_mm / 2
        dragged_mm = min(max(self.true_mm, pulled_mm - slack_mm), pulled_mm + slack_mm)
        low_mm, high_mm = self.mechanics.ends_mm
        self.true_mm = min(max(dragged_mm, low_mm), high_mm)
        if self.true_mm != dragged_mm:
            # The motor stalls for the rest of the way, so the rest is no longer part of its count.
            self._origin_mm += self.true_mm - dragged_mm
            self.struck_end = True

    def after(self, microsteps: int) -> float:
        """Return where the carriage would stand after signed `microsteps`, in mm."""
        trial = copy.copy(self)
        trial.turn(microsteps)
        return trial.true_mm


@dataclass(frozen=True)
class Mechanism:
    """All carriages, which motor each plug of the controller drives, and the end switches.

    A switch sits at the low end of each axis and is pressed at or below its `switches_mm`.
    """

    carriages: Mapping[str, Carriage]
    plugs: Mapping[str, str]
    switches_mm: Mapping[str, float]

    def turn(self, plug: str, microsteps: int) -> None:
        """Make signed `microsteps` of the motor in `plug`."""
        self.carriages[self.plugs[plug]].turn(microsteps)

    def is_pressed(self, axis: str) -> bool:
        """Say whether the end switch of `axis` is pressed."""
        return self.carriages[axis].true_mm <= self.switches_mm[axis]

    def steps_to_switch(self, axis: str, most: int) -> int | None:
        """Return the fewest microsteps of plug `axis` that press its switch.

        The sign of `most` is the direction, its size the limit; ``None`` when the switch stays
        open all the way.
        """
        if self.is_pressed(axis):
            return 0
        switch_mm = self.switches_mm[axis]
        carriage = self.carriages[axis]
        if self.plugs[axis] != axis or carriage.after(most) > switch_mm:
            return None
        sign = 1 if most > 0 else -1
        open_steps, pressed_steps = 0, abs(most)
        while pressed_steps - open_steps > 1:
            middle = (open_steps + pressed_steps) // 2
            if carriage.after(sign * middle) <= switch_mm:
                pressed_steps = middle
            else:
                open_steps = middle
        return sign * pressed_steps


@dataclass(frozen=True)
class Ramp:
    """A motion from rest to rest with constant acceleration: a trapezoid, or a triangle when
    the way is too short for the speed. All three quantities are above zero."""

    length_mm: float
    speed_mm_per_s: float
    acceleration_mm_per_s2: float

    @property
    def peak_mm_per_s(self) -> float:
        """The highest speed reached."""
        return min(self.speed_mm_per_s, math.sqrt(self.length_mm * self.acceleration_mm_per_s2))

    @property
    def ramp_s(self) -> float:
        """How long speeding up takes, and slowing down again."""
        return self.peak_mm_per_s / self.acceleration_mm_per_s2

    @property
    def duration_s(self) -> float:
        """From rest to rest."""
        return self.length_mm / self.peak_mm_per_s + self.ramp_s

    def fraction(self, elapsed_s: float) -> float:
        """Return the part of the way, 0 to 1, that is done `elapsed_s` after the start."""
        left_s = self.duration_s - elapsed_s
        if elapsed_s <= 0:
            return 0.0
        if left_s <= 0:
            return 1.0
        half_acceleration = self.acceleration_mm_per_s2 / 2
        if left_s < self.ramp_s:
            return 1 - half_acceleration * left_s**2 / self.length_mm
        if elapsed_s < self.ramp_s:
            return half_acceleration * elapsed_s**2 / self.length_mm
        return self.peak_mm_per_s * (elapsed_s - self.ramp_s / 2) / self.length_mm


@dataclass
class Block:
    """One motion in the queue: signed microsteps of each plug, made along one ramp."""

    steps: Mapping[str, int]
    ramp: Ramp
    start_s: float
    made: dict[str, int] = field(default_factory=dict)

    @property
    def end_s(self) -> float:
        """When it ends if nobody stops it."""
        return self.start_s + self.ramp.duration_s


class MotionQueue:
    """Motions one after the other, each from rest to rest.

    `turn` receives (plug, microsteps) as time passes; `capacity` counts the running motion too.
    """

    def __init__(self, turn: Callable[[str, int], None], capacity: int) -> None:
        self._turn = turn
        self._capacity = capacity
        self._blocks: deque[Block] = deque()

    def ends_s(self, now_s: float) -> float:
        """Return when everything will be still; `now_s` if it is already."""
        return max(now_s, self._blocks[-1].end_s) if self._blocks else now_s

    def room_s(self, now_s: float) -> float:
        """Return when the next motion can be taken in; `now_s` if there is room."""
        if len(self._blocks) < self._capacity:
            return now_s
        return max(now_s, self._blocks[-self._capacity].end_s)

    def add(self, steps: Mapping[str, int], ramp: Ramp, now_s: float) -> None:
        """Take in a motion; it starts when the ones before it have ended."""
        self._blocks.append(Block(steps, ramp, self.ends_s(now_s)))

    def advance(self, now_s: float) -> None:
        """Make every microstep that is due until `now_s`."""
        while self._blocks:
            block = self._blocks[0]
            has_ended = now_s >= block.end_s
            fraction = block.ramp.fraction(now_s - block.start_s)
            for plug, steps in block.steps.items():
                due = steps if has_ended else round(fraction * steps)
                made = block.made.get(plug, 0)
                if due != made:
                    self._turn(plug, due - made)
                    block.made[plug] = due
            if not has_ended:
                return
            self._blocks.popleft()

    def halt(self, now_s: float) -> None:
        """Stop at `now_s` and forget the rest."""
        self.advance(now_s)
        self._blocks.clear()
