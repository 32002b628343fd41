"""The faults that a simulated machine can be given by name.

Rule: a fault changes the truth, never the card, and says in one sentence what it is.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from importlib import resources
from types import MappingProxyType
from typing import Any, Literal

from tuner.errors import UsedWrongly
from tuner.rehearsal.mule import Mule
from tuner.rehearsal.physics import Weakness
from tuner.rehearsal.truth import (
    BENCH_MULE,
    DEFAULT_MULE,
    HEALTHY,
    HEALTHY_MULE,
    HEALTHY_PACK_MULE,
    PACK_MULE,
    AxisTruth,
    MachineTruth,
)

__all__ = [
    "BENCH_MULE",
    "DEFAULT_MULE",
    "FAULTS",
    "HEALTHY_MULE",
    "HEALTHY_PACK_MULE",
    "PACK_MULE",
    "AxisTruth",
    "Fault",
    "MachineTruth",
    "Mule",
    "card_text",
    "machine",
    "machine_with",
]

# Faster than any axis is measured unless somebody asks for more: 100 mm/s on 20 teeth of 2 mm.
_LIMIT_REV_PER_S = 2.5
_HOT_AFTER_S = 600.0
# Among the few long moves between the readings of a session, and not the first of them.
_LOSES_IN_MOVES = (2, 3)
_BREAKS_IN_MOVE = 3

# Delivered 0.97, 0.94 and 0.88 of the wheel's way at 1, 3 and 6 mm/s.
_WORN_GRIP = (0.018, 0.011, 0.001)

_Apply = Callable[[MachineTruth, str, random.Random], MachineTruth]


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong. `on` has, for each machine that can have it, the axes that can;
    the first machine and its first axis have it when nobody says which. `apply` returns the truth
    with the fault in it, given the truth, the axis, and a source of chance."""

    name: str
    on: Mapping[str, tuple[str, ...]]
    says: str
    apply: _Apply

    @property
    def machine(self) -> str:
        """The natural machine of this fault."""
        return next(iter(self.on))

    @property
    def axes(self) -> tuple[str, ...]:
        """The axes of its natural machine that can have it."""
        return self.on[self.machine]

    @property
    def axis(self) -> str:
        """The natural axis of this fault."""
        return self.axes[0]


def _parts(**changes: Any) -> _Apply:
    return lambda truth, axis, _: truth.with_axis(axis, **changes)


def _habits(**changes: Any) -> _Apply:
    return lambda truth, _axis, _chance: truth.with_habits(**changes)


def _swapped_plugs(truth: MachineTruth, axis: str, _: random.Random) -> MachineTruth:
    other = "x" if axis == "y" else "y"
    return replace(truth, plugs={**truth.plugs, axis: other, other: axis})


def _stored_number(truth: MachineTruth, axis: str, _: random.Random) -> MachineTruth:
    return truth.with_axis(axis, held_steps_per_mm=truth.axes[axis].held_steps_per_mm * 1.25)


def _loses_once(unit: Literal["cycle", "tooth"], most: int) -> _Apply:
    def apply(truth: MachineTruth, axis: str, chance: random.Random) -> MachineTruth:
        weakness = Weakness(unit=unit, most=most, in_move=chance.randint(*_LOSES_IN_MOVES))
        return truth.with_axis(axis, weakness=weakness)

    return apply


def _released(truth: MachineTruth, axis: str, _: random.Random) -> MachineTruth:
    return truth.with_axis(axis, snaps=True).with_habits(releases_after_s=120.0)


def _sinks(truth: MachineTruth, axis: str, _: random.Random) -> MachineTruth:
    return truth.with_axis(axis, sinks_mm=12.0).with_habits(releases_after_s=120.0)


def _misread(truth: MachineTruth, axis: str, chance: random.Random) -> MachineTruth:
    return truth.with_axis(axis, misread_at=chance.randint(6, 8))


def _nudged(**moved: float) -> _Apply:
    def apply(truth: MachineTruth, axis: str, chance: random.Random) -> MachineTruth:
        return truth.with_axis(axis, face_moves_at=chance.randint(6, 9), **moved)

    return apply


