"""What is possible but odd on a machine card.

A warning never forbids anything: a person may own a rare part. Each one names the axis,
says what was found with its numbers, and what to look at.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from tuner.card.noted import taken_for_granted
from tuner.card.schema import Axis, Card
from tuner.card.waiting import MARK, waiting_axes
from tuner.drive.numbers import plain_number
from tuner.drive.parts import Belt, DriveTrain, Rack, Screw
from tuner.drive.scale import all_forms, contradiction, form_words
from tuner.drive.speed import FASTEST_MOTOR_REVS_PER_S, pulse_rate_hz
from tuner.drive.tables import (
    BELT_PITCHES_MM,
    MICROSTEPS,
    MODULES_MM,
    PULLEY_TEETH,
    SCREW_LEADS_MM,
    STEP_ANGLES_DEG,
)

# What a caliper can just show; a stored number that is rounded worse costs a reading.
_ROUNDING_WORTH_SAYING_MM = 0.01


def warnings(card: Card) -> list[str]:
    """Return what is odd on `card`, one sentence each; an empty list when nothing is."""
    found = [*_caliper(card)]
    for axis in card.axes.values():
        for what in (
            *_unusual_parts(axis.train),
            *_stored(axis),
            *_speed(axis),
        ):
            found.append(f"axes.{axis.name}: {what}")
    for name, part in taken_for_granted(card.text):
        found.append(
            f"axes.{name}: not known, and taken as its commonest kind: {part}; a session at the "
            "machine finds out"
        )
    for name in waiting_axes(card.text):
        if name in card.axes:
            found.append(
                f"axes.{name}: it counts, and lines of it wait behind {MARK} as well; delete those"
            )
            continue
        found.append(
            f"axes.{name}: it waits for the number that the controller holds and does not count "
            f"yet; put the number in place of the question mark and take {MARK} away from its lines"
        )
    return found


def _caliper(card: Card) -> Iterator[str]:
    caliper = card.caliper
    if caliper.error_limit_mm < caliper.resolution_mm:
        yield (
            f"caliper: an error limit of {caliper.error_limit_mm:g} mm is finer than its steps of "
            f"{caliper.resolution_mm:g} mm; the limit is on its certificate, for a caliper of "
            "150 mm usually 0.02 to 0.05 mm"
        )


def _unusual_parts(train: DriveTrain) -> Iterator[str]:
    drive, motor = train.drive, train.motor
    if isinstance(drive, Belt):
        if drive.pitch_mm not in BELT_PITCHES_MM:
            yield (
                f"a belt pitch of {plain_number(drive.pitch_mm)} mm is in no standard we know; "
                "measure 50 teeth of the belt and divide by 50"
            )
        if drive.pulley_teeth not in PULLEY_TEETH:
            yield f"a pulley of {drive.pulley_teeth} teeth is unusual; count them again"
    if isinstance(drive, Screw) and drive not in SCREW_LEADS_MM:
        yield (
            f"a screw of {plain_number(drive.pitch_mm)} mm pitch and {drive.starts} "
            f"{'start' if drive.starts == 1 else 'starts'} is unusual; measure the pitch over "
            "ten crests, and count the starts at the end of the screw"
        )
    if isinstance(drive, Rack) and drive.module_mm not in MODULES_MM:
        yield (
            f"a module of {plain_number(drive.module_mm)} mm is unusual; ten teeth of a rack are "
            "31.416 mm for each mm of module"
        )
    if motor.step_angle_deg not in STEP_ANGLES_DEG:
        yield (
            f"a step angle of {plain_number(motor.step_angle_deg)} degrees is unusual for a motor "
            "with two phases; read the label of the motor"
        )
    if motor.microsteps not in MICROSTEPS:
        yield f"{motor.microsteps} microsteps are unusual; most drivers divide by a power of two"


def _stored(axis: Axis) -> Iterator[str]:
    against = contradiction(axis.stored, axis.train)
    if against is not None:
        yield against
        return
    form = axis.stored.form
    expected = all_forms(axis.train.steps_per_mm, axis.train)[form]
    error = abs(axis.stored.value / expected - 1)
    cost_mm = float(error) * axis.length_mm
    if cost_mm > _ROUNDING_WORTH_SAYING_MM:
        unit = axis.train.unit
        yield (
            f"stored is rounded: {plain_number(axis.stored.value)} for {plain_number(expected)} "
            f"{form_words(form, unit)} costs {cost_mm:.2g} {unit} over the axis; more decimals, "
            "where the controller keeps them, cost nothing"
        )


def _speed(axis: Axis) -> Iterator[str]:
    unit, motor = axis.train.unit, axis.train.motor
    feed_per_min = (
        axis.feed_mm_per_min if axis.filament is None else axis.filament.max_feed_mm_per_s * 60
    )
    steps_per_s = pulse_rate_hz(Fraction(feed_per_min), axis.stored_steps_per_mm)
    feed = f"a feed of {feed_per_min:g} {unit}/min"
    if steps_per_s > axis.max_pulse_rate_hz:
        yield (
            f"{feed} needs {float(steps_per_s):.0f} steps per second, and the controller makes "
            f"{axis.max_pulse_rate_hz:g}; it would be slower than it says: lower the feed"
        )
    revs_per_s = steps_per_s / motor.microsteps_per_rev
    if revs_per_s > FASTEST_MOTOR_REVS_PER_S:
        yield (
            f"{feed} turns the motor {float(revs_per_s):.3g} times a second, where steppers have "
            f"little torque left; stay below {FASTEST_MOTOR_REVS_PER_S} turns a second"
        )
