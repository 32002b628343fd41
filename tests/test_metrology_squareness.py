"""Squareness from sides and diagonals, against a drawn frame and a second uncertainty program."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from uncertainties import ufloat, umath

from tuner.errors import BadReadings
from tuner.metrology.squareness import Length, judge_squareness, squareness


def frame(a_mm: float, b_mm: float, skew_deg: float) -> dict[str, float]:
    """The lengths of a frame, from the places of its corners."""
    along = np.array([a_mm, 0.0])
    up = b_mm * np.array([math.sin(math.radians(skew_deg)), math.cos(math.radians(skew_deg))])
    return {
        "a": a_mm,
        "b": b_mm,
        "d1": float(np.linalg.norm(along + up)),
        "d2": float(np.linalg.norm(along - up)),
    }


def found(lengths_mm: dict[str, float], u_mm: float = 0.02, nominal_mm: float = 100.0):
    return squareness(
        **{key: Length(value, u_mm) for key, value in lengths_mm.items()},
        nominal_a_mm=nominal_mm,
        nominal_b_mm=nominal_mm,
    )


def test_a_right_angle_of_3_4_5() -> None:
    seen = squareness(
        d1=Length(50.0, 0.02), d2=Length(50.0, 0.02), a=Length(30.0, 0.02), b=Length(40.0, 0.02),
        nominal_a_mm=30.0, nominal_b_mm=40.0,
    )  # fmt: skip
    assert (seen.skew_deg, seen.misfit_mm, seen.a.scale, seen.b.scale) == (0.0, 0.0, 1.0, 1.0)
    # u(cos) = D u(D) root 2 / (2 a b) = 50 x 0.02 x 1.41421 / 2400
    assert seen.u_cos == pytest.approx(0.000589256, rel=1e-5)


@pytest.mark.parametrize("skew_deg", [-20.0, -0.5, 0.0, 0.1, 3.0])
@pytest.mark.parametrize(("a_mm", "b_mm"), [(100.0, 100.0), (98.0, 100.6), (80.0, 125.0)])
def test_skew_and_scale_do_not_mix(a_mm: float, b_mm: float, skew_deg: float) -> None:
    seen = found(frame(a_mm, b_mm, skew_deg))
    assert seen.skew_deg == pytest.approx(skew_deg, abs=1e-9)
    assert (seen.a.scale, seen.b.scale) == pytest.approx((a_mm / 100, b_mm / 100))
    assert seen.off_mm(50.0) == pytest.approx(50.0 * math.tan(math.radians(skew_deg)), abs=1e-9)


@pytest.mark.parametrize("skew_deg", [0.0, 0.3, 15.0])
def test_uncertainty_is_that_of_another_program(skew_deg: float) -> None:
    lengths = frame(90.0, 120.0, skew_deg)
    u_mm = {"a": 0.01, "b": 0.02, "d1": 0.03, "d2": 0.04}
    a, b, d1, d2 = (ufloat(lengths[key], u_mm[key]) for key in ("a", "b", "d1", "d2"))
    cos = (d1**2 - d2**2) / (4 * a * b)
    misfit = umath.sqrt((d1**2 + d2**2) / 2) - umath.sqrt(a**2 + b**2)
    seen = squareness(
        **{key: Length(lengths[key], u_mm[key]) for key in lengths},
        nominal_a_mm=90.0,
        nominal_b_mm=120.0,
    )
    assert seen.u_cos == pytest.approx(cos.s, rel=1e-9)
    assert seen.u_skew_deg == pytest.approx(math.degrees(umath.asin(cos).s), rel=1e-9)
    assert seen.u_misfit_mm == pytest.approx(misfit.s, rel=1e-9)
    assert (seen.a.u, seen.b.u) == pytest.approx(((a / 90).s, (b / 120).s))


def test_the_interval_covers_the_truth() -> None:
    random = np.random.default_rng(3)
    truth = frame(100.0, 100.0, 0.2)
    inside = 0
    for _ in range(1000):
        seen = found({key: value + random.normal(0.0, 0.02) for key, value in truth.items()})
        inside += abs(seen.skew_deg - 0.2) <= seen.as_json()["skew_deg"]["U"]
    assert 930 <= inside <= 970


def test_a_misread_diagonal_is_noticed() -> None:
    lengths = frame(100.0, 100.0, 0.0)
    with pytest.raises(BadReadings, match=r"0\.5 mm too long; measure all four again"):
        found(lengths | {"d1": lengths["d1"] + 1.0})


def test_a_flat_frame_is_none() -> None:
    with pytest.raises(BadReadings, match="not those of one frame"):
        found({"a": 100.0, "b": 100.0, "d1": 200.01, "d2": 0.001})


@pytest.mark.parametrize("value_mm", [0.0, -1.0, math.nan, math.inf])
def test_what_is_no_length_is_refused(value_mm: float) -> None:
    with pytest.raises(BadReadings, match="expected more than 0 mm"):
        Length(value_mm, 0.02)
    with pytest.raises(BadReadings, match="expected more than 0 mm"):
        Length(100.0, value_mm)
    with pytest.raises(BadReadings, match="expected both above 0 mm"):
        found(frame(100.0, 100.0, 0.0), nominal_mm=value_mm)


def test_it_is_plain_data() -> None:
    seen = found(frame(100.0, 100.0, 0.5)).as_json()
    assert json.loads(json.dumps(seen, allow_nan=False)) == seen


@pytest.mark.parametrize(
    ("skew_deg", "u_mm", "nominal_mm", "verdict"),
    [
        (0.0, 0.02, 100.0, "keep"),
        # One u of the angle is D u(D) / (a b root 2) = 0.0002 radians, 0.0115 degrees.
        (2.4 * 0.0115, 0.02, 100.0, "keep"),
        (2.75 * 0.0115, 0.02, 100.0, "measure-again"),
        (0.2, 0.02, 100.0, "repair-first"),
        # Seen, and less than 0.1 mm over the frame: 100 mm x tan(0.05) = 0.087 mm.
        (0.05, 0.002, 100.0, "keep"),
    ],
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_what_to_do_about_it(
    skew_deg: float, u_mm: float, nominal_mm: float, verdict: str, sign: float
) -> None:
    seen = found(frame(nominal_mm, nominal_mm, sign * skew_deg), u_mm, nominal_mm)
    judged = judge_squareness(seen, [nominal_mm, nominal_mm], printed=False, axes=("x", "y"))
    assert judged["verdict"] == verdict
    assert "X and Y stand" in judged["says"]
