import math
from fractions import Fraction

import numpy as np
import pytest
from scipy.optimize import linprog
from simulated_axis import BELT, BELT_STORED, SCREW, SCREW_STORED, STEPPER

from tuner.drive.parts import Belt, DriveTrain, GearPair, Motor, Screw
from tuner.drive.scale import Form, Stored, output_turn_mm
from tuner.errors import InputFault
from tuner.metrology.fit import fit
from tuner.metrology.reading import Reading
from tuner.metrology.targets import (
    CaliperReach,
    measuring_plan,
    outlook,
    over_travel_mm,
    plan_targets,
)


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
    (0.0, 60.0),
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
    # and on like that: of each four the middle two are the far ones
    sign = 1 if near == "low" else -1
    for number in range(0, 10, 2):
        there, beyond = places[number : number + 2][:: 1 if number % 4 == 0 else -1]
        assert sign * (beyond - there) >= 0.5 * abs(far_mm - near_mm) - 1e-9


@pytest.mark.parametrize("reach", [(0.0, 142.0), (0.0, 222.0), (0.0, 62.0), (0.0, 90.0)])
@pytest.mark.parametrize("count", range(4, 21, 2))
def test_play_and_a_rise_per_turn_cost_nothing_where_there_is_room(reach, count):
    """As sure as the same number of readings at the two ends and nothing else to find out."""
    plan = measuring_plan(BELT, BELT_STORED, reach=reach, over_mm=1.0, count=count)
    assert len(plan.targets) == count
    ends = 2.0 / plan.base_mm / math.sqrt(count)
    if reach == (0.0, 90.0) and count > 4:  # 2.2 turns: no room beyond two
        assert plan.u_per_mm < 1.17 * ends
    else:
        assert plan.u_per_mm == pytest.approx(ends, rel=1e-6)


def smallest_variance(turns, resolution=400):
    """1 / rho^2: what no design of unit weight on so many turns can beat, for scale per turn.

    rho is the largest distance that constant, cosine and sine must leave to the straight line,
    by linear programming (Karlin and Studden, Optimal experimental designs, 1966).
    """
    x = np.linspace(0.0, turns, 1 + round(turns * resolution))
    others = np.column_stack([np.ones_like(x), np.cos(2 * np.pi * x), np.sin(2 * np.pi * x)])
    one = np.ones((len(x), 1))
    found = linprog(
        [0, 0, 0, 1],
        A_ub=np.vstack([np.hstack([-others, -one]), np.hstack([others, -one])]),
        b_ub=np.concatenate([-x, x]),
        bounds=[(None, None)] * 3 + [(0, None)],
    )
    return 1.0 / found.fun**2


@pytest.mark.parametrize(
    ("turns", "limit"), [(1.5, 1.07), (2.5, 1.05), (3.0, 1.12), (3.45, 1.05), (5.4, 1.05)]
)
@pytest.mark.parametrize("count", [4, 10, 20])
def test_no_design_is_much_better(turns, limit, count):
    """c-optimal: what whole turns give up on a reach up to half a turn over them.

    On exactly three turns seeing the turn at all costs one reading in five.
    """
    reach = (0.0, turns * 40.0 + 2.0)
    best = math.sqrt(smallest_variance(turns)) / 40.0
    plan = measuring_plan(BELT, BELT_STORED, reach=reach, over_mm=1.0, count=count)
    assert 1.0 - 1e-6 <= plan.u_per_mm * math.sqrt(count) / best <= limit


def inner_turns(reach):
    plan = measuring_plan(BELT, BELT_STORED, reach=reach, over_mm=1.0)
    return [(one.commanded_mm - 1.0) / 40.0 for one in plan.targets[4:8]], plan


