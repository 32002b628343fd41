"""Simulated filament: what a turning feeder wheel really delivers.

Rule: the wheel's way is the motor's business; what of it reaches the filament depends on speed,
temperature and whether the filament is in the nozzle, and on nothing else.
"""

from __future__ import annotations

from tuner.rehearsal.physics import Mechanics, Motor

__all__ = ["Filament"]


class Filament:
    """Filament that a feeder wheel pushes; ``true_mm`` is what has really been delivered.

    With the filament `is_free` of the nozzle nothing holds it back. In the nozzle the wheel
    slips on it, by `slip` = (a, b, c) as a + b v + c v2 for v in mm/s at 210 degrees C; 20 degrees
    less are like twice the speed (an assumption, no source). Below 170 it does not melt and is
    ground away: nothing is delivered.
    """

    MELTS_C = 170.0
    SLIP_AT_C = 210.0
    DOUBLES_IN_C = 20.0

    def __init__(self, mechanics: Mechanics, slip: tuple[float, float, float]) -> None:
        self.mechanics = mechanics
        self.motor = Motor(mechanics)
        self.true_mm = 0.0
        self.is_free = False
        self._slip = slip
        self._grip = 1.0
        self._pull_mm = 0.0

    def begin(self, microsteps_per_s: float, nozzle_c: float) -> None:
        """Begin a feed at that highest speed of the motor with a nozzle at `nozzle_c`."""
        parts = self.mechanics
        turns_per_s = microsteps_per_s / parts.microsteps_per_turn * parts.gear_ratio
        self._grip = 1 - self.slip(turns_per_s * parts.travel_per_rev_mm, nozzle_c)

    def slip(self, mm_per_s: float, nozzle_c: float) -> float:
        """Return the part of the wheel's way, 0 to 1, that does not reach the filament."""
        if self.is_free:
            return 0.0
        if nozzle_c < self.MELTS_C:
            return 1.0
        alike_mm_per_s = mm_per_s * 2 ** ((self.SLIP_AT_C - nozzle_c) / self.DOUBLES_IN_C)
        least, by_speed, by_square = self._slip
        return min(1.0, least + by_speed * alike_mm_per_s + by_square * alike_mm_per_s**2)

    def follow(self, pull_mm: float) -> None:
        """Be pushed, or drawn back without slip, as the wheel has turned."""
        by_mm, self._pull_mm = pull_mm - self._pull_mm, pull_mm
        self.true_mm += by_mm * (self._grip if by_mm > 0 else 1.0)
