"""What a machine card holds, once it has been read and found right.

A card says what a person believes about one machine: its parts, what its controller has
stored, how far each axis goes. Nothing here is measured and nothing is ever written back
to a machine. The parts and the stored number are exact fractions; everything that only
limits or times a move is a float.

For a rotary axis read degrees wherever a name says mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Literal

from tuner.drive.parts import DriveTrain
from tuner.drive.scale import Stored, steps_per_mm


@dataclass(frozen=True)
class Caliper:
    """The caliper in the person's hand; `error_limit_mm` is for outside jaws (DIN 862)."""

    range_mm: float
    resolution_mm: float
    error_limit_mm: float
    id: str | None = None
    calibrated_on: date | None = None


@dataclass(frozen=True)
class EndSwitch:
    """Where the end switch of an axis is, and the position it stands for."""

    at: Literal["min", "max", "none"]
    position_mm: float


@dataclass(frozen=True)
class Filament:
    """What a feeder may do to its filament."""

    diameter_mm: float
    max_feed_mm_per_s: float
    max_temperature_c: float


@dataclass(frozen=True, kw_only=True)
class Axis:
    """One axis as its owner describes it.

    `range_mm` is where it may stand, in the positions of the machine. A feeder has no
    ends; its range is 0 to 0, so that no envelope ever lets it move as an axis.
    `filament` is given for a feeder and for nothing else. `moves` says which part moves
    when the number grows: plus is always tool relative to work (ISO 841).
    """

    name: str
    train: DriveTrain
    stored: Stored
    range_mm: tuple[float, float]
    reference: EndSwitch
    reading_grows: Literal["plus", "minus"]
    feed_mm_per_min: float
    acceleration_mm_per_s2: float
    max_pulse_rate_hz: float
    motors: int
    moves: Literal["tool", "bed"]
    vertical: bool
    filament: Filament | None = None

    @property
    def length_mm(self) -> float:
        """How far the axis can go, from end to end."""
        return self.range_mm[1] - self.range_mm[0]

    @property
    def stored_steps_per_mm(self) -> Fraction:
        """How many steps the controller sends for one commanded mm."""
        return steps_per_mm(self.stored, self.train)


@dataclass(frozen=True, kw_only=True)
class Card:
    """One machine. `text` is the file as it was found, `sha256` that of its bytes."""

    name: str
    layout: Literal["independent", "coupled-belts"]
    dialect: str
    baud: int
    hold_time_s: float
    caliper: Caliper
    axes: Mapping[str, Axis]
    text: str
    sha256: str
