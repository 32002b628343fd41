import math
import random
from dataclasses import replace
from fractions import Fraction

import pytest
from simulated_axis import BELT, BELT_STORED, SCREW, SCREW_STORED, STEPPER

from tuner.drive.parts import Belt, DriveTrain, GearPair, Measured, Rack, Rotary
from tuner.drive.scale import Form, Stored
from tuner.metrology import alternatives, causes
from tuner.metrology.budget import Scale
from tuner.metrology.causes import MOTOR_TURN, weigh

GEARED = DriveTrain(BELT.drive, STEPPER, (GearPair(16, 80), GearPair(20, 40)))
GEARED_STORED = Stored(Form.STEPS_PER_MM, GEARED.steps_per_mm)
RACK = DriveTrain(Rack(Fraction(1), 20), STEPPER)
RACK_STORED = Stored(Form.STEPS_PER_MM, RACK.steps_per_mm)


def about(value, u_relative=3e-4, dof=12.0):
    return Scale(value=value, u=u_relative * value, U=2.2 * u_relative * value, k=2.2, dof=dof)


@pytest.mark.parametrize(
    ("train", "stored", "value", "name", "says"),
    [
        (BELT, BELT_STORED, 1.0, "as-described", "the machine is what the card says"),
        (BELT, BELT_STORED, 0.8, "pulley-teeth", "16 teeth, the card says 20"),
        (BELT, BELT_STORED, 1.016, "belt-pitch", "2.032 mm pitch, the card says 2"),
        (BELT, BELT_STORED, 25.4, "inch-units", "the controller takes lengths as inches"),
        (BELT, BELT_STORED, 1 / 25.4, "inch-units", "the caliper showed inches"),
        (BELT, BELT_STORED, 0.5, "step-angle", "a motor of 0.9 degrees per step, the card says"),
        (SCREW, SCREW_STORED, 1.25, "screw-lead", "a lead of 5 mm, the card says 4"),
        (SCREW, SCREW_STORED, 0.5, "step-angle", "a motor of 0.9 degrees per step, the card says"),
        (RACK, RACK_STORED, 0.8, "pinion-teeth", "16 pinion teeth, the card says 20"),
        (RACK, RACK_STORED, 0.5, "step-angle", "a motor of 0.9 degrees per step, the card says"),
        (RACK, RACK_STORED, 3.5, "rack-module", "module 3.5, the card says 1"),
        (GEARED, GEARED_STORED, 17 / 16, "gear-teeth", "17 teeth drive 80 in gear pair 1"),
        (GEARED, GEARED_STORED, 25.0, "gear-teeth", "80 teeth drive 16 in gear pair 1"),
        (
            BELT,
            Stored(Form.STEPS_PER_MM, Fraction(100)),
            1.25,
            "stored-number",
            "the parts give 80 steps per mm, the controller holds 100",
        ),
        (
            BELT,
            Stored(Form.STEPS_PER_MM, Fraction(93)),
            1.0,
            "compensating",
            "93 steps per mm suits the machine, the parts on the card do not",
        ),
        (
            BELT,
            Stored(Form.TRAVEL_PER_REV_MM, Fraction(32)),
            1.25,
            "stored-number",
            "the parts give 40 mm per revolution, the controller holds 32",
        ),
    ],
)
def test_the_leading_cause(train, stored, value, name, says):
    best = weigh(about(value), train, stored).causes[0]
    assert best.name == name
    assert says in best.says
    assert float(best.predicted) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize("value", [0.003, 0.5, 0.8, 1.0, 1.01, 1.25, 25.4, 400.0])
@pytest.mark.parametrize(
    ("train", "stored"),
    [(BELT, BELT_STORED), (SCREW, SCREW_STORED), (RACK, RACK_STORED), (GEARED, GEARED_STORED)],
)
def test_probabilities_add_up_and_are_sorted(train, stored, value):
    weighed = weigh(about(value), train, stored)
    total = math.fsum(one.p for one in weighed.causes) + weighed.p_not_listed
    assert total == pytest.approx(1.0, abs=1e-5)  # hypotheses below 1e-9 are left out
    assert math.fsum(one.p for one in weighed.classes) == pytest.approx(
        math.fsum(one.p for one in weighed.causes)
    )
    assert [one.p for one in weighed.causes] == sorted((o.p for o in weighed.causes), reverse=True)
    assert [o.p for o in weighed.classes] == sorted((o.p for o in weighed.classes), reverse=True)
    assert len({one.predicted for one in weighed.classes}) == len(weighed.classes)


