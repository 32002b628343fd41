"""Drives against published figures: ISO standards, a workshop book, makers' pages.

Sources and how each was verified stand beside the figures in ``drive_figures.toml``.
"""

from __future__ import annotations

import tomllib
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from tuner.drive.designation import TRAPEZOIDAL_PITCHES_MM, belt_pitch, screw
from tuner.drive.parts import (
    PI,
    Belt,
    DriveTrain,
    GearPair,
    Measured,
    Motor,
    Rack,
    Rotary,
    Screw,
)
from tuner.drive.speed import STEP_ACCURACY, step_accuracy_mm, torque_of_one_step
from tuner.drive.tables import (
    BELT_PITCHES_MM,
    MODULES_MM,
    SCREW_LEADS_MM,
    STEP_ANGLES_DEG,
)

FIGURES: dict[str, Any] = tomllib.loads(
    Path(__file__).with_name("drive_figures.toml").read_text(encoding="utf-8"), parse_float=Decimal
)


def printed(value: Fraction, like: Decimal) -> Decimal:
    """Round `value` to as many decimals as are printed in `like`."""
    return round(Decimal(value.numerator) / Decimal(value.denominator), -int(like.as_tuple()[2]))


@pytest.mark.parametrize("row", FIGURES["belt"])
def test_belt_travel_and_pitch_diameter(row: dict[str, Any]) -> None:
    travel = Belt(Fraction(row["pitch_mm"]), row["teeth"]).travel_per_rev_mm
    assert travel == Fraction(row["travel_mm"])
    assert printed(travel / PI, row["pitch_diameter_mm"]) == row["pitch_diameter_mm"]


@pytest.mark.parametrize("standard", FIGURES["belt_pitches_mm"])
def test_every_published_belt_pitch_is_known(standard: str) -> None:
    for pitch in FIGURES["belt_pitches_mm"][standard]:
        iso = "ISO " + standard.split("_")[1]
        assert iso in BELT_PITCHES_MM.source(Fraction(pitch))


def test_no_belt_pitch_is_ours_alone() -> None:
    published = {Fraction(p) for pitches in FIGURES["belt_pitches_mm"].values() for p in pitches}
    assert set(BELT_PITCHES_MM) == published


def test_inch_pitches_in_mm() -> None:
    figures = FIGURES["inch_pitches"]
    for inch, mm in zip(figures["inch"], figures["mm"], strict=True):
        assert Fraction(inch) * Fraction("25.4") == Fraction(mm)


@pytest.mark.parametrize("row", FIGURES["multi_start"], ids=lambda row: row["designation"])
def test_multi_start_leads(row: dict[str, Any]) -> None:
    assert Screw(Fraction(row["pitch_mm"]), row["starts"]).travel_per_rev_mm == row["lead_mm"]


@pytest.mark.parametrize(
    ("pitches", "source"),
    [
        (FIGURES["iso_261"]["pitch_mm"], "ISO 261"),
        (FIGURES["iso_3408"]["seen"] + FIGURES["iso_3408"]["memory"], "ISO 3408-2"),
    ],
    ids=["threaded rod", "ball screws"],
)
def test_every_published_single_start_screw_is_known(pitches: list[Decimal], source: str) -> None:
    for pitch in pitches:
        assert source in SCREW_LEADS_MM.source(Screw(Fraction(pitch)))


def test_inch_screws() -> None:
    figures = FIGURES["asme_b1_5"]
    rows = zip(figures["size_inch"], figures["threads_per_inch"], figures["pitch_mm"], strict=True)
    for size, per_inch, mm in rows:
        found = screw(f"{size}-{per_inch}")
        assert found.value == Screw(Fraction("25.4") / per_inch)
        assert printed(found.value.pitch_mm, mm) == mm
        assert found.source == "ASME B1.5"
    for per_inch in figures["known_screws"]:
        assert "ASME B1.5" in SCREW_LEADS_MM.source(Screw(Fraction("25.4") / per_inch))


@pytest.mark.parametrize("row", FIGURES["multi_start"], ids=lambda row: row["designation"])
def test_multi_start_designations(row: dict[str, Any]) -> None:
    found = screw(row["designation"])
    assert found.value == Screw(Fraction(row["pitch_mm"]), row["starts"])
    assert "ISO 2904" in found.source
    assert ("left-hand" in found.means) == ("LH" in row["designation"])


def test_trapezoidal_designations() -> None:
    published: dict[str, list[str]] = {}
    for diameter, pitch in FIGURES["iso_2904"]["diameter_pitch"]:
        published.setdefault(str(diameter), []).append(str(pitch))
        found = screw(f"Tr{diameter}x{pitch}")
        assert found.value == Screw(Fraction(pitch))
        assert found.source == "ISO 2904"
    assert {size: [*pitches] for size, pitches in TRAPEZOIDAL_PITCHES_MM.items()} == published


def test_metric_designations() -> None:
    figures = FIGURES["iso_261"]
    for diameter, pitch in zip(figures["diameter_mm"], figures["pitch_mm"], strict=True):
        assert screw(f"M{diameter}").value == Screw(Fraction(pitch))