_BELTS = {BENCH_MULE: ("x", "y"), PACK_MULE: ("x", "y")}
_STRAIGHT = {BENCH_MULE: ("x", "y", "z"), PACK_MULE: ("x", "y", "z")}
_ALL = {BENCH_MULE: ("x", "y", "z"), PACK_MULE: ("x", "y", "z", "c", "e")}
_FEEDER = {PACK_MULE: ("e",)}
_TWO_SCREWS = {PACK_MULE: ("z",)}

FAULTS: Mapping[str, Fault] = {
    fault.name: fault
    for fault in (
        Fault("none", _ALL, "Every part is what the card says.", _parts()),
        # --- parts ---
        Fault(
            "pulley-teeth",
            _BELTS,
            "The motor pulley has 16 teeth, the card says 20.",
            _parts(count=16),
        ),
        Fault(
            "screw-lead",
            {BENCH_MULE: ("z",)},
            "The screw moves 5 mm per turn, the card says 4.",
            _parts(pitch_mm=5.0),
        ),
        Fault(
            "step-angle",
            _ALL,
            "The motor makes steps of 0.9 degrees, the card says 1.8.",
            _parts(step_angle_deg=0.9),
        ),
        Fault(
            "microsteps",
            _ALL,
            "The driver makes 8 microsteps of a full step, the card says 16.",
            _parts(microsteps=8),
        ),
        Fault(
            "belt-pitch",
            _BELTS,
            "The belt has a pitch of 2.032 mm, the card says 2.",
            _parts(pitch_mm=2.032),
        ),
        Fault(
            "gear-teeth",
            {PACK_MULE: ("e", "c")},
            "The large wheel has one tooth less than the card says.",
            lambda truth, axis, _: truth.with_axis(
                axis, gear=(truth.axes[axis].gear[0], truth.axes[axis].gear[1] - 1)
            ),
        ),
        Fault(
            "feeder-diameter",
            _FEEDER,
            "The feeder's wheel is worn to an effective 7.15 mm, the card says 7.3.",
            _parts(diameter_mm=7.15),
        ),
        Fault(
            "stored-number",
            _ALL,
            "The controller holds 1.25 times the number on the card (100 for 80 steps per mm).",
            _stored_number,
        ),
        # --- play, runout, what bends ---
        Fault(
            "play",
            {BENCH_MULE: ("x", "y", "z"), PACK_MULE: ("x", "y", "z", "c")},
            "The axis loses 0.30 mm whenever it turns round.",
            _parts(play_mm=0.30),
        ),
        Fault(
            "loose-pulley",
            _BELTS,
            "The pulley's screw is loose: 0.2 to 1.5 mm are lost whenever the axis turns round.",
            _parts(play_mm=0.2, most_play_mm=1.5),
        ),
        Fault(
            "eccentric-pulley",
            _BELTS,
            "The motor pulley runs out of round: 0.15 mm to and fro in every turn.",
            _parts(eccentricity_mm=0.15),
        ),
        Fault(
            "eccentric-idler",
            _BELTS,
            "A wheel behind the pulley is out of round: 0.15 mm to and fro in 1.25 pulley turns.",
            _parts(eccentricity_mm=0.15, eccentric_turns=1.25),
        ),
        Fault(
            "drift",
            _STRAIGHT,
            "The frame warms and grows: the axis wanders 0.01 mm a minute.",
            _parts(drift_mm_per_min=0.01),
        ),
        Fault(
            "skew",
            _BELTS,
            "X and Y stand 0.2 degrees off square.",
            lambda truth, _axis, _: replace(truth, skew_deg=0.2),
        ),
        Fault(
            "unlike-screws",
            _TWO_SCREWS,
            "The second screw has 12 threads to the inch, the first a pitch of 2 mm.",
            _parts(second_pitch_mm=25.4 / 12),
        ),
        # --- what is lost on the way ---
        Fault(
            "lost-steps",
            _STRAIGHT,
            "The motor loses one to three electrical cycles, once, in an ordinary move.",
            _loses_once("cycle", 3),
        ),
        Fault(
            "torque-limit",
            {BENCH_MULE: ("x", "y", "z"), PACK_MULE: ("x", "y", "z", "c")},
            "The motor is too weak: it loses electrical cycles above 2.5 turns a second.",
            _parts(weakness=Weakness(unit="cycle", most=3, limit_rev_per_s=_LIMIT_REV_PER_S)),
        ),
        Fault(
            "hot-driver",
            _ALL,
            "The driver gets hot and loses electrical cycles, ever more often after ten minutes.",
            _parts(weakness=Weakness(unit="cycle", most=2, hot_after_s=_HOT_AFTER_S)),
        ),
        Fault(
            "belt-jump",
            _BELTS,
            "The belt jumps one tooth, once, in an ordinary move.",
            _loses_once("tooth", 1),
        ),
        Fault(
            "slack-belt",
            _BELTS,
            "The belt is slack: it jumps one or two teeth above 2.5 motor turns a second.",
            _parts(weakness=Weakness(unit="tooth", most=2, limit_rev_per_s=_LIMIT_REV_PER_S)),
        ),
        Fault(
            "slipping-nut",
            {BENCH_MULE: ("z",)},
            "The nut slips by 0.3 to 0.7 mm in every other long move, in plus direction only.",
            _parts(weakness=Weakness(unit="slip", most=1, now_and_then=0.5)),
        ),
        Fault(
            "motor-released",
            _STRAIGHT,
            "After two minutes of rest the motor is released, and comes back elsewhere.",
            _released,
        ),
        Fault(
            "sinks",
            _TWO_SCREWS,
            "The vertical axis sinks 12 mm whenever its motors get no current.",
            _sinks,
        ),
        Fault(
            "datum-moved",
            _STRAIGHT,
            "The fixed face is nudged by 0.37 mm between two readings.",
            _nudged(face_moved_mm=0.37),
        ),
        Fault(
            "caliper-zero",
            _STRAIGHT,
            "The caliper's zero is moved by 0.37 mm between two readings.",
            _nudged(face_moved_mm=0.37, zero_mm=0.37),
        ),
        Fault(
            "caliper-tilted",
            _STRAIGHT,
            "The caliper is held 2 degrees off the axis.",
            _parts(tilt_deg=2.0),
        ),
        Fault(
            "misread",
            {BENCH_MULE: ("x", "y", "z"), PACK_MULE: ("x", "y", "z", "c")},
            "Two digits of one reading are written down in the wrong order.",
            _misread,
        ),
        Fault(
            "switch-scatter",
            _STRAIGHT,
            "The end switch is worn: it answers up to 0.1 mm too early or too late.",
            _parts(switch_scatter_mm=0.1),
        ),
        # --- motors, plugs, controller ---
        Fault(
            "inch-units",
            _ALL,
            "The controller wakes up in inches and does not obey G21.",
            _habits(stuck_in_inches=True),
        ),
        Fault(
            "wrong-way",
            _ALL,
            "The motor's plug is turned: the axis moves the wrong way.",
            _parts(motor_plug="turned"),
        ),
        Fault(
            "not-powered",
            _ALL,
            "The motor of the axis gets no current: its plug is loose.",
            _parts(motor_plug="off"),
        ),
        Fault(
            "motor-phase",
            _ALL,
            "One winding of the motor has no contact: it shakes and does not turn.",
            _parts(motor_plug="half"),
        ),
        Fault(
            "swapped-plugs",
            _STRAIGHT,
            "The plugs of two motors are exchanged: the other axis moves.",
            _swapped_plugs,
        ),
        Fault(
            "limit-clipped",
            _STRAIGHT,
            "The controller goes no further than 45 mm from where it woke up, and does not say so.",
            _parts(clips_mm=(-45.0, 45.0)),
        ),
        Fault(
            "speed-override",
            _ALL,
            "The panel is set to half the speed.",
            _habits(feed_part=0.5),
        ),
        Fault(
            "move-not-made",
            _STRAIGHT,
            "The controller takes one move, says ok, and never makes it.",
            _habits(skips_move=_BREAKS_IN_MOVE),
        ),
        Fault(
            "restart",
            _STRAIGHT,
            "The controller restarts in the middle of a move.",
            _habits(breaks="restart", breaks_in_move=_BREAKS_IN_MOVE),
        ),
        Fault(
            "cable-loose",
            _STRAIGHT,
            "The data cable comes out in the middle of a move.",
            _habits(breaks="cable", breaks_in_move=_BREAKS_IN_MOVE),
        ),
        # --- feeder and heat ---
        Fault(
            "flow-override",
            _FEEDER,
            "The panel is set to a flow of 90 %.",
            _habits(flow_part=0.9),
        ),
        Fault(
            "feeder-slip",
            _FEEDER,
            "The feeder slips in the hot nozzle: 3 % at 1 mm/s, 6 % at 3, 12 % at 6.",
            _parts(slip=_WORN_GRIP),
        ),
        Fault(
            "cold-feed-refused",
            _FEEDER,
            "The controller feeds no filament while the nozzle is below 170 degrees.",
            _habits(coldest_feed_c=170.0),
        ),
        Fault(
            "heater-dead",
            _FEEDER,
            "The nozzle's heater has a broken wire: it never gets warm.",
            _habits(nozzle_has_wire=False),
        ),
        Fault(
            "sensor-loose",
            _FEEDER,
            "The nozzle's sensor loses contact above 100 degrees.",
            _habits(nozzle_sensor="loose"),
        ),
        Fault(
            "sensor-out",
            _FEEDER,
            "The nozzle's sensor has slipped out: it hardly sees the nozzle get hot.",
            _habits(nozzle_sensor="out"),
        ),
    )
}


