"""Simulated heaters: what is hot, and what the sensor says about it.

Rule: a heater is on its steady way to its target; its sensor may say something else.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Heater", "Sensor"]

Sensor = Literal["firm", "loose", "out"]

LOOSE_ABOVE_C = 100.0  # warmth moves the bad contact apart
OPEN_CIRCUIT_C = -40.0
REACHES_A_SENSOR_OUTSIDE = 0.03  # of the warmth; an assumption, no source


@dataclass
class Heater:
    """One heater: at `from_c` at `from_s`, and since then on its steady way to its target.

    A heater without `wire` takes a target and gets no warmer. A `loose` sensor opens its circuit
    when it is hot; one that is `out` hangs in the air beside what is heated.
    """

    rests_at_c: float
    warms_c_per_s: float
    cools_c_per_s: float
    wire: bool = True
    sensor: Sensor = "firm"
    target_c: float = 0.0
    from_c: float = 0.0
    from_s: float = 0.0

    def __post_init__(self) -> None:
        self.from_c = self.rests_at_c

    def at_c(self, now_s: float) -> float:
        """Return what is true, in degrees C."""
        wanted_c = max(self.target_c, self.rests_at_c) if self.wire else self.rests_at_c
        seconds = now_s - self.from_s
        if wanted_c > self.from_c:
            return min(wanted_c, self.from_c + self.warms_c_per_s * seconds)
        return max(wanted_c, self.from_c - self.cools_c_per_s * seconds)

    def shows_c(self, now_s: float) -> float:
        """Return what the sensor says, in degrees C."""
        now_c = self.at_c(now_s)
        if self.sensor == "loose" and now_c > LOOSE_ABOVE_C:
            return OPEN_CIRCUIT_C
        if self.sensor == "out":
            return self.rests_at_c + REACHES_A_SENSOR_OUTSIDE * (now_c - self.rests_at_c)
        return now_c

    def aim(self, target_c: float, now_s: float) -> None:
        """Take a new target at `now_s`."""
        self.from_c, self.from_s = self.at_c(now_s), now_s
        self.target_c = target_c
