"""What a sudden offset of one size can be."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_axis import BELT, SCREW

from tuner.drive.parts import Belt, DriveTrain, Motor
from tuner.metrology.lattice import Offset, sense_of

SIXTEEN = DriveTrain(Belt(Fraction(2), 16), Motor(Fraction("1.8"), 16))
FINE = DriveTrain(Belt(Fraction(2), 20), Motor(Fraction("0.9"), 16))


def near(size_mm, trains=(BELT,), u_mm=0.02, look="unmoved", **offset):
    sense = sense_of(Offset(size_mm, u_mm, 8.0, **offset), list(trains), look)
    return [(one.name, one.count) for one in sense.near]


@pytest.mark.parametrize(
    ("size_mm", "train", "is_it"),
    [
        (-0.8, BELT, [("lost-steps", 1)]),
        (2.4, BELT, [("lost-steps", 3)]),
        (-2.0, BELT, [("belt-jump", 1)]),
        (4.0, SIXTEEN, [("belt-jump", 2)]),
        (0.64, SIXTEEN, [("lost-steps", 1)]),
        (0.4, FINE, [("lost-steps", 1)]),
        (0.37, BELT, [("not-listed", None)]),
    ],
)
def test_the_lattice_decides(size_mm, train, is_it):
    assert near(size_mm, [train]) == is_it


def test_four_mm_on_twenty_teeth_are_a_tie_that_leans_to_lost_cycles():
    assert near(4.0) == [("lost-steps", 5), ("belt-jump", 2)]
    assert sense_of(Offset(4.0, 0.02), [BELT], "unmoved").sure is None


def test_points_within_five_u_of_each_other_are_a_tie_however_odd_one_of_them_is():
    assert ("lost-steps", 6) in near(4.0, [SIXTEEN], u_mm=0.035)
    assert ("lost-steps", 6) not in near(4.0, [SIXTEEN], u_mm=0.03)


def test_machines_that_the_scale_leaves_possible_all_count():
    assert near(0.8, [BELT, FINE]) == [("lost-steps", 1), ("lost-steps", 2)]


def test_no_lattice_is_believed_before_the_datum_was_looked_at():
    assert near(-0.8, look=None) == [("lost-steps", 1), ("datum-moved", None)]
    assert near(-0.8, look="moved") == [("datum-moved", None)]
    assert near(0.37, look=None) == [("datum-moved", None)]


def test_a_lattice_finer_than_five_u_is_not_tested():
    sense = sense_of(Offset(0.5, 0.02), [SCREW], "unmoved")
    assert not any(one.lattice for one in sense.meanings)
    assert "0.08 mm" in sense.not_tested["lost-steps"]
    assert (sense.sure, sense.left) == (None, ("not-listed", "lost-steps"))
    assert sense_of(Offset(0.48, 0.01), [SCREW], "unmoved").not_tested == {}


def share(sense, name):
    return sum(one.p for one in sense.meanings if one.name == name)


@pytest.mark.parametrize("u_mm", [0.05, 0.15, 0.2, 0.25, 0.4, 0.5])
def test_two_lost_cycles_stay_two_lost_cycles_however_coarse_the_caliper(u_mm):
    sense = sense_of(Offset(1.6, u_mm), [BELT], "unmoved")
    assert sense.meanings[0].name == "lost-steps"
    assert share(sense, "lost-steps") > share(sense, "belt-jump")
    if u_mm > 0.1:
        assert sense.sure is None
        assert {"lost-steps", "belt-jump"} <= set(sense.left)
        assert u_mm < 0.2 or "how many cannot be told" in sense.meanings[0].says


@given(
    count=st.integers(1, 9),
    train=st.sampled_from([BELT, SIXTEEN, FINE]),
    tenths_u=st.lists(st.integers(1, 100), min_size=2, max_size=6, unique=True),
    teeth=st.booleans(),
)
def test_more_doubt_never_makes_what_fits_worse_the_one_it_is(count, train, tenths_u, teeth):
    """A size that is exactly one of the two: the other is never the only one left."""
    step_mm = float(train.drive.pitch_mm if teeth else train.lost_cycle_mm)
    exact = "belt-jump" if teeth else "lost-steps"
    senses = [
        sense_of(Offset(count * step_mm, tenth / 100.0), [train], "unmoved")
        for tenth in sorted(tenths_u)
    ]
    for sense in senses:
        assert exact in sense.left
        assert sense.sure is None or sense.sure.name == exact
    if not teeth:
        # The worse fit leads at most by what it is more common, as the odds assume: one tooth is
        # more common than three lost cycles.
        jumped = max(1, round(count * step_mm / float(train.drive.pitch_mm)))
        rarer = (0.40 * 0.2 * 0.8 ** (count - 1)) / (0.12 * 0.5 * 0.5 ** (jumped - 1))
        for sense in senses:
            assert share(sense, "lost-steps") >= min(1.0, rarer) * share(sense, "belt-jump") - 1e-9


def test_a_pause_and_a_move_are_known_by_their_sizes():
    assert near(0.3, released=True, look=None)[0] == ("motor-released", None)
    assert ("motor-released", None) not in near(0.8, released=True)
    assert near(-10.0, not_made_mm=-10.0) == [("move-not-made", None)]
    assert ("move-not-made", None) not in near(-10.4, not_made_mm=-10.0)


@pytest.mark.parametrize("size_mm", [-40.0, -0.8, 1e-3, 0.37, 7.3, 1000.0])
@pytest.mark.parametrize("dof", [1.0, 8.0, math.inf])
@pytest.mark.parametrize("trains", [(), (BELT,), (SCREW,), (BELT, SIXTEEN)])
def test_the_odds_sum_to_one_and_the_sign_does_not_matter(size_mm, dof, trains):
    def odds(size):
        sense = sense_of(Offset(size, 0.02, dof, released=True), trains)
        return {(one.name, one.count, one.step_mm): one.p for one in sense.meanings}

    assert sum(odds(size_mm).values()) == pytest.approx(1.0, abs=0.01)
    assert odds(size_mm) == pytest.approx(odds(-size_mm))


def test_the_order_of_the_machines_does_not_matter():
    one, other = (
        sense_of(Offset(-0.8, 0.02), trains).as_json() for trains in ([BELT, FINE], [FINE, BELT])
    )
    assert [x["p"] for x in one] == pytest.approx([x["p"] for x in other])
    assert [x["says"] for x in one] == [x["says"] for x in other]
