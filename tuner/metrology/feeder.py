"""The filament feeder: how much it delivers of what it is told, at every speed, and why.

A mark on the filament is read from a fixed face before and after each of several feeds: positions,
never single travels. Model for one run at one speed: ``distance = datum - delivered x commanded``,
with a datum of its own a run; the noise of reading a mark is one for all runs.

The rule: a loss that grows with speed is slip, and no number cures it; it is never extrapolated to
speed zero either. What is the same at every speed is the scale: a gear, the wheel, another number
in the controller or an override set at the panel, and near a power of two the motor or its
driver; no reading tells these apart. One speed alone tells slip from scale as little.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np

from tuner.drive.numbers import decimals_kept, roundings
from tuner.drive.parts import DriveTrain
from tuner.drive.scale import Form, Stored, all_forms, scaled, steps_per_mm
from tuner.errors import BadReadings
from tuner.metrology.alternatives import OFF
from tuner.metrology.budget import Scale
from tuner.metrology.causes import Looked, odds_in_words
from tuner.metrology.least_squares import least_squares
from tuner.metrology.looks import Look
from tuner.metrology.presence import p_present
from tuner.metrology.student import student_t_factor
from tuner.metrology.unmeasured import without_fit
from tuner.metrology.verdict import Proposed, Verdict

__all__ = [
    "WANTED_U",
    "Delivered",
    "Delivery",
    "FeederFinding",
    "Run",
    "delivery",
    "judge_feeder",
    "outlook",
    "smallest_slip",
]

WANTED_U = 0.01  # relative: 1 %
# A mark is read to within this, one standard deviation (common practice, no source); it counts as
# this many readings where fewer than that many speak for themselves.
_MARK_MM = 0.3
_PRIOR_DOF = 3.0
_ENOUGH_DOF = 6.0
# Speeds nearer to each other than this factor count as one.
_APART = 1.5
# What feeders usually lose from the slowest to the fastest feed, and are usually off by: one
# standard deviation (common practice, no source).
_USUAL_SLIP = 0.03
_USUAL_OFF = 0.03
_CONFIDENT = 0.95
_SEEN_AS_OFTEN = 0.95
_NO_ERROR_U = 2.5
# No known fault delivers more the faster it feeds: that takes clearer signs to be believed.
_FOR_NO_REASON_U = 3.0
# The share of an error that unseen slip may be, before a number is proposed for the rest.
_HIDDEN_SHARE = 0.5
# Step angles and microsteps come in powers of two; gears and wheels are off by less than this.
_DOUBLED_WITHIN = 0.1
_FURTHEST_MM = 1e6
_ROUNDED_OVER_MM = 1000.0  # of filament, over which the rounding of a number is shown
_NORMAL = student_t_factor(math.inf)
_SEEN_U = student_t_factor(math.inf, 2.0 * _SEEN_AS_OFTEN - 1.0)  # one-sided

_SAYS = {
    "feeder-slip": "less is delivered the faster it feeds: the wheel slips on the filament",
    "override-active": "a speed or flow override is set at the panel",
    "stored-number": "the controller holds another number than the card says",
    "gear-teeth": "the gears are not those on the card",
    "step-angle": "the motor makes other steps than the card says",
    "microsteps": "the driver makes other microsteps than the card says",
    "feeder-diameter": "the wheel drives the filament at another diameter than the card says",
}
_CHECK = {
    "feeder-slip": "look at the pressure on the filament, worn or clogged teeth, and the nozzle",
    "override-active": "look at the panel: speed and flow at 100 %?",
    "stored-number": "read the stored number again from the controller",
    "gear-teeth": OFF + "count the teeth of both gears",
    "step-angle": OFF + "read the label of the motor",
    "microsteps": OFF + "look at the driver's switches, or its setting",
    "feeder-diameter": "what is left when all else is as on the card and no override is set",
}
_LOOKS = {
    "override-active": Look(
        key="override-active",
        asks="is a speed or flow override other than 100 % set at the panel?",
        yes="set it to 100 % and measure again",
        no="the number, the gears or the wheel: " + _CHECK["stored-number"],
    ),
    "stored-number": Look(
        key="stored-number",
        asks="read the stored number again from the controller: is it another than on the card?",
        yes="write it on the card and measure again",
        no="the gears or the wheel: " + _CHECK["gear-teeth"],
    ),
    "step-angle": Look(
        key="step-angle",
        asks=OFF + "read the label of the motor: is its step angle another than on the card?",
        yes="correct the step angle on the card",
        no="the driver, the gears or the wheel: " + _CHECK["microsteps"],
    ),
    "microsteps": Look(
        key="microsteps",
        asks=OFF + "look at the driver: are its microsteps others than on the card?",
        yes="correct the microsteps on the card",
        no="the gears or the wheel: " + _CHECK["gear-teeth"],
    ),
    "gear-teeth": Look(
        key="gear-teeth",
        asks=OFF + "count the teeth of both gears: do they differ from those on the card?",
        yes="correct the gears on the card",
        no="it is the diameter at which the wheel drives this filament",
    ),
}
_SCALE_TIE = ("override-active", "stored-number", "gear-teeth", "feeder-diameter")
_DOUBLED = ("step-angle", "microsteps")
# What must be denied before a number is proposed: with one of these the number may be right.
_NUMBER_STANDS = {
    "override-active": "set the override to 100 % and measure again",
    "stored-number": "write the number that the controller holds on the card and measure again",
}
# With these the wheel travels as the card says.
_WHEEL_STANDS = ("gear-teeth", *_DOUBLED)
_FREE = "with the filament free of the nozzle"


@dataclass(frozen=True)
class Run:
    """Readings of one mark at one speed, in the order taken.

    `commanded_mm` is what was fed since the mark was set, 0 first; `distance_mm` the distance from
    the mark to the inlet there, which shrinks. Raises ``BadReadings`` for what cannot be used.
    """

    speed_mm_per_s: float
    commanded_mm: tuple[float, ...]
    distance_mm: tuple[float, ...]

    def __post_init__(self) -> None:
        n, m = len(self.commanded_mm), len(self.distance_mm)
        if n != m:
            raise BadReadings(f"{n} feeds and {m} distances; expected one distance for each feed")
        if not 0.0 < self.speed_mm_per_s < math.inf:
            raise BadReadings(f"a speed of {self.speed_mm_per_s:g} mm/s; expected more than 0 mm/s")
        for value in (*self.commanded_mm, *self.distance_mm):
            if not abs(value) <= _FURTHEST_MM:
                raise BadReadings(f"a length of {value:g} mm; expected a plain number; read again")
        if len(set(self.commanded_mm)) < 2:
            raise BadReadings(
                f"the run at {self.speed_mm_per_s:g} mm/s has readings at one place only; expected "
                "the mark read before and after a feed"
            )

    @property
    def spread_mm2(self) -> float:
        """The sum of squares of the commanded places about their mean."""
        places = np.array(self.commanded_mm)
        return float(np.sum((places - places.mean()) ** 2))


@dataclass(frozen=True)
class Delivered:
    """Delivered / commanded length at one speed, its standard uncertainty and ``U = k x u``."""

    speed_mm_per_s: float
    value: float
    u: float
    k: float
    n: int

    @property
    def U(self) -> float:
        """Half the width of the 95 % interval."""
        return self.k * self.u


@dataclass(frozen=True)
class Delivery:
    """What a feeder delivers, at every speed that was tried.

    `mark_mm` is the standard deviation of reading the mark, with `dof` degrees of freedom. `drop`
    is by how much less is delivered at the fastest than at the slowest speed, `u_drop` its standard
    uncertainty, `p_slip` the probability that there is such a loss, and `smallest_slip` the drop
    that these readings see 19 times in 20; all None where only one speed was tried. `scale` is
    the mean over the speeds, which means something only without slip.
    """

    runs: tuple[Delivered, ...]
    scale: Scale
    mark_mm: float
    dof: float
    drop: float | None = None
    u_drop: float | None = None
    p_slip: float | None = None
    smallest_slip: float | None = None


def _wider(dof: float) -> float:
    """By how much a normal law is too narrow for so few degrees of freedom, at 95 %."""
    return student_t_factor(dof) / _NORMAL


def smallest_slip(u_drop: float, dof: float) -> float:
    """Return the loss between two speeds that is called slip 19 times in 20.

    `u_drop` is the standard uncertainty of the difference, with `dof` degrees of freedom:
    ``mark error x root(1 / S1 + 1 / S2)``, S the sum of squares of the commanded places of a run
    about their mean; ``100^2 n (n + 1) / (12 (n - 1))`` for n places evenly over 100 mm.
    """
    u = u_drop * _wider(dof)
    wide = math.hypot(u, _USUAL_SLIP)
    log_needed = math.log(_CONFIDENT / (1.0 - _CONFIDENT) * wide / u)
    called = math.sqrt(2.0 * log_needed / (1.0 / u**2 - 1.0 / wide**2))
    return called + _SEEN_U * u_drop


def outlook(
    repeats_mm: Sequence[float],
    places_mm: Sequence[float],
    readings_a_place: int,
    *,
    resolution_mm: float = 0.1,
) -> tuple[float, float]:
    """Return the error of reading a mark, one standard deviation in mm, and what can be seen.

    That is the smallest loss between two speeds, relative, of runs that read each of `places_mm`
    so many times; see ``smallest_slip``. `repeats_mm` are readings of one mark that did not move.
    """
    mark_mm, dof = _mark_error(repeats_mm, resolution_mm)
    places = np.repeat(np.array(places_mm, dtype=np.float64), readings_a_place)
    spread_mm2 = float(np.sum((places - places.mean()) ** 2))
    return mark_mm, smallest_slip(
        mark_mm * math.sqrt(2.0 / spread_mm2), dof + 2.0 * (len(places) - 2)
    )


def _mark_error(
    repeats_mm: Sequence[float],
    resolution_mm: float,
    squares_mm2: float = 0.0,
    dof: float = 0.0,
) -> tuple[float, float]:
    """Return the mark's error in mm and its degrees of freedom, from repeats and residuals."""
    if len(repeats_mm) > 1:
        squares_mm2 += float(np.sum((np.array(repeats_mm) - np.mean(repeats_mm)) ** 2))
        dof += len(repeats_mm) - 1
    if dof < _ENOUGH_DOF:
        squares_mm2 += _PRIOR_DOF * _MARK_MM**2
        dof += _PRIOR_DOF
    return math.sqrt(squares_mm2 / dof + resolution_mm**2 / 12.0), dof


