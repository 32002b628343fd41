"""What is really true of the simulated machines.

Rule: a card (``bench-mule.toml``, ``pack-mule.toml``) is what a person believes, ``MachineTruth``
is what is so. Nobody but the simulated person and the tests looks at the truth.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from tuner.rehearsal.controller import Habits
from tuner.rehearsal.physics import Mechanics, Weakness

__all__ = [
    "BENCH_MULE",
    "DEFAULT_MULE",
    "HEALTHY",
    "HEALTHY_MULE",
    "HEALTHY_PACK_MULE",
    "PACK_MULE",
    "AxisTruth",
    "MachineTruth",
]

BENCH_MULE = "bench-mule"
PACK_MULE = "pack-mule"

FRAME_BEYOND_RANGE_MM = 3.0


@dataclass(frozen=True, kw_only=True)
class AxisTruth:
    """What one axis is really made of; degrees stand for mm where it turns.

    `count` is teeth of a pulley or starts of a screw, `gear` the teeth of the wheel on the motor
    and of the one it drives. `diameter_mm` is that of a feeder's wheel, `slip` what it loses (see
    ``Filament``). `second_pitch_mm` is that of a second screw of the same axis, turned by a motor
    of its own. A mark on what turns is `mark_radius_mm` from its centre. `clips_mm` is what the
    controller keeps commanded positions in. A caliper's face that was nudged sits `face_moved_mm`
    elsewhere from reading number `face_moves_at` on; its jaws show `zero_mm` when closed from there
    on. It is held `tilt_deg` off the axis, and two digits of reading number `misread_at` are
    written down in the wrong order.
    """

    kind: Literal["belt", "screw", "rotary", "feeder"]
    held_steps_per_mm: float
    range_mm: tuple[float, float]
    start_mm: float
    pitch_mm: float = 0.0
    count: int = 1
    diameter_mm: float = 0.0
    gear: tuple[int, int] = (1, 1)
    play_mm: float = 0.0
    most_play_mm: float = 0.0
    step_angle_deg: float = 1.8
    microsteps: int = 16
    eccentricity_mm: float = 0.0
    eccentric_turns: float = 1.0
    motor_plug: Literal["right", "turned", "off", "half"] = "right"
    vertical: bool = False
    second_pitch_mm: float | None = None
    mark_radius_mm: float = 0.0
    sinks_mm: float = 0.0
    snaps: bool = False
    weakness: Weakness | None = None
    slip: tuple[float, float, float] = (0.0, 0.0, 0.0)
    switch_scatter_mm: float = 0.0
    clips_mm: tuple[float, float] = (-math.inf, math.inf)
    drift_mm_per_min: float = 0.0
    face_moves_at: int = 0
    face_moved_mm: float = 0.0
    zero_mm: float = 0.0
    tilt_deg: float = 0.0
    misread_at: int = 0

    @property
    def travel_per_rev_mm(self) -> float:
        """True travel for one turn of pulley, screw, table or wheel, in mm or degrees."""
        match self.kind:
            case "rotary":
                return 360.0
            case "feeder":
                return math.pi * self.diameter_mm
        return self.pitch_mm * self.count

    @property
    def steps_per_motor_rev(self) -> int:
        """Microsteps that turn the motor once."""
        return round(360 / self.step_angle_deg) * self.microsteps

    @property
    def has_switch(self) -> bool:
        """Whether an end switch sits at its low end."""
        return self.kind in ("belt", "screw")

    @property
    def ends_mm(self) -> tuple[float, float]:
        """Where the frame stops it: a little beyond its range, and nowhere what turns."""
        if not self.has_switch:
            return (-math.inf, math.inf)
        low_mm, high_mm = self.range_mm
        return (low_mm - FRAME_BEYOND_RANGE_MM, high_mm + FRAME_BEYOND_RANGE_MM)

    def mechanics(self, eccentricity_phase_rad: float, seed: str = "") -> Mechanics:
        """Return the mechanics of this axis; `seed` is what chance depends on."""
        weakness = self.weakness
        if weakness is not None and weakness.unit == "tooth":
            weakness = replace(weakness, tooth_mm=self.pitch_mm)
        return Mechanics(
            travel_per_rev_mm=self.travel_per_rev_mm,
            full_steps=round(360 / self.step_angle_deg),
            microsteps=self.microsteps,
            gear_ratio=self.gear[0] / self.gear[1],
            ends_mm=self.ends_mm,
            play_mm=self.play_mm,
            most_play_mm=self.most_play_mm,
            gravity=self.vertical,
            eccentricity_mm=self.eccentricity_mm,
            eccentric_turns=self.eccentric_turns,
            eccentricity_phase_rad=eccentricity_phase_rad,
            direction=-1 if self.motor_plug == "turned" else 1,
            powered=self.motor_plug in ("right", "turned"),
            sinks_mm=self.sinks_mm,
            snaps=self.snaps,
            weakness=weakness,
            seed=seed,
        )

    def second_screw(self) -> AxisTruth | None:
        """Return the second screw of this axis with what it moves, ``None`` without one."""
        if self.second_pitch_mm is None:
            return None
        return replace(self, pitch_mm=self.second_pitch_mm, second_pitch_mm=None)


@dataclass(frozen=True)
class MachineTruth:
    """What the whole machine really is.

    `plugs` says which axis's motor each motor plug drives. The y axis stands `skew_deg` off square,
    leaning toward plus x; `guides_checked` says that somebody has held a square to both and
    remembers it.
    """

    axes: Mapping[str, AxisTruth]
    plugs: Mapping[str, str] = field(default_factory=lambda: {"x": "x", "y": "y", "z": "z"})
    habits: Habits = field(default_factory=Habits)
    skew_deg: float = 0.0
    guides_checked: bool = False

    def with_axis(self, axis: str, **changes: Any) -> MachineTruth:
        """Return the same machine with `changes` to the parts of one axis."""
        changed = replace(self.axes[axis], **changes)
        return replace(self, axes={**self.axes, axis: changed})

    def with_habits(self, **changes: Any) -> MachineTruth:
        """Return the same machine with `changes` to what its controller does."""
        return replace(self, habits=replace(self.habits, **changes))


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

HEALTHY_PACK_MULE = MachineTruth(
    {
        "x": AxisTruth(
            kind="belt",
            pitch_mm=2.0,
            count=20,
            held_steps_per_mm=80.0,
            play_mm=0.02,
            range_mm=(0.0, 180.0),
            start_mm=80.0,
        ),
        "y": AxisTruth(
            kind="belt",
            pitch_mm=2.0,
            count=20,
            held_steps_per_mm=80.0,
            play_mm=0.02,
            range_mm=(0.0, 160.0),
            start_mm=70.0,
        ),
        "z": AxisTruth(
            kind="screw",
            pitch_mm=2.0,
            count=1,
            second_pitch_mm=2.0,
            held_steps_per_mm=1600.0,
            play_mm=0.05,
            range_mm=(0.0, 150.0),
            start_mm=60.0,
            vertical=True,
        ),
        "c": AxisTruth(
            kind="rotary",
            gear=(20, 90),
            mark_radius_mm=60.3,
            held_steps_per_mm=40.0,
            play_mm=0.10,
            range_mm=(-720.0, 720.0),
            start_mm=0.0,
        ),
        "e": AxisTruth(
            kind="feeder",
            diameter_mm=7.3,
            gear=(17, 51),
            held_steps_per_mm=418.6,
            range_mm=(0.0, 0.0),
            start_mm=0.0,
            slip=(0.0, 0.0005, 0.0001),
        ),
    },
    plugs={axis: axis for axis in ("x", "y", "z", "c", "e")},
    habits=Habits(coupled_belts=True),
)

HEALTHY: Mapping[str, MachineTruth] = {
    BENCH_MULE: HEALTHY_MULE,
    PACK_MULE: HEALTHY_PACK_MULE,
}
