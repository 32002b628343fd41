"""What is really true of the simulated machine, and the faults it can be given by name.

Rule: the card (``bench-mule.toml``) is what a person believes, ``MachineTruth`` is what is so.
A fault changes the truth, never the card. Nobody but the simulated person and the tests looks
at the truth.
"""

from __future__ import annotations

import math
import random
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from importlib import resources
from typing import Any, Literal

from tuner.errors import UsedWrongly
from tuner.rehearsal.controller import Controller, Held
from tuner.rehearsal.physics import Carriage, Mechanics, Mechanism, VirtualClock

__all__ = [
    "DEFAULT_MULE",
    "FAULTS",
    "HEALTHY_MULE",
    "AxisTruth",
    "Fault",
    "MachineTruth",
    "Mule",
    "card_text",
    "machine",
]

FRAME_BEYOND_RANGE_MM = 3.0


@dataclass(frozen=True, kw_only=True)
class AxisTruth:
    """What one axis is really made of. `count` is teeth of a pulley or starts of a screw."""

    kind: Literal["belt", "screw"]
    pitch_mm: float
    count: int
    held_steps_per_mm: float
    play_mm: float
    range_mm: tuple[float, float]
    start_mm: float
    step_angle_deg: float = 1.8
    microsteps: int = 16
    eccentricity_mm: float = 0.0
    motor_plug: Literal["right", "turned", "off"] = "right"

    @property
    def travel_per_rev_mm(self) -> float:
        """True travel for one turn of pulley or screw, in mm."""
        return self.pitch_mm * self.count

    def mechanics(self, eccentricity_phase_rad: float) -> Mechanics:
        """Return the mechanics of this axis; the frame ends a little beyond its range."""
        low_mm, high_mm = self.range_mm
        return Mechanics(
            travel_per_rev_mm=self.travel_per_rev_mm,
            full_steps=round(360 / self.step_angle_deg),
            microsteps=self.microsteps,
            ends_mm=(low_mm - FRAME_BEYOND_RANGE_MM, high_mm + FRAME_BEYOND_RANGE_MM),
            play_mm=self.play_mm,
            eccentricity_mm=self.eccentricity_mm,
            eccentricity_phase_rad=eccentricity_phase_rad,
            direction=-1 if self.motor_plug == "turned" else 1,
            powered=self.motor_plug != "off",
        )


@dataclass(frozen=True)
class MachineTruth:
    """What the whole machine really is. `plugs` says which axis each motor plug drives."""

    axes: Mapping[str, AxisTruth]
    plugs: Mapping[str, str] = field(default_factory=lambda: {"x": "x", "y": "y", "z": "z"})
    stuck_in_inches: bool = False

    def with_axis(self, axis: str, **changes: Any) -> MachineTruth:
        """Return the same machine with `changes` to the parts of one axis."""
        changed = replace(self.axes[axis], **changes)
        return replace(self, axes={**self.axes, axis: changed})


HEALTHY_MULE = MachineTruth(
    {
        "x": AxisTruth(
            kind="belt",
            pitch_mm=2.0,
            count=20,
            held_steps_per_mm=80.0,
            play_mm=0.02,
            range_mm=(0.0, 220.0),
            start_mm=100.0,
        ),
        "y": AxisTruth(
            kind="belt",
            pitch_mm=2.0,
            count=20,
            held_steps_per_mm=80.0,
            play_mm=0.03,
            range_mm=(0.0, 220.0),
            start_mm=100.0,
        ),
        "z": AxisTruth(
            kind="screw",
            pitch_mm=4.0,
            count=1,
            held_steps_per_mm=800.0,
            play_mm=0.01,
            range_mm=(0.0, 120.0),
            start_mm=50.0,
        ),
    }
)

