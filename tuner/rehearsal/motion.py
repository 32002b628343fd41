"""Simulated motion in time: ramps from rest to rest, one after the other.

Rule: the queue knows microsteps and seconds and nothing of what they move. Every motion passes
its middle exactly once, however seldom somebody looks.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

__all__ = ["Block", "MotionQueue", "Ramp"]


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
    has_begun: bool = False
    is_past_middle: bool = False

    @property
    def end_s(self) -> float:
        """When it ends if nobody stops it."""
        return self.start_s + self.ramp.duration_s

    @property
    def middle_s(self) -> float:
        """When half of it is done."""
        return self.start_s + self.ramp.duration_s / 2

    @property
    def speeds(self) -> dict[str, float]:
        """The highest speed of each plug, in microsteps per second."""
        per_s = self.ramp.peak_mm_per_s / self.ramp.length_mm
        return {plug: abs(steps) * per_s for plug, steps in self.steps.items()}


def _ignore(_: Block) -> None:
    """Take no notice."""


class MotionQueue:
    """Motions one after the other, each from rest to rest.

    `turn` receives the signed microsteps of each plug as time passes, `begin` and `at_middle`
    the motion that begins or has just passed its middle. `capacity` counts the running motion too.
    """

    def __init__(
        self,
        turn: Callable[[Mapping[str, int]], None],
        capacity: int,
        begin: Callable[[Block], None] = _ignore,
        at_middle: Callable[[Block], None] = _ignore,
    ) -> None:
        self._turn = turn
        self._capacity = capacity
        self._begin = begin
        self._at_middle = at_middle
        self._blocks: deque[Block] = deque()

    def ends_s(self, now_s: float) -> float:
        """Return when everything will be still; `now_s` if it is already."""
        return max(now_s, self._blocks[-1].end_s) if self._blocks else now_s

    def room_s(self, now_s: float) -> float:
        """Return when the next motion can be taken in; `now_s` if there is room."""
        if len(self._blocks) < self._capacity:
            return now_s
        return max(now_s, self._blocks[-self._capacity].end_s)

    def add(self, steps: Mapping[str, int], ramp: Ramp, now_s: float) -> Block:
        """Take in a motion, which starts when the ones before it have ended, and return it."""
        block = Block(steps, ramp, self.ends_s(now_s))
        self._blocks.append(block)
        return block

    def advance(self, now_s: float) -> None:
        """Make every microstep that is due until `now_s`."""
        while self._blocks:
            block = self._blocks[0]
            has_ended = now_s >= block.end_s
            fraction = 1.0 if has_ended else block.ramp.fraction(now_s - block.start_s)
            if fraction > 0 and not block.has_begun:
                block.has_begun = True
                self._begin(block)
            if fraction >= 0.5 and not block.is_past_middle:
                block.is_past_middle = True
                self._make(block, 0.5)
                self._at_middle(block)
            self._make(block, fraction)
            if not has_ended:
                return
            self._blocks.popleft()

    def _make(self, block: Block, fraction: float) -> None:
        due = {plug: round(fraction * steps) for plug, steps in block.steps.items()}
        by_steps = {plug: steps - block.made.get(plug, 0) for plug, steps in due.items()}
        if any(by_steps.values()):
            self._turn(by_steps)
            block.made = due

    def halt(self, now_s: float) -> None:
        """Stop at `now_s` and forget the rest."""
        self.advance(now_s)
        self._blocks.clear()