@pytest.mark.parametrize(
    ("reach", "turns"),
    [
        # a quarter and half a turn inside, their partners three turns on
        ((0.0, 150.0), (0.25, 3.25, 3.5, 0.5)),
        # room for 0.45 turns beyond three: half of it and all of it
        ((0.0, 140.0), (0.225, 3.225, 3.45, 0.45)),
        # no room beyond a short base: one of each pair stays at an end
        ((0.0, 122.0), (0.25, 3.0, 2.5, 0.0)),
        ((0.0, 90.0), (0.25, 2.0, 1.5, 0.0)),
        # no room beyond a long one: their partners come a turn nearer
        ((0.0, 202.0), (0.25, 4.25, 4.5, 0.5)),
    ],
)
def test_inner_readings_see_the_turn(reach, turns):
    found, plan = inner_turns(reach)
    assert found == pytest.approx(turns)
    assert "periodic" not in plan.cannot_see
    # whole full steps of the motor: 200 to a turn
    assert [one * 200 for one in found] == pytest.approx([round(one * 200) for one in found])


@pytest.mark.parametrize("reach", [(0.0, 150.0), (0.0, 122.0), (0.0, 90.0), (0.0, 202.0)])
def test_ten_readings_find_an_eccentric_pulley_and_six_do_not(reach):
    for count in (6, 10):
        plan = measuring_plan(BELT, BELT_STORED, reach=reach, over_mm=1.0, count=count)
        readings = [
            Reading(
                one.commanded_mm,
                20.0 + one.commanded_mm + 0.15 * math.sin(2 * math.pi * one.commanded_mm / 40 + 1),
                one.approach,
                n=n,
            )
            for n, one in enumerate(plan.targets, 1)
        ]
        said = fit(readings, grows=1, resolution_mm=0.01, turn_mm=40.0)
        assert (said.periodic is None) == ("periodic" in plan.cannot_see) == (count == 6)
        assert said.scale == pytest.approx(1.0, abs=1e-9)
        if said.periodic is not None:
            assert said.periodic.amplitude_mm == pytest.approx(0.15, abs=1e-9)


# --- what a caliper can follow ------------------------------------------------------------


@pytest.mark.parametrize(
    ("caliper", "turns", "with_block"),
    [
        (CaliperReach(150.0), 3, 0),
        (CaliperReach(200.0), 4, 0),
        (CaliperReach(300.0), 7, 0),
        (CaliperReach(150.0, spare_mm=5.0), 3, 0),
        (CaliperReach(150.0, block_mm=100.0), 5, 5),
        # the block is not used where the caliper reads without it
        (CaliperReach(300.0, block_mm=100.0), 9, 5),
    ],
)
def test_calipers_and_spacer_blocks(caliper, turns, with_block):
    plan = measuring_plan(
        BELT, BELT_STORED, reach=(0.0, 420.0), over_mm=1.0, caliper=caliper, count=10
    )
    assert plan.base_turns == turns
    assert sum(one.block_mm > 0.0 for one in plan.targets) == with_block
    near_mm = plan.targets[0].commanded_mm
    for one in plan.targets:
        shown_mm = caliper.nearest_mm + abs(one.commanded_mm - near_mm) - one.block_mm
        assert caliper.nearest_mm - 1e-9 <= shown_mm <= caliper.longest_mm + 1e-9


@pytest.mark.parametrize(("scale", "turns"), [(1.0, 3), (0.5, 6), (2.0, 1), (25.4, 0)])
def test_the_rough_scale_counts_in_what_a_caliper_follows(scale, turns):
    plan = measuring_plan(
        BELT,
        BELT_STORED,
        reach=(0.0, 420.0),
        over_mm=1.0,
        caliper=CaliperReach(150.0),
        scale=scale,
    )
    assert plan.base_turns == turns
    assert plan.base_mm * scale <= 139.0


@pytest.mark.parametrize("block_mm", [-1.0, 140.0, math.nan])
def test_a_block_that_leaves_a_gap_is_refused(block_mm):
    with pytest.raises(InputFault, match="use a shorter block"):
        CaliperReach(150.0, block_mm=block_mm)


def test_a_caliper_that_reads_nothing_is_refused():
    with pytest.raises(InputFault, match="give the axis more free travel"):
        measuring_plan(
            BELT, BELT_STORED, reach=(0.0, 420.0), over_mm=1.0, caliper=CaliperReach(12.0)
        )


# --- what a plan cannot see ---------------------------------------------------------------

COARSE = DriveTrain(Belt(Fraction(5), 40), STEPPER)
COARSE_STORED = Stored(Form.TRAVEL_PER_REV_MM, Fraction(200))
FINE = DriveTrain(Screw(Fraction(2)), STEPPER)
FINE_STORED = Stored(Form.TRAVEL_PER_REV_MM, Fraction(2))


