import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from simulated_axis import BELT, BELT_STORED, Truth, read

from tuner.errors import BadReadings
from tuner.metrology.fit import fit
from tuner.metrology.reading import Columns, Reading
from tuner.metrology.student import student_t_factor
from tuner.metrology.targets import Target, measuring_plan, plan_targets


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
    assert reason == ("too few readings to tell drift from noise" if timed else "no times given")


def test_target_and_reading_agree_on_the_side():
    assert read([Target(1.0, "minus", 1)], Truth(1.0), 0)[0].approach == "minus"


# --- one turn, drift, weights -------------------------------------------------------------


def turning(n=10, *, scale=1.0, play=0.08, amplitude=0.15, phase=1.0, drift=0.0, turn_mm=40.0):
    """Readings without noise at the places of a plan, half a minute apart."""
    plan = measuring_plan(BELT, BELT_STORED, reach=(0.0, 142.0), over_mm=1.0, count=max(4, n))
    places = [(one.commanded_mm, one.approach) for one in plan.targets[:n]]
    return [
        replace(
            one,
            time_s=100.0 + 30.0 * at,
            reading_mm=one.reading_mm
            + amplitude * math.sin(2.0 * math.pi * one.commanded_mm / turn_mm + phase)
            + drift * 0.5 * at,
        )
        for at, one in enumerate(exact(places, scale=scale, play=play))
    ]


@settings(max_examples=50, deadline=None)
@given(
    scale=some.floats(0.1, 5.0),
    play=some.floats(0.0, 1.5),
    amplitude=some.floats(0.0, 0.5),
    phase=some.floats(-3.0, 3.0),
    drift=some.floats(-0.1, 0.1),
)
def test_every_term_is_found_again(scale, play, amplitude, phase, drift):
    readings = turning(scale=scale, play=play, amplitude=amplitude, phase=phase, drift=drift)
    result = fit(readings, grows=1, resolution_mm=0.01, turn_mm=40.0)
    assert result.terms == ("datum 1", "scale", "play", "cos", "sin", "drift")
    assert result.scale == pytest.approx(scale, rel=1e-9)
    assert result.play_mm == pytest.approx(play, abs=1e-9)
    assert result.drift_mm_per_min == pytest.approx(drift, abs=1e-9)
    assert result.periodic.amplitude_mm == pytest.approx(amplitude, abs=1e-9)
    assert (result.not_tested, result.scale_per) == ({}, {})
    assert result.u_drift_mm_per_min > 0.0
    assert result.periodic.u_mm > 0.0
    assert result.covariance.shape == (6, 6)
    assert result.leverage.sum() == pytest.approx(6.0)


def test_the_covariance_is_that_of_the_normal_equations():
    """s2 x inv(X'X), for two visits, with the design written out by hand."""
    first, second = turning(), [replace(one, visit=2) for one in turning(play=0.1)[:6]]
    readings = [*first, *second]
    result = fit(readings, grows=1, resolution_mm=0.01, turn_mm=40.0)
    assert result.terms == ("datum 1", "datum 2", "scale", "play", "cos", "sin", "drift")
    x = np.array([one.commanded_mm for one in readings])
    side = np.array([1.0 if one.approach == "plus" else -1.0 for one in readings])
    visit = np.array([one.visit for one in readings])
    t = np.array([one.time_s for one in readings]) / 60.0
    angle = 2.0 * np.pi * x / 40.0
    design = np.column_stack(
        [visit == 1, visit == 2, x, -side / 2.0, np.cos(angle), np.sin(angle), t]
    ).astype(float)
    expected = result.s_mm**2 * np.linalg.inv(design.T @ design)
    assert result.covariance == pytest.approx(expected, rel=1e-6)
    q, _ = np.linalg.qr(design)
    assert result.leverage == pytest.approx(np.sum(q**2, axis=1))
    beta, *_ = np.linalg.lstsq(design, np.array([one.reading_mm for one in readings]))
    assert [*result.datums_mm.values(), result.scale] == pytest.approx(beta[:3].tolist())


def test_the_period_looked_for_is_in_output_turns():
    readings = turning(amplitude=0.15, turn_mm=50.0)
    result = fit(readings, grows=1, resolution_mm=0.01, turn_mm=40.0, period_turns=1.25)
    assert result.periodic.amplitude_mm == pytest.approx(0.15, abs=1e-9)
    assert result.periodic.period_turns == 1.25
    assert result.scale == pytest.approx(1.0, abs=1e-9)


WITHOUT_PERIODIC = [
    (4, 40.0, "the readings stand too much at one place of the turn"),
    (5, 40.0, "the readings show one phase of the turn only"),
    (6, 40.0, "the readings show one phase of the turn only"),
    (10, None, "it is not known how far one turn goes"),
    (10, 2000.0, "the readings stand too much at one place of the turn"),
]


