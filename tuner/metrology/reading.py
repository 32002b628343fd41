"""One caliper reading, as it was taken. Nothing here is corrected or left out."""

from __future__ import annotations

import math
from dataclasses import KW_ONLY, dataclass
from typing import Literal

from tuner.errors import BadReadings

Approached = Literal["plus", "minus"]


@dataclass(frozen=True)
class Reading:
    """One caliper value with its commanded position, both in mm.

    `approach` is the direction of the move by which the axis arrived, None when nobody
    wrote it down. `n` counts readings from 1 in the order taken. `visit` rises by one
    whenever the position was lost: readings of one visit share one datum. `time_s` counts
    from any start. Raises ``BadReadings`` for a value no caliper and no axis can have.
    """

    commanded_mm: float
    reading_mm: float
    approach: Approached | None
    _: KW_ONLY
    n: int
    visit: int = 1
    time_s: float | None = None
    feed_mm_per_min: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.commanded_mm) and math.isfinite(self.reading_mm)):
            raise BadReadings(
                f"reading {self.n} is {self.reading_mm} mm at {self.commanded_mm} mm; both must "
                "be plain numbers; read the caliper again"
            )
        if self.approach not in ("plus", "minus", None):
            raise BadReadings(
                f"reading {self.n} has approach {self.approach!r}; expected plus or minus: the "
                "direction of the move by which the axis arrived"
            )