@pytest.mark.parametrize("value", [0.5, 0.625, 0.8, 2.0])
def test_what_a_cause_says_is_what_its_parts_do(value):
    """Counted from steps: commanded mm x stored steps, x the true mm per step."""
    for cause in weigh(about(value), BELT, BELT_STORED).causes:
        if cause.side == "number":
            continue
        drive, motor = cause.train.drive, cause.train.motor
        mm_per_step = drive.pitch_mm * drive.pulley_teeth / motor.microsteps_per_rev
        assert cause.predicted == 80 * mm_per_step
        for key, new in cause.changes.items():
            kind, name = key.split(".")
            assert getattr(getattr(cause.train, kind), name) == new
            assert getattr(getattr(BELT, kind), name) != new


def test_one_class_holds_everything_with_the_same_exact_ratio():
    best = weigh(about(0.5), BELT, BELT_STORED).classes[0]
    assert best.predicted == Fraction(1, 2)
    assert {("step-angle=0.9",), ("microsteps=32",)} <= {one.looks for one in best.causes}


def test_a_lead_that_several_screws_have_leaves_pitch_and_starts_open():
    eight, five = (weigh(about(r), SCREW, SCREW_STORED) for r in (2.0, 1.25))
    leads = {c.looks[0]: c for w in (eight, five) for c in w.causes if len(c.looks) == 1}
    assert leads["screw-lead=8"].changes == {"drive.pitch_mm": None, "drive.starts": None}
    assert leads["screw-lead=8"].train.travel_per_rev_mm == 8
    assert leads["screw-lead=5"].changes == {"drive.pitch_mm": 5, "drive.starts": 1}


@pytest.mark.parametrize("seed", range(5))
def test_nothing_depends_on_the_order_of_the_tables(monkeypatch, seed):
    values = (0.5, 0.8, 1.0, 1.25, 2.0)
    machines = ((BELT, BELT_STORED), (SCREW, SCREW_STORED), (GEARED, GEARED_STORED))
    before = [weigh(about(v), *one) for v in values for one in machines]
    for name in (
        "BELT_PITCHES_MM",
        "MICROSTEPS",
        "PULLEY_TEETH",
        "SCREW_LEADS_MM",
        "STEP_ANGLES_DEG",
    ):
        table = getattr(alternatives, name)
        items = list(table.items())
        random.Random(seed).shuffle(items)
        monkeypatch.setattr(alternatives, name, dict(items))
    causes._hypotheses.cache_clear()
    after = [weigh(about(v), *one) for v in values for one in machines]
    causes._hypotheses.cache_clear()
    for one, other in zip(before, after, strict=True):
        assert one.classes[0].predicted == other.classes[0].predicted
        assert [c.looks for c in one.causes[:4]] == [c.looks for c in other.causes[:4]]
        assert [c.p for c in one.causes[:4]] == pytest.approx([c.p for c in other.causes[:4]])
        assert [a.look for a, _ in one.nearest] == [a.look for a, _ in other.nearest]


@pytest.mark.parametrize("percent", [0.3, 0.5, 0.7, 1.0, 1.2, 1.4, -0.3, -0.7, -1.2])
def test_a_deviation_without_a_listed_cause_is_not_listed(percent):
    weighed = weigh(about(1 + percent / 100), BELT, BELT_STORED)
    assert weighed.p_not_listed > 0.5


def test_a_vague_scale_convinces_of_nothing():
    weighed = weigh(about(0.8, u_relative=0.2, dof=2.0), BELT, BELT_STORED)
    assert weighed.classes[0].p < 0.95
    assert weigh(about(0.8, u_relative=5.0, dof=1.0), BELT, BELT_STORED).classes[0].p < 0.95


def test_a_drive_without_a_list_of_parts_still_has_a_motor():
    measured = DriveTrain(Measured(Fraction(40)), STEPPER)
    stored = Stored(Form.STEPS_PER_MM, Fraction(80))
    found = weigh(about(2.0), measured, stored)
    assert found.causes[0].looks == ("microsteps=8",)
    assert weigh(about(0.8), measured, stored).p_not_listed > 0.5


