"""The four forms, and what a measured scale and a contradiction do to the stored number."""

from __future__ import annotations

from fractions import Fraction

import pytest
from drive_strategies import motors, trains
from hypothesis import given
from hypothesis import strategies as st

from tuner.drive.parts import (
    Belt,
    DriveTrain,
    Feeder,
    GearPair,
    Motor,
    Rack,
    Rotary,
    Screw,
)
from tuner.drive.scale import (
    Form,
    Stored,
    all_forms,
    contradiction,
    convert,
    error_of_ratio,
    form_key,
    form_words,
    forms_of,
    parse_form,
    scaled,
    steps_per_mm,
)

MOTOR = Motor(Fraction("1.8"), 16)
BELT = DriveTrain(Belt(Fraction(2), 20), MOTOR)
GEARED = DriveTrain(Belt(Fraction(2), 20), MOTOR, (GearPair(16, 80),))

positive = st.fractions(Fraction(1, 10**6), 10**6, max_denominator=10**6)
forms = st.sampled_from(Form)


def test_the_names_of_the_forms_are_those_of_the_card() -> None:
    assert [*Form] == [
        "travel_per_rev_mm",
        "travel_per_motor_rev_mm",
        "steps_per_mm",
        "mm_per_step",
    ]


@pytest.mark.parametrize(
    ("form", "value"),
    [
        (Form.TRAVEL_PER_REV_MM, "40"),
        (Form.TRAVEL_PER_MOTOR_REV_MM, "8"),
        (Form.STEPS_PER_MM, "400"),
        (Form.MM_PER_STEP, "0.0025"),
    ],
)
def test_four_ways_to_store_the_same(form: Form, value: str) -> None:
    assert steps_per_mm(Stored(form, Fraction(value)), GEARED) == 400
    assert all_forms(Fraction(400), GEARED)[form] == Fraction(value)


@pytest.mark.parametrize("value", ["0", "-80"])
def test_a_stored_number_is_more_than_nothing(value: str) -> None:
    with pytest.raises(ValueError, match="expected more than 0"):
        Stored(Form.STEPS_PER_MM, Fraction(value))


@pytest.mark.parametrize("factor", ["0", "-0.8"])
def test_a_scale_is_more_than_nothing(factor: str) -> None:
    with pytest.raises(ValueError, match="expected more than 0"):
        scaled(Stored(Form.STEPS_PER_MM, Fraction(80)), Fraction(factor))


@given(positive, forms, forms, trains)
def test_conversion_there_and_back_is_exact(
    value: Fraction, one: Form, other: Form, train: DriveTrain
) -> None:
    there = convert(value, one, other, train)
    assert convert(there, other, one, train) == value
    assert steps_per_mm(Stored(one, value), train) == steps_per_mm(Stored(other, there), train)


@given(positive, forms, trains, trains, positive)
def test_the_scaled_number_makes_a_real_machine_right(
    value: Fraction, form: Form, believed: DriveTrain, real: DriveTrain, commanded_mm: Fraction
) -> None:
    """The controller turns mm into steps with what it was told; the real parts turn steps
    into mm. Whatever differs between them, the scaled number must cancel it."""

    def true_mm(stored: Stored) -> Fraction:
        return commanded_mm * steps_per_mm(stored, believed) * real.mm_per_step

    before = Stored(form, value)
    scale = true_mm(before) / commanded_mm
    after = scaled(before, scale)
    assert after.form is form
    assert true_mm(after) == commanded_mm


@given(positive, forms, positive, positive)
def test_two_corrections_are_one_by_their_product(
    value: Fraction, form: Form, first: Fraction, second: Fraction
) -> None:
    stored = Stored(form, value)
    assert scaled(scaled(stored, first), second) == scaled(stored, first * second)


@given(trains, forms)
def test_what_the_parts_give_contradicts_nothing(train: DriveTrain, form: Form) -> None:
    stored = Stored(form, all_forms(train.steps_per_mm, train)[form])
    assert contradiction(stored, train) is None


THREE_TO_ONE = DriveTrain(Belt(Fraction(2), 20), MOTOR, (GearPair(20, 60),))
SCREW = DriveTrain(Screw(Fraction(2), 4), MOTOR)
FEEDER = DriveTrain(Feeder(Fraction("7.3")), MOTOR, (GearPair(17, 50),))
FASTER = DriveTrain(Belt(Fraction(2), 20), MOTOR, (GearPair(50, 17),))
IN_THIRDS = DriveTrain(Belt(Fraction(3), 16), Motor(Fraction("1.8"), 16))  # 66.6667 steps per mm


