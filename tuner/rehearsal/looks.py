"""What the simulated person finds who looks at one part of the machine.

Rule: a look sees what is there, whether or not it is the fault; one table, by the cause that is
looked for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from tuner.rehearsal.mule import Mule
from tuner.rehearsal.truth import HEALTHY, AxisTruth

__all__ = ["LOOKS", "SEEN_MM", "Look"]

SEEN_MM = 0.05  # less than this nobody sees move

_Find = Callable[[Mule, str], float | bool | None]


@dataclass(frozen=True)
class Look:
    """What a look at one part finds, and how a person would say it.

    `find` returns a number, or whether the fault is there, or ``None`` without such a part;
    `says` puts that into words.
    """

    find: _Find
    says: Callable[[float], str]


def _part(value: Callable[[AxisTruth], float], *kinds: str) -> _Find:
    """Return what finds a value of an axis, of the given kinds of drive or of every kind."""

    def find(mule: Mule, axis: str) -> float | None:
        one = mule.truth.axes[axis]
        return value(one) if not kinds or one.kind in kinds else None

    return find


def _either(when_so: str, when_not: str) -> Callable[[float], str]:
    return lambda found: when_so if found else when_not


def _one_turn(mule: Mule, axis: str) -> float:
    """Return whether the steps that the card calls one motor turn turn the shaft just once."""
    one, believed = mule.truth.axes[axis], HEALTHY[mule.name].axes[axis]
    steps = believed.steps_per_motor_rev * one.held_steps_per_mm / believed.held_steps_per_mm
    return steps == one.steps_per_motor_rev


LOOKS: Mapping[str, Look] = {
    "motor-turn": Look(
        _one_turn,
        _either("the mark is back where it was", "the mark is not back where it was"),
    ),
    "pulley-teeth": Look(
        _part(lambda one: one.count, "belt"),
        lambda found: f"the pulley has {found:g} teeth",
    ),
    "belt-pitch": Look(
        _part(lambda one: one.pitch_mm, "belt"),
        lambda found: f"50 teeth of the belt measure {50 * found:.1f} mm",
    ),
    "screw-lead": Look(
        _part(lambda one: one.travel_per_rev_mm, "screw"),
        lambda found: f"one turn of the screw moves the nut {found:g} mm",
    ),
    "step-angle": Look(
        _part(lambda one: one.step_angle_deg),
        lambda found: f"the label on the motor says {found:g} degrees per step",
    ),
    "microsteps": Look(
        _part(lambda one: one.microsteps),
        lambda found: f"the driver is set to {found:g} microsteps",
    ),
    "stored-number": Look(
        _part(lambda one: one.held_steps_per_mm),
        lambda found: f"the controller holds {found:g} steps per mm",
    ),
    "play": Look(
        _part(lambda one: one.play_mm >= 0.1),
        _either("the carriage can be pushed to and fro", "the carriage cannot be pushed"),
    ),
    "eccentric-pulley": Look(
        _part(lambda one: one.eccentricity_mm >= SEEN_MM and one.eccentric_turns == 1),
        _either("the pulley runs out of round", "the pulley runs true"),
    ),
    "inch-units": Look(
        lambda mule, _: mule.truth.habits.stuck_in_inches,
        _either("the controller counts in inches", "the controller counts in millimetres"),
    ),
    "reversed": Look(
        _part(lambda one: one.motor_plug == "turned"),
        _either("the motor's plug is turned", "the motor's plug is the right way round"),
    ),
    "not-powered": Look(
        _part(lambda one: one.motor_plug == "off"),
        _either("the motor's plug is loose", "the motor's plug sits firmly"),
    ),
    "wrong-axis": Look(
        lambda mule, axis: mule.truth.plugs[axis] != axis,
        _either("the motor's plug is in another axis's place", "the motor's plug is in its place"),
    ),
    "gear-teeth": Look(
        _part(lambda one: one.gear[1], "rotary", "feeder"),
        lambda found: f"the large wheel has {found:g} teeth",
    ),
    "feeder-diameter": Look(
        _part(lambda one: one.diameter_mm, "feeder"),
        lambda found: f"the caliper shows {found:.2f} mm across the feeder's wheel",
    ),
    "loose-pulley": Look(
        _part(lambda one: one.most_play_mm > one.play_mm),
        _either("the pulley turns on its shaft", "the pulley sits firmly on its shaft"),
    ),
    "motor-phase": Look(
        _part(lambda one: one.motor_plug == "half"),
        _either("a pin of the motor's plug is bent", "every pin of the motor's plug is straight"),
    ),
    "lost-steps": Look(
        lambda mule, axis: mule.lost_cycles(axis) != 0,
        _either(
            "the mark on the motor's shaft is off its place",
            "the mark on the motor's shaft is in its place",
        ),
    ),
    "belt-jump": Look(
        lambda mule, axis: mule.jumped_teeth(axis) != 0,
        _either(
            "the mark on the belt has left that on the pulley",
            "the mark on the belt is at that on the pulley",
        ),
    ),
    "override-active": Look(
        lambda mule, _: min(mule.truth.habits.feed_part, mule.truth.habits.flow_part) < 1,
        _either("the panel does not show 100 %", "the panel shows 100 %"),
    ),
    "periodic-elsewhere": Look(
        _part(lambda one: one.eccentric_turns != 1),
        _either("a wheel behind the pulley wobbles", "the wheels behind the pulley run true"),
    ),
    "hot-driver": Look(
        lambda mule, axis: mule.is_driver_hot(axis),
        _either("the driver is too hot to touch", "the driver is warm at most"),
    ),
}
