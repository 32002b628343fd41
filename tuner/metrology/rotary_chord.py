"""The scale of a turning axis from chords: how far a mark at a radius is from a fixed pointer.

For an axis that cannot make whole turns. The tip of the pointer is set upon the mark; when the
table has turned by an angle, the straight way from tip to mark is ``chord = 2 r sin(angle / 2)``
(elementary geometry: half the chord is the far side of a right triangle with the radius for its
longest side and half the angle at the centre). A chord to the minus side counts as negative.

The rule: radius and scale are fitted together, and the radius that was measured is one more
observation. Over a short arc it is what the angle rests on; over a long one the chords bend so
much that they show the radius themselves, and what was measured hardly counts.

How steady a hand sets two points, and how near the tip is set, are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tuner.errors import BadReadings
from tuner.metrology.budget import Contribution, Scale, combined
from tuner.metrology.fit import Fit, fit
from tuner.metrology.least_squares import Floats
from tuner.metrology.reading import Reading, columns

__all__ = [
    "MOST_DEG",
    "TIP_LIMIT_MM",
    "Turned",
    "angle_deg",
    "chord_mm",
    "longest_deg",
    "radius_wanted_mm",
    "turned",
]

MOST_DEG = 150.0
"""Beyond this a chord hardly grows with the angle any more."""
TIP_LIMIT_MM = 0.2
"""The tip may stand so far beside the mark when it is set upon it."""

_POINTS_MM = 0.05  # one standard deviation of a caliper's points set to a mark and a tip
# A wheel of the drive runs out by a tenth from top to bottom (common practice, no source); less
# than a turn does not average that.
_RUNS_OUT_MM = 0.05
_CONTRADICTS_U = 3.0
_STAYED = 1e-3
_MOST_STEPS = 60
_LONGEST_STEP = 0.2
_SETTLED = 1e-12


@dataclass(frozen=True)
class Turned:
    """What chords say of an axis.

    `fit` counts in degrees, at the radius `radius_mm` with the standard uncertainty `u_radius_mm`
    after the chords. `contradicted` is true where the chords fit no circle that is near the one
    that was measured.
    """

    scale: Scale
    fit: Fit
    radius_mm: float
    u_radius_mm: float
    contradicted: bool


def angle_deg(chord_mm: float, radius_mm: float) -> float:
    """Return the angle in degrees that a chord spans, -180 to 180, with the sign of the chord.

    A chord longer than the circle is wide spans half a turn. Raises ``ValueError`` for what is no
    number and for a radius that is not above zero.
    """
    if not (math.isfinite(chord_mm) and 0.0 < radius_mm < math.inf):
        raise ValueError(f"a chord of {chord_mm} at {radius_mm} mm; expected two lengths")
    return 2.0 * math.degrees(math.asin(max(-1.0, min(1.0, chord_mm / (2.0 * radius_mm)))))


def chord_mm(angle_deg: float, radius_mm: float) -> float:
    """Return the chord in mm that an angle spans at a radius, with the sign of the angle."""
    return 2.0 * radius_mm * math.sin(math.radians(angle_deg) / 2.0)


def longest_deg(radius_mm: float, range_mm: float) -> float:
    """Return the largest angle that is read at a radius with a caliper of that range."""
    return min(MOST_DEG, angle_deg(range_mm, radius_mm))


def turned(
    readings: Sequence[Reading],
    *,
    radius_mm: float,
    within_mm: float,
    error_limit_mm: float,
    resolution_mm: float,
) -> Turned:
    """Return the scale that chords at a radius show, and the radius.

    `readings` are in degrees, as ``angle_deg`` makes them of the chords at `radius_mm`, which is
    right to `within_mm`, either way. `error_limit_mm` is what the caliper may be wrong by. Raises
    ``BadReadings`` for readings that show no scale, or that did not follow the axis.
    """
    data = columns(readings)
    chords_mm = np.array([chord_mm(one.reading_mm, radius_mm) for one in readings])
    of_visit = (data.visit[:, None] == np.unique(data.visit)[None, :]).astype(float)
    told = np.radians(data.commanded_mm)
    linear = [of_visit, told[:, None]]
    if np.ptp(data.side):
        linear.append(-data.side[:, None] / 2.0)
    u_before = _u_radius_mm(within_mm) / radius_mm
    solved = _Circle(np.hstack(linear), chords_mm).solved(radius_mm, u_before)
    at_mm = radius_mm * math.exp(solved.log_radius)
    found = _fit(readings, chords_mm, at_mm, resolution_mm)
    if not found.scale > _STAYED:
        raise BadReadings(
            "the mark stayed while the axis was told to turn; look whether the table slips"
        )
    size, row = found.scale, of_visit.shape[1]
    u_log = math.sqrt(float(solved.covariance[-1, -1]))
    by_radius = abs(float(solved.covariance[row, -1])) / u_log / size
    moves = solved.gain[row] / size  # what each mm of each chord does to the scale
    waves = np.column_stack([np.cos(told), np.sin(told)]) * np.cos(solved.angles / 2.0)[:, None]
    scale = combined(
        found.scale,
        (
            Contribution("readings", found.u_scale / size, found.dof),
            Contribution("radius of the mark", by_radius),
            Contribution(
                "caliper",
                abs(float(moves @ np.sign(chords_mm))) * error_limit_mm / math.sqrt(3.0),
                shape="rectangular",
            ),
            Contribution(
                "resolution",
                float(np.linalg.norm(moves)) * resolution_mm / math.sqrt(12.0),
                shape="rectangular",
            ),
            Contribution(
                "one turn not separated",
                float(np.linalg.norm(moves @ waves)) * _RUNS_OUT_MM / math.sqrt(3.0),
                shape="rectangular",
            ),
        ),
    )
    moved_by = math.sqrt(max(u_before**2 - u_log**2, _SETTLED))
    return Turned(
        scale=scale,
        fit=found,
        radius_mm=at_mm,
        u_radius_mm=u_log * at_mm,
        contradicted=abs(solved.log_radius) > _CONTRADICTS_U * moved_by,
    )


def radius_wanted_mm(minus_deg: float, plus_deg: float, within_mm: float, u_wanted: float) -> float:
    """Return the smallest radius at which chords bring the scale to `u_wanted`, relative.

    The mark turns from `minus_deg` to `plus_deg`, both sides of the tip in the usual plan, the
    radius is known to `within_mm`. Everything is relative to the radius, so the uncertainty falls
    with it; the caliper's range is another matter.
    """
    ends = np.radians([minus_deg, minus_deg / 2.0, plus_deg / 2.0, plus_deg] * 2)
    sides = np.repeat([1.0, -1.0], 4)
    circle = _Circle(np.column_stack([np.ones(8), ends, -sides / 2.0]), 2.0 * np.sin(ends / 2.0))
    covariance = circle.solved(1.0, _u_radius_mm(within_mm)).covariance
    return math.sqrt(float(covariance[1, 1])) / u_wanted


def _u_radius_mm(within_mm: float) -> float:
    """What the radius is known to: as measured, and half of what the tip stands beside its circle.

    A tip at p and a mark at r show the chords of a circle of root(p r), about (p + r) / 2.
    """
    return math.hypot(within_mm, TIP_LIMIT_MM / 2.0) / math.sqrt(3.0)


@dataclass(frozen=True)
class _Solved:
    """`log_radius` is the logarithm of the radius over the one that was measured; `angles` : (n,)
    rad; `covariance` : (p, p) and `gain` : (p, n), the radius last."""

    log_radius: float
    angles: Floats
    covariance: Floats
    gain: Floats


@dataclass(frozen=True)
class _Circle:
    """Chords whose angles are linear in unknowns.

    linear : (n, k) float, the angle in rad for a unit of each unknown; chords_mm : (n,)
    """

    linear: Floats
    chords_mm: Floats

    def solved(self, radius_mm: float, u_log: float) -> _Solved:
        """Bring the unknowns and the radius to what chords and measured radius say together.

        Gauss-Newton in the chords themselves, which never leave the circle on the way; `u_log` is
        the relative standard uncertainty of `radius_mm`.
        """
        half = np.arcsin(np.clip(self.chords_mm / (2.0 * radius_mm), -1.0, 1.0))
        unknown = np.append(np.linalg.lstsq(self.linear, 2.0 * half, rcond=None)[0], 0.0)
        known = np.append(np.zeros(self.linear.shape[1]), 1.0 / u_log)
        for _ in range(_MOST_STEPS):
            angles, design = self._at(unknown, radius_mm)
            chords = 2.0 * radius_mm * math.exp(unknown[-1]) * np.sin(angles / 2.0)
            left = np.append((self.chords_mm - chords) / _POINTS_MM, -unknown[-1] / u_log)
            step = np.linalg.lstsq(np.vstack([design, known]), left, rcond=None)[0]
            longest = float(np.abs(step).max())
            unknown = unknown + step * min(1.0, _LONGEST_STEP / max(longest, _SETTLED))
            if longest < _SETTLED:
                break
        angles, design = self._at(unknown, radius_mm)
        covariance = np.asarray(np.linalg.inv(design.T @ design + np.outer(known, known)))
        gain = np.asarray(covariance @ design.T) / _POINTS_MM
        return _Solved(float(unknown[-1]), angles, covariance, gain)

    def _at(self, unknown: Floats, radius_mm: float) -> tuple[Floats, Floats]:
        """Return the angles : (n,), and what each unknown does to the chords : (n, k + 1), in
        standard deviations of a chord."""
        angles = self.linear @ unknown[:-1]
        at_mm = radius_mm * math.exp(unknown[-1])
        by_angle = at_mm * np.cos(angles / 2.0)[:, None] * self.linear
        by_radius = 2.0 * at_mm * np.sin(angles / 2.0)
        return angles, np.column_stack([by_angle, by_radius]) / _POINTS_MM


def _fit(
    readings: Sequence[Reading], chords_mm: Floats, radius_mm: float, resolution_mm: float
) -> Fit:
    """Return the straight line through the arcs at `radius_mm`, in degrees.

    Fitted in mm of arc, where a hand is as steady as at any length; near half a turn a chord says
    less of the arc, by the cosine of half the angle.
    """
    half = np.arcsin(np.clip(chords_mm / (2.0 * radius_mm), -1.0, 1.0))
    arcs = [
        replace(
            one,
            commanded_mm=radius_mm * math.radians(one.commanded_mm),
            reading_mm=float(2.0 * radius_mm * at),
            time_s=None,
        )
        for one, at in zip(readings, half, strict=True)
    ]
    least = math.cos(math.radians(MOST_DEG + 15.0) / 2.0)
    weights = np.maximum(np.cos(half), least) ** 2
    found = fit(arcs, grows=1, resolution_mm=resolution_mm, weights=weights)
    in_deg = math.degrees(1.0 / radius_mm)

    def degrees(value_mm: float | None) -> float | None:
        return None if value_mm is None else value_mm * in_deg

    return replace(
        found,
        play_mm=degrees(found.play_mm),
        u_play_mm=degrees(found.u_play_mm),
        datums_mm={visit: at_mm * in_deg for visit, at_mm in found.datums_mm.items()},
        residuals_mm=found.residuals_mm * in_deg,
        s_mm=found.s_mm * in_deg,
        resolution_mm=resolution_mm * in_deg,
        span_mm=found.span_mm * in_deg,
    )
