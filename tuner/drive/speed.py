"""What a feed asks of the controller and of the motor, and what finer microsteps change.

Pulses are counted in microsteps. For a rotary drive read degrees for mm. Everything is an
exact ``Fraction`` but the torque of one microstep, which takes a sine.
"""

from __future__ import annotations

import math
from fractions import Fraction

from tuner.drive.parts import PI, Motor

# Above about ten turns a second most stepper motors have little torque left; common
# practice, no source.
FASTEST_MOTOR_REVS_PER_S = 10

# What a heater melts through a usual nozzle; common practice, no source.
MOST_VOLUME_MM3_PER_S = Fraction(8)

# A motor stands within 5 % of a full step of where it should (a motor maker's glossary: 0.09
# degrees of 1.8); that this does not add up over the steps is from memory.
STEP_ACCURACY = Fraction(5, 100)

_SECONDS_PER_MIN = 60


def pulse_rate_hz(feed_mm_per_min: Fraction, steps_per_mm: Fraction) -> Fraction:
    """Return the steps in a second that the feed takes."""
    return feed_mm_per_min * steps_per_mm / _SECONDS_PER_MIN


def fastest_feed_mm_per_min(max_pulse_rate_hz: Fraction, steps_per_mm: Fraction) -> Fraction:
    """Return the feed at which a controller makes all the steps it can."""
    return max_pulse_rate_hz * _SECONDS_PER_MIN / steps_per_mm


def motor_revs_per_s(feed_mm_per_min: Fraction, travel_per_motor_rev_mm: Fraction) -> Fraction:
    """Return the turns of the motor in a second at this feed; microsteps do not enter."""
    return feed_mm_per_min / travel_per_motor_rev_mm / _SECONDS_PER_MIN


def filament_speed_mm_per_s(volume_mm3_per_s: Fraction, filament_diameter_mm: Fraction) -> Fraction:
    """Return how fast round filament runs in to make this volume: volume / (pi d^2 / 4)."""
    return volume_mm3_per_s / (PI * filament_diameter_mm**2 / 4)


def torque_of_one_step(microsteps: int) -> float:
    """Return the torque of one microstep as a share of the holding torque, 0 to 1.

    sin(90 degrees / microsteps): a public table of the share of the coil current. Less than
    the friction of the axis, and a single microstep moves nothing.
    """
    return math.sin(math.pi / 2 / microsteps)


def step_accuracy_mm(motor: Motor, travel_per_motor_rev_mm: Fraction) -> Fraction:
    """Return in mm how far the motor may stand from where it should, either way."""
    return travel_per_motor_rev_mm / motor.full_steps_per_rev * STEP_ACCURACY
