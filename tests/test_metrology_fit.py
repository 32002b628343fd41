import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from simulated_axis import BELT, BELT_STORED, Truth, read

from tuner.errors import BadReadings
from tuner.metrology.fit import fit
from tuner.metrology.reading import Reading
from tuner.metrology.student import student_t_factor
from tuner.metrology.targets import Target, plan_targets


def exact(places, *, scale=1.0, datum=20.0, play=0.0, grows=1, visit=1):
    """Readings without noise at (commanded, side) places."""
    sides = {"plus": -play / 2, "minus": play / 2, None: 0.0}
    return [
        Reading(x, datum + grows * scale * x + sides[side], side, n=n, visit=visit)
        for n, (x, side) in enumerate(places, 1)
    ]


NEAR_FAR_FAR_NEAR = [(1.0, "plus"), (121.0, "plus"), (121.0, "minus"), (1.0, "minus")]


@settings(max_examples=50, deadline=None)
@given(
    scale=some.floats(0.01, 30.0),
    datum=some.floats(-200.0, 200.0),
    play=some.floats(0.0, 1.5),
    shift=some.floats(-1000.0, 1000.0),
    grows=some.sampled_from([1, -1]),
)
def test_readings_without_noise_give_the_truth_back(scale, datum, play, shift, grows):
    places = [(x + shift, side) for x, side in NEAR_FAR_FAR_NEAR]
    result = fit(
        exact(places, scale=scale, datum=datum, play=play, grows=grows),
        grows=grows,
        resolution_mm=0.01,
    )
    assert result.scale == pytest.approx(scale, rel=1e-9)
    assert result.play_mm == pytest.approx(play, abs=1e-8)
    assert result.datums_mm[1] == pytest.approx(datum, abs=1e-7)
    assert np.abs(result.residuals_mm).max() < 1e-8


def test_every_visit_has_its_own_datum():
    first = exact(NEAR_FAR_FAR_NEAR, scale=0.8, datum=20.0, play=0.1)
    second = exact(NEAR_FAR_FAR_NEAR, scale=0.8, datum=-31.5, play=0.1, visit=2)
    result = fit([*second, *first], grows=1, resolution_mm=0.01)
    assert result.terms == ("datum 1", "datum 2", "scale", "play")
    assert result.datums_mm == pytest.approx({1: 20.0, 2: -31.5}, abs=1e-9)
    assert result.scale == pytest.approx(0.8, rel=1e-12)
    assert result.span_mm == pytest.approx(0.8 * 120.0 + 0.1)


WITHOUT_PLAY = [
    ([(0.0, "plus"), (60.0, "plus"), (120.0, "plus")], "all readings arrived from the same side"),
    ([(0.0, None), (60.0, "plus"), (120.0, "minus")], "not every reading says from which side"),
    ([(0.0, "plus"), (120.0, "plus"), (120.0, "minus")], "too few readings to tell play from"),
    (
        [(0.0, "minus"), (120.0, "plus"), (120.0, "plus"), (0.0, "minus")],
        "the side of arrival changes only together with the position",
    ),
]


@pytest.mark.parametrize(("places", "reason"), WITHOUT_PLAY)
def test_play_that_cannot_be_seen_is_not_tested_and_not_zero(places, reason):
    result = fit(exact(places, play=0.0), grows=1, resolution_mm=0.01)
    assert result.play_mm is None
    assert result.u_play_mm is None
    assert reason in result.not_tested["play_mm"]
    assert "play" not in result.terms


@pytest.mark.parametrize(
    "places", [places for places, _ in WITHOUT_PLAY if all(side for _, side in places)]
)
def test_what_unseen_play_would_do_to_the_scale_is_known(places):
    result = fit(exact(places, play=1.0), grows=1, resolution_mm=0.01)
    assert abs(result.scale - 1.0) == pytest.approx(result.scale_per["play_mm"], abs=1e-12)


def test_play_that_is_fitted_leaves_the_scale_alone():
    assert fit(exact(NEAR_FAR_FAR_NEAR), grows=1, resolution_mm=0.01).scale_per == {}


@pytest.mark.parametrize(
    ("readings", "message"),
    [
        ([], "0 readings; a scale needs at least two"),
        (exact([(1.0, "plus")]), "1 reading; a scale needs at least two"),
        (exact([(7.0, "plus"), (7.0, "minus")]), "taken at one commanded place"),
        (
            exact([(7.0, "plus")]) + exact([(90.0, "plus")], visit=2),
            "taken at one commanded place",
        ),
    ],
)
def test_readings_that_show_no_scale_are_refused(readings, message):
    with pytest.raises(BadReadings, match=message):
        fit(readings, grows=1, resolution_mm=0.01)


