"""Chords at a radius: the angle they span, the scale and the radius they show, and how sure."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import least_squares

from tuner.errors import BadReadings
from tuner.metrology.reading import Reading
from tuner.metrology.rotary_chord import (
    Turned,
    angle_deg,
    chord_mm,
    longest_deg,
    radius_wanted_mm,
    turned,
)

RADIUS_MM = 60.0


def test_a_chord_as_long_as_the_radius_spans_sixty_degrees() -> None:
    # Six radii step round the circle (Euclid, Elements IV.15).
    assert angle_deg(RADIUS_MM, RADIUS_MM) == pytest.approx(60.0)
    assert chord_mm(90.0, RADIUS_MM) == pytest.approx(RADIUS_MM * math.sqrt(2.0))
    assert chord_mm(-180.0, RADIUS_MM) == pytest.approx(-2.0 * RADIUS_MM)


@given(st.floats(-179.0, 179.0), st.floats(1.0, 1000.0))
def test_an_angle_comes_back_from_its_chord(angle: float, radius_mm: float) -> None:
    assert angle_deg(chord_mm(angle, radius_mm), radius_mm) == pytest.approx(angle, abs=1e-4)


def test_a_chord_wider_than_the_circle_is_half_a_turn() -> None:
    assert angle_deg(120.3, RADIUS_MM) == 180.0
    assert angle_deg(-120.3, RADIUS_MM) == -180.0


@pytest.mark.parametrize(
    ("chord", "radius"), [(math.nan, 60.0), (10.0, 0.0), (10.0, math.inf), (math.inf, 60.0)]
)
def test_no_length_is_no_chord(chord: float, radius: float) -> None:
    with pytest.raises(ValueError, match="two lengths"):
        angle_deg(chord, radius)


def test_the_longest_angle_is_what_the_caliper_spans_and_the_chord_grows_to() -> None:
    assert longest_deg(50.0, 149.0) == 150.0
    assert longest_deg(149.0, 149.0) == pytest.approx(60.0)


# --- what chords show ------------------------------------------------------------------------


def read(
    scale: float,
    end_deg: float,
    *,
    radius_mm: float = RADIUS_MM,
    typed_mm: float = RADIUS_MM,
    tip_mm: tuple[float, float] = (0.0, 0.0),
    play_deg: float = 0.0,
    noise: np.ndarray | None = None,
) -> list[Reading]:
    """Both ends and half the way to them, up and down again, as points of the plane.

    The tip stands `tip_mm` out of the mark's circle and along it.
    """
    up = [-end_deg, -end_deg / 2.0, end_deg / 2.0, end_deg]
    places = [*((one, "plus") for one in up), *((one, "minus") for one in reversed(up))]
    noise = np.zeros(len(places)) if noise is None else noise
    tip = complex(radius_mm + tip_mm[0], tip_mm[1])
    readings = []
    for n, ((at, side), off) in enumerate(zip(places, noise, strict=True), 1):
        lost = play_deg / 2.0 * (1.0 if side == "plus" else -1.0)
        mark = radius_mm * np.exp(1j * math.radians(scale * at - lost))
        shown_mm = round(abs(mark - tip) + off, 2)
        readings.append(Reading(at, math.copysign(angle_deg(shown_mm, typed_mm), at), side, n=n))
    return readings


def seen(readings: list[Reading], within_mm: float = 0.2, typed_mm: float = RADIUS_MM) -> Turned:
    return turned(
        readings, radius_mm=typed_mm, within_mm=within_mm, error_limit_mm=0.03, resolution_mm=0.01
    )


def test_worked_by_hand() -> None:
    # 89 teeth for 90: 100 degrees told are 101.124, and 2 x 60 sin(50.562) = 92.68 mm.
    assert chord_mm(100.0 * 90.0 / 89.0, RADIUS_MM) == pytest.approx(92.68, abs=0.005)
    found = seen(read(90.0 / 89.0, 100.0))
    assert found.scale.value == pytest.approx(90.0 / 89.0, abs=2e-4)
    assert found.radius_mm == pytest.approx(RADIUS_MM, abs=0.02)
    assert not found.contradicted


def test_play_is_in_degrees() -> None:
    found = seen(read(1.0, 120.0, play_deg=0.4))
    assert found.fit.play_mm == pytest.approx(0.4, abs=0.02)
    assert found.scale.value == pytest.approx(1.0, abs=2e-4)


def test_over_a_long_arc_the_chords_show_the_radius_over_a_short_one_they_do_not() -> None:
    wrong_mm = 60.6
    long, short = (
        seen(read(1.0, end, typed_mm=wrong_mm), within_mm=1.0, typed_mm=wrong_mm)
        for end in (150.0, 30.0)
    )
    assert long.radius_mm == pytest.approx(RADIUS_MM, abs=0.02)
    assert long.scale.value == pytest.approx(1.0, abs=5e-4)
    assert short.radius_mm == pytest.approx(wrong_mm, abs=0.1)
    assert short.scale.value == pytest.approx(RADIUS_MM / wrong_mm, abs=2e-3)
    assert abs(short.scale.value - 1.0) < short.scale.U
    share = {one.name: one.u_relative for one in short.scale.contributions}
    assert max(share, key=lambda name: share[name]) == "radius of the mark"


@pytest.mark.parametrize("end_deg", [45.0, 100.0, 150.0])
def test_radius_and_scale_are_those_of_a_general_solver(end_deg: float) -> None:
    """scipy 's solver for any least squares, told the same model, as a second opinion."""
    random = np.random.default_rng(4)
    readings = read(1.01, end_deg, noise=0.05 * random.standard_normal(8))
    u_radius_mm = math.hypot(0.2, 0.1) / math.sqrt(3.0)
    chords_mm = np.array([chord_mm(one.reading_mm, RADIUS_MM) for one in readings])
    told = np.radians([one.commanded_mm for one in readings])
    side = np.array([1.0 if one.approach == "plus" else -1.0 for one in readings])

    def off(unknown: np.ndarray) -> np.ndarray:
        datum, scale, play, radius_mm = unknown
        model_mm = 2.0 * radius_mm * np.sin((datum + scale * told - play * side / 2.0) / 2.0)
        return np.append((chords_mm - model_mm) / 0.05, (radius_mm - RADIUS_MM) / u_radius_mm)

    other = least_squares(off, [0.0, 1.0, 0.0, RADIUS_MM], xtol=1e-15, ftol=1e-15)
    found = seen(readings)
    # The radius is a little off a straight prior here: its logarithm is what is fitted.
    assert found.radius_mm == pytest.approx(other.x[3], abs=2e-3)
    assert found.scale.value == pytest.approx(other.x[1], rel=1e-4)
    u_other = math.sqrt(np.linalg.inv(other.jac.T @ other.jac)[3, 3])
    assert found.u_radius_mm == pytest.approx(u_other, rel=0.02)


