"""Least squares: where the datum is, how far the axis really goes, how much it loses on reversal.

Model: ``reading = datum + grows x scale x commanded - (play / 2) x approach + noise``, one datum
per visit, approach = +1 plus, -1 minus. Positions are read from one fixed face, so the axis
need not be referenced: an unknown origin is part of the datum.

The rule: a term that these readings cannot show is left out and named in ``not_tested``;
an uncertainty is never smaller than what the hand, the caliper and the number of
readings allow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from tuner.errors import BadReadings
from tuner.metrology.reading import Reading
from tuner.metrology.student import f_exceeded

Floats = npt.NDArray[np.float64]

# Hands seat a caliper again to within 0.012 to 0.05 mm, one standard deviation (common
# practice, no source). A prior in the middle of that range would promise 95 % and hold 83 %
# for the least steady hand and three readings; this one holds 94 % or more for every hand of
# that range and any number of readings (simulated), and costs a steady hand a wider interval.
_HAND_MM = 0.04
_PRIOR_DOF = 3.0
_UNSTEADY_HAND_MM = 0.05
# From here on the readings speak for themselves; the prior would only flatter a bad hand.
_ENOUGH_DOF = 6
# A column explained to more than nine tenths by the others (a variance inflation above
# ten, common practice) cannot be told from them.
_SEPARABLE = 0.1
_SAME_PLACE = 1e-9
_PRACTICALLY_KNOWN_DOF = 1e6


@dataclass(frozen=True)
class Fit:
    """What the readings say, before the caliper's own error is added.

    `u_scale` and `u_play_mm` are standard uncertainties with `dof` degrees of freedom;
    `play_mm` is None when not tested. `datums_mm` holds one datum per visit, the reading at
    commanded zero. `residuals_mm` and `leverage` : (n,) float in the order of the readings.
    `terms` names the rows and columns of `covariance` : (p, p) float. `own_dof` = n - p
    counts what is left of these readings alone to notice a mistake with. `span_mm` is
    the longest measured distance within one visit. `adequate` is false when the
    readings scatter more than their repeats, or more than an unsteady hand, explain (1 %
    test). `scale_per_play` is how much the scale is wrong for each mm of play that was left out.
    """

    n: int
    scale: float
    u_scale: float
    dof: float
    play_mm: float | None
    u_play_mm: float | None
    datums_mm: dict[int, float]
    residuals_mm: Floats = field(repr=False)
    leverage: Floats = field(repr=False)
    s_mm: float
    terms: tuple[str, ...]
    covariance: Floats = field(repr=False)
    own_dof: int
    span_mm: float
    adequate: bool
    scale_per_play: float
    not_tested: dict[str, str]


@dataclass(frozen=True)
class _Noise:
    s_mm: float
    dof: float
    adequate: bool


def _without(column: Floats, others: Floats) -> Floats:
    """Return what is left of `column` : (n,) when all of `others` : (n, p) is taken out."""
    q, _ = np.linalg.qr(others)
    return np.asarray(column - q @ (q.T @ column))


def _why_no_play(readings: Sequence[Reading], others: Floats, play: Floats) -> str | None:
    if any(one.approach is None for one in readings):
        return "not every reading says from which side the axis arrived"
    if len({one.approach for one in readings}) < 2:
        return "all readings arrived from the same side"
    if len(readings) <= others.shape[1] + 1:
        return "too few readings to tell play from noise"
    left = _without(play, others)
    if float(left @ left) < _SEPARABLE * float(play @ play):
        return "the side of arrival changes only together with the position"
    return None


def _noise(
    residuals_mm: Floats,
    own_dof: int,
    repeats: Sequence[Sequence[float]],
    resolution_mm: float,
) -> _Noise:
    """Pool residuals and repeats; with few of both, lean on what hands and calipers usually do.

    The prior is a scaled inverse chi square: it counts as `_PRIOR_DOF` further readings that
    scatter as hands do, with the rounding of the display (step / sqrt(12), JCGM 100 F.2.2.1).
    """
    rounding_mm2 = resolution_mm**2 / 12.0
    rss = float(residuals_mm @ residuals_mm)
    ss_repeats = sum(float(np.sum((np.asarray(one) - np.mean(one)) ** 2)) for one in repeats)
    repeat_dof = sum(len(one) - 1 for one in repeats)
    if repeat_dof:
        expected_mm2, expected_dof = max(ss_repeats / repeat_dof, rounding_mm2), float(repeat_dof)
    else:
        expected_mm2 = _UNSTEADY_HAND_MM**2 + rounding_mm2
        expected_dof = _PRACTICALLY_KNOWN_DOF
    adequate = not own_dof or (
        rss <= 0.0 or f_exceeded(rss / own_dof / expected_mm2, own_dof, expected_dof) >= 0.01
    )
    ss, dof = rss + ss_repeats, float(own_dof + repeat_dof)
    if dof < _ENOUGH_DOF:
        ss += _PRIOR_DOF * (_HAND_MM**2 + rounding_mm2)
        dof += _PRIOR_DOF
    return _Noise(s_mm=math.sqrt(ss / dof), dof=dof, adequate=adequate)


def _span_mm(readings: Sequence[Reading]) -> float:
    spans = []
    for visit in {one.visit for one in readings}:
        values = [one.reading_mm for one in readings if one.visit == visit]
        spans.append(max(values) - min(values))
    return max(spans)


def fit(
    readings: Sequence[Reading],
    *,
    grows: Literal[1, -1],
    resolution_mm: float,
    repeats: Sequence[Sequence[float]] = (),
) -> Fit:
    """Fit datum, scale and play to `readings`, all in mm, by ordinary least squares.

    `grows` is +1 when the reading grows in the plus direction of the axis, else -1. `repeats`
    are groups of re-seated readings of one unmoved place, each of at least two. Noise:
    ``s2 = (RSS + SS of repeats) / (n - p + k - 1)``, with a prior below six degrees of freedom.

    Raises ``BadReadings`` for readings that cannot show a scale: fewer than two, or all at
    one commanded place within each visit.
    """
    n = len(readings)
    if n < 2:
        raise BadReadings(
            f"{n} reading{'s' * (n != 1)}; a scale needs at least two, at different places; "
            "take readings near and far from the datum"
        )
    if any(len(one) < 2 for one in repeats):
        raise BadReadings(
            "a group of repeats with a single value; expected at least two readings of the same "
            "place; leave it out or read once more"
        )
    commanded = np.array([one.commanded_mm for one in readings])
    y = np.array([one.reading_mm for one in readings])
    visit_of = np.array([one.visit for one in readings])
    visits = sorted({one.visit for one in readings})

    # Centred and scaled, so that rounding does not grow with the distance from zero.
    centre_mm, level_mm = float(commanded.mean()), float(y.mean())
    reach_mm = float(np.max(np.abs(commanded - centre_mm)))
    datum_columns = (visit_of[:, None] == np.array(visits)[None, :]).astype(float)
    spread = _without(commanded - centre_mm, datum_columns)
    if float(np.max(np.abs(spread))) <= _SAME_PLACE * max(1.0, float(np.max(np.abs(commanded)))):
        raise BadReadings(
            f"all {n} readings of a visit were taken at one commanded place; a scale needs two "
            "different places; take readings near and far from the datum"
        )
    scale_column = grows * (commanded - centre_mm) / reach_mm
    design = np.column_stack([datum_columns, scale_column])
    terms = [*(f"datum {visit}" for visit in visits), "scale"]

    sides = {"plus": -0.5, "minus": 0.5, None: 0.0}
    play_column = np.array([sides[one.approach] for one in readings])
    untimed = any(one.time_s is None for one in readings)
    not_tested = {
        "periodic": "a rise and fall once per turn is not a term of this fit",
        "drift_mm_per_min": "no times given" if untimed else "drift is not a term of this fit",
    }
    no_play = _why_no_play(readings, design, play_column)
    scale_row = len(visits)
    scale_per_play = 0.0
    if no_play is None:
        design = np.column_stack([design, play_column])
        terms.append("play")
    else:
        not_tested["play_mm"] = no_play

    p = design.shape[1]
    q, r = np.linalg.qr(design)
    beta = np.linalg.solve(r, q.T @ (y - level_mm))
    residuals = (y - level_mm) - design @ beta
    noise = _noise(residuals, n - p, repeats, resolution_mm)
    if no_play is not None:
        scale_per_play = float(np.linalg.solve(r, q.T @ play_column)[scale_row]) / reach_mm

    # Back from centred and scaled columns to the terms of the model.
    back = np.eye(p)
    back[scale_row, scale_row] = 1.0 / reach_mm
    back[:scale_row, scale_row] = -grows * centre_mm / reach_mm
    estimates = back @ beta
    estimates[:scale_row] += level_mm
    root = back @ np.linalg.inv(r)
    covariance = noise.s_mm**2 * (root @ root.T)
    u = np.sqrt(np.diag(covariance))

    tested = no_play is None
    return Fit(
        n=n,
        scale=float(estimates[scale_row]),
        u_scale=float(u[scale_row]),
        dof=noise.dof,
        play_mm=float(estimates[-1]) if tested else None,
        u_play_mm=float(u[-1]) if tested else None,
        datums_mm={visit: float(estimates[row]) for row, visit in enumerate(visits)},
        residuals_mm=residuals,
        leverage=np.sum(q**2, axis=1),
        s_mm=noise.s_mm,
        terms=tuple(terms),
        covariance=covariance,
        own_dof=n - p,
        span_mm=_span_mm(readings),
        adequate=noise.adequate,
        scale_per_play=scale_per_play,
        not_tested=not_tested,
    )