@pytest.mark.parametrize(("n", "turn_mm", "why"), WITHOUT_PERIODIC)
def test_a_turn_that_cannot_be_seen_is_not_tested_and_harms_nothing(n, turn_mm, why):
    untimed = [replace(one, time_s=None) for one in turning(n)]
    result = fit(untimed, grows=1, resolution_mm=0.01, turn_mm=turn_mm)
    assert result.periodic is None
    assert result.not_tested["periodic"] == why
    assert result.scale == pytest.approx(1.0, abs=1e-9 if turn_mm == 40.0 else 3e-4)


def test_one_phase_of_the_turn_is_taken_out_of_the_noise():
    """Six readings at two places of the turn: an amplitude cannot be told, and does not scatter."""
    result = fit(turning(6), grows=1, resolution_mm=0.01, turn_mm=40.0, repeats=[[1.0] * 5])
    assert "periodic" in result.terms
    assert np.abs(result.residuals_mm).max() < 1e-9
    assert result.scale == pytest.approx(1.0, abs=1e-9)


def test_too_few_readings_for_a_turn_are_said_so():
    places = [(0.0, "plus"), (10.0, "plus"), (60.0, "plus"), (120.0, None)]
    result = fit(exact(places), grows=1, resolution_mm=0.01, turn_mm=40.0)
    assert result.not_tested["periodic"] == "too few readings to tell it from noise"


@pytest.mark.parametrize("turn_mm", [30.0, 36.0, 45.0, 60.0, 90.0, 400.0])
def test_the_turn_never_makes_the_scale_much_less_sure(turn_mm):
    """Over less than a turn the rise and fall looks like scale: it costs, but not without end."""
    places = [(x, side) for x in range(0, 36, 5) for side in ("plus", "minus")]
    without = fit(exact(places), grows=1, resolution_mm=0.01)
    result = fit(exact(places), grows=1, resolution_mm=0.01, turn_mm=turn_mm)
    assert result.u_scale / result.s_mm < math.sqrt(20.0) * without.u_scale / without.s_mm


@pytest.mark.parametrize("phase", [0.0, 1.0, 2.0, 4.0])
def test_what_an_unseen_turn_may_do_to_the_scale_is_known(phase):
    """Ends half a turn apart: up to twice the amplitude over the base."""
    places = [(0.0, "plus"), (60.0, "plus"), (60.0, "minus"), (0.0, "minus")]
    readings = [
        replace(
            one,
            reading_mm=one.reading_mm
            + 0.15 * math.cos(2.0 * math.pi * one.commanded_mm / 40.0 + phase),
        )
        for one in exact(places)
    ]
    result = fit(readings, grows=1, resolution_mm=0.01, turn_mm=40.0)
    assert result.scale_per["periodic"] == pytest.approx(2.0 / 60.0)
    assert abs(result.scale - 1.0) <= 0.15 * result.scale_per["periodic"] + 1e-12


WITHOUT_DRIFT = [
    ([0.0, 60.0, 120.0, 180.0, 240.0], "time goes on only together with the position"),
    ([5.0] * 5, "time goes on only together with the position"),
    ([0.0, 60.0, 120.0, 180.0, None], "no times given"),
]


@pytest.mark.parametrize(("times_s", "why"), WITHOUT_DRIFT)
def test_drift_that_cannot_be_seen_is_not_tested(times_s, why):
    places = [(x, "plus") for x in (0.0, 30.0, 60.0, 90.0, 120.0)]
    readings = [
        replace(one, time_s=t, reading_mm=one.reading_mm + 0.01 * (t or 0.0) / 60.0)
        for one, t in zip(exact(places), times_s, strict=True)
    ]
    result = fit(readings, grows=1, resolution_mm=0.01)
    assert result.drift_mm_per_min is None
    assert result.not_tested["drift_mm_per_min"] == why
    off = 0.01 * result.scale_per.get("drift_mm_per_min", 0.0)
    if times_s[-1] is not None:
        assert abs(result.scale - 1.0) == pytest.approx(off, abs=1e-12)


def test_near_far_far_near_keeps_a_drift_out_of_the_scale():
    plain = [replace(one, time_s=None) for one in turning(4, amplitude=0.0, drift=0.05)]
    assert fit(plain, grows=1, resolution_mm=0.01).scale == pytest.approx(1.0, abs=1e-9)


def test_a_visit_from_each_side_does_not_show_play():
    places = [(x, "plus") for x in (0.0, 60.0, 120.0)]
    other = [(x, "minus") for x in (0.0, 60.0, 120.0)]
    result = fit([*exact(places), *exact(other, visit=2)], grows=1, resolution_mm=0.01)
    assert result.play_mm is None
    assert "side of arrival" in result.not_tested["play_mm"]


