"""Squareness of two axes and the scale of each, from two sides and two diagonals of a frame.

The frame is a parallelogram with sides a and b, drawn along the two axes; D1 is the diagonal from
the corner where both axes begin. Law of cosines: ``D1^2 - D2^2 = 4 a b cos(angle)``, so the
angle between the axes does not depend on a common error of the four lengths, and the scale of an
axis is that of its side alone: skew and scale do not mix. What is left over,
``D1^2 + D2^2 = 2 (a^2 + b^2)``, holds for every parallelogram and shows a misread length.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tuner.errors import BadReadings
from tuner.metrology.student import student_t_factor

__all__ = ["Length", "Side", "Squareness", "judge_squareness", "squareness"]

# Lengths that disagree by more than this many of their u were not read on one frame.
_MISREAD_U = 5.0
# As for the scale of an axis: kept below, to be put right above, measured again between.
_KEEP_U, _REPAIR_U = 2.5, 3.0
_MATTERS_MM = 0.1
_K = student_t_factor(math.inf)


@dataclass(frozen=True)
class Length:
    """A measured length and its standard uncertainty, both in mm, the value above 0.

    Raises ``BadReadings`` for what is no length.
    """

    value_mm: float
    u_mm: float

    def __post_init__(self) -> None:
        if not 0.0 < self.value_mm < math.inf:
            raise BadReadings(
                f"a length of {self.value_mm:g} mm; expected more than 0 mm; measure it again"
            )
        if not 0.0 < self.u_mm < math.inf:
            raise BadReadings(
                f"a length of {self.value_mm:g} mm has an uncertainty of {self.u_mm:g} mm; "
                "expected more than 0 mm: the caliper's error limit divided by the root of 3"
            )


@dataclass(frozen=True)
class Side:
    """True / commanded length along one axis, and its standard uncertainty."""

    scale: float
    u: float


@dataclass(frozen=True)
class Squareness:
    """How two axes stand to each other, and the scale of each.

    `cos` is the cosine of the angle between the positive directions of both axes, `u_cos` its
    standard uncertainty. `misfit_mm` says by how much the diagonals are longer than the sides
    allow, `u_misfit_mm` is its standard uncertainty. `a` and `b` are the scales of the sides.
    """

    cos: float
    u_cos: float
    misfit_mm: float
    u_misfit_mm: float
    a: Side
    b: Side

    @property
    def skew_deg(self) -> float:
        """90 degrees minus the angle between the axes; above 0 when D1 is the longer one."""
        return math.degrees(math.asin(self.cos))

    @property
    def u_skew_deg(self) -> float:
        """Standard uncertainty of `skew_deg`."""
        return math.degrees(self.u_cos / math.sqrt(1.0 - self.cos**2))

    def off_mm(self, length_mm: float) -> float:
        """Return how far one axis leans out of square over `length_mm` of the other."""
        return length_mm * math.tan(math.radians(self.skew_deg))

    def as_json(self) -> dict[str, Any]:
        """Return it as plain data; ``U`` holds 95 %, with k = 1.96."""
        return {
            "skew_deg": {"value": self.skew_deg, "u": self.u_skew_deg, "U": _K * self.u_skew_deg},
            "cos": {"value": self.cos, "u": self.u_cos, "U": _K * self.u_cos},
            "off_mm_per_100_mm": self.off_mm(100.0),
            "scales": [
                {"value": side.scale, "u": side.u, "U": _K * side.u} for side in (self.a, self.b)
            ],
            "misfit_mm": {"value": self.misfit_mm, "u": self.u_misfit_mm},
        }


def squareness(
    *, d1: Length, d2: Length, a: Length, b: Length, nominal_a_mm: float, nominal_b_mm: float
) -> Squareness:
    """Return angle and scales of a frame with sides `a`, `b` and diagonals `d1`, `d2`.

    `nominal_a_mm` and `nominal_b_mm` are the commanded lengths of the sides. The four lengths are
    taken as independent; uncertainty by JCGM 100 5.1.2 (first order). Raises ``BadReadings`` for
    lengths that no frame has.
    """
    if not (0.0 < nominal_a_mm < math.inf and 0.0 < nominal_b_mm < math.inf):
        raise BadReadings(
            f"commanded sides of {nominal_a_mm:g} and {nominal_b_mm:g} mm; expected both above 0 mm"
        )
    sides = a.value_mm * b.value_mm
    cos = (d1.value_mm**2 - d2.value_mm**2) / (4.0 * sides)
    u_cos = math.hypot(
        d1.value_mm / (2.0 * sides) * d1.u_mm,
        d2.value_mm / (2.0 * sides) * d2.u_mm,
        cos / a.value_mm * a.u_mm,
        cos / b.value_mm * b.u_mm,
    )
    mean_mm = math.hypot(a.value_mm, b.value_mm)
    misfit_mm = math.sqrt((d1.value_mm**2 + d2.value_mm**2) / 2.0) - mean_mm
    both_mm = misfit_mm + mean_mm
    u_misfit_mm = math.hypot(
        d1.value_mm / (2.0 * both_mm) * d1.u_mm,
        d2.value_mm / (2.0 * both_mm) * d2.u_mm,
        a.value_mm / mean_mm * a.u_mm,
        b.value_mm / mean_mm * b.u_mm,
    )
    if abs(misfit_mm) > _MISREAD_U * u_misfit_mm or not abs(cos) < 1.0:
        raise BadReadings(
            f"sides of {a.value_mm:g} and {b.value_mm:g} mm and diagonals of {d1.value_mm:g} and "
            f"{d2.value_mm:g} mm are not those of one frame: the diagonals are "
            f"{abs(misfit_mm):.2g} mm too {'long' if misfit_mm > 0.0 else 'short'}; measure all "
            "four again"
        )
    return Squareness(
        cos=cos,
        u_cos=u_cos,
        misfit_mm=misfit_mm,
        u_misfit_mm=u_misfit_mm,
        a=Side(a.value_mm / nominal_a_mm, a.u_mm / nominal_a_mm),
        b=Side(b.value_mm / nominal_b_mm, b.u_mm / nominal_b_mm),
    )


def judge_squareness(
    seen: Squareness, told_mm: Sequence[float], *, printed: bool, axes: tuple[str, str]
) -> dict[str, str]:
    """Return ``verdict``, ``says`` and ``next`` for what was `seen` of a frame along `axes`.

    `told_mm` are its two sides as commanded. A skew within 2.5 u of square is kept; beyond 3 u,
    and where it leads off by 0.1 mm or more over the longer side, it is to be put right. A side
    that is off by more than 3 u has its axis measured: nothing is right then but the angle.
    """
    one, other = (axis.upper() for axis in axes)
    skew, u = seen.skew_deg, seen.u_skew_deg
    off_mm = abs(seen.off_mm(max(told_mm)))
    says = (
        f"{one} and {other} stand {90.0 - skew:.3f} ± {_K * u:.3f} degrees to each other: "
        f"{off_mm:.2f} mm off square over {max(told_mm):g} mm. Apart from that {one} measures "
        f"{seen.a.scale:.5f} ± {_K * seen.a.u:.5f} and {other} {seen.b.scale:.5f} ± "
        f"{_K * seen.b.u:.5f} of what was told"
    )
    if is_square := abs(skew) <= _KEEP_U * u:
        verdict, what = "keep", "square"
    elif abs(skew) <= _REPAIR_U * u:
        verdict, what = "measure-again", "measure a larger frame, or this one once more"
    elif off_mm < _MATTERS_MM:
        verdict, what = "keep", f"below {_MATTERS_MM:g} mm over the frame: leave it as it is"
    else:
        longer = "where both axes begin" if skew > 0.0 else f"where {one} ends and {other} begins"
        verdict = "repair-first"
        what = (
            f"the diagonal from the corner {longer} is too long. Power off and unplugged, loosen "
            "one axis and turn it until both diagonals are equal; measure again. No stored number "
            "makes axes square"
        )
    sides = {axes[0]: seen.a, axes[1]: seen.b}
    wrong = {axis: one for axis, one in sides.items() if abs(one.scale - 1.0) > _REPAIR_U * one.u}
    if wrong:
        lengths = " and ".join(f"{axis.upper()} is {_too(one)}" for axis, one in wrong.items())
        tune = " ".join(("tuner tune CARD --port PORT", *(f"--axis {axis}" for axis in wrong)))
        in_print = ", which may be shrinkage and line width of the print" if printed else ""
        what += f"; {lengths}{in_print}: measure the axis ({tune}) before a number is changed"
        if verdict == "keep" and not printed:
            verdict = "measure-again"
    elif is_square:
        what += " as far as this can be seen; a larger frame shows more"
    if printed and not wrong:
        what += (
            ". Sides of a print hold shrinkage and line width: before a number is changed, measure "
            "the axes (tuner tune)"
        )
    return {"verdict": verdict, "says": says, "next": what}


def _too(side: Side) -> str:
    return f"{100.0 * abs(side.scale - 1.0):.2f} % too {'long' if side.scale > 1.0 else 'short'}"