def test_a_single_repeat_is_refused():
    with pytest.raises(BadReadings, match="group of repeats with a single value"):
        fit(exact(NEAR_FAR_FAR_NEAR), grows=1, resolution_mm=0.01, repeats=[[12.0]])


def test_two_readings_rest_on_the_prior_alone():
    result = fit(exact([(0.0, "plus"), (120.0, "plus")]), grows=1, resolution_mm=0.01)
    assert (result.own_dof, result.dof) == (0, 3.0)
    assert result.s_mm == pytest.approx(math.hypot(0.04, 0.01 / math.sqrt(12)))
    assert result.u_scale == pytest.approx(result.s_mm * math.sqrt(2) / 120.0)
    assert result.adequate


def test_residuals_and_repeats_are_pooled_without_a_floor():
    """s2 = (RSS + SS of repeats) / (n - p + k - 1), by hand."""
    places = [(x, "plus") for x in (0.0, 40.0, 80.0, 120.0)]
    noise = (0.03, -0.03, -0.03, 0.03)  # at right angles to a line: all of it is residual
    readings = [
        Reading(r.commanded_mm, r.reading_mm + e, "plus", n=r.n)
        for r, e in zip(exact(places), noise, strict=True)
    ]
    repeats = [[50.00, 50.02, 50.04, 50.02, 50.02]]
    result = fit(readings, grows=1, resolution_mm=0.01, repeats=repeats)
    assert result.own_dof == 2
    assert result.dof == 4 - 2 + 5 - 1
    assert result.s_mm**2 == pytest.approx((4 * 0.03**2 + 2 * 0.02**2) / 6)
    assert result.residuals_mm == pytest.approx(noise)


def test_the_leverages_add_up_to_the_number_of_terms():
    result = fit(exact(NEAR_FAR_FAR_NEAR), grows=1, resolution_mm=0.01)
    assert result.leverage.sum() == pytest.approx(3.0)
    assert result.leverage == pytest.approx([0.75] * 4)


@pytest.mark.parametrize("repeats", [(), [[50.0, 50.02, 49.98, 50.0, 50.0]], [[50.0] * 5]])
def test_one_wild_reading_makes_the_fit_inadequate(repeats):
    places = [*NEAR_FAR_FAR_NEAR, (1.0, "plus"), (121.0, "plus")]
    readings = exact(places)
    good = fit(readings, grows=1, resolution_mm=0.01, repeats=repeats)
    wild = [*readings[:-1], Reading(121.0, 141.8, "plus", n=6)]
    bad = fit(wild, grows=1, resolution_mm=0.01, repeats=repeats)
    assert (good.adequate, bad.adequate) == (True, False)
    assert bad.u_scale > 3 * good.u_scale


@pytest.mark.parametrize("sigma_mm", [0.012, 0.025, 0.05])
@pytest.mark.parametrize("n", [3, 4, 6, 10])
def test_the_interval_holds_what_it_promises(n, sigma_mm):
    """95 % intervals of hands of 0.012 to 0.05 mm hold the truth about 95 % of the time."""
    targets = plan_targets(BELT, BELT_STORED, reach=(0.0, 124.0), over_mm=1.0)[:n]
    held = 0
    for seed in range(400):
        readings = read(targets, Truth(1.0, play_mm=0.0, sigma_mm=sigma_mm), seed)
        result = fit(readings, grows=1, resolution_mm=0.01)
        held += abs(result.scale - 1.0) <= student_t_factor(result.dof) * result.u_scale
    assert held >= 0.92 * 400  # 95 % less three binomial standard deviations


def test_an_unsteady_hand_gets_a_wider_interval():
    targets = plan_targets(BELT, BELT_STORED, reach=(0.0, 124.0), over_mm=1.0)[:6]
    steady, unsteady = (
        np.mean(
            [
                fit(
                    read(targets, Truth(1.0, sigma_mm=s), seed), grows=1, resolution_mm=0.01
                ).u_scale
                for seed in range(50)
            ]
        )
        for s in (0.02, 0.06)
    )
    assert unsteady > 1.5 * steady


@pytest.mark.parametrize("timed", [True, False])
def test_what_the_fit_does_not_look_for_is_named(timed):
    readings = [
        Reading(x, x, side, n=1, time_s=3.0 if timed else None) for x, side in NEAR_FAR_FAR_NEAR
    ]
    reason = fit(readings, grows=1, resolution_mm=0.01).not_tested["drift_mm_per_min"]
    assert reason == ("drift is not a term of this fit" if timed else "no times given")


def test_target_and_reading_agree_on_the_side():
    assert read([Target(1.0, "minus", 1)], Truth(1.0), 0)[0].approach == "minus"