def delivery(
    runs: Sequence[Run],
    *,
    repeats_mm: Sequence[float] = (),
    resolution_mm: float = 0.1,
    error_limit_mm: float = 0.2,
) -> Delivery:
    """Return what is delivered at every speed of `runs`, at least one.

    `repeats_mm` are readings of one mark that did not move, five of them by good practice.
    `resolution_mm` is to what the distance is read, and adds its rounding to the mark's error;
    `error_limit_mm` is what the scale that was read may be wrong by at either end (rectangular,
    the same at every speed). Noise: ``s2 = (RSS + SS of repeats) / (n - p + k - 1)``, with a
    scaled-inverse-chi-square prior below six degrees of freedom. Raises ``BadReadings`` for no
    run, and for a mark that never moves.
    """
    if not runs:
        raise BadReadings("no run of the feeder; expected the mark read at one speed or more")
    slopes, squares_mm2, dof = [], 0.0, 0.0
    for run in runs:
        places, seen = np.array(run.commanded_mm), np.array(run.distance_mm)
        design = np.column_stack([np.ones(len(places)), -places])
        beta = least_squares(design, seen).beta
        if not beta[1] > 0.0:
            raise BadReadings(
                f"at {run.speed_mm_per_s:g} mm/s the mark does not come nearer; expected the "
                "distance to shrink; look whether the wheel turns, which way, and grips"
            )
        slopes.append(float(beta[1]))
        squares_mm2 += float(np.sum((seen - design @ beta) ** 2))
        dof += len(places) - 2
    mark_mm, dof = _mark_error(repeats_mm, resolution_mm, squares_mm2, dof)

    spreads_mm2 = np.array([run.spread_mm2 for run in runs])
    values, u = np.array(slopes), mark_mm / np.sqrt(spreads_mm2)
    k = student_t_factor(dof)
    delivered = tuple(
        Delivered(run.speed_mm_per_s, float(value), float(one), k, len(run.commanded_mm))
        for run, value, one in zip(runs, values, u, strict=True)
    )
    span_mm = max(max(run.commanded_mm) - min(run.commanded_mm) for run in runs)
    ruler = 2.0 * error_limit_mm / math.sqrt(6.0) / span_mm
    mean = float(values @ spreads_mm2 / spreads_mm2.sum())
    u_mean = mark_mm / math.sqrt(spreads_mm2.sum())
    u_scale = math.hypot(u_mean, ruler)
    # JCGM 100 G.4.1; the ruler's limits have no shortage of degrees of freedom.
    dof_scale = min(dof * (u_scale / u_mean) ** 4, 1e6) if u_mean > 0.0 else 1e6
    k_scale = student_t_factor(dof_scale)
    scale = Scale(value=mean, u=u_scale, U=k_scale * u_scale, k=k_scale, dof=dof_scale)
    speeds = np.array([run.speed_mm_per_s for run in runs])
    if speeds.max() < _APART * speeds.min():
        return Delivery(delivered, scale, mark_mm, dof)

    share = (speeds - speeds.min()) / (speeds.max() - speeds.min())
    design = np.column_stack([np.ones(len(runs)), -share]) * np.sqrt(spreads_mm2)[:, None]
    trend = least_squares(design, values * np.sqrt(spreads_mm2))
    drop, u_drop = float(trend.beta[1]), mark_mm * float(np.linalg.norm(trend.root[1]))
    return Delivery(
        delivered,
        scale,
        mark_mm,
        dof,
        drop,
        u_drop,
        p_present(drop, u_drop * _wider(dof), _USUAL_SLIP) if drop > 0.0 else 0.0,
        smallest_slip(u_drop, dof),
    )


