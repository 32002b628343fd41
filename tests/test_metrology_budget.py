import math
from dataclasses import replace

import numpy as np
import pytest

from tuner.errors import BadReadings
from tuner.metrology.budget import (
    Contribution,
    measured_scale,
    more_readings,
    simulated_k,
    welch_satterthwaite,
)
from tuner.metrology.fit import fit
from tuner.metrology.reading import Reading
from tuner.metrology.student import student_t_factor


def line(*points, scale=1.0):
    return fit(
        [Reading(x, 20.0 + scale * x, side, n=n) for n, (x, side) in enumerate(points, 1)],
        grows=1,
        resolution_mm=0.01,
    )


ENDS = ((0.0, "plus"), (120.0, "plus"), (120.0, "minus"), (0.0, "minus"))


def terms(scale):
    return {one.name: one.u_relative for one in scale.contributions}


def test_every_term_by_hand():
    found = terms(measured_scale(line(*ENDS), error_limit_mm=0.03))
    assert found["caliper"] == pytest.approx(0.03 / math.sqrt(3) * math.sqrt(2) / 120.0)
    assert found["caliper tilt"] == pytest.approx(math.radians(1) ** 2 / math.sqrt(45))
    assert found["temperature"] == pytest.approx(11.5e-6 * 5 / math.sqrt(3))
    assert found["play not separated"] == 0.0


def test_the_tilt_is_corrected_for_and_counted():
    """A caliper leaning by an angle uniform from 0 to A: mean A^2/6, sd A^2 sqrt(1/45)."""
    for ground, degrees in ((True, 1.0), (False, 2.0)):
        scale = measured_scale(line(*ENDS), error_limit_mm=0.03, ground_faces=ground)
        angle = math.radians(degrees)
        steps = [angle * (i + 0.5) / 1000 for i in range(1000)]
        long = [1.0 / math.cos(one) - 1.0 for one in steps]
        mean = math.fsum(long) / 1000
        sd = math.sqrt(math.fsum((one - mean) ** 2 for one in long) / 1000)
        assert scale.value == pytest.approx(1.0 - mean, abs=2e-7)
        assert terms(scale)["caliper tilt"] == pytest.approx(sd, rel=2e-3)


def test_two_degrees_of_tilt_stay_inside_the_stated_interval():
    leaning = line(*ENDS, scale=1.0 / math.cos(math.radians(2.0)))
    scale = measured_scale(leaning, error_limit_mm=0.03, ground_faces=False)
    assert abs(scale.value - 1.0) < scale.U


def test_play_that_was_not_separated_widens_the_interval():
    confounded = line((0.0, "minus"), (120.0, "plus"))
    one_sided = line((0.0, "plus"), (120.0, "plus"))
    wide, narrow = (measured_scale(one, error_limit_mm=0.03) for one in (confounded, one_sided))
    assert terms(narrow)["play not separated"] == pytest.approx(0.0, abs=1e-15)
    # half a millimetre of play, all of it between the two readings
    assert terms(wide)["play not separated"] == pytest.approx(0.5 / math.sqrt(3) / 120.0)
    assert wide.U > 2 * narrow.U


def test_a_shorter_base_counts_the_caliper_more():
    near, far = line((0.0, "plus"), (12.0, "plus")), line((0.0, "plus"), (120.0, "plus"))
    ratio = (
        terms(measured_scale(near, error_limit_mm=0.03))["caliper"]
        / terms(measured_scale(far, error_limit_mm=0.03))["caliper"]
    )
    assert ratio == pytest.approx(10.0)


def test_the_stage_one_goal_is_met_on_120_mm():
    assert measured_scale(line(*ENDS), error_limit_mm=0.03).U_relative < 0.003


def test_nothing_moved_is_said_so():
    still = line(*ENDS, scale=0.0)
    with pytest.raises(BadReadings, match=r"the readings differ by 0\.000 mm though the axis"):
        measured_scale(still, error_limit_mm=0.03)


@pytest.mark.parametrize(
    ("contributions", "u", "dof"),
    [
        ([], 0.0, math.inf),
        ([Contribution("a", 3e-4)], 3e-4, math.inf),
        ([Contribution("a", 3e-4, 4), Contribution("b", 4e-4)], 5e-4, 4 * (5 / 3) ** 4),
        ([Contribution("a", 0.0, 4), Contribution("b", 1e-4)], 1e-4, math.inf),
    ],
)
def test_effective_degrees_of_freedom(contributions, u, dof):
    assert welch_satterthwaite(contributions) == pytest.approx((u, dof))