DEFAULT_MULE = HEALTHY_MULE.with_axis("x", count=16).with_axis("z", pitch_mm=5.0)


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with one axis. `axes` are those that can have it, `axis` the one
    that has it when nobody says which; `apply` returns the truth with the fault in it."""

    name: str
    axes: tuple[str, ...]
    says: str
    apply: Callable[[MachineTruth, str], MachineTruth]

    @property
    def axis(self) -> str:
        """The natural axis of this fault."""
        return self.axes[0]


def _swapped_plugs(truth: MachineTruth, axis: str) -> MachineTruth:
    other = "x" if axis == "y" else "y"
    return replace(truth, plugs={**truth.plugs, axis: other, other: axis})


def _stored_number(truth: MachineTruth, axis: str) -> MachineTruth:
    return truth.with_axis(axis, held_steps_per_mm=truth.axes[axis].held_steps_per_mm * 1.25)


_ALL = ("x", "y", "z")
_BELTS = ("x", "y")

FAULTS: Mapping[str, Fault] = {
    fault.name: fault
    for fault in (
        Fault("none", _ALL, "Every part is what the card says.", lambda truth, _: truth),
        Fault(
            "pulley-teeth",
            _BELTS,
            "The motor pulley has 16 teeth, the card says 20.",
            lambda truth, axis: truth.with_axis(axis, count=16),
        ),
        Fault(
            "screw-lead",
            ("z",),
            "The screw moves 5 mm per turn, the card says 4.",
            lambda truth, axis: truth.with_axis(axis, pitch_mm=5.0),
        ),
        Fault(
            "step-angle",
            _ALL,
            "The motor makes steps of 0.9 degrees, the card says 1.8.",
            lambda truth, axis: truth.with_axis(axis, step_angle_deg=0.9),
        ),
        Fault(
            "microsteps",
            _ALL,
            "The driver makes 8 microsteps of a full step, the card says 16.",
            lambda truth, axis: truth.with_axis(axis, microsteps=8),
        ),
        Fault(
            "belt-pitch",
            _BELTS,
            "The belt has a pitch of 2.032 mm, the card says 2.",
            lambda truth, axis: truth.with_axis(axis, pitch_mm=2.032),
        ),
        Fault(
            "play",
            _ALL,
            "The axis loses 0.30 mm whenever it turns round.",
            lambda truth, axis: truth.with_axis(axis, play_mm=0.30),
        ),
        Fault(
            "eccentric-pulley",
            _BELTS,
            "The motor pulley runs out of round: 0.15 mm to and fro in every turn.",
            lambda truth, axis: truth.with_axis(axis, eccentricity_mm=0.15),
        ),
        Fault(
            "inch-units",
            _ALL,
            "The controller wakes up in inches and does not obey G21.",
            lambda truth, _: replace(truth, stuck_in_inches=True),
        ),
        Fault(
            "wrong-way",
            _ALL,
            "The motor's plug is turned: the axis moves the wrong way.",
            lambda truth, axis: truth.with_axis(axis, motor_plug="turned"),
        ),
        Fault(
            "not-powered",
            _ALL,
            "The motor of the axis gets no current: its plug is loose.",
            lambda truth, axis: truth.with_axis(axis, motor_plug="off"),
        ),
        Fault(
            "swapped-plugs",
            _ALL,
            "The plugs of two motors are exchanged: the other axis moves.",
            _swapped_plugs,
        ),
        Fault(
            "stored-number",
            _ALL,
            "The controller holds 1.25 times the number on the card (100 for 80 steps per mm).",
            _stored_number,
        ),
    )
}


class Mule:
    """The simulated machine: mechanics, controller and clock behind one lock.

    The lock serialises a thread that reads with one that writes a stop. `fault` and `axis` are
    what it was made with, ``None`` for the machine as it usually stands on the bench.
    """

    def __init__(self, truth: MachineTruth, seed: int, fault: Fault | None, axis: str | None):
        self.truth = truth
        self.seed = seed
        self.fault = fault
        self.axis = axis
        self.clock = VirtualClock()
        self.lock = threading.RLock()
        phase_rad = random.Random(seed).uniform(0.0, math.tau)
        self.carriages: Mapping[str, Carriage] = {
            name: Carriage(one.mechanics(phase_rad), one.start_mm)
            for name, one in truth.axes.items()
        }
        switches_mm = {name: one.range_mm[0] for name, one in truth.axes.items()}
        held = {
            name: Held(one.held_steps_per_mm, one.range_mm[1] - one.range_mm[0])
            for name, one in truth.axes.items()
        }
        self.controller = Controller(
            Mechanism(self.carriages, truth.plugs, switches_mm),
            held,
            stuck_in_inches=truth.stuck_in_inches,
        )

    def true_mm(self) -> dict[str, float]:
        """Return where every carriage stands now, in true mm."""
        with self.lock:
            self.controller.advance(self.clock.now_s())
            return {name: carriage.true_mm for name, carriage in self.carriages.items()}

    def commanded(self) -> dict[str, float]:
        """Return where the controller believes every axis is, in the unit it counts in."""
        with self.lock:
            self.controller.advance(self.clock.now_s())
            return {name: self.controller.position(name) for name in self.carriages}

    def is_moving(self) -> bool:
        """Say whether anything moves now."""
        with self.lock:
            self.controller.advance(self.clock.now_s())
            return self.controller.is_moving()


def machine(fault: str | None, axis: str | None, seed: int) -> Mule:
    """Return a machine with the fault of that name, everything else healthy.

    Without a fault it is the mule as it usually stands on the bench, with a wrong pulley on x
    and a wrong screw on z, and `axis` does not matter. Without an axis the fault is on the one
    that it is natural for. Raises ``UsedWrongly`` for a fault that does not exist or that the
    axis cannot have.
    """
    if fault is None:
        return Mule(DEFAULT_MULE, seed, None, None)
    if fault not in FAULTS:
        raise UsedWrongly(f"there is no fault {fault!r}; choose one of: {', '.join(FAULTS)}")
    chosen = FAULTS[fault]
    at = chosen.axis if axis is None else axis
    if at not in chosen.axes:
        raise UsedWrongly(
            f"axis {at!r} cannot have the fault {fault}; choose one of: {', '.join(chosen.axes)}"
        )
    return Mule(chosen.apply(HEALTHY_MULE, at), seed, chosen, at)


def card_text() -> str:
    """Return the machine card of the mule, as TOML."""
    return resources.files("tuner.rehearsal").joinpath("bench-mule.toml").read_text("utf-8")
