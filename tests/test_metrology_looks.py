"""Which look comes first, and what its outcomes leave."""

from fractions import Fraction

from simulated_axis import STEPPER, Truth, judge

from tuner.drive.parts import Belt, DriveTrain
from tuner.drive.scale import Form, Stored
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
