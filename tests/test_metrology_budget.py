import math

import pytest

from tuner.errors import BadReadings
from tuner.metrology.budget import Contribution, measured_scale, welch_satterthwaite
from tuner.metrology.fit import fit
from tuner.metrology.reading import Reading


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
