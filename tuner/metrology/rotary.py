"""The scale of a turning axis from an index mark on its rim, read against a line on its frame.

A mark shows where it is within one turn and not how many turns were made, so whole turns are added
from what is known of the scale already. All angles are degrees; the functions of the lengths take
degrees for mm.

What limits the reading is how well a mark is seen against a line: over many turns that counts
little, since the error of one reading stays while the angle grows. The error limit of a mark is
common practice, no source.
"""

from __future__ import annotations

import math

from tuner.metrology.budget import Contribution, Scale, combined
from tuner.metrology.fit import Fit

__all__ = ["MARK_LIMIT_DEG", "MARK_STEP_DEG", "index_scale", "unwrapped"]

MARK_LIMIT_DEG = 0.2
MARK_STEP_DEG = 0.1


def unwrapped(index_deg: float, expected_deg: float) -> float:
    """Return the turned angle that shows `index_deg`, the one nearest to `expected_deg`.

    Right where what is expected is less than half a turn off. Raises ``ValueError`` for what is no
    number.
    """
    if not (math.isfinite(index_deg) and math.isfinite(expected_deg)):
        raise ValueError(f"angles of {index_deg} and {expected_deg} degrees; expected two numbers")
    return expected_deg + math.remainder(index_deg - expected_deg, 360.0)


def index_scale(fit: Fit) -> Scale:
    """Return the scale of `fit`, made of degrees, with the errors of the mark added.

    The scale rests on the difference of two readings; each may be wrong by anything within the
    error limit of a mark, and is rounded to its step: triangular, as for a caliper
    (JCGM 100 4.3.7 and F.2.2.1). Tilt, temperature and the offset from the axis do not touch an
    angle.
    """
    size, span_deg = abs(fit.scale), fit.span_mm
    return combined(
        fit.scale,
        (
            Contribution("readings", fit.u_scale / size, fit.dof),
            Contribution(
                "index mark", 2.0 * MARK_LIMIT_DEG / math.sqrt(6.0) / span_deg, shape="triangular"
            ),
            Contribution(
                "resolution", MARK_STEP_DEG / math.sqrt(6.0) / span_deg, shape="triangular"
            ),
        ),
    )
