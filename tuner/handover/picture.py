"""The picture of what is left of each reading when the fit is taken out, as inline SVG.

A mark points to where the axis was moving when it arrived, so that play which the fit does not
know splits the marks in two rows. Nothing is said by colour, and the picture has no words but
numbers: what it shows stands beside it.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["residual_svg"]

_WIDTH, _HEIGHT = 260, 92
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 4, 6, 18
_MARK = 4.0
# The band shall not fill the picture.
_BAND_SHARE = 0.55
_SMALL_MM = 0.01  # below this the usual three decimals show nothing


def residual_svg(
    at_mm: Sequence[float], residual_mm: Sequence[float], side: Sequence[float], band_mm: float
) -> str:
    """Return a drawing of residuals over the commanded position.

    `at_mm` : (n,) float, commanded positions; `residual_mm` : (n,) float, reading minus fit;
    `side` : (n,) float, 1 arrived in plus direction, -1 in minus, 0 not known. `band_mm` is half
    the width of the grey band. There must be at least one reading and every number finite.
    """
    largest_mm = max(*map(abs, residual_mm), band_mm / _BAND_SHARE, 1e-9)
    low_mm, high_mm = min(at_mm), max(at_mm)
    reach_mm = high_mm - low_mm or 1.0
    inner_left, inner_right = _LEFT + 2 * _MARK, _WIDTH - _RIGHT - 2 * _MARK
    middle = (_TOP + _HEIGHT - _BOTTOM) / 2.0
    half = (_HEIGHT - _BOTTOM - _TOP) / 2.0 - _MARK

    def across(mm: float) -> float:
        return inner_left + (mm - low_mm) / reach_mm * (inner_right - inner_left)

    def down(mm: float) -> float:
        return middle - mm / largest_mm * half

    def label(mm: float, text: str) -> str:
        return f'<text x="{_LEFT - 4}" y="{down(mm) + 4:.1f}" text-anchor="end">{text}</text>'

    decimals = 3 if largest_mm >= _SMALL_MM else 6
    width, below = _WIDTH - _LEFT - _RIGHT, _HEIGHT - 4
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
        'font-family="sans-serif" font-size="11" aria-hidden="true">',
        f'<rect x="{_LEFT}" y="{down(band_mm):.1f}" width="{width}" '
        f'height="{down(-band_mm) - down(band_mm):.1f}" fill="#ddd"/>',
        f'<path d="M{_LEFT} {middle:.1f}h{width}" stroke="#666"/>',
        f'<rect x="{_LEFT}" y="{_TOP}" width="{width}" height="{_HEIGHT - _TOP - _BOTTOM}" '
        'fill="none" stroke="#666"/>',
        label(largest_mm, f"{largest_mm:+.{decimals}f}"),
        label(0.0, "0"),
        label(-largest_mm, f"{-largest_mm:+.{decimals}f}"),
        f'<text x="{_LEFT}" y="{below}">{low_mm:.5g} mm</text>',
        f'<text x="{_WIDTH - _RIGHT}" y="{below}" text-anchor="end">{high_mm:.5g} mm</text>',
        *(
            _mark(across(at), down(off), to)
            for at, off, to in zip(at_mm, residual_mm, side, strict=True)
        ),
        "</svg>",
    ]
    return "\n".join(lines)


def _mark(x: float, y: float, side: float) -> str:
    """Return a triangle that points where the axis moved, or a circle where that is not known."""
    if side == 0.0:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{_MARK - 1:g}" fill="none" stroke="#111"/>'
    tip, back = x + side * _MARK, x - side * _MARK
    points = f"M{tip:.1f} {y:.1f}L{back:.1f} {y - _MARK:.1f}V{y + _MARK:.1f}z"
    return f'<path d="{points}" fill="{"#111" if side > 0 else "#fff"}" stroke="#111"/>'