@dataclass(frozen=True)
class FeederFinding:
    """What was found about the feeder, and what to do next.

    `causes` have the keys name, p, says, check. `tie` names what no reading splits; ``scale`` there
    stands for every cause of a wrong scale. `look` is the cheapest look that splits what is left,
    None where none does.
    """

    verdict: Verdict
    next: str
    delivery: Delivery
    causes: tuple[Mapping[str, Any], ...]
    tie: tuple[str, ...] = ()
    look: Look | None = None
    proposal: Proposed | None = None
    not_tested: Mapping[str, str] = field(default_factory=dict)

    def as_json(self, *, axis: str) -> dict[str, Any]:
        """Return one object with the keys of ``tuner examine --json``, and `speeds` and `slip`.

        ``scale`` is null where the loss grows with speed: there is no one number then.
        """
        seen = self.delivery
        base = without_fit(
            verdict=self.verdict, axis=axis, next=self.next, n=sum(one.n for one in seen.runs)
        )
        not_tested = dict.fromkeys(base["not_tested"], "a mark on filament does not show it")
        scale = None
        if "scale" not in self.not_tested:
            del not_tested["scale"]
            one = seen.scale
            scale = {"value": one.value, "u": one.u, "U": one.U, "k": one.k, "dof": one.dof}
        slip = None
        if seen.drop is not None:
            slip = {
                "value": seen.drop,
                "u": seen.u_drop,
                "p": seen.p_slip,
                "smallest_seen": seen.smallest_slip,
            }
        return {
            **base,
            "scale": scale,
            "mark": {"s_mm": seen.mark_mm, "dof": seen.dof},
            "speeds": [
                {
                    "mm_per_s": run.speed_mm_per_s,
                    "value": run.value,
                    "u": run.u,
                    "U": run.U,
                    "k": run.k,
                    "n": run.n,
                }
                for run in seen.runs
            ],
            "slip": slip,
            "not_tested": {**not_tested, **self.not_tested},
            "causes": [
                {
                    **one,
                    "odds": odds_in_words(one["p"]),
                    "looks": [one["name"]] if one["name"] in _LOOKS else [],
                    "asks": [_LOOKS[one["name"]].asks] if one["name"] in _LOOKS else [],
                    "about": "motion" if one["name"] == "feeder-slip" else "number",
                }
                for one in self.causes
            ],
            "tie": list(self.tie),
            "look": asdict(self.look) if self.look else None,
            "proposal": self.proposal.as_json() if self.proposal else None,
        }


