"""Warnings: silent about a usual machine, one sentence with numbers about an odd one."""

from __future__ import annotations

import pytest
from test_card_read import DRIVE, MOTOR, SMALL, STORED, changed

from tuner.card.check import warnings
from tuner.card.read import parse_card


def test_a_usual_machine_has_nothing_odd() -> None:
    assert warnings(parse_card(SMALL, "small")) == []


@pytest.mark.parametrize(
    ("parts", "stored"),
    [
        ('{ kind = "screw", pitch_mm = 2, starts = 4 }', "{ steps_per_mm = 400 }"),
        ('{ kind = "screw", pitch_mm = 1.25 }', "{ travel_per_rev_mm = 1.25 }"),
        ('{ kind = "rack", module_mm = 1, pinion_teeth = 20 }', "{ travel_per_rev_mm = 62.8319 }"),
        ('{ kind = "measured", travel_per_rev_mm = 39.99 }', "{ travel_per_rev_mm = 39.99 }"),
        ('{ kind = "belt", pitch_mm = 3, pulley_teeth = 16 }', "{ steps_per_mm = 66.6667 }"),
    ],
)
def test_usual_parts(parts: str, stored: str) -> None:
    assert warnings(parse_card(changed(STORED, stored, changed(DRIVE, parts)), "small")) == []


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("error_limit_mm = 0.03", "error_limit_mm = 0.005",
         ["caliper: an error limit of 0.005 mm is finer than its steps of 0.01 mm"]),
        (f"drive = {DRIVE}\nmotor = {MOTOR}\nstored = {STORED}",
         f'drive = {{ kind = "belt", pitch_mm = 2.1, pulley_teeth = 20 }}\nmotor = {MOTOR}\n'
         "stored = { travel_per_rev_mm = 42 }",
         ["axes.x: a belt pitch of 2.1 mm", "measure 50 teeth"]),
        (f"drive = {DRIVE}\nmotor = {MOTOR}\nstored = {STORED}",
         f'drive = {{ kind = "belt", pitch_mm = 2, pulley_teeth = 80 }}\nmotor = {MOTOR}\n'
         "stored = { travel_per_rev_mm = 160 }",
         ["axes.x: a pulley of 80 teeth is unusual"]),
        (f"drive = {DRIVE}\nmotor = {MOTOR}\nstored = {STORED}",
         f'drive = {{ kind = "screw", pitch_mm = 7 }}\nmotor = {MOTOR}\n'
         "stored = { travel_per_rev_mm = 7 }",
         ["a screw of 7 mm pitch and 1 start is unusual", "ten crests"]),
        (f"drive = {DRIVE}\nmotor = {MOTOR}\nstored = {STORED}",
         f'drive = {{ kind = "screw", pitch_mm = 2, starts = 3 }}\nmotor = {MOTOR}\n'
         "stored = { travel_per_rev_mm = 6 }",
         ["2 mm pitch and 3 starts is unusual"]),
        (f"drive = {DRIVE}\nmotor = {MOTOR}\nstored = {STORED}",
         f'drive = {{ kind = "rack", module_mm = 1.1, pinion_teeth = 10 }}\nmotor = {MOTOR}\n'
         "stored = { travel_per_rev_mm = 34.557519 }",
         ["a module of 1.1 mm is unusual"]),
        (f"{MOTOR}\nstored = {STORED}",
         "{ step_angle_deg = 0.72, microsteps = 16 }\nstored = { steps_per_mm = 200 }",
         ["a step angle of 0.72 degrees is unusual"]),
        (f"{MOTOR}\nstored = {STORED}",
         "{ step_angle_deg = 1.8, microsteps = 10 }\nstored = { steps_per_mm = 50 }",
         ["10 microsteps are unusual"]),
        (STORED, "{ steps_per_mm = 160 }",
         ["axes.x: stored is exactly twice what the parts give (160 against 80 steps per mm"]),
        (f"drive = {DRIVE}\nmotor = {MOTOR}\nstored = {STORED}",
         f'drive = {{ kind = "belt", pitch_mm = 3, pulley_teeth = 16 }}\nmotor = {MOTOR}\n'
         "stored = { steps_per_mm = 66.67 }",
         ["stored is rounded: 66.67 for 66.6667 steps per mm costs 0.011 mm over the axis"]),
        (STORED, STORED + "\nmax_pulse_rate_hz = 1999",
         ["a feed of 1500 mm/min needs 2000 steps per second", "makes 1999"]),
        (STORED, STORED + "\nfeed_mm_per_min = 24120",
         ["a feed of 24120 mm/min turns the motor 10.1 times a second"]),
    ],
)  # fmt: skip
def test_what_is_odd_is_one_sentence_with_its_numbers(old: str, new: str, says: list[str]) -> None:
    (warning,) = warnings(parse_card(changed(old, new), "small"))
    for words in says:
        assert words in warning


def test_limits_themselves_are_not_odd() -> None:
    for more in ("max_pulse_rate_hz = 2000", "feed_mm_per_min = 24000"):
        assert warnings(parse_card(changed(STORED, f"{STORED}\n{more}"), "small")) == []


FEEDER = """
[axes.e]
drive = { kind = "feeder", diameter_mm = 7.3 }
gears = [{ driver = 17, driven = 50 }]
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 410.391 }
filament_diameter_mm = 1.75
max_feed_mm_per_s = 3.0
max_temperature_c = 240
"""


def test_a_feeder_is_checked_at_the_feed_that_it_may_have() -> None:
    assert warnings(parse_card(SMALL + FEEDER, "small")) == []
    fast = FEEDER.replace("max_feed_mm_per_s = 3.0", "max_feed_mm_per_s = 99")
    pulses, turns = warnings(parse_card(SMALL + fast, "small"))
    assert pulses.startswith("axes.e: a feed of 5940 mm/min needs 40629 steps per second")
    assert turns.startswith("axes.e: a feed of 5940 mm/min turns the motor 12.7 times a second")


def test_a_feeder_with_a_rounded_gear_ratio() -> None:
    rounded = FEEDER.replace("410.391", "418.6")
    (warning,) = warnings(parse_card(SMALL + rounded, "small"))
    assert "a gear ratio of 3:1 instead of the 2.94118:1 of the teeth" in warning
