"""What a plan knows about the axis it is working on, and the readings taken so far."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from typing import Any, Literal, TypeVar

from tuner.card.schema import Axis, Caliper
from tuner.drive.scale import steps_per_mm
from tuner.errors import Defect
from tuner.messages import Approached, Message, Reply, Value
from tuner.metrology.reading import Reading
from tuner.metrology.targets import output_turn_mm

SLOW_MM_PER_MIN = 600.0  # 10 mm/s, until the scale has been read

Finding = dict[str, Any]
"""What was found of one axis, as plain data in the form of ``tuner examine --json``."""

Result = TypeVar("Result")
Part = Generator[Message, Reply, Result]
"""A piece of a plan that ends with a result."""


def hear(message: Message) -> Part[Any]:
    """Say `message`, which only a value answers, and return that value."""
    reply = yield message
    if not isinstance(reply, Value):
        raise Defect(f"{message.key} was answered with {reply}, where only a value answers")
    return reply.value


@dataclass(frozen=True)
class Stop:
    """One place to read, in commanded mm, the side to arrive from, and how fast.

    `predict` says what the caliper should show there, going by the readings that count when
    the place is read; a reading further than `within_mm` from that is asked for once more.
    """

    key: str
    to_mm: float
    approach: Approached
    feed_mm_per_min: float
    within_mm: float = 0.0
    predict: Callable[[AxisRun], float | None] = lambda _: None


@dataclass
class AxisRun:
    """One axis while it is being measured. Positions are commanded mm from the origin."""

    axis: Axis
    caliper: Caliper
    grows: Literal[1, -1] = 1
    visit: int = 1
    over_mm: float = 1.0
    minus_mm: float = 0.0
    plus_mm: float = 0.0
    mounted: bool = False
    scale_low: float = 1 / 25.4
    scale_high: float = 25.4
    error_limit_mm: float = 0.0
    readings: list[Reading] = field(default_factory=list)
    stops: list[Stop] = field(default_factory=list)
    ends_session: bool = False  # what was seen forbids moving anything else
    settled: int = 0  # so many readings have been built on and cannot be undone
    finding: Finding = field(default_factory=dict)
    zero_moved: bool = False

    @property
    def name(self) -> str:
        """The axis letter as on the card, lower case."""
        return self.axis.name

    @property
    def letter(self) -> str:
        """The axis letter as people and controllers write it."""
        return self.axis.name.upper()

    @property
    def motor_turn_mm(self) -> float:
        """Commanded mm of one turn of the motor, counted from steps."""
        per_mm = steps_per_mm(self.axis.stored, self.axis.train)
        return float(self.axis.train.motor.microsteps_per_rev / per_mm)

    @property
    def output_turn_mm(self) -> float:
        """Commanded mm of one nominal turn of the output shaft, counted from steps."""
        return output_turn_mm(self.axis.train, self.axis.stored)

    def slow_feed_mm_per_min(self) -> float:
        """At most 10 mm/s in truth and one motor turn per second, in whole mm per minute."""
        true_limit = SLOW_MM_PER_MIN / self.scale_high
        limit = min(true_limit, self.motor_turn_mm * 60.0, self.axis.feed_mm_per_min)
        return float(max(1, math.floor(limit)))

    def readings_as_data(self) -> list[dict[str, Any]]:
        """Return the readings with the keys of a proposal's ``[[reading]]``."""
        return [
            {
                "n": one.n,
                "commanded_mm": one.commanded_mm,
                "reading_mm": one.reading_mm,
                "approach": one.approach,
                "visit": one.visit,
            }
            for one in self.readings
        ]