def judge_feeder(
    seen: Delivery,
    *,
    train: DriveTrain | None = None,
    stored: Stored | None = None,
    looks: Mapping[str, Looked] | None = None,
) -> FeederFinding:
    """Say what `seen` means for the number that the controller stores for the feeder.

    `train` and `stored` are what the card says; without them nothing is proposed. `looks` are what
    a person found on looking, under the names of the causes: confirmed or denied. A measured
    number is proposed only after both speeds agreed, an override and another number in the
    controller were denied, and no slip of half that error can hide: each run has a mark of its
    own, which makes two set-ups.
    """
    off, u = seen.scale.value - 1.0, seen.scale.U / _NORMAL
    p_off = p_present(off, u, _USUAL_OFF)
    shown = f"{seen.scale.value:.3f} ± {seen.scale.U:.3f} of what is told is delivered"
    if seen.p_slip is None:
        return _one_speed(seen, off, p_off, shown)
    assert seen.drop is not None and seen.u_drop is not None
    u_drop = seen.u_drop * _wider(seen.dof)
    in_u = seen.drop / u_drop
    # Every wheel slips a little: what is surely less than the wanted uncertainty is no fault.
    matters = seen.drop + _SEEN_U * u_drop >= WANTED_U
    if matters and seen.p_slip >= _CONFIDENT:
        return FeederFinding(
            "repair-first",
            f"leave the stored number; feed slower, then {_CHECK['feeder-slip']}; for the scale "
            f"repeat {_FREE}",
            seen,
            (_cause("feeder-slip", seen.p_slip),),
            not_tested={"scale": "the loss grows with speed; no one number describes it"},
        )
    if (matters and in_u > _NO_ERROR_U) or in_u < -_FOR_NO_REASON_U:
        which = "less" if in_u > 0.0 else "more"
        return FeederFinding(
            "measure-again",
            f"{which} seems to be delivered at the fastest feed, which may be chance: repeat both "
            "speeds with more readings",
            seen,
            (_cause("feeder-slip", seen.p_slip),),
        )
    if abs(off) <= _NO_ERROR_U * u:
        return _no_error(seen, shown)
    if p_off < _CONFIDENT or seen.scale.U_relative > WANTED_U:
        return FeederFinding("measure-again", f"{shown}: feed further, read more often", seen, ())
    return _same_at_every_speed(seen, p_off, shown, train, stored, looks or {})