def machine_with(fault: str | None, axis: str | None) -> str:
    """Return the name of the machine for a rehearsal of `fault` on `axis`.

    It is the fault's natural one, unless only the other has that axis.
    """
    on = _ALL if fault is None or fault not in FAULTS else FAULTS[fault].on
    natural = next(iter(on))
    return next((name for name, axes in on.items() if axis is None or axis in axes), natural)


def machine(
    fault: str | None,
    axis: str | None,
    seed: int,
    name: str | None = None,
    typed: Mapping[str, float] = MappingProxyType({}),
) -> Mule:
    """Return a machine with the fault of that name, everything else healthy.

    Without a fault it is the machine as it usually stands on the bench, and `axis` only chooses
    it: the Bench mule with a wrong pulley on x and a wrong screw on z, or the Pack mule, healthy.
    Without an axis the fault is on the one that it is natural for, and so without the `name` of
    a machine. `typed` maps axes to the steps per mm that a person has typed into the controller
    since. Raises ``UsedWrongly`` for a fault that does not exist or that the machine or its axis
    cannot have.
    """
    if fault is not None and fault not in FAULTS:
        raise UsedWrongly(f"there is no fault {fault!r}; choose one of: {', '.join(FAULTS)}")
    name = machine_with(fault, axis) if name is None else name
    if fault is None:
        truth = DEFAULT_MULE if name == BENCH_MULE else HEALTHY[name]
        return Mule(_with_typed(truth, typed), seed, None, None, name, typed)
    chosen = FAULTS[fault]
    if name not in chosen.on:
        raise UsedWrongly(f"{name} cannot have the fault {fault}; {chosen.machine} can")
    at = chosen.on[name][0] if axis is None else axis
    if at not in chosen.on[name]:
        raise UsedWrongly(
            f"axis {at!r} cannot have the fault {fault}; choose one of: "
            f"{', '.join(chosen.on[name])}"
        )
    truth = chosen.apply(HEALTHY[name], at, random.Random(f"{seed}/{fault}"))
    return Mule(_with_typed(truth, typed), seed, fault, at, name, typed)


def _with_typed(truth: MachineTruth, typed: Mapping[str, float]) -> MachineTruth:
    for axis, steps_per_mm in typed.items():
        if axis not in truth.axes:
            raise UsedWrongly(f"there is no axis {axis!r} to type a number in for")
        changed = replace(truth.axes[axis], held_steps_per_mm=steps_per_mm)
        truth = replace(truth, axes={**truth.axes, axis: changed})
    return truth


def card_text(name: str = BENCH_MULE) -> str:
    """Return the machine card of the simulated machine `name`, as TOML."""
    return resources.files("tuner.rehearsal").joinpath(f"{name}.toml").read_text("utf-8")
