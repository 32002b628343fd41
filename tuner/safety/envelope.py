"""Where an axis may go, in true millimetres, at the worst credible scale.

The controller moves commanded millimetres; people and obstacles live in true ones. Until
the scale has been measured a commanded position stands for an interval of true positions,
and all of it must lie inside the free travel that the person declared. Until a move has
been watched, its direction is not known either, so both ways must be free. On coupled belts a
move of one axis may displace the other one too, which `beside_mm` is for. An axis that may have
lost some of its way stands that far off, either way, until it has been read again.
"""

from __future__ import annotations

import math

from tuner.errors import OutsideEnvelope
from tuner.messages import Limits

_ROUNDING_MM = 1e-6
_NEAR_END_MM = 10.0


def true_interval(
    limits: Limits, commanded_mm: float, beside_mm: float = 0.0
) -> tuple[float, float]:
    """Return the lowest and highest true position in mm that `commanded_mm` can mean.

    `beside_mm` is how far another axis may have displaced this one, either way.
    """
    ends = (commanded_mm * limits.scale_low, commanded_mm * limits.scale_high)
    if not limits.direction_seen:
        ends = (-abs(ends[1]), abs(ends[1]))
    off_mm = beside_mm + limits.astray_mm
    return min(ends) - off_mm, max(ends) + off_mm


def check_inside(limits: Limits, commanded_mm: float, beside_mm: float = 0.0) -> None:
    """Raise ``OutsideEnvelope`` unless `commanded_mm` is free at every credible scale."""
    low, high = true_interval(limits, commanded_mm, beside_mm)
    # What is no finite number compares as false: it must not pass for being inside.
    numbers = (low, high, limits.minus_mm, limits.plus_mm, limits.scale_low, limits.scale_high)
    finite = all(map(math.isfinite, numbers))
    inside = limits.minus_mm - _ROUNDING_MM <= low and high <= limits.plus_mm + _ROUNDING_MM
    if not (finite and inside):
        raise OutsideEnvelope(
            f"{limits.axis.upper()} to {commanded_mm:+.2f} mm could truly mean {low:+.1f} to "
            f"{high:+.1f} mm, outside the free travel {limits.minus_mm:+.1f} to "
            f"{limits.plus_mm:+.1f} mm; declare more free travel, or start further from the ends"
        )


def is_near_end(limits: Limits, commanded_mm: float, beside_mm: float = 0.0) -> bool:
    """Say whether `commanded_mm` may truly be within 10 mm of an end of the free travel."""
    low, high = true_interval(limits, commanded_mm, beside_mm)
    return low < limits.minus_mm + _NEAR_END_MM or high > limits.plus_mm - _NEAR_END_MM
