"""The residual picture: every reading is in it, at its place, pointing its way."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tuner.handover.picture import residual_svg

NUMBER = r"(-?[0-9.]+)"
TRIANGLE = re.compile(rf'<path d="M{NUMBER} {NUMBER}L{NUMBER} {NUMBER}V{NUMBER}z" fill="(#\w+)"')
CIRCLE = re.compile(rf'<circle cx="{NUMBER}" cy="{NUMBER}"')
BAND = re.compile(rf'<rect x="52" y="{NUMBER}" width="204" height="{NUMBER}" fill="#ddd"/>')


def marks(svg: str) -> list[tuple[float, float, str]]:
    """Return x, y and kind of every mark, in their order."""
    found = []
    for line in svg.splitlines():
        if triangle := TRIANGLE.match(line):
            tip, y, back, *_ = map(float, triangle.groups()[:-1])
            found.append(((tip + back) / 2, y, "plus" if tip > back else "minus"))
        elif circle := CIRCLE.match(line):
            found.append((float(circle[1]), float(circle[2]), "unknown"))
    return found


def test_each_mark_points_where_the_axis_moved() -> None:
    svg = residual_svg([0.0, 50.0, 100.0], [0.02, 0.0, -0.02], [1.0, 0.0, -1.0], 0.03)
    (x1, y1, k1), (x2, y2, k2), (x3, y3, k3) = marks(svg)
    assert (k1, k2, k3) == ("plus", "unknown", "minus")
    assert x2 == pytest.approx((x1 + x3) / 2, abs=0.1)
    assert y1 < y2 < y3  # upwards is more
    assert y2 == pytest.approx((y1 + y3) / 2, abs=0.1)
    assert "0 mm</text>" in svg
    assert ">100 mm</text>" in svg


def test_a_reading_on_the_edge_of_the_band_is_drawn_there() -> None:
    svg = residual_svg([0.0, 1.0, 2.0], [0.03, 0.0, -0.03], [1.0, 1.0, 1.0], 0.03)
    band = BAND.search(svg)
    assert band is not None
    top, height = float(band[1]), float(band[2])
    assert [y for _, y, _ in marks(svg)] == pytest.approx(
        [top, top + height / 2, top + height], abs=0.15
    )


def test_tiny_residuals_keep_their_decimals() -> None:
    assert ">+0.000182<" in residual_svg([0.0, 1.0], [1e-5, -1e-5], [1.0, 1.0], 1e-4)
    assert ">+0.100<" in residual_svg([0.0, 1.0], [0.1, -0.1], [1.0, 1.0], 0.01)


POSITIONS = st.floats(-1e4, 1e4)
READINGS = st.lists(
    st.tuples(POSITIONS, st.floats(-5.0, 5.0), st.sampled_from([1.0, 0.0, -1.0])), min_size=1
)


@settings(max_examples=60, deadline=None)
@given(READINGS, st.floats(0.0, 5.0))
def test_whatever_was_read_is_inside(
    readings: Sequence[tuple[float, float, float]], band_mm: float
) -> None:
    at, off, side = zip(*readings, strict=True)
    drawn = marks(residual_svg(at, off, side, band_mm))
    assert len(drawn) == len(readings)
    assert all(46 <= x <= 256 and 6 <= y <= 76 for x, y, _ in drawn)