def _cause(name: str, p: float) -> dict[str, Any]:
    return {"name": name, "p": p, "says": _SAYS[name], "check": _CHECK[name]}


def _no_error(
    seen: Delivery, shown: str, not_tested: Mapping[str, str] | None = None
) -> FeederFinding:
    if seen.scale.U_relative > WANTED_U:
        words = f"{shown}: too uncertain to call it right; feed further, read more often"
        return FeederFinding("measure-again", words, seen, (), not_tested=not_tested or {})
    words = f"{shown}: leave the stored number as it is"
    return FeederFinding("keep", words, seen, (), not_tested=not_tested or {})


def _one_speed(seen: Delivery, off: float, p_off: float, shown: str) -> FeederFinding:
    """One speed: less than told may be slip or scale, more than told is no slip."""
    not_tested = {"slip": "one speed only"}
    speed = seen.runs[0].speed_mm_per_s
    words = (
        f"{shown}: repeat at {speed / 3:.2g} and at {2 * speed:.2g} mm/s, and {_FREE}; loss that "
        "grows with speed is slip, the same at every speed is the scale"
    )
    if p_off < _CONFIDENT:
        if abs(off) > _NO_ERROR_U * seen.scale.U / _NORMAL:
            return FeederFinding("measure-again", words, seen, (), not_tested=not_tested)
        return _no_error(seen, shown, not_tested)
    may_slip = ("feeder-slip",) if off < 0.0 else ()
    scale_tie = _scale_tie(seen.scale.value)
    members = may_slip + scale_tie
    return FeederFinding(
        "cannot-tell",
        words,
        seen,
        tuple(_cause(name, p_off / len(members)) for name in members),
        tie=("feeder-slip", "scale") if may_slip else scale_tie,
        look=_LOOKS["override-active"],
        not_tested=not_tested,
    )


