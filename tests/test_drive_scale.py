"""The four forms, and what a measured scale and a contradiction do to the stored number."""

from __future__ import annotations

from fractions import Fraction

import pytest
from drive_strategies import trains
from hypothesis import given
from hypothesis import strategies as st

from tuner.drive.parts import (
    Belt,
    DriveTrain,
    Feeder,
    GearPair,
    Motor,
    Rotary,
    Screw,
)
from tuner.drive.scale import (
    Form,
    Stored,
    all_forms,
    contradiction,
    convert,
    form_words,
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
        "travel_per_rev_mm", "travel_per_motor_rev_mm", "steps_per_mm", "mm_per_step"
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
        (BELT, Form.STEPS_PER_MM, "40", ["half of", "40 against 80 steps per mm", "factor 0.5",
                                         "8 microsteps instead of 16", "40 teeth instead of 20"]),
        (BELT, Form.STEPS_PER_MM, "160", ["twice", "160 against 80", "400 full steps instead",
                                          "32 microsteps instead of 16"]),
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
        (SCREW, Form.STEPS_PER_MM, "1600", ["4 times", "pitch of the screw taken for its lead",
                                            "2 mm lead instead of 8"]),
        (SCREW, Form.TRAVEL_PER_REV_MM, "2", ["0.25 times", "taken for its lead"]),
        (DriveTrain(Screw(Fraction(4)), MOTOR), Form.STEPS_PER_MM, "640", ["5 mm lead"]),
        (GEARED, Form.TRAVEL_PER_REV_MM, "8", ["0.2 times", "a number for one motor revolution"]),
        (GEARED, Form.TRAVEL_PER_MOTOR_REV_MM, "40", ["5 times", "revolution of the output shaft"]),
        (GEARED, Form.TRAVEL_PER_MOTOR_REV_MM, "200", ["25 times", "the wrong way round"]),
        (GEARED, Form.STEPS_PER_MM, "80", ["0.2 times", "80 against 400", "the gears left out"]),
        (THREE_TO_ONE, Form.MM_PER_STEP, "0.0125", ["3 times", "the gears left out"]),
        (THREE_TO_ONE, Form.STEPS_PER_MM, "26.667", ["the wrong way round"]),
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
