"""The uncertainty of a scale, term by term, after JCGM 100 (the GUM).

The rule: every term that can move the scale is listed with its size, also when it is small,
so that a reader sees which one to improve. Terms are relative to the scale (1e-4 is 0.01 %).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from tuner.errors import BadReadings
from tuner.metrology.fit import Fit
from tuner.metrology.student import student_t_factor

# How far a caliper leans against the axis: up to 1 degree on ground faces, else 2 (common
# practice, no source).
_TILT_GROUND_DEG = 1.0
_TILT_OTHER_DEG = 2.0
# Steel, 11.5e-6 per kelvin (JCGM 100 H.1); lengths hold at 20 C (ISO 1).
_STEEL_PER_K = 11.5e-6
# Play that a fit could not separate is taken as anything from 0 to this (common practice,
# no source); worn screws and loose belts lose up to about half a millimetre.
_PLAY_UNSEEN_MM = 0.5
# Beyond this the coverage factor no longer changes in any printed digit, and a number is
# easier to store than an infinity.
_MOST_DOF = 1e6


@dataclass(frozen=True)
class Contribution:
    """One term of a budget: its relative standard uncertainty and degrees of freedom."""

    name: str
    u_relative: float
    dof: float = math.inf


@dataclass(frozen=True)
class Scale:
    """True travel / commanded travel, with standard uncertainty `u` and ``U = k x u`` (95 %)."""

    value: float
    u: float
    U: float
    k: float
    dof: float
    contributions: tuple[Contribution, ...] = ()

    @property
    def u_relative(self) -> float:
        """`u` as a fraction of the value."""
        return self.u / abs(self.value)

    @property
    def U_relative(self) -> float:
        """`U` as a fraction of the value."""
        return self.U / abs(self.value)


def welch_satterthwaite(contributions: Iterable[Contribution]) -> tuple[float, float]:
    """Return the combined u and its effective degrees of freedom (JCGM 100 G.4.1).

    ``dof = u^4 / sum(u_i^4 / dof_i)``; infinite when no term has a finite number of them.
    """
    terms = tuple(contributions)
    u = math.sqrt(sum(one.u_relative**2 for one in terms))
    below = sum(one.u_relative**4 / one.dof for one in terms)
    return u, (u**4 / below if below > 0.0 else math.inf)


def measured_scale(
    fit: Fit,
    *,
    error_limit_mm: float,
    ground_faces: bool = True,
    room_within_k: float = 5.0,
) -> Scale:
    """Return the scale of `fit` with the caliper's and the bench's own errors added.

    Caliper: each reading may be wrong by anything within +-`error_limit_mm` (rectangular,
    u = limit / sqrt(3), JCGM 100 4.3.7). A scale rests on the difference of two readings; the
    difference of two such errors is triangular within twice the limit, so u = 2 limit / sqrt(6)
    over the measured span. Depth rod and inside jaws: pass their larger limit.

    Cosine: a caliper leaning by an angle reads long by angle^2 / 2. For angles uniform from 0 to
    A the mean of that is A^2 / 6, which is taken off, and its standard deviation A^2 sqrt(1/45).

    Temperature: a steel caliper within +-`room_within_k` of 20 C, rectangular.

    Play: where the fit could not model it, what up to 0.5 mm of it would do to the scale.

    Raises ``BadReadings`` when the readings do not differ, because nothing has moved.
    """
    if not fit.span_mm > 0.0 or fit.scale == 0.0:
        raise BadReadings(
            f"the readings differ by {fit.span_mm:.3f} mm though the axis was told to move; "
            "expected them to differ; look whether the axis moves and the caliper follows"
        )
    tilt = math.radians(_TILT_GROUND_DEG if ground_faces else _TILT_OTHER_DEG)
    value = fit.scale * (1.0 - tilt**2 / 6.0)
    size = abs(fit.scale)
    contributions = (
        Contribution("readings", fit.u_scale / size, fit.dof),
        Contribution("caliper", 2.0 * error_limit_mm / math.sqrt(6.0) / fit.span_mm),
        Contribution("caliper tilt", tilt**2 * math.sqrt(1.0 / 45.0)),
        Contribution("temperature", _STEEL_PER_K * room_within_k / math.sqrt(3.0)),
        Contribution(
            "play not separated", abs(fit.scale_per.get("play_mm", 0.0)) * _PLAY_UNSEEN_MM / math.sqrt(3.0) / size
        ),
    )
    u_relative, dof = welch_satterthwaite(contributions)
    dof = min(dof, _MOST_DOF)
    k = student_t_factor(dof)
    u = u_relative * abs(value)
    return Scale(value=value, u=u, U=k * u, k=k, dof=dof, contributions=contributions)