def test_belt_designations() -> None:
    inch = ["MXL", "XL", "L", "H", "XH", "XXH"]
    pitches = FIGURES["belt_pitches_mm"]
    for code, pitch in zip(inch, pitches["iso_5296"], strict=True):
        assert belt_pitch(code).value == Fraction(pitch)
    assert belt_pitch("XXL").value == Fraction(pitches["iso_5296_memory"][0])
    for pitch in pitches["iso_17396"]:
        assert belt_pitch(f"T{pitch.normalize():f}").value == Fraction(pitch)
    for pitch in pitches["iso_13050"]:
        assert belt_pitch(f"{pitch.normalize():f}M").value == Fraction(pitch)


def test_forty_dp_is_neither_mxl_nor_two_mm() -> None:
    figures = FIGURES["forty_dp"]
    pitch = belt_pitch("40DP").value
    assert pitch == Fraction(figures["pitch_inch"]) * Fraction("25.4")
    for other, name in (("2.032", "to_mxl"), ("2", "to_2_mm")):
        assert printed(pitch / Fraction(other), figures[name]) == figures[name]
    assert printed(pitch, figures["pitch_mm"]) == figures["pitch_mm"]


def test_step_accuracy() -> None:
    figures = FIGURES["step_accuracy"]
    assert figures["percent_of_full_step"] == STEP_ACCURACY * 100
    for angle, error in zip(figures["step_angle_deg"], figures["error_deg"], strict=True):
        # A turning table without gears: what the motor stands off, the table stands off.
        found = step_accuracy_mm(Motor(Fraction(angle), 16), Rotary().travel_per_rev_mm)
        assert found == Fraction(error)


def test_microstep_torque() -> None:
    figures = FIGURES["microstep_torque"]
    for microsteps, percent in zip(figures["microsteps"], figures["percent"], strict=True):
        assert printed(Fraction(100 * torque_of_one_step(microsteps)), percent) == percent


def test_modules() -> None:
    assert {Fraction(module) for module in FIGURES["iso_54"]["modules_mm"]} <= set(MODULES_MM)


@pytest.mark.parametrize("row", FIGURES["rack"])
def test_rack_travel(row: dict[str, Any]) -> None:
    travel = Rack(Fraction(row["module_mm"]), row["teeth"]).travel_per_rev_mm
    assert printed(travel, row["travel_mm"]) == row["travel_mm"]


@pytest.mark.parametrize("row", FIGURES["gears"])
def test_gear_trains(row: dict[str, Any]) -> None:
    gears = tuple(GearPair(*pair) for pair in row["pairs"])
    train = DriveTrain(Measured(Fraction(1)), Motor(Fraction("1.8"), 1), gears)
    assert train.gear_ratio == Fraction(row["ratio"])


def test_the_book_cuts_eleven_threads_with_a_screw_of_four() -> None:
    # J. Rose: 66/48 x 36/18 x 4 = 11 threads per inch, by way of 1.375, 49.5 and 2.75.
    ratio = GearPair(66, 48).ratio
    assert ratio == Fraction("1.375")
    assert ratio * 36 == Fraction("49.5")
    assert ratio * GearPair(36, 18).ratio == Fraction("2.75")
    assert ratio * GearPair(36, 18).ratio * 4 == 11


def test_full_steps() -> None:
    figures = FIGURES["full_steps"]
    for angle, steps in zip(figures["step_angle_deg"], figures["full_steps_per_rev"], strict=True):
        assert Motor(Fraction(angle), 1).full_steps_per_rev == steps
        assert Fraction(angle) in STEP_ANGLES_DEG


@pytest.mark.parametrize("row", FIGURES["lost_cycle"], ids=lambda row: row["drive"])
def test_lost_cycles(row: dict[str, Any]) -> None:
    drive = Measured(Fraction(row["travel_per_rev_mm"]))
    train = DriveTrain(drive, Motor(Fraction("1.8"), 16))
    assert printed(train.lost_cycle_mm, row["lost_mm"]) == row["lost_mm"]


def test_rules_of_the_trade() -> None:
    """Common practice, no source."""
    belt = DriveTrain(Belt(Fraction(2), 20), Motor(Fraction("1.8"), 16))
    assert belt.travel_per_rev_mm == 40
    assert belt.mm_per_step == Fraction("0.0125")
    assert belt.steps_per_mm == 80
    assert Motor(Fraction("0.9"), 16).full_steps_per_rev == 400
    assert 1 / GearPair(16, 80).ratio == 5
    assert 1 / GearPair(17, 50).ratio != 3
    assert Screw(Fraction(8)).travel_per_rev_mm == 8
    # Mistaking MXL for a 2 mm belt, and the pitch of a four-start screw for its lead.
    assert Belt(Fraction("2.032"), 20).travel_per_rev_mm / 40 == Fraction("1.016")
    assert Screw(Fraction(2), 4).travel_per_rev_mm / Screw(Fraction(2)).travel_per_rev_mm == 4
