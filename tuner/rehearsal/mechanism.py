"""Everything of the simulated machine that turns and slides, joined as it is on the bench.

Rule: the plugs of the controller turn motors, the motors pull, the carriages follow; what several
motors move together follows only after all of them have turned.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence

from tuner.rehearsal.filament import Filament
from tuner.rehearsal.physics import Carriage, Motor

__all__ = ["Mechanism"]


class Mechanism:
    """Everything that turns and slides, which motor each plug of the controller drives, and the
    end switches.

    A switch sits at the low end of each axis in `switches_mm` and is pressed at or below it; with
    `switch_scatter_mm` it answers up to so far off, anew at every search. `beside` has further
    screws of an axis, turned by the same plug. With `coupled_belts` the motors of x and y are the
    motors a and b of two belts: a pulls x + y, b pulls x - y.
    """

    def __init__(
        self,
        carriages: Mapping[str, Carriage | Filament],
        plugs: Mapping[str, str],
        switches_mm: Mapping[str, float],
        *,
        beside: Mapping[str, Sequence[Carriage]] | None = None,
        coupled_belts: bool = False,
        switch_scatter_mm: Mapping[str, float] | None = None,
    ) -> None:
        self.carriages = carriages
        self.plugs = plugs
        self.switches_mm = switches_mm
        self.beside = beside or {}
        self.coupled_belts = coupled_belts
        self._scatter_mm = switch_scatter_mm or {}
        self._switch_off_mm = dict.fromkeys(switches_mm, 0.0)
        self._searches = 0
        self._holds: bool | None = None  # not until something has moved

    def _motors(self, plug: str) -> list[Motor]:
        axis = self.plugs[plug]
        return [self.carriages[axis].motor, *(one.motor for one in self.beside.get(axis, ()))]

    def _settle(self) -> None:
        """Let every carriage follow what the motors have pulled."""
        pulled_mm = {axis: one.motor.pulled_mm for axis, one in self.carriages.items()}
        if self.coupled_belts:
            a_mm, b_mm = pulled_mm["x"], pulled_mm["y"]
            pulled_mm["x"], pulled_mm["y"] = (a_mm + b_mm) / 2, (a_mm - b_mm) / 2
        for axis, carriage in self.carriages.items():
            carriage.follow(pulled_mm[axis])
            for other in self.beside.get(axis, ()):
                other.follow(other.motor.pulled_mm)

    def turn(self, steps: Mapping[str, int]) -> None:
        """Make signed microsteps of the motors in these plugs, all at the same time."""
        for plug, microsteps in steps.items():
            for motor in self._motors(plug):
                motor.turn(microsteps)
        self._settle()

    def begin(self, speeds: Mapping[str, float], nozzle_c: float) -> None:
        """Begin a motion with these highest speeds, in microsteps per second of each plug."""
        for plug, microsteps_per_s in speeds.items():
            moved = self.carriages[self.plugs[plug]]
            if isinstance(moved, Filament):
                moved.begin(microsteps_per_s, nozzle_c)

    def strain(self, steps: Mapping[str, int], speeds: Mapping[str, float], at_s: float) -> None:
        """Pass the middle of a motion of `steps` at `at_s`: who is weak falls behind there."""
        for plug, microsteps in steps.items():
            for motor in self._motors(plug):
                motor.strain(microsteps, speeds[plug], at_s)
        self._settle()

    def let_go(self) -> None:
        """Take the current off all motors; what is heavy may sink."""
        if self._holds:
            self._holds = False
            for motor in self._all_motors():
                motor.sink()
            self._settle()

    def take_hold(self) -> None:
        """Give all motors current before a motion."""
        if self._holds is False:
            for motor in self._all_motors():
                motor.snap()
            self._settle()
        self._holds = True

    def _all_motors(self) -> list[Motor]:
        return [motor for plug in self.plugs for motor in self._motors(plug)]

    def is_pressed(self, axis: str) -> bool:
        """Say whether the end switch of `axis` is pressed."""
        off_mm = self._switch_off_mm[axis]
        return self.carriages[axis].true_mm <= self.switches_mm[axis] + off_mm

    def steps_to_switch(self, axis: str, most: Mapping[str, int]) -> dict[str, int] | None:
        """Return the first microsteps on the way `most` that press the switch of `axis`.

        ``None`` when the switch stays open all the way. A search begins with this.
        """
        self._searches += 1
        scatter_mm = self._scatter_mm.get(axis, 0.0)
        chance = self.carriages[axis].mechanics.chance("switch", self._searches)
        self._switch_off_mm[axis] = scatter_mm * chance.uniform(-1.0, 1.0)
        if self.is_pressed(axis):
            return dict.fromkeys(most, 0)
        longest = max(map(abs, most.values()))

        def part(of_longest: int) -> dict[str, int]:
            return {plug: round(steps * of_longest / longest) for plug, steps in most.items()}

        def presses(of_longest: int) -> bool:
            trial = copy.deepcopy(self)
            trial.turn(part(of_longest))
            return trial.is_pressed(axis)

        if not presses(longest):
            return None
        open_steps, pressed_steps = 0, longest
        while pressed_steps - open_steps > 1:
            middle = (open_steps + pressed_steps) // 2
            if presses(middle):
                pressed_steps = middle
            else:
                open_steps = middle
        return part(pressed_steps)
