"""Which look comes first, and what its outcomes leave."""

from fractions import Fraction

import pytest
from simulated_axis import STEPPER, Truth, judge

from tuner.drive.parts import Belt, DriveTrain, GearPair, Rack, Screw
from tuner.drive.scale import Form, Stored, plain_number
from tuner.metrology.alternatives import others_of, parts_of
from tuner.metrology.causes import MOTOR_TURN


def test_a_mark_on_the_shaft_splits_the_motor_from_what_it_drives():
    found = judge(Truth(2.0), 0, base_true_mm=170.0)
    look = found.look
    assert (look.key, look.move_mm) == (MOTOR_TURN, 40.0)
    assert "8 microsteps" in look.no and "teeth" not in look.no
    assert "40 teeth" in look.yes and "microsteps" not in look.yes
    turned = judge(Truth(2.0), 0, base_true_mm=170.0, looks={MOTOR_TURN: "confirmed"})
    assert {one.motor_turns for one in turned.tie} == {1}
    assert turned.look.key == "pulley-teeth=40"
    not_turned = judge(Truth(2.0), 0, base_true_mm=170.0, looks={MOTOR_TURN: "denied"})
    assert {one.motor_turns for one in not_turned.tie} == {2}
    assert not_turned.look.key == "microsteps=8"
    assert not not_turned.part_known


def test_the_cheapest_look_that_splits_comes_first():
    """A label and a jumper cost the same, and the mark does not split them: the likelier one."""
    look = judge(Truth(0.5), 0).look
    assert (look.key, look.move_mm) == ("step-angle=0.9", None)
    assert look.asks.startswith("power off and unplugged: ")
    assert "32 microsteps" in look.no
    number = judge(Truth(1.25), 0).look
    assert number.key == "stored-number=100"
    assert "power" not in number.asks


def test_no_look_is_asked_for_where_none_helps():
    assert judge(Truth(1.0), 0).look is None
    assert judge(Truth(1.007), 0).look is None
    assert judge(Truth(0.8), 0, looks={"pulley-teeth=16": "confirmed"}).look is None


def test_both_members_of_a_pair_are_looked_at():
    """20 teeth for 16, and a motor of 0.9 degrees: 0.5 x 1.25."""
    sixteen = DriveTrain(Belt(Fraction(2), 16), STEPPER)
    how = {"train": sixteen, "stored": Stored(Form.STEPS_PER_MM, Fraction(100))}
    first = judge(Truth(0.625), 0, **how)
    assert len(first.tie) > 1
    one = judge(Truth(0.625), 0, **how, looks={"step-angle": "confirmed"})
    assert (one.look.key, one.part_known) == ("pulley-teeth=20", False)
    assert one.next.count("power off") == 1
    both = judge(
        Truth(0.625), 0, **how, looks={"step-angle": "confirmed", "pulley-teeth=20": "confirmed"}
    )
    assert both.part_known and both.look is None
    assert both.proposal.changes == {
        "motor.step_angle_deg": Fraction("0.9"), "drive.pulley_teeth": 20
    }  # fmt: skip


GEARED = (GearPair(16, 80),)
TRAINS = [
    DriveTrain(Belt(Fraction(2), 20), STEPPER, GEARED),
    DriveTrain(Screw(Fraction(2), 4), STEPPER),
    DriveTrain(Rack(Fraction(1), 20), STEPPER),
]


@pytest.mark.parametrize("train", TRAINS, ids=lambda one: type(one.drive).__name__)
def test_every_look_asks_one_thing(train):
    stored = Stored(Form.STEPS_PER_MM, train.steps_per_mm)
    parts = parts_of(train)
    asked = {one.look: one.asks for one in (*parts, *others_of(train, stored, Fraction(1), parts))}
    assert asked.pop("as-described=card") == ""
    for look, question in asked.items():
        assert question.endswith(("of the card)?", "on the card)?", "mm)?")), look
        assert question.count("?") == 1
        assert not any(two in question for two in (", the card says", "; ", ": ", " or "))
    assert asked[f"stored-number={plain_number(stored.value / 2)}"] == (
        f"Does it hold {plain_number(stored.value / 2)} (and not the {plain_number(stored.value)} "
        "of the card)?"
    )


def test_a_card_that_contradicts_itself_is_asked_about_its_own_number():
    train = TRAINS[0]
    stored = Stored(Form.STEPS_PER_MM, train.steps_per_mm * 2)
    asked = {one.look: one.asks for one in others_of(train, stored, Fraction(2), parts_of(train))}
    held = plain_number(stored.value)
    assert asked["stored-number=parts"] == f"Does it hold {held}, as on the card?"


def test_each_look_of_a_cause_has_its_own_question():
    sixteen = DriveTrain(Belt(Fraction(2), 16), STEPPER)
    stored = Stored(Form.STEPS_PER_MM, Fraction(100))
    cause = judge(Truth(0.625), 0, train=sixteen, stored=stored).as_json(file=None, axis="x")
    pair = next(one for one in cause["causes"] if len(one["looks"]) > 1)
    assert len(pair["asks"]) == len(pair["looks"])
    assert [one.count("?") for one in pair["asks"]] == [1, 1]