@pytest.mark.parametrize("end_deg", [30.0, 60.0, 100.0, 150.0])
@pytest.mark.parametrize("radius_mm", [30.0, 70.0])
def test_the_interval_holds_the_truth(end_deg: float, radius_mm: float) -> None:
    """Radius and tip drawn anew each time, within what is said of them."""
    random = np.random.default_rng(8)
    trials, held, contradicted = 150, 0, 0
    for _ in range(trials):
        tip_mm = 0.2 * random.uniform(-1.0, 1.0, 2)
        found = seen(
            read(
                1.0,
                end_deg,
                radius_mm=radius_mm + 0.2 * random.uniform(-1.0, 1.0),
                typed_mm=radius_mm,
                tip_mm=(float(tip_mm[0]), float(tip_mm[1])),
                play_deg=0.1,
                noise=0.05 * random.standard_normal(8),
            ),
            typed_mm=radius_mm,
        )
        held += abs(found.scale.value - 1.0) <= found.scale.U
        contradicted += found.contradicted
    assert held >= 0.94 * trials
    assert contradicted <= 0.02 * trials


@pytest.mark.parametrize("end_deg", [40.0, 60.0, 100.0, 150.0])
@pytest.mark.parametrize("times", [0.5, 2.0])
def test_a_radius_that_cannot_be_is_contradicted(end_deg: float, times: float) -> None:
    random = np.random.default_rng(3)
    typed_mm = times * RADIUS_MM
    commanded = end_deg if times > 1.0 else min(end_deg, 55.0)  # no chord beyond the circle
    readings = read(1.0, commanded, typed_mm=typed_mm, noise=0.05 * random.standard_normal(8))
    found = seen(readings, typed_mm=typed_mm)
    assert found.contradicted or not found.fit.adequate


def test_each_visit_has_a_datum_of_its_own() -> None:
    first = read(1.0, 120.0)
    moved = [
        Reading(one.commanded_mm, one.reading_mm, one.approach, n=one.n + 8, visit=2)
        for one in read(1.0, 120.0, tip_mm=(0.0, 0.5))
    ]
    found = seen([*first, *moved])
    assert found.scale.value == pytest.approx(1.0, abs=5e-4)
    assert found.fit.datums_mm[1] - found.fit.datums_mm[2] == pytest.approx(
        math.degrees(0.5 / RADIUS_MM), abs=0.05
    )


def test_a_mark_that_stays_shows_no_scale() -> None:
    with pytest.raises(BadReadings):
        seen([Reading(30.0, 20.0, "plus", n=n) for n in (1, 2, 3)])
    with pytest.raises(BadReadings, match="stayed"):
        seen([Reading(at, 0.0, "plus", n=n) for n, at in enumerate((30.0, 60.0, 90.0), 1)])


# --- the smallest radius ---------------------------------------------------------------------


def test_what_is_said_of_the_radius_is_what_comes_out() -> None:
    for end_deg in (60.0, 120.0):
        wanted_mm = radius_wanted_mm(-end_deg, end_deg, 0.2, 0.0015)
        found = seen(
            read(1.0, end_deg, radius_mm=wanted_mm, typed_mm=wanted_mm), typed_mm=wanted_mm
        )
        assert found.scale.u_relative == pytest.approx(0.0015, rel=0.25)


def test_a_longer_arc_and_a_better_known_radius_need_less_of_it() -> None:
    short = radius_wanted_mm(-60.0, 60.0, 0.2, 0.0015)
    assert radius_wanted_mm(-150.0, 150.0, 0.2, 0.0015) < short / 2.0
    assert radius_wanted_mm(-60.0, 60.0, 0.05, 0.0015) < short
