"""The uncertainty of a scale, term by term, after JCGM 100 (the GUM), and when to stop reading.

The rule: every term that can move the scale is listed with its size, also when it is small,
so that a reader sees which one to improve. Terms are relative to the scale (1e-4 is 0.01 %).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tuner.errors import BadReadings
from tuner.metrology.fit import Fit
from tuner.metrology.least_squares import Floats
from tuner.metrology.student import student_t_factor

# How far a caliper leans against the axis: up to 1 degree on ground faces, else 2 (common
# practice, no source).
_TILT_GROUND_DEG = 1.0
_TILT_OTHER_DEG = 2.0
# Steel, 11.5e-6 per kelvin (JCGM 100 H.1); lengths hold at 20 C (ISO 1).
_STEEL_PER_K = 11.5e-6
_REFERENCE_C = 20.0
# A carriage on worn or bent guides rocks by up to this along its way (common practice, no
# source): half a millimetre in a metre.
_ROCKING_RAD = 0.5e-3
# What a fit could not separate is taken as anything up to these (common practice, no source):
# worn screws and loose belts lose half a millimetre, a pulley runs out by a tenth from top to
# bottom, a bench that warms up drifts by a hundredth a minute.
_UNSEEN = {"play_mm": 0.5, "periodic": 0.05, "drift_mm_per_min": 0.01}
_UNSEEN_NAMES = {
    "play_mm": "play not separated",
    "periodic": "one turn not separated",
    "drift_mm_per_min": "drift not separated",
}
# Beyond this the coverage factor no longer changes in any printed digit, and a number is
# easier to store than an infinity.
_MOST_DOF = 1e6

_P = 0.95
_TRIALS = 200_000
_SEED = 101  # any number; the same readings always give the same interval
_ONE_SIDED_SHARE = 0.5

_MOST_MORE = 200

Shape = Literal["normal", "rectangular", "triangular", "tilt"]

_IMPROVE = {
    "readings": "take more readings, with light and equal pressure",
    "caliper": "use a longer base, or compare the caliper with a gauge block of that length",
    "resolution": "use a caliper with a finer step, or a longer base",
    "caliper tilt": "set the caliper against ground faces, in line with the axis",
    "offset from the axis": "bring the caliper nearer to the line of the belt or screw",
    "temperature": "let caliper and machine come to the same temperature, and measure it",
    "spacer block": "use a block of better known length, or none",
    "play not separated": "read from both sides at both ends",
    "one turn not separated": "put the ends of the base a whole number of turns apart",
    "drift not separated": "read near, far, far, near, so that time and place do not go together",
}


@dataclass(frozen=True)
class Contribution:
    """One term of a budget: its relative standard uncertainty, degrees of freedom and shape.

    `tilt` is the one-sided shape of a square: the angle is uniform from 0, its mean corrected.
    """

    name: str
    u_relative: float
    dof: float = math.inf
    shape: Shape = "normal"


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


def simulated_k(contributions: Sequence[Contribution], p: float = _P) -> float:
    """Return the coverage factor of a budget by drawing from its shapes (JCGM 101), seeded.

    The factor k for which the sum of all terms lies within ``k x u`` of its mean with
    probability `p`. For a budget that one bounded or one-sided term rules, where Student's t does
    not describe the sum. Good to about 0.01.
    """
    random = np.random.default_rng(_SEED)
    total = np.zeros(_TRIALS)
    for one in contributions:
        total += one.u_relative * _drawn(one, random)
    u, _ = welch_satterthwaite(contributions)
    return float(np.quantile(np.abs(total), p)) / u


def _drawn(one: Contribution, random: np.random.Generator) -> Floats:
    """Draw from the shape of a term, with mean 0 and standard deviation 1 : (trials,)."""
    match one.shape:
        case "rectangular":
            return random.uniform(-math.sqrt(3.0), math.sqrt(3.0), _TRIALS)
        case "triangular":
            return random.triangular(-math.sqrt(6.0), 0.0, math.sqrt(6.0), _TRIALS)
        case "tilt":
            return (random.uniform(0.0, 1.0, _TRIALS) ** 2 - 1.0 / 3.0) * math.sqrt(45.0 / 4.0)
        case "normal":
            if math.isinf(one.dof):
                return random.standard_normal(_TRIALS)
            return random.standard_t(one.dof, _TRIALS)  # JCGM 101 6.4.9


def measured_scale(
    fit: Fit,
    *,
    error_limit_mm: float,
    ground_faces: bool = True,
    room_c: float = _REFERENCE_C,
    room_within_k: float = 5.0,
    offset_mm: float = 20.0,
    block_u_mm: float = 0.0,
) -> Scale:
    """Return the scale of `fit` with the caliper's and the bench's own errors added.

    Caliper: each reading may be wrong by anything within +-`error_limit_mm` (rectangular,
    u = limit / sqrt(3), JCGM 100 4.3.7). A scale rests on the difference of two readings; the
    difference of two such errors is triangular within twice the limit, so u = 2 limit / sqrt(6)
    over the measured span. Depth rod and inside jaws: pass their larger limit.

    Resolution: the display is rounded at both ends of the span, and where a hand scatters less
    than its step more readings do not average that: sqrt(2) step / sqrt(12) (JCGM 100 F.2.2.1).

    Cosine: a caliper leaning by an angle reads long by angle^2 / 2. For angles uniform from 0 to
    A the mean of that is A^2 / 6, which is taken off, and its standard deviation A^2 sqrt(1/45).

    Abbe: a caliper `offset_mm` beside the line of belt or screw sees the carriage rock, within
    +-0.5 mrad between the ends, rectangular.

    Temperature: a steel caliper at `room_c` degrees C is longer than at 20, which is corrected
    for; `room_c` itself is known to within +-`room_within_k`, rectangular.

    Spacer block: `block_u_mm` is the standard uncertainty of its length, 0 without one.

    What the fit could not model: up to 0.5 mm of play, 0.05 mm amplitude once per turn, 0.01 mm
    of drift a minute, by what each would do to the scale, rectangular.

    Where the one-sided cosine makes up more than half of the variance, k comes from drawing
    (``simulated_k``), else from Student's t.

    Raises ``BadReadings`` when the readings differ by less than the caliper shows, because nothing
    has moved.
    """
    if fit.span_mm < fit.resolution_mm / 2.0 or fit.scale == 0.0:
        raise BadReadings(
            f"the readings differ by {fit.span_mm:.3f} mm though the axis was told to move; "
            "expected them to differ; look whether the axis moves and the caliper follows"
        )
    tilt = math.radians(_TILT_GROUND_DEG if ground_faces else _TILT_OTHER_DEG)
    longer = 1.0 + _STEEL_PER_K * (room_c - _REFERENCE_C)
    value = fit.scale * (1.0 - tilt**2 / 6.0) * longer
    size, span_mm, root3 = abs(fit.scale), fit.span_mm, math.sqrt(3.0)
    contributions = (
        Contribution("readings", fit.u_scale / size, fit.dof),
        Contribution(
            "caliper", 2.0 * error_limit_mm / math.sqrt(6.0) / span_mm, shape="triangular"
        ),
        Contribution(
            "resolution", fit.resolution_mm / math.sqrt(6.0) / span_mm, shape="triangular"
        ),
        Contribution("caliper tilt", tilt**2 * math.sqrt(1.0 / 45.0), shape="tilt"),
        Contribution(
            "offset from the axis",
            abs(offset_mm) * _ROCKING_RAD / root3 / span_mm,
            shape="rectangular",
        ),
        Contribution("temperature", _STEEL_PER_K * room_within_k / root3, shape="rectangular"),
        Contribution("spacer block", block_u_mm / span_mm),
        *(
            Contribution(
                _UNSEEN_NAMES[key],
                fit.scale_per.get(key, 0.0) * most / root3 / size,
                shape="rectangular",
            )
            for key, most in _UNSEEN.items()
        ),
    )
    return combined(value, contributions)


def combined(value: float, contributions: tuple[Contribution, ...]) -> Scale:
    """Return `value` with the combined uncertainty of all `contributions` (JCGM 100, 5.1.2)."""
    u_relative, dof = welch_satterthwaite(contributions)
    dof = min(dof, _MOST_DOF)
    one_sided = sum(one.u_relative**2 for one in contributions if one.shape == "tilt")
    if one_sided > _ONE_SIDED_SHARE * u_relative**2:
        k = simulated_k(contributions)
    else:
        k = student_t_factor(dof, _P)
    u = u_relative * abs(value)
    return Scale(value=value, u=u, U=k * u, k=k, dof=dof, contributions=contributions)


# --- what to do about it ------------------------------------------------------------------


@dataclass(frozen=True)
class Outlook:
    """How many more readings reach the wanted uncertainty, and what to do, in a sentence.

    `more` is 0 when it is reached, None when more readings do not help: then `says` names what
    does. `u_share` is what share of u² each term of the budget holds, the largest first.
    """

    more: int | None
    says: str
    u_share: tuple[tuple[str, float], ...]

    @property
    def improve_first(self) -> str:
        """What to do about the largest term."""
        return _IMPROVE[self.u_share[0][0]]


def more_readings(fit: Fit, scale: Scale, wanted_U: float) -> Outlook:
    """Return how many more readings like those of `fit` bring U / scale down to `wanted_U`.

    The term of the readings shrinks with the square root of their number, and gains a degree
    of freedom with each; everything else stays. `wanted_U` is relative (0.0005 is 0.05 %) and
    more than 0. More than 200 count as not helping.
    """
    if not wanted_U > 0.0:
        raise ValueError(f"a wanted uncertainty of {wanted_U}; expected more than 0")
    u2 = scale.u_relative**2
    shares = sorted(
        ((one.name, one.u_relative**2 / u2) for one in scale.contributions),
        key=lambda share: -share[1],
    )

    def after(more: int) -> float:
        readings, *others = scale.contributions
        shrunk = replace(
            readings,
            u_relative=readings.u_relative * math.sqrt(fit.n / (fit.n + more)),
            dof=readings.dof + more,
        )
        return combined(scale.value, (shrunk, *others)).U_relative

    reached = f"U is {100 * scale.U_relative:.2g} %"
    wanted = f"the {100 * wanted_U:.2g} % that are wanted"
    if scale.U_relative <= wanted_U:
        return Outlook(0, f"{reached}, within {wanted}", tuple(shares))
    if after(_MOST_MORE) > wanted_U:
        # What no number of readings can shrink, largest first.
        rest = next(name for name, _ in shares if name != "readings")
        if combined(scale.value, scale.contributions[1:]).U_relative <= wanted_U:
            why = f"it would take more than {_MOST_MORE} more to bring it to {wanted}: seat the "
            why += "caliper the same way every time, and use a longer base"
        else:
            why = f"more readings will not bring it to {wanted}, because of the {rest}: "
            why += _IMPROVE[rest]
        return Outlook(None, f"{reached}; {why}", tuple(shares))
    low, high = 0, _MOST_MORE
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if after(middle) > wanted_U else (low, middle)
    return Outlook(
        high,
        f"{reached}; about {high} more reading{'s' * (high != 1)} will bring it to {wanted}",
        tuple(shares),
    )