def test_a_scale_never_carries_an_infinity():
    # seven identical pairs: no scatter at all, and enough readings to do without a prior
    points = [(x, side) for x in (0.0, 120.0) for side in ("plus", "minus") for _ in range(4)]
    scale = measured_scale(line(*points), error_limit_mm=0.03)
    assert math.isfinite(scale.dof)
    assert scale.k == pytest.approx(1.96, abs=0.001)


# --- terms of the bench -------------------------------------------------------------------


def test_resolution_offset_and_block_by_hand():
    found = terms(
        measured_scale(line(*ENDS), error_limit_mm=0.03, offset_mm=30.0, block_u_mm=0.002)
    )
    assert found["resolution"] == pytest.approx(0.01 / math.sqrt(12) * math.sqrt(2) / 120.0)
    assert found["offset from the axis"] == pytest.approx(30.0 * 0.5e-3 / math.sqrt(3) / 120.0)
    assert found["spacer block"] == pytest.approx(0.002 / 120.0)
    assert measured_scale(line(*ENDS), error_limit_mm=0.03, offset_mm=0.0).u < (
        measured_scale(line(*ENDS), error_limit_mm=0.03, offset_mm=-30.0).u
    )


@pytest.mark.parametrize(("room_c", "longer"), [(20.0, 0.0), (30.0, 115e-6), (10.0, -115e-6)])
def test_a_warm_caliper_reads_short_and_is_corrected(room_c, longer):
    cold = measured_scale(line(*ENDS), error_limit_mm=0.03)
    warm = measured_scale(line(*ENDS), error_limit_mm=0.03, room_c=room_c)
    assert warm.value / cold.value - 1.0 == pytest.approx(longer, abs=1e-12)


def test_a_turn_and_a_drift_that_were_not_separated_widen_the_interval():
    half_a_turn = fit(
        [Reading(x, 20.0 + x, side, n=1) for x, side in ((0.0, "plus"), (60.0, "plus"))],
        grows=1,
        resolution_mm=0.01,
        turn_mm=40.0,
    )
    found = terms(measured_scale(half_a_turn, error_limit_mm=0.03))
    assert found["one turn not separated"] == pytest.approx(0.05 * 2 / 60.0 / math.sqrt(3))
    steady = [Reading(x, 20.0 + x, "plus", n=1, time_s=x) for x in (0.0, 30.0, 60.0, 90.0, 120.0)]
    slow = fit(steady, grows=1, resolution_mm=0.01)
    found = terms(measured_scale(slow, error_limit_mm=0.03))
    assert found["drift not separated"] == pytest.approx(0.01 / 60.0 / math.sqrt(3))
    assert found["one turn not separated"] == 0.0


def test_every_term_says_what_to_improve():
    scale = measured_scale(line(*ENDS), error_limit_mm=0.03)
    for name in terms(scale):
        alone = replace(
            scale,
            contributions=tuple(
                one if one.name == name else replace(one, u_relative=0.0)
                for one in (replace(c, u_relative=1e-3) for c in scale.contributions)
            ),
        )
        out = more_readings(line(*ENDS), alone, 1.0)
        assert out.u_share[0][0] == name
        assert len(out.improve_first) > 20


# --- drawing instead of Student's t ------------------------------------------------------


def test_drawing_agrees_with_students_t():
    for dof in (3.0, 8.0, math.inf):
        k = simulated_k([Contribution("a", 2e-4, dof)])
        assert k == pytest.approx(student_t_factor(dof), rel=0.02)


@pytest.mark.parametrize(
    ("shape", "k"),
    [
        ("rectangular", 0.95 * math.sqrt(3)),
        ("triangular", (1 - math.sqrt(0.05)) * math.sqrt(6)),
        # |v^2 - 1/3| within 0.95 of the angles, v uniform from 0 to 1: up to v = 0.95
        ("tilt", (0.95**2 - 1 / 3) * math.sqrt(45 / 4)),
    ],
)
def test_one_shape_alone_by_hand(shape, k):
    assert simulated_k([Contribution("a", 3e-4, shape=shape)]) == pytest.approx(k, rel=0.01)


def test_drawing_is_seeded():
    terms_ = [Contribution("a", 1e-4, 5.0), Contribution("b", 2e-4, shape="tilt")]
    assert simulated_k(terms_) == simulated_k(terms_)