def test_weights_count_as_so_many_readings():
    """A reading of weight 3 is three equal readings, as far as the terms go."""
    once = turning(10, amplitude=0.0)
    off = [0.02, -0.01, 0.0, 0.03, -0.02, 0.01, 0.0, 0.0, -0.03, 0.02]
    readings = [
        replace(one, reading_mm=one.reading_mm + e) for one, e in zip(once, off, strict=True)
    ]
    how = {"grows": 1, "resolution_mm": 0.01, "turn_mm": 40.0}
    weighted = fit(readings, weights=[3.0, *[1.0] * 9], **how)
    thrice = fit([readings[0]] * 2 + readings, **how)
    assert weighted.scale == pytest.approx(thrice.scale, rel=1e-12)
    assert weighted.datums_mm == pytest.approx(thrice.datums_mm)
    assert weighted.u_scale / weighted.s_mm == pytest.approx(thrice.u_scale / thrice.s_mm)
    assert weighted.residuals_mm == pytest.approx(thrice.residuals_mm[2:])
    assert weighted.leverage.sum() == pytest.approx(len(weighted.terms))
    equal = fit(readings, weights=[1.0] * 10, **how)
    assert equal.scale == pytest.approx(fit(readings, **how).scale, rel=1e-12)


@pytest.mark.parametrize("weights", [[1.0] * 3, [0.0] * 4, [-1.0] * 4, [math.nan] * 4, []])
def test_weights_are_one_positive_number_a_reading(weights):
    with pytest.raises(BadReadings, match="expected one number above 0 a reading"):
        fit(exact(NEAR_FAR_FAR_NEAR), grows=1, resolution_mm=0.01, weights=weights)


def test_five_repeats_leave_no_room_for_the_prior():
    repeats = [[20.00, 20.01, 20.02, 20.01, 20.01]]
    result = fit(exact(NEAR_FAR_FAR_NEAR), grows=1, resolution_mm=0.01, repeats=repeats)
    assert result.dof == 1 + 4
    assert result.s_mm**2 == pytest.approx(2 * 0.01**2 / 5)
    two = fit(exact(NEAR_FAR_FAR_NEAR), grows=1, resolution_mm=0.01, repeats=[[20.0, 20.01]])
    assert two.dof == 1 + 1 + 3


def test_nothing_scatters_less_than_the_display_rounds():
    readings = exact(NEAR_FAR_FAR_NEAR * 3)
    result = fit(readings, grows=1, resolution_mm=0.05)
    assert result.s_mm == pytest.approx(0.05 / math.sqrt(12.0))


def test_far_from_zero_no_digit_is_lost():
    """A million mm away, where one part in 1e16 of the square would be a tenth of a mm."""
    readings = [
        replace(one, commanded_mm=one.commanded_mm + 9e5, reading_mm=one.reading_mm - 9e5)
        for one in turning(scale=0.8)
    ]
    result = fit(readings, grows=1, resolution_mm=0.01, turn_mm=40.0)
    assert result.scale == pytest.approx(0.8, abs=1e-10)
    assert result.periodic.amplitude_mm == pytest.approx(0.15, abs=1e-6)


def test_a_long_table_gives_what_a_plain_solver_gives():
    random = np.random.default_rng(3)
    n = 12_345
    x = random.uniform(0.0, 120.0, n)
    side = random.choice([1.0, -1.0], n)
    visit = random.integers(1, 4, n)
    y = 20.0 + visit + 0.8 * x - 0.04 * side + random.normal(0.0, 0.02, n)
    result = fit(Columns(x, y, side, visit), grows=1, resolution_mm=0.01, turn_mm=40.0)
    angle = 2.0 * np.pi * x / 40.0
    design = np.column_stack(
        [visit == 1, visit == 2, visit == 3, x, -side / 2.0, np.cos(angle), np.sin(angle)]
    ).astype(float)
    beta, rss, *_ = np.linalg.lstsq(design, y)
    assert result.scale == pytest.approx(beta[3], rel=1e-12)
    assert result.play_mm == pytest.approx(beta[4], rel=1e-9)
    assert list(result.datums_mm.values()) == pytest.approx(beta[:3].tolist(), rel=1e-12)
    assert result.s_mm == pytest.approx(math.sqrt(rss[0] / (n - 7)), rel=1e-12)
    assert result.residuals_mm == pytest.approx(y - design @ beta, abs=1e-10)
    assert result.span_mm == pytest.approx(max(np.ptp(y[visit == one]) for one in (1, 2, 3)))


@pytest.mark.parametrize("hand_mm", [0.012, 0.05])
@pytest.mark.parametrize("n", [6, 10])
def test_five_repeats_hold_what_they_promise(n, hand_mm):
    """With play, an eccentric pulley and no prior; tests/bench/estimator.py does it at length."""
    plan = measuring_plan(BELT, BELT_STORED, reach=(0.0, 142.0), over_mm=1.0, count=n)
    truth = Truth(1.0, play_mm=0.08, eccentric_mm=0.05, sigma_mm=hand_mm)
    random = np.random.default_rng(1)
    held = 0
    for seed in range(400):
        repeats = np.round(random.normal(20.0, hand_mm, 5), 2).tolist()
        result = fit(
            read(list(plan.targets), truth, seed),
            grows=1,
            resolution_mm=0.01,
            repeats=[repeats],
            turn_mm=40.0,
        )
        held += abs(result.scale - 1.0) <= student_t_factor(result.dof) * result.u_scale
    assert abs(held / 400 - 0.95) <= 3.0 * math.sqrt(0.95 * 0.05 / 400)
