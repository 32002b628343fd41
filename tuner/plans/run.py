"""What a plan knows about the axis it is working on, and the readings taken so far."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from tuner.card.schema import Axis, Caliper
from tuner.drive.scale import output_turn_mm, steps_per_mm
from tuner.errors import Defect
from tuner.messages import Approached, Message, Reply, Value

if TYPE_CHECKING:
    from tuner.metrology.causes import Looked
    from tuner.metrology.lattice import DatumLook
    from tuner.metrology.reading import Reading

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
    Where `is_for_scale` is false, the reading says nothing of the scale. `place` counts the places
    of the measuring plan from 1, 0 on the ladder. A spacer block of
    `block_mm` stands between datum and caliper. `replaces` is the number of the reading that
    this one takes the place of, 0 without one.
    """

    key: str
    to_mm: float
    approach: Approached
    feed_mm_per_min: float
    within_mm: float = 0.0
    predict: Callable[[AxisRun], float | None] = lambda _: None
    place: int = 0
    block_mm: float = 0.0
    replaces: int = 0
    is_for_scale: bool = True


@dataclass
class AxisRun:
    """One axis while it is being measured. Positions are commanded mm from the origin.

    `readings` are those that count, in the order taken, and `stops` their places; `withdrawn`
    are those that the others contradict; `same_twice` are the numbers of those that looked misread
    and came out the same when they were read again. Each of `repeats` is a reading and those after
    it for which the caliper was seated anew without a move. `second_visit` is the visit with which
    the second placing of the caliper began, 0 before that. `datum_look` is what the zero with
    closed jaws says after the readings.

    On coupled belts `slant` bounds the true mm that the other axis moves for each commanded mm of
    this one, `beside_mm` is how far that one is free from its origin, both ways, and `across` are
    readings of this axis at commanded positions of the other one. `station` names the place along
    the axis where it is read, such as a screw, when there are several, and `first_n` is the number
    of the first reading there. `judge` makes the finding
    from the run where readings of this axis alone do not. `to_be_typed` is the number that a
    proposal said to type, in the form of the card; None where none is being checked.
    """

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
    withdrawn: list[Reading] = field(default_factory=list)
    same_twice: set[int] = field(default_factory=set)
    repeats: list[list[Reading]] = field(default_factory=list)
    second_visit: int = 0
    block_mm: float = 0.0
    block_u_mm: float = 0.0
    cannot_see: dict[str, str] = field(default_factory=dict)
    hold_time_s: float | None = None
    to_be_typed: float | None = None
    quick: bool = False  # the first four readings have to do
    datum_look: DatumLook | None = None
    slant: float = 0.0
    beside_mm: float = 0.0
    across: list[Reading] = field(default_factory=list)
    station: str = ""
    first_n: int = 1
    judge: Callable[[Any], Finding] | None = None
    ends_session: bool = False  # what was seen forbids moving anything else
    watched_at: int = 0  # the connecting since which its first move was seen, 0 for none
    climbed: bool = False  # the last ladder was climbed to its top
    settled: int = 0  # so many readings have been built on and cannot be undone
    finding: Finding = field(default_factory=dict)
    zero_moved: bool = False
    looks: dict[str, Looked] = field(default_factory=dict)  # what was seen of suspected parts
    looked: dict[str, dict[str, str]] = field(default_factory=dict)  # in words, unsure as well
    asked: set[str] = field(default_factory=set)  # the looks that were asked for

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

    @property
    def next_n(self) -> int:
        """The number of the next reading."""
        return max(self.first_n, 1 + max((r.n for r in (*self._taken(), *self.across)), default=0))

    @property
    def counting(self) -> int:
        """How many readings count: those that were neither undone nor contradicted."""
        return len(self._taken()) - len(self.withdrawn)

    @property
    def unit(self) -> str:
        """``mm``, or ``deg`` for what turns."""
        return self.axis.train.unit

    @property
    def read_at(self) -> str:
        """What the keys of readings begin with: the axis, and the station where there is one."""
        return f"{self.name}.{self.station}" if self.station else self.name

    def slow_feed_mm_per_min(self) -> float:
        """At most 10 mm/s in truth and one motor turn per second, in whole mm per minute."""
        true_limit = SLOW_MM_PER_MIN / self.scale_high
        limit = min(true_limit, self.motor_turn_mm * 60.0, self.axis.feed_mm_per_min)
        return float(max(1, math.floor(limit)))

    def readings_as_data(self) -> list[dict[str, Any]]:
        """Return all readings, as taken, with the keys of a proposal's ``[[reading]]``."""
        suspects = {one.n for one in self.withdrawn} | {*(self.finding["suspect_readings"] or ())}
        return [
            {
                "n": one.n,
                "commanded_mm": one.commanded_mm,
                "reading_mm": one.reading_mm,
                "approach": one.approach,
                "visit": one.visit,
                "time_s": one.time_s,
                "suspect": one.n in suspects,
            }
            for one in sorted(self._taken(), key=lambda one: one.n)
        ]

    def _taken(self) -> list[Reading]:
        """Return every reading once that was not undone."""
        seated = [one for _, *others in self.repeats for one in others]
        return [*self.readings, *self.withdrawn, *seated]
