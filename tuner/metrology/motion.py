"""Which explanation suits a sequence of readings best, beside a scale and a steady hand.

Several explanations compete for the same readings: nothing wrong, jumps, an eccentric pulley, a
rise and fall of another period, drift, an axis that stops before an end, a pulley that is loose.
Each gets its prior times the probability of the readings, with everything unknown about it
integrated out.

The rule: an explanation never changes a reading. What it adds is fitted beside the scale, so that
the scale stays right; readings that then say nothing about the scale are left out of the fit and
named.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tuner.metrology.jumps import MOST_READINGS, Jump, Jumps, jumps_beside, step_columns, why_untold
from tuner.metrology.lattice import DatumLook
from tuner.metrology.least_squares import Floats, least_squares, what_is_left
from tuner.metrology.reading import Columns, Integers, Reading, columns, visits_in
from tuner.metrology.student import f_exceeded
from tuner.metrology.terms import Hand, Model, usual_hand

__all__ = ["VISITS_DIFFER", "Clipped", "Loose", "Motion", "watch"]

# Among more readings only jumps are looked for.
_MOST_EXPLAINED = 100
# Readings that a sound machine explains this well need no other explanation.
_UNREMARKABLE = 0.1
# No hand scatters by half a millimetre: for telling explanations apart the usual hand counts as
# known from so many further readings. A jump is alarmed for without them.
_MORE_DOF = 8.0

# How often each is the matter with an axis (assumptions, no source).
_P_MISREAD = 0.04
_P_JUMP = 0.05
_P_RELEASED = 0.3  # after a rest longer than the controller holds its motors
_P_ECCENTRIC = 0.05
_P_ELSEWHERE = 0.05
_P_DRIFT = 0.05
_P_CLIPPED = 0.02
_P_LOOSE = 0.06
# How large each then is, one standard deviation, in mm.
_MISREAD_MM = 10.0
_JUMP_MM = 5.0
_RELEASED_MM = 0.4
_ECCENTRIC_MM = 0.15
_DRIFT_MM_PER_MIN = 0.012
_CLIPPED_MM = 20.0
_LOOSE_MM = 0.4
# Which other periods are looked for, as rises and falls in each turn: from five turns to half of
# one.
_PER_TURN = np.round(np.arange(0.20, 2.005, 0.02), 2)
_CLIPPED_OVER_MM = 1.0
_LOOSE_SPREAD_MM = 0.15
_LOOSE_ROWS = 3
_FEWEST_VISITS = 3
VISITS_DIFFER = 0.01
"""How rarely visits that share one datum seem to differ."""


@dataclass(frozen=True)
class Clipped:
    """From commanded `from_mm` on the readings no longer change; `rows`, from 0, are these."""

    from_mm: float
    end: Literal["low", "high"]
    rows: tuple[int, ...]


@dataclass(frozen=True)
class Loose:
    """What arrives on `side` comes to rest at different places; `rows`, from 0, are these."""

    side: Literal["plus", "minus"]
    rows: tuple[int, ...]


@dataclass(frozen=True)
class Motion:
    """What explains the readings best, with its probability `p` among all explanations.

    `jumps` are those beside it. `period_turns` is the period of the rise and fall, 1 where it is
    the usual one, and `rise_mm` the amplitude of another. `misread` is true when slips of the
    person explain the readings best, and `datums_spread_mm` how far the datums of three or more
    visits differ, None where they need not. `datum_look` is what a person saw on closing the
    caliper after a jump, None before. `grows` is as for ``fit``; `minutes` is how long the readings
    took, None without times.
    """

    p: float
    jumps: Jumps
    grows: Literal[1, -1]
    period_turns: float = 1.0
    clipped: Clipped | None = None
    loose: Loose | None = None
    misread: bool = False
    rise_mm: float = 0.0
    datums_spread_mm: float | None = None
    minutes: float | None = None
    hold_time_s: float | None = None
    datum_look: DatumLook | None = None

    @property
    def left_out(self) -> tuple[int, ...]:
        """The rows, from 0, that say nothing about the scale."""
        spoilt = self.clipped or self.loose
        return () if spoilt is None else spoilt.rows

    @property
    def quiet(self) -> bool:
        """Whether nothing stands out beside scale, play, a usual rise and fall, and drift."""
        return _kind(self) == _kind(Motion(p=1.0, jumps=Jumps(()), grows=self.grows))

    def released_before(self, jump: Jump) -> bool:
        """Return whether the controller may have released the motors just before `jump`."""
        return (
            self.hold_time_s is not None
            and jump.paused_s is not None
            and jump.paused_s > self.hold_time_s
        )

    def numbered(self, rows: Integers) -> Motion:
        """Return this for the whole table of which it saw `rows` : (n,) int, from 0, only."""
        found = tuple(
            replace(one, before=int(rows[one.before - 1]) + 1) for one in self.jumps.found
        )
        clipped, loose = self.clipped, self.loose
        if clipped is not None:
            clipped = replace(clipped, rows=tuple(int(rows[row]) for row in clipped.rows))
        if loose is not None:
            loose = replace(loose, rows=tuple(int(rows[row]) for row in loose.rows))
        jumps = replace(self.jumps, found=found)
        return replace(self, jumps=jumps, clipped=clipped, loose=loose)


# --- which explanation --------------------------------------------------------------------


@dataclass(frozen=True)
class _Explanation:
    motion: Motion
    log_p: float


def watch(
    readings: Sequence[Reading] | Columns,
    *,
    grows: Literal[1, -1],
    resolution_mm: float,
    repeats: Sequence[Sequence[float]] = (),
    turn_mm: float | None = None,
    hold_time_s: float | None = None,
    datum_look: DatumLook | None = None,
    misread: Sequence[int] = (),
) -> Motion:
    """Return what explains `readings`, in the order taken; the first arguments are those of
    ``fit``.

    `hold_time_s` is how long the controller surely holds its motors at rest, None where nobody
    knows. `datum_look` is what the closed jaws showed after a jump, None before that look.
    `misread` are rows, from 0, of which a slip of the person is one more explanation.
    """
    data = columns(readings)
    timed = data.time_s is not None and len(data) > 0
    quiet = Motion(
        p=1.0,
        jumps=Jumps((), why_not=why_untold(data)),
        grows=grows,
        minutes=float(np.ptp(data.time_s)) / 60.0 if timed else None,  # type: ignore[arg-type]
        hold_time_s=hold_time_s,
        datum_look=datum_look,
    )
    if not 0 < len(data) <= MOST_READINGS:
        return quiet
    hand = usual_hand(repeats, resolution_mm)
    steady = replace(hand, dof=hand.dof + _MORE_DOF)
    sound = Model.of(data, grows, turn_mm).of_a_sound_machine()
    quiet = replace(quiet, datums_spread_mm=_datums_spread_mm(sound, data, hand))
    if quiet.jumps.why_not is not None:
        return quiet
    quiet = replace(quiet, jumps=jumps_beside(sound, data, hand))
    if len(data) > _MOST_EXPLAINED:
        return quiet
    if not quiet.jumps.found and _unremarkable(sound, data, steady):
        return quiet
    ranked: list[_Explanation] = [
        *_smooth(quiet, sound, data, hand, steady),
        *_broken(quiet, sound, data, steady),
        *(_slips(quiet, sound, data, hand, steady, misread) if misread else ()),
    ]
    most = max(one.log_p for one in ranked)
    odds: dict[tuple[object, ...], float] = defaultdict(float)
    for one in ranked:
        odds[_kind(one.motion)] += math.exp(one.log_p - most)
    kind = max(odds, key=lambda one: odds[one])
    best = max((one for one in ranked if _kind(one.motion) == kind), key=lambda one: one.log_p)
    motion = replace(best.motion, p=odds[kind] / math.fsum(odds.values()))
    if sound.turn_mm is None or motion.period_turns == 1.0:
        return motion
    other = replace(sound, turn_mm=sound.turn_mm * motion.period_turns, periodic_mm=_ECCENTRIC_MM)
    return replace(motion, rise_mm=_rise_mm(other, data, hand))


def _rise_mm(model: Model, data: Columns, hand: Hand) -> float:
    """Return the amplitude of the rise and fall of `model`."""
    beta = least_squares(*_padded(model, data, hand)).beta
    cos = model.free + 1
    return float(np.hypot(*beta[cos : cos + 2]))


def _kind(motion: Motion) -> tuple[object, ...]:
    """What a person would call it: which period or which end it is comes after that."""
    return (
        len(motion.jumps.found),
        motion.period_turns == 1.0,
        motion.clipped is not None,
        motion.loose is not None,
        motion.misread,
    )


def _unremarkable(model: Model, data: Columns, hand: Hand) -> bool:
    dof = len(data) - model.free
    ratio = _rss_mm2(model, data, hand) / dof / hand.s_mm**2
    return f_exceeded(ratio, dof, hand.dof) > _UNREMARKABLE


def _rss_mm2(model: Model, data: Columns, hand: Hand) -> float:
    return float(np.sum(what_is_left(*_padded(model, data, hand)) ** 2))


def _padded(model: Model, data: Columns, hand: Hand) -> tuple[Floats, Floats]:
    """Return table and readings with the further rows that hold each term to its usual size."""
    usual = model.usual(hand.s_mm)
    return (
        np.vstack([model.table(data), usual]),
        np.append(_level(data), np.zeros(len(usual))),
    )


def _level(data: Columns) -> Floats:
    return np.asarray(data.reading_mm - np.median(data.reading_mm))


def _smooth(
    quiet: Motion, sound: Model, data: Columns, hand: Hand, steady: Hand
) -> Iterator[_Explanation]:
    """Give what goes on all the time, each alone and with the jumps that are left beside it."""
    usual = [(0.0, 1.0, sound)]
    if sound.start_s is not None:
        drifting = replace(sound, drift_mm_per_min=_DRIFT_MM_PER_MIN)
        usual.append((math.log(_P_DRIFT), 1.0, drifting))
    elsewhere: list[_Explanation] = []
    if sound.turn_mm is not None:
        eccentric = replace(sound, periodic_mm=_ECCENTRIC_MM)
        usual.append((math.log(_P_ECCENTRIC), 1.0, eccentric))
        prior = math.log(_P_ELSEWHERE / len(_PER_TURN))
        for per_turn in map(float, _PER_TURN):
            model = replace(eccentric, turn_mm=sound.turn_mm / per_turn)
            alone = replace(quiet, period_turns=1.0 / per_turn, jumps=Jumps(()))
            elsewhere.append(_Explanation(alone, prior + _alone(model, data, steady)))
        # Jumps are looked for beside the likeliest of them only.
        likeliest = max(elsewhere, key=lambda one: one.log_p)
        yield from (one for one in elsewhere if one is not likeliest)
        period = likeliest.motion.period_turns
        usual.append((prior, period, replace(eccentric, turn_mm=sound.turn_mm * period)))
    for prior, period, model in usual:
        jumps = jumps_beside(model, data, hand)
        beside = replace(quiet, period_turns=period, jumps=jumps)
        alone = replace(beside, jumps=replace(jumps, found=()))
        yield _Explanation(alone, prior + _alone(model, data, steady))
        if jumps.found:
            yield _Explanation(beside, prior + _with_jumps(model, data, steady, beside))


def _alone(model: Model, data: Columns, hand: Hand) -> float:
    return model.evidence(model.table(data), np.empty(0), _level(data), hand)


def _with_jumps(
    model: Model, data: Columns, hand: Hand, motion: Motion, misread: Sequence[int] = ()
) -> float:
    """Return the log probability of `data` with the jumps of `motion`, slips in `misread`."""
    found = motion.jumps.found
    steps = step_columns(data.visit, [one.before - 1 for one in found])
    released = np.array([motion.released_before(one) for one in found], dtype=bool)
    sizes_mm = np.where(released, _RELEASED_MM, _JUMP_MM)
    priors = np.where(released, _P_RELEASED, _P_JUMP / len(data))
    table = np.column_stack([model.table(data), steps, _each(data, misread)])
    sizes_mm = np.append(sizes_mm, np.full(len(misread), _MISREAD_MM))
    evidence = model.evidence(table, sizes_mm, _level(data), hand)
    return evidence + float(np.sum(np.log(priors))) + len(misread) * math.log(_P_MISREAD)


def _slips(
    quiet: Motion, sound: Model, data: Columns, hand: Hand, steady: Hand, misread: Sequence[int]
) -> Iterator[_Explanation]:
    """Give slips of the person, with the jumps that all other readings show."""
    rows = np.setdiff1d(np.arange(len(data)), misread)
    others = data.only(rows)
    if why_untold(others) is None:
        found = jumps_beside(replace(sound, visits=visits_in(others.visit)), others, hand).found
        beside = replace(quiet, jumps=Jumps(found), misread=True).numbered(rows)
        log_p = _with_jumps(sound, data, steady, beside, misread)
        yield _Explanation(beside, log_p)


def _broken(quiet: Motion, sound: Model, data: Columns, hand: Hand) -> Iterator[_Explanation]:
    """Give what spoils some of the readings: an end that is never reached, a side that is loose."""
    y = _level(data)
    ends = list(_ends(data))
    for clipped in ends:
        rows = np.zeros(len(data))
        rows[list(clipped.rows)] = 1.0
        stopped = np.where(rows > 0.0, clipped.from_mm, data.commanded_mm)
        table = np.column_stack([sound.table(replace(data, commanded_mm=stopped)), rows])
        log_p = math.log(_P_CLIPPED / len(ends))
        log_p += sound.evidence(table, np.array([_CLIPPED_MM]), y, hand)
        yield _Explanation(replace(quiet, jumps=Jumps(()), clipped=clipped), log_p)
    for loose in _loose_sides(data, sound):
        table = np.column_stack([sound.table(data), _each(data, loose.rows)])
        log_p = math.log(_P_LOOSE / 2.0)
        log_p += sound.evidence(table, np.full(len(loose.rows), _LOOSE_MM), y, hand)
        yield _Explanation(replace(quiet, jumps=Jumps(()), loose=loose), log_p)


def _each(data: Columns, rows: Sequence[int]) -> Floats:
    """Return a term of its own for each of `rows` : (n, k)."""
    return np.asarray(np.arange(len(data))[:, None] == np.asarray(rows)[None, :], dtype=float)


def _datums_spread_mm(sound: Model, data: Columns, hand: Hand) -> float | None:
    """Return the standard deviation of the datums of several visits, None where one would do."""
    visits = len(sound.visits)
    if visits < _FEWEST_VISITS or len(data) <= sound.free:
        return None
    one = replace(data, visit=np.ones_like(data.visit))
    together = replace(sound, visits=one.visit[:1])
    within, between = _rss_mm2(sound, data, hand), _rss_mm2(together, one, hand)
    dof = hand.dof + len(data) - sound.free
    s2 = (hand.dof * hand.s_mm**2 + within) / dof
    if f_exceeded((between - within) / (visits - 1) / s2, visits - 1, dof) >= VISITS_DIFFER:
        return None
    beta = least_squares(*_padded(sound, data, hand)).beta
    return float(np.std(beta[:visits], ddof=1))


def _loose_sides(data: Columns, sound: Model) -> Iterator[Loose]:
    """Give each side whose readings scatter, seen from the line through the other side's."""
    names: tuple[tuple[Literal["plus", "minus"], float], ...] = (("plus", 1.0), ("minus", -1.0))
    for side, sign in names:
        rows = np.flatnonzero(data.side == sign)
        others = np.flatnonzero(data.side != sign)
        if len(rows) < _LOOSE_ROWS or len(others) <= sound.free:
            continue
        line = sound.table(data)[:, : sound.free]
        if np.linalg.matrix_rank(line[others]) < sound.free:
            continue
        beta, *_ = np.linalg.lstsq(line[others], _level(data)[others], rcond=None)
        if float(np.ptp(_level(data)[rows] - line[rows] @ beta)) >= _LOOSE_SPREAD_MM:
            yield Loose(side, tuple(map(int, rows)))


def _ends(data: Columns) -> Iterator[Clipped]:
    """Give every way in which the farthest places of one end may all be one place."""
    places = np.unique(data.commanded_mm)
    for count in range(2, len(places) - 1):
        high, low = places[-count], places[count - 1]
        if places[-1] - high >= _CLIPPED_OVER_MM:
            rows = np.flatnonzero(data.commanded_mm >= high)
            yield Clipped(float(high), "high", tuple(map(int, rows)))
        if low - places[0] >= _CLIPPED_OVER_MM:
            rows = np.flatnonzero(data.commanded_mm <= low)
            yield Clipped(float(low), "low", tuple(map(int, rows)))
