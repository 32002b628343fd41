"""Two motors that move X and Y together by coupled belts: the scale of each motor.

With turns counted as travel, motor a goes x + y and motor b goes x - y. If a really goes s_a and b
s_b of what it is told, a command (X, Y) leads to

    x = p X + d Y,    y = d X + p Y,    p = (s_a + s_b) / 2,    d = (s_a - s_b) / 2,

which follows from x = (a + b) / 2 and y = (a - b) / 2. One wrong motor therefore shows as a move
that slants. Four slopes are read: x over X and over Y, y over X and over Y. A datum that is turned
by a small angle t adds t p to x over Y and takes t p from y over X, so the mean of the two cross
slopes is free of it. A skew of the two guides adds the same to both: it looks like a difference
of the motors, and what it may be limits what can be said of that difference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tuner.metrology.budget import Contribution, Scale, combined

__all__ = ["Coupled", "Slopes", "motor_scales"]

_AGREE_U = 3.0


@dataclass(frozen=True)
class Slopes:
    """Measured travel for commanded travel, each with its standard uncertainty, no unit.

    `cross_xy` is what x moves for each mm that Y is told, `cross_yx` what y moves for each of X.
    """

    xx: Scale
    yy: Scale
    cross_xy: float
    u_cross_xy: float
    cross_yx: float
    u_cross_yx: float


@dataclass(frozen=True)
class Coupled:
    """What four slopes say of two motors.

    `a` and `b` are the scales of the motors; `rotation_rad` is by how much the datum is turned.
    `difference` is s_a - s_b with its standard uncertainty, the skew left out. `consistent` is
    false when X and Y do not travel alike, which no pair of motors can do.
    `apart` is true when the motors differ by more than a skew of the guides explains; where it is
    false, a difference that stands out from the readings cannot be told from a skew, and
    `slanted` says so.
    """

    a: Scale
    b: Scale
    rotation_rad: float
    difference: float
    u_difference: float
    consistent: bool
    apart: bool
    slanted: bool


def motor_scales(slopes: Slopes, *, u_skew_rad: float) -> Coupled:
    """Return the scale of each motor.

    `u_skew_rad` is the standard uncertainty of the right angle between the guides: what a square
    or two diagonals have shown, or what the frame is trusted to hold. Raises ``ValueError``
    unless it is above zero and both axes travel the way they are told.
    """
    if not u_skew_rad > 0.0:
        raise ValueError(f"a skew known to {u_skew_rad:g} rad; expected above 0: nothing is square")
    xx, yy = slopes.xx, slopes.yy
    if not (xx.value > 0.0 and yy.value > 0.0):
        raise ValueError(
            f"scales of {xx.value:g} and {yy.value:g}; expected both above 0: an axis that goes "
            "the other way is wired or described wrongly"
        )
    p = (xx.value + yy.value) / 2.0
    d = (slopes.cross_xy + slopes.cross_yx) / 2.0
    u_cross = math.hypot(slopes.u_cross_xy, slopes.u_cross_yx) / 2.0
    u_skew = p * u_skew_rad
    stands_out = abs(d) > _AGREE_U * u_cross
    apart = abs(d) > _AGREE_U * math.hypot(u_cross, u_skew)
    # A slant that the readings do not show is none: that a skew hides it exactly is not supposed.
    known_to = u_skew if stands_out else 0.0
    a, b = (_motor(xx, yy, value, u_cross, known_to) for value in (p + d, p - d))
    return Coupled(
        a=a,
        b=b,
        rotation_rad=(slopes.cross_xy - slopes.cross_yx) / (2.0 * p),
        difference=2.0 * d,
        u_difference=2.0 * u_cross,
        consistent=abs(xx.value - yy.value) <= _AGREE_U * math.hypot(xx.u, yy.u),
        apart=apart,
        slanted=stands_out and not apart,
    )


def _motor(xx: Scale, yy: Scale, value: float, u_cross: float, u_skew: float) -> Scale:
    """Return one motor's scale: half of the sum of both axes, and half of their difference.

    The two axes are read with one caliper, so its own errors do not average out: of each kind
    the larger of both is taken whole, that of the readings alone by half.
    """
    here = {one.name: one for one in xx.contributions}
    there = {one.name: one for one in yy.contributions}
    terms = []
    for name in dict.fromkeys((*here, *there)):
        pair = [(one[name], scale) for one, scale in ((here, xx), (there, yy)) if name in one]
        sizes = [term.u_relative * scale.value for term, scale in pair]
        own = name == "readings"
        size = math.hypot(*sizes) / 2.0 if own else max(sizes)
        dof = min(term.dof for term, _ in pair)
        terms.append(Contribution(name, size / abs(value), dof, shape=pair[0][0].shape))
    terms.append(Contribution("slant of a move", u_cross / abs(value)))
    terms.append(Contribution("skew of the guides", u_skew / abs(value)))
    return combined(value, tuple(terms))
