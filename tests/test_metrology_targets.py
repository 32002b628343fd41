from fractions import Fraction

import pytest
from simulated_axis import BELT, BELT_STORED, SCREW, SCREW_STORED, STEPPER

from tuner.drive.parts import Belt, DriveTrain, GearPair
from tuner.drive.scale import Form, Stored
from tuner.errors import InputFault
from tuner.metrology.targets import output_turn_mm, over_travel_mm, plan_targets


@pytest.mark.parametrize(
    ("play", "cycle", "over"),
    [(0.0, 0.0, 1.0), (0.03, 0.8, 1.0), (0.5, 0.8, 1.5), (0.1, 1.28, 1.28)],
)
def test_over_travel_takes_up_play_and_a_lost_cycle(play, cycle, over):
    assert over_travel_mm(play, cycle) == over


GEARED = DriveTrain(Belt(Fraction(2), 20), STEPPER, (GearPair(16, 80),))


@pytest.mark.parametrize(
    ("train", "stored", "turn_mm"),
    [
        (BELT, BELT_STORED, 40.0),
        (SCREW, SCREW_STORED, 4.0),
        # one turn is 3200 steps whatever it gives: at 100 steps per mm that is 32 mm
        (BELT, Stored(Form.STEPS_PER_MM, Fraction(100)), 32.0),
        (BELT, Stored(Form.TRAVEL_PER_REV_MM, Fraction(25)), 25.0),
        (GEARED, Stored(Form.STEPS_PER_MM, Fraction(400)), 40.0),
        (GEARED, Stored(Form.TRAVEL_PER_MOTOR_REV_MM, Fraction(8)), 40.0),
    ],
)
def test_a_turn_is_counted_from_steps(train, stored, turn_mm):
    assert output_turn_mm(train, stored) == pytest.approx(turn_mm)


REACHES = [
    (0.0, 150.0),
    (-75.0, 75.0),
    (10.0, 92.0),
    (0.0, 42.0),
    (0.0, 43.0),
    (0.0, 20.0),
    (0.0, 7.1),
    (-300.0, 900.0),
    (0.0, 82.0),
    (0.1, 120.4),
]


@pytest.mark.parametrize("reach", REACHES)
@pytest.mark.parametrize("near", ["low", "high"])
@pytest.mark.parametrize("over", [1.0, 1.0001, 0.5])
@pytest.mark.parametrize(("train", "stored"), [(BELT, BELT_STORED), (SCREW, SCREW_STORED)])
def test_every_plan_keeps_the_rules(train, stored, reach, near, over):
    targets = plan_targets(train, stored, reach=reach, over_mm=over, near=near)
    assert [one.stage for one in targets] == [1] * 4 + [2] * 6
    places = [one.commanded_mm for one in targets]
    # over-travel fits on either side of every target
    assert min(places) >= reach[0] + over - 1e-9
    assert max(places) <= reach[1] - over + 1e-9
    # stage one: near-far-far-near, both sides at both ends
    near_mm, far_mm = places[0], places[1]
    assert places[:4] == [near_mm, far_mm, far_mm, near_mm]
    assert [one.approach for one in targets[:4]] == ["plus", "plus", "minus", "minus"]
    assert (far_mm > near_mm) == (near == "low")
    assert near_mm == pytest.approx(min(places) if near == "low" else max(places))
    # no two clusters overlap
    half = abs(far_mm - near_mm) / 2
    assert all(abs(a - near_mm) <= half + 1e-9 for a in (places[4], places[7], places[9])), (
        "near cluster"
    )
    assert all(abs(a - far_mm) <= half + 1e-9 for a in (places[5], places[6], places[8])), "far"


@pytest.mark.parametrize(
    ("train", "stored", "reach", "even", "turns"),
    [
        (BELT, BELT_STORED, (0.0, 150.0), False, 3),
        (BELT, BELT_STORED, (0.0, 150.0), True, 2),
        (BELT, BELT_STORED, (0.0, 122.0), False, 3),
        (BELT, BELT_STORED, (0.0, 121.9), False, 2),
        (BELT, BELT_STORED, (0.0, 45.0), True, 1),
        (SCREW, SCREW_STORED, (0.0, 120.0), False, 28),  # 29 would fit; screws go even
    ],
)
def test_the_base_is_whole_turns(train, stored, reach, even, turns):
    targets = plan_targets(train, stored, reach=reach, over_mm=1.0, even_turns=even)
    turn = output_turn_mm(train, stored)
    assert targets[1].commanded_mm - targets[0].commanded_mm == pytest.approx(turns * turn)


@pytest.mark.parametrize("reach", [(0.0, 150.0), (0.0, 122.0), (0.0, 90.0)])
def test_inner_readings_see_the_turn_and_pair_up_over_whole_turns(reach):
    turns = [
        (one.commanded_mm - 1.0) / 40.0
        for one in plan_targets(BELT, BELT_STORED, reach=reach, over_mm=1.0)
    ]
    near, far = (turns[4], turns[7]), (turns[5], turns[6])
    assert near == pytest.approx((0.25, 0.5))
    for a, b in zip(near, far, strict=True):
        assert (b - a) == pytest.approx(round(b - a))
        assert b - a > 0.5


def test_a_reach_below_one_turn_gives_its_two_ends():
    targets = plan_targets(BELT, BELT_STORED, reach=(0.0, 32.0), over_mm=1.0)
    assert sorted({one.commanded_mm for one in targets}) == pytest.approx([1.0, 31.0])


@pytest.mark.parametrize("reach", [(0.0, 6.9), (0.0, 0.0), (10.0, 0.0), (0.0, float("nan"))])
def test_a_reach_too_short_to_measure_in_is_refused(reach):
    with pytest.raises(InputFault, match="give the axis more free travel"):
        plan_targets(BELT, BELT_STORED, reach=reach, over_mm=1.0)