@pytest.mark.parametrize(
    ("train", "stored", "reach", "unseen"),
    [
        (BELT, BELT_STORED, (0.0, 102.0), set()),
        (BELT, BELT_STORED, (0.0, 150.0), {"half-turns"}),
        (BELT, BELT_STORED, (0.0, 32.0), {"periodic"}),
        (COARSE, COARSE_STORED, (0.0, 140.0), {"periodic"}),
        (SCREW, SCREW_STORED, (0.0, 32.0), {"lost-steps"}),
        (FINE, FINE_STORED, (0.0, 150.0), {"lost-steps"}),
    ],
)
def test_what_a_plan_cannot_see_is_said(train, stored, reach, unseen):
    plan = measuring_plan(train, stored, reach=reach, over_mm=1.0)
    assert set(plan.cannot_see) == unseen


def test_what_a_long_turn_does_to_the_scale_is_said_in_numbers():
    plan = measuring_plan(COARSE, COARSE_STORED, reach=(0.0, 140.0), over_mm=1.0)
    assert plan.base_turns == 0
    # 0.1 mm x 2 sin(pi 138/200) / 138 mm
    assert "one turn is 200.0 mm and only 138.0 mm can be measured" in plan.cannot_see["periodic"]
    assert "up to 0.12 % for each 0.1 mm" in plan.cannot_see["periodic"]


def test_a_fine_screw_goes_over_many_even_turns():
    plan = measuring_plan(FINE, FINE_STORED, reach=(0.0, 150.0), over_mm=1.0)
    assert (plan.base_turns, plan.base_mm) == (74, pytest.approx(148.0))
    assert "one lost cycle of the motor is 0.04 mm" in plan.cannot_see["lost-steps"]


@pytest.mark.parametrize("count", [3, 21, 0, -1])
def test_a_plan_has_four_to_twenty_readings(count):
    with pytest.raises(ValueError, match="expected 4 to 20"):
        measuring_plan(BELT, BELT_STORED, reach=(0.0, 150.0), over_mm=1.0, count=count)


def test_whether_a_plan_reaches_what_is_wanted_is_known_before_it_is_read():
    def said(reach, wanted_U, count=10):
        plan = measuring_plan(BELT, BELT_STORED, reach=reach, over_mm=1.0, count=count)
        return outlook(plan, wanted_U=wanted_U, error_limit_mm=0.03)

    assert said((0.0, 150.0), 0.0005).more == 0
    four = said((0.0, 150.0), 0.0005, count=4)
    assert four.more is not None and four.more > 0
    short = said((0.0, 32.0), 0.0005)
    assert short.more is None
    assert "gauge block" in short.says


def test_a_reach_below_one_turn_gives_its_two_ends():
    targets = plan_targets(BELT, BELT_STORED, reach=(0.0, 32.0), over_mm=1.0)
    assert sorted({one.commanded_mm for one in targets}) == pytest.approx([1.0, 31.0])


@pytest.mark.parametrize("reach", [(0.0, 6.9), (0.0, 0.0), (10.0, 0.0), (0.0, float("nan"))])
def test_a_reach_too_short_to_measure_in_is_refused(reach):
    with pytest.raises(InputFault, match="give the axis more free travel"):
        plan_targets(BELT, BELT_STORED, reach=reach, over_mm=1.0)


@pytest.mark.parametrize("spare", [0.35, 0.4, 0.405, 0.41, 0.415, 0.42, 0.43, 0.45, 0.49, 0.5, 0.6])
@pytest.mark.parametrize("turns", [1, 3, 5])
@pytest.mark.parametrize("angle", ["0.9", "1.8", "15"])
def test_ten_readings_show_the_rise_and_fall_whatever_room_is_left(spare, turns, angle):
    train = DriveTrain(BELT.drive, Motor(Fraction(angle), 16))
    stored = Stored(Form.STEPS_PER_MM, train.steps_per_mm)
    plan = measuring_plan(train, stored, reach=(0.0, 40.0 * (turns + spare) + 2.0), over_mm=1.0)
    assert "periodic" not in plan.cannot_see