@pytest.mark.parametrize(("error_limit_mm", "ground"), [(0.03, True), (0.001, False), (0.0, False)])
def test_the_interval_holds_where_the_cosine_is_one_sided(error_limit_mm, ground):
    """JCGM 101 by another hand: 95 % of all true scales lie inside, the tilt small or ruling."""
    points = [(x, side) for x in (0.0, 120.0) for side in ("plus", "minus") for _ in range(10)]
    scale = measured_scale(
        line(*points), error_limit_mm=error_limit_mm, ground_faces=ground, offset_mm=0.0
    )
    random = np.random.default_rng(5)
    n = 100_000
    span_mm = 120.0
    drawn = {
        "readings": random.standard_t(scale.contributions[0].dof, n)
        * scale.contributions[0].u_relative,
        "caliper": np.diff(random.uniform(-error_limit_mm, error_limit_mm, (n, 2)))[:, 0] / span_mm,
        "resolution": np.diff(random.uniform(-0.005, 0.005, (n, 2)))[:, 0] / span_mm,
        "temperature": 11.5e-6 * random.uniform(-5.0, 5.0, n),
    }
    angle = np.radians(random.uniform(0.0, 1.0 if ground else 2.0, n))
    # What the axis truly travels when the caliper, leaning, has read a scale of 1.
    true = np.cos(angle) + sum(drawn.values())
    inside = np.mean(np.abs(true - scale.value) <= scale.U)
    assert 0.945 <= inside <= 0.965
    assert (scale.k == pytest.approx(student_t_factor(scale.dof))) == (error_limit_mm > 0.002)


# --- when to stop -------------------------------------------------------------------------


def six(error_mm=(0.02, -0.02, 0.02, -0.02, 0.02, -0.02), ends=(0.0, 120.0)):
    near, far = ends
    places = [near, far, far, near, near, far]
    sides = ["plus", "plus", "minus", "minus", "plus", "plus"]
    return fit(
        [
            Reading(x, 20.0 + x + e, side, n=n)
            for n, (x, side, e) in enumerate(zip(places, sides, error_mm, strict=True), 1)
        ],
        grows=1,
        resolution_mm=0.01,
    )


def test_how_many_more_readings():
    said = six()
    scale = measured_scale(said, error_limit_mm=0.02)
    assert scale.U_relative > 0.0006
    out = more_readings(said, scale, 0.0006)
    assert out.more is not None and out.more >= 1
    assert f"about {out.more} more reading" in out.says
    # Just enough: with one less the wanted uncertainty is not reached.
    readings, *others = scale.contributions

    def after(more):
        u = readings.u_relative * math.sqrt(6 / (6 + more))
        shrunk = replace(readings, u_relative=u, dof=readings.dof + more)
        total, dof = welch_satterthwaite([shrunk, *others])
        return total * student_t_factor(dof)

    assert after(out.more) <= 0.0006 < after(out.more - 1)


def test_a_wish_that_is_met_needs_no_more():
    said = six()
    out = more_readings(said, measured_scale(said, error_limit_mm=0.02), 0.01)
    assert out.more == 0
    assert "within the 1 % that are wanted" in out.says


def test_when_more_readings_will_not_help_it_says_what_will():
    said = six(ends=(0.0, 30.0))
    out = more_readings(said, measured_scale(said, error_limit_mm=0.03), 0.0005)
    assert out.more is None
    assert (
        "because of the caliper: use a longer base, or compare the caliper with a gauge block"
        in (out.says)
    )
    assert out.u_share[0][1] == max(share for _, share in out.u_share)
    assert sum(share for _, share in out.u_share) == pytest.approx(1.0)


def test_a_hand_that_more_readings_would_not_cure_in_two_hundred():
    wild = six(tuple(30.0 * e for e in (0.02, -0.02, 0.02, -0.02, 0.02, -0.02)))
    scale = measured_scale(wild, error_limit_mm=0.0)
    out = more_readings(wild, scale, 3e-4)
    assert out.more is None
    assert out.u_share[0][0] == "readings"
    assert "it would take more than 200 more" in out.says


@pytest.mark.parametrize("wanted", [0.0, -1.0, math.nan])
def test_what_is_wanted_is_more_than_nothing(wanted):
    said = six()
    with pytest.raises(ValueError, match="expected more than 0"):
        more_readings(said, measured_scale(said, error_limit_mm=0.02), wanted)