@pytest.mark.parametrize(
    ("train", "form", "value"),
    [
        (BELT, Form.STEPS_PER_MM, "80"),
        (BELT, Form.STEPS_PER_MM, "80.00000001"),
        (BELT, Form.MM_PER_STEP, "0.0125"),
        (IN_THIRDS, Form.STEPS_PER_MM, "66.6667"),
        (IN_THIRDS, Form.STEPS_PER_MM, "66.67"),
        (IN_THIRDS, Form.STEPS_PER_MM, "66.7"),
        (DriveTrain(Feeder(Fraction("7.3")), MOTOR), Form.TRAVEL_PER_REV_MM, "22.934"),
    ],
)
def test_rounding_is_no_contradiction(train: DriveTrain, form: Form, value: str) -> None:
    assert contradiction(Stored(form, Fraction(value)), train) is None


@pytest.mark.parametrize(
    ("train", "form", "value", "says"),
    [
        (BELT, Form.STEPS_PER_MM, "40", ["exactly half of", "40 against 80 steps per mm",
                                         "factor 0.5", "8 microsteps instead of 16",
                                         "40 teeth instead of 20"]),
        (BELT, Form.STEPS_PER_MM, "160", ["exactly twice", "160 against 80",
                                          "400 full steps instead", "32 microsteps instead of 16"]),
        (BELT, Form.MM_PER_STEP, "0.00625", ["half of", "0.00625 against 0.0125 mm per step",
                                             "32 microsteps instead of 16"]),
        (BELT, Form.STEPS_PER_MM, "100", ["1.25 times", "16 teeth instead of 20"]),
        (BELT, Form.TRAVEL_PER_REV_MM, "32", ["0.8 times", "32 against 40 mm per revolution",
                                              "16 teeth instead of 20"]),
        (BELT, Form.STEPS_PER_MM, "78.74", ["2.032 mm pitch instead of 2"]),
        (BELT, Form.STEPS_PER_MM, "2032", ["25.4 times", "for inches"]),
        (BELT, Form.MM_PER_STEP, "0.000492126", ["for inches"]),
        (BELT, Form.STEPS_PER_MM, "83", ["1.0375 times", "83 against 80", "no usual part"]),
        (BELT, Form.STEPS_PER_MM, "80.01", ["no usual part"]),
        (SCREW, Form.STEPS_PER_MM, "1600", ["exactly four times",
                                            "pitch of the screw taken for its lead",
                                            "2 mm lead instead of 8"]),
        (SCREW, Form.TRAVEL_PER_REV_MM, "2", ["exactly a quarter of", "taken for its lead"]),
        (DriveTrain(Screw(Fraction(4)), MOTOR), Form.STEPS_PER_MM, "640", ["5 mm lead"]),
        (GEARED, Form.TRAVEL_PER_REV_MM, "8", ["0.2 times", "a number for one motor revolution"]),
        (GEARED, Form.TRAVEL_PER_MOTOR_REV_MM, "40", ["5 times", "revolution of the output shaft"]),
        (GEARED, Form.TRAVEL_PER_MOTOR_REV_MM, "200", ["25 times", "the wrong way round"]),
        (GEARED, Form.STEPS_PER_MM, "80", ["0.2 times", "80 against 400", "the gears left out"]),
        (THREE_TO_ONE, Form.MM_PER_STEP, "0.0125", ["exactly three times", "the gears left out"]),
        (THREE_TO_ONE, Form.STEPS_PER_MM, "26.667", ["the wrong way round"]),
        (FEEDER, Form.STEPS_PER_MM, "418.6", ["1.02 times", "3:1 instead of the 2.94118:1"]),
        (FEEDER, Form.STEPS_PER_MM, "410.23", ["2.94:1 instead"]),
        (FEEDER, Form.TRAVEL_PER_MOTOR_REV_MM, "7.64454", ["3:1 instead"]),
        (FEEDER, Form.STEPS_PER_MM, "1289.28", ["pi left out"]),
        (FASTER, Form.MM_PER_STEP, "0.0375", ["1:3 instead of the 1:2.94118"]),
        (DriveTrain(Rack(Fraction(1), 20), MOTOR), Form.TRAVEL_PER_REV_MM, "94.2478",
         ["a rack of module 1.5 mm instead of 1"]),
        (DriveTrain(Rack(Fraction(1), 20), MOTOR), Form.STEPS_PER_MM, "50.9554",
         ["3.14 taken for pi"]),
        (BELT, Form.STEPS_PER_MM, "8", ["exactly a tenth of", "a slipped decimal point"]),
        (IN_THIRDS, Form.STEPS_PER_MM, "33.33", ["but for its rounding half of", "8 microsteps"]),
        (DriveTrain(Rotary(), MOTOR, (GearPair(1, 90),)), Form.STEPS_PER_MM, "400",
         ["half of", "400 against 800 steps per deg", "8 microsteps"]),
    ],
)  # fmt: skip
def test_a_contradiction_has_both_numbers_the_factor_and_what_would_fit(
    train: DriveTrain, form: Form, value: str, says: list[str]
) -> None:
    found = contradiction(Stored(form, Fraction(value)), train)
    assert found is not None
    for words in says:
        assert words in found