def _scale_tie(value: float) -> tuple[str, ...]:
    """Return the causes of a wrong scale; near a power of two also the motor and its driver."""
    doublings = math.log2(value)
    if abs(doublings) < 0.5 or abs(doublings - round(doublings)) > math.log2(1 + _DOUBLED_WITHIN):
        return _SCALE_TIE
    return (*_SCALE_TIE[:2], *_DOUBLED, *_SCALE_TIE[2:])


def _same_at_every_speed(
    seen: Delivery,
    p_off: float,
    shown: str,
    train: DriveTrain | None,
    stored: Stored | None,
    looks: Mapping[str, Looked],
) -> FeederFinding:
    members = _scale_tie(seen.scale.value)
    for name, words in _NUMBER_STANDS.items():
        if looks.get(name) == "confirmed":
            return FeederFinding("measure-again", words, seen, (_cause(name, p_off),))
    found = next((name for name in _WHEEL_STANDS if looks.get(name) == "confirmed"), None)
    members = tuple(
        name
        for name in members
        if looks.get(name) != "denied" and (found in (None, name) or name in _NUMBER_STANDS)
    )
    open_look = next((name for name in _LOOKS if name in members and name not in looks), None)
    causes = tuple(_cause(name, p_off / len(members)) for name in members)
    tie = members if len(members) > 1 else ()
    look = None if open_look is None else _LOOKS[open_look]
    is_open = any(name in members for name in _NUMBER_STANDS)
    undecided = (
        stored is not None
        and stored.form == Form.TRAVEL_PER_REV_MM
        and any(name in members for name in _WHEEL_STANDS)
    )
    if is_open or train is None or stored is None or undecided:
        words = f"{shown} at every speed: "
        if look is not None:
            words += f"{look.asks} yes: {look.yes}; no: {look.no}"
        elif undecided:
            words += "put what was found on the card; the stored travel is right"
        else:
            words += "describe the feeder on a card, to see which number would be right"
        return FeederFinding("cannot-tell", words, seen, causes, tie=tie, look=look)
    assert seen.drop is not None and seen.u_drop is not None
    hidden = max(seen.drop, 0.0) + student_t_factor(seen.dof) * seen.u_drop
    if hidden > _HIDDEN_SHARE * abs(seen.scale.value - 1.0):
        words = (
            f"{shown}, and slip of up to {100 * hidden:.1f} % between the speeds may hide in it: "
            "take more readings at the start and the end of each run"
        )
        return FeederFinding("measure-again", words, seen, causes, tie=tie, look=look)
    exact = scaled(stored, Fraction(seen.scale.value))
    number = round(exact.value, decimals_kept(seen.scale.u_relative * float(exact.value)))
    forms: dict[Form, Fraction | None] = dict(
        all_forms(steps_per_mm(Stored(stored.form, number), train), train)
    )
    if any(name in members for name in _WHEEL_STANDS):
        forms[Form.TRAVEL_PER_REV_MM] = None if tie else train.travel_per_rev_mm
    return FeederFinding(
        "change",
        "set the number by hand, then measure once more to check it; it holds for this filament "
        "and this pressure, at the temperature of these readings",
        seen,
        causes,
        tie=tie,
        look=look,
        proposal=Proposed(
            "measured",
            {} if tie else {f"stored.{stored.form}": number},
            forms,
            all_forms(steps_per_mm(stored, train), train),
            roundings(number, _ROUNDED_OVER_MM),
        ),
    )