def test_looks_condition_the_causes():
    tie = weigh(about(0.5), BELT, BELT_STORED)
    assert tie.causes[0].p < 0.95
    confirmed = weigh(about(0.5), BELT, BELT_STORED, {"step-angle": "confirmed"})
    assert confirmed.causes[0].looks == ("step-angle=0.9",)
    assert confirmed.causes[0].p > 0.95
    assert all("step-angle=0.9" in one.looks for one in confirmed.causes)
    assert confirmed.p_not_listed < tie.p_not_listed
    denied = weigh(about(0.5), BELT, BELT_STORED, {"step-angle=0.9": "denied"})
    assert denied.causes[0].looks == ("microsteps=32",)
    assert not any("step-angle=0.9" in one.looks for one in denied.causes)
    both = weigh(about(0.5), BELT, BELT_STORED, {"step-angle": "denied", "microsteps": "denied"})
    assert both.p_not_listed > confirmed.p_not_listed


def test_a_turn_of_the_motor_splits_what_turns_it_once_from_what_does_not():
    once = weigh(about(2.0), BELT, BELT_STORED, {MOTOR_TURN: "confirmed"})
    assert once.causes[0].looks == ("pulley-teeth=40",)
    assert {one.motor_turns for one in once.causes} == {1}
    twice = weigh(about(2.0), BELT, BELT_STORED, {MOTOR_TURN: "denied"})
    assert twice.causes[0].looks == ("microsteps=8",)
    assert all(one.motor_turns != 1 for one in twice.causes)
    # It speaks for a part, one whole turn does not.
    before = weigh(about(2.0), BELT, BELT_STORED)
    assert twice.p_not_listed < before.p_not_listed < once.p_not_listed


def test_two_settings_that_cancel_each_other_out_are_one_cause():
    found = weigh(about(1.0), BELT, BELT_STORED)
    same = next(one for one in found.classes if one.predicted == 1)
    cancelling = [one for one in same.causes if one.name == "compensating"]
    assert {"step-angle", "microsteps"} in [set(one.also) for one in cancelling]
    for one in cancelling:
        assert one.train.steps_per_mm == BELT.steps_per_mm
        assert len(one.looks) == 2


def test_a_number_that_was_read_again_is_all_but_certain():
    """Reading exactly the suspected number by mistake is much rarer than miscounting teeth."""
    before = weigh(about(20 / 19), BELT, BELT_STORED)
    suspect = next(one for one in before.causes if one.name == "stored-number")
    after = weigh(about(20 / 19), BELT, BELT_STORED, {suspect.looks[0]: "confirmed"})
    assert suspect.p < 0.8
    assert after.causes[0].looks == suspect.looks
    assert after.causes[0].p > 0.95


def test_a_number_may_be_that_of_another_motor():
    looks = {one.looks for one in weigh(about(2.0), BELT, BELT_STORED).causes}
    assert ("stored-number=160",) in looks


def test_a_confirmed_part_that_explains_nothing_leaves_not_listed():
    weighed = weigh(about(0.8), BELT, BELT_STORED, {"pulley-teeth=17": "confirmed"})
    assert weighed.causes == ()
    assert weighed.p_not_listed == 1.0


def test_a_look_at_something_else_is_refused():
    with pytest.raises(ValueError, match=r"a look at screw-lead=8\\x1b is recorded, .* no suspect"):
        weigh(about(0.8), BELT, BELT_STORED, {"screw-lead=8\x1b": "denied"})


@pytest.mark.parametrize("value", [0.0, -0.8])
def test_a_scale_that_is_not_positive_is_refused(value):
    with pytest.raises(ValueError, match="no ratio to compare"):
        weigh(replace(about(0.8), value=value), BELT, BELT_STORED)


def test_a_turntable_speaks_of_degrees_and_never_of_inches():
    table = DriveTrain(Rotary(), STEPPER, (GearPair(16, 80),))
    stored = Stored(Form.STEPS_PER_MM, 2 * table.steps_per_mm)
    causes = weigh(about(2.0), table, stored).causes
    assert "steps per deg" in causes[0].says
    assert "inch-units" not in {one.name for one in weigh(about(25.4), table, stored).causes}


def test_a_pair_of_equal_gears_cannot_be_swapped():
    train = DriveTrain(BELT.drive, STEPPER, (GearPair(20, 20),))
    stored = Stored(Form.STEPS_PER_MM, train.steps_per_mm)
    assert weigh(about(1.05), train, stored).causes[0].looks == ("gear-teeth=1:21:20",)


def test_belt_and_teeth_of_equal_travel_are_one_class():
    """20 x 2 mm = 16 x 2.5 mm: no reading can tell them apart."""
    train = DriveTrain(Belt(Fraction(2), 16), STEPPER)
    found = weigh(about(1.25), train, Stored(Form.STEPS_PER_MM, Fraction(100))).classes[0]
    assert {"pulley-teeth=20", "belt-pitch=2.5"} <= {one.looks[0] for one in found.causes}