def test_rounding_does_not_excuse_a_wrong_part() -> None:
    # 5 is 5.08 rounded to a whole number, and also another screw.
    train = DriveTrain(Screw(Fraction("5.08")), MOTOR)
    found = contradiction(Stored(Form.TRAVEL_PER_REV_MM, Fraction(5)), train)
    assert found is not None
    assert "5 mm lead instead of 5.08" in found


def test_a_stored_travel_says_nothing_about_motor_or_microsteps() -> None:
    found = contradiction(Stored(Form.TRAVEL_PER_REV_MM, Fraction(20)), BELT)
    assert found is not None
    assert "microsteps" not in found
    assert "full steps" not in found


@pytest.mark.parametrize(
    ("form", "mm", "deg"),
    [
        (Form.TRAVEL_PER_REV_MM, "mm per revolution", "deg per revolution"),
        (Form.TRAVEL_PER_MOTOR_REV_MM, "mm per motor revolution", "deg per motor revolution"),
        (Form.STEPS_PER_MM, "steps per mm", "steps per deg"),
        (Form.MM_PER_STEP, "mm per step", "deg per step"),
    ],
)
def test_form_words(form: Form, mm: str, deg: str) -> None:
    assert form_words(form) == mm
    assert form_words(form, "deg") == deg


@pytest.mark.parametrize(
    ("typed", "form", "unit"),
    [
        ("steps_per_mm", Form.STEPS_PER_MM, "mm"),
        ("Steps-Per-MM", Form.STEPS_PER_MM, "mm"),
        ("mm-per-step", Form.MM_PER_STEP, "mm"),
        ("travel_per_rev_deg", Form.TRAVEL_PER_REV_MM, "deg"),
        ("deg_per_step", Form.MM_PER_STEP, "deg"),
    ],
)
def test_forms_as_they_are_typed(typed: str, form: Form, unit: str) -> None:
    assert parse_form(typed) == (form, unit)
    assert parse_form(form_key(form, unit)) == (form, unit)


@pytest.mark.parametrize("typed", ["", "steps", "steps_per_inch", "steps_per_mm\x1b[2J"])
def test_what_is_no_form(typed: str) -> None:
    with pytest.raises(ValueError, match="expected travel_per_rev_mm, travel_per_motor") as caught:
        parse_form(typed)
    assert str(caught.value).isprintable()


@given(positive, forms, trains)
def test_without_a_motor_a_number_tells_only_its_own_kind(
    value: Fraction, form: Form, train: DriveTrain
) -> None:
    stored = Stored(form, value)
    known = forms_of(stored, train.gear_ratio, None)
    everything = forms_of(stored, train.gear_ratio, train.motor.microsteps_per_rev)
    assert len(known) == 2
    assert len(everything) == 4
    assert known[form] == everything[form] == value
    assert known.items() <= everything.items()


@pytest.mark.parametrize(
    ("reduction", "gears", "error"),
    [
        ("3", (17, 50), "0.02"),
        ("3", (50, 150), "0"),
        ("5", (16, 80), "0"),
        ("4.9", (16, 80), "-0.02"),
    ],
)
def test_what_a_rounded_gear_ratio_costs(
    reduction: str, gears: tuple[int, int], error: str
) -> None:
    assert error_of_ratio(Fraction(reduction), GearPair(*gears).ratio) == Fraction(error)


@given(trains, positive)
def test_the_error_of_a_ratio_is_what_the_axis_does(train: DriveTrain, reduction: Fraction) -> None:
    """Told the nominal ratio, the controller makes the steps; the teeth make the travel."""
    told = Stored(Form.TRAVEL_PER_MOTOR_REV_MM, train.travel_per_rev_mm / reduction)
    true_for_one_mm = steps_per_mm(told, train) * train.mm_per_step
    assert true_for_one_mm - 1 == error_of_ratio(reduction, train.gear_ratio)


@given(trains, st.integers(2, 9))
def test_scaling_laws(train: DriveTrain, n: int) -> None:
    """n times the microsteps or the reduction is n times the steps; the travel knows its parts."""
    motor = Motor(train.motor.step_angle_deg, train.motor.microsteps * n)
    finer = DriveTrain(train.drive, motor, train.gears)
    assert finer.steps_per_mm == n * train.steps_per_mm
    assert finer.travel_per_motor_rev_mm == train.travel_per_motor_rev_mm
    assert finer.lost_cycle_mm == train.lost_cycle_mm
    geared = DriveTrain(train.drive, train.motor, (*train.gears, GearPair(20, 20 * n)))
    assert geared.steps_per_mm == n * train.steps_per_mm
    assert geared.travel_per_rev_mm == train.travel_per_rev_mm


@given(st.fractions(Fraction("0.01"), 100, max_denominator=100), st.integers(3, 100), motors)
def test_travel_grows_with_pitch_and_teeth(pitch: Fraction, teeth: int, motor: Motor) -> None:
    one = DriveTrain(Belt(pitch, teeth), motor)
    for twice in (Belt(pitch * 2, teeth), Belt(pitch, teeth * 2)):
        assert DriveTrain(twice, motor).mm_per_step == 2 * one.mm_per_step
