"""The simulated machine as a whole: mechanics, controller and clock behind one lock.

Rule: it is asked for physical quantities only; what a person makes of them is ``hands.py``.
"""

from __future__ import annotations

import math
import random
import threading
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from tuner.rehearsal.controller import FEEDER, Controller, Held
from tuner.rehearsal.filament import Filament
from tuner.rehearsal.mechanism import Mechanism
from tuner.rehearsal.physics import Carriage, VirtualClock
from tuner.rehearsal.truth import BENCH_MULE, AxisTruth, MachineTruth

__all__ = ["Frame", "Mule"]


@dataclass(frozen=True)
class Frame:
    """A rectangle as the machine really makes it, in mm: two sides and both diagonals.

    The rising diagonal goes from the corner at low x and low y to the opposite one.
    """

    side_x_mm: float
    side_y_mm: float
    rising_mm: float
    falling_mm: float


class Mule:
    """One simulated machine.

    The lock serialises a thread that reads with one that writes a stop. `name` is that of its
    address; `fault` and `axis` name what it was made with, ``None`` for the machine as it usually
    stands on the bench. `typed` are the axes for which a person has typed in another number.
    """

    def __init__(
        self,
        truth: MachineTruth,
        seed: int,
        fault: str | None,
        axis: str | None,
        name: str = BENCH_MULE,
        typed: Collection[str] = (),
    ) -> None:
        self.truth = truth
        self.seed = seed
        self.fault = fault
        self.axis = axis
        self.name = name
        self.typed = frozenset(typed)
        self.clock = VirtualClock()
        self.lock = threading.RLock()
        self._phase_rad = random.Random(seed).uniform(0.0, math.tau)
        self.carriages: Mapping[str, Carriage | Filament] = {
            axis: self._carriage(axis, one) for axis, one in truth.axes.items()
        }
        self._beside = {
            axis: (Carriage(second.mechanics(self._phase_rad, f"{seed}/{axis}/2"), one.start_mm),)
            for axis, one in truth.axes.items()
            if (second := one.second_screw()) is not None
        }
        switched = {axis: one for axis, one in truth.axes.items() if one.has_switch}
        self.mechanism = Mechanism(
            self.carriages,
            truth.plugs,
            {axis: one.range_mm[0] for axis, one in switched.items()},
            beside=self._beside,
            coupled_belts=truth.habits.coupled_belts,
            switch_scatter_mm={axis: one.switch_scatter_mm for axis, one in switched.items()},
        )
        held = {
            axis: Held(
                one.held_steps_per_mm,
                one.range_mm[1] - one.range_mm[0] if one.has_switch else None,
                one.clips_mm,
            )
            for axis, one in truth.axes.items()
        }
        self.controller = Controller(self.mechanism, held, truth.habits)

    def _carriage(self, axis: str, one: AxisTruth) -> Carriage | Filament:
        mechanics = one.mechanics(self._phase_rad, f"{self.seed}/{axis}")
        if one.kind == "feeder":
            return Filament(mechanics, one.slip)
        return Carriage(mechanics, one.start_mm)

    def _advance(self) -> float:
        now_s = self.clock.now_s()
        self.controller.advance(now_s)
        return now_s

    def true_mm(self) -> dict[str, float]:
        """Return where everything stands now as seen from a square frame that never moves.

        True mm of a carriage, true degrees of what turns, delivered mm of a feeder's filament; of
        an axis on several screws the middle between them.
        """
        with self.lock:
            minutes = self._advance() / 60
            seen_mm = {
                axis: one.true_mm + self.truth.axes[axis].drift_mm_per_min * minutes
                for axis, one in self.carriages.items()
            }
            for axis in self._beside:
                at_mm = self._at_screws_mm(axis)
                seen_mm[axis] += sum(at_mm) / len(at_mm) - at_mm[0]
            if self.truth.skew_deg:
                lean_rad = math.radians(self.truth.skew_deg)
                seen_mm["x"] += seen_mm["y"] * math.sin(lean_rad)
                seen_mm["y"] *= math.cos(lean_rad)
            return seen_mm

    def at_screws_mm(self, axis: str) -> tuple[float, ...]:
        """Return where an axis stands at each of its screws, in true mm."""
        with self.lock:
            self._advance()
            return self._at_screws_mm(axis)

    def _at_screws_mm(self, axis: str) -> tuple[float, ...]:
        beside = self._beside.get(axis, ())
        return (self.carriages[axis].true_mm, *(one.true_mm for one in beside))

    def temperature_c(self, heater: str = "T") -> float:
        """Return how hot the nozzle "T" or the bed "B" really is now."""
        with self.lock:
            return self.controller.temperature_c(heater, self._advance())

    def free_filament(self, is_free: bool) -> None:
        """Take the filament out of the nozzle, so that it hangs free, or put it back."""
        with self.lock:
            self._advance()
            filament = self.carriages[FEEDER]
            if isinstance(filament, Filament):
                filament.is_free = is_free

    def frame_mm(self, width_mm: float, height_mm: float) -> Frame:
        """Return the rectangle that the machine makes when it is told these sides along X and Y.

        Play, wobble and losses are left out: it is what its parts make.
        """
        along_x, along_y = self._leg_mm(width_mm, 0.0), self._leg_mm(0.0, height_mm)
        rising = (along_x[0] + along_y[0], along_x[1] + along_y[1])
        falling = (along_x[0] - along_y[0], along_x[1] - along_y[1])
        return Frame(*(math.hypot(*leg) for leg in (along_x, along_y, rising, falling)))

    def _leg_mm(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        truth = self.truth
        is_coupled = truth.habits.coupled_belts
        told = {"x": x_mm + y_mm, "y": x_mm - y_mm} if is_coupled else {"x": x_mm, "y": y_mm}
        pulled_mm = {}
        for plug, mm in told.items():
            axis = truth.plugs[plug]
            parts = truth.axes[axis]
            turns = mm * truth.axes[plug].held_steps_per_mm * parts.step_angle_deg
            turns /= 360 * parts.microsteps
            pulled_mm[axis] = turns * parts.travel_per_rev_mm * parts.gear[0] / parts.gear[1]
        x, y = pulled_mm["x"], pulled_mm["y"]
        if is_coupled:
            x, y = (x + y) / 2, (x - y) / 2
        lean_rad = math.radians(truth.skew_deg)
        return x + y * math.sin(lean_rad), y * math.cos(lean_rad)

    def lost_cycles(self, axis: str) -> int:
        """Return how many electrical cycles the motor of an axis is behind, with the sign of
        the moves that lost them."""
        with self.lock:
            self._advance()
            return self.carriages[axis].motor.lost_cycles

    def jumped_teeth(self, axis: str) -> int:
        """Return how many teeth the belt of an axis is behind its pulley, signed alike."""
        with self.lock:
            self._advance()
            return self.carriages[axis].motor.jumped_teeth

    def is_driver_hot(self, axis: str) -> bool:
        """Say whether the driver of an axis has become so hot that it fails now and then."""
        weakness = self.truth.axes[axis].weakness
        return weakness is not None and self.clock.now_s() > weakness.hot_after_s

    def commanded(self) -> dict[str, float]:
        """Return where the controller believes every axis is, in the unit it counts in."""
        with self.lock:
            self._advance()
            return {axis: self.controller.position(axis) for axis in self.carriages}

    def is_moving(self) -> bool:
        """Say whether anything moves now."""
        with self.lock:
            self._advance()
            return self.controller.is_moving()
