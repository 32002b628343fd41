"""Feeding filament and reading a mark on it, before and after.

Positions are read, never single travels, from a fixed face, the inlet. Every new mark is a visit
with a datum of its own, and after an interruption the mark is new. The ladder comes first: 1 mm
by eye, then 10 and 60 mm read, each limited by the worst scale that is still credible.

A run reads two places at its start and two at its end, half a turn of the wheel apart, so that a
wheel out of round averages out of the rest. No feed takes longer than a minute: between feeds a
hot nozzle is looked at.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from statistics import fmean
from typing import Any, Literal

from tuner.card.schema import Filament
from tuner.drive.speed import MOST_VOLUME_MM3_PER_S, filament_speed_mm_per_s
from tuner.errors import BadReadings
from tuner.messages import REFUSED, Approach, Ask, Choose, Confirm, Decided, Say, Undo, Value
from tuner.metrology.feeder import Run, delivery, outlook
from tuner.metrology.reading import Reading
from tuner.metrology.unmeasured import without_fit
from tuner.metrology.verdict import scale_bounds
from tuner.plans.bounds import learn, limits
from tuner.plans.first_move import Branch, end_seen
from tuner.plans.run import AxisRun, Finding, Part, hear

__all__ = ["ColdRefused", "FeederRun", "How", "Places", "climb", "planned", "run_at", "until_yes"]

How = Literal["free", "hot"]

BACK_MM = 30.0  # hangs beyond the wheel: the first 1 mm may be an inch, either way
_NEAREST_MM, _FURTHEST_MM = 60.0, 500.0  # where a mark has room and can be read
_KEPT_CLEAR_MM = 8.0  # a flag of tape must not be drawn in
_MARK_WITHIN_MM = 2.0  # two marks are not put on more alike than this
_REPEATS = 5
_READ_WITHIN_MM = 1.5
_MISREAD_MM = 2.0
_TAKEN_UP_MM = 0.5  # what gears and filament may still take up after the first feed
_FIRST_MM, _TEN_MM, _FURTHER_MM = 1.0, 10.0, 60.0
_LEAST_FOLLOWED_MM = 0.5
_LOOKED_RIGHT = 4.0  # a feed that looked about right by eye is within this factor
_MOST_TURNS = 4
_LONGEST_FEED_S = 60.0
_APART, _LEAST_APART = 3.0, 1.5  # the faster speed against the slower
_READINGS_A_PLACE = (3, 4)
_SEEN_SLIP = 0.01


class ColdRefused(Exception):
    """The controller would not feed."""


@dataclass(frozen=True)
class Places:
    """Where the mark is read in every run, in commanded mm, how often, and how fast it is fed."""

    commanded_mm: tuple[float, ...]
    readings: int
    speeds_mm_per_s: tuple[float, ...]


@dataclass(kw_only=True)
class FeederRun(AxisRun):
    """A feeder while it is being measured. ``visit`` counts the marks, from 1.

    `speeds` are the feeds in mm/s of the visits that count; what was read at others only bounds
    the scale, and how far readings of one mark scatter. `left` are the speeds still to feed at.
    The nozzle is to be at `target_c`; 0 for filament that is free of it. `nozzle_c` is what was
    reported when it was there, 0 while it is off.
    """

    filament: Filament
    visit: int = 0
    target_c: int = 0
    nozzle_c: float = 0.0
    speeds: dict[int, float] = field(default_factory=dict)
    left: list[float] = field(default_factory=list)
    rounds: int = 0

    def begin_round(self, speeds_mm_per_s: Sequence[float]) -> None:
        """Let all speeds be left to feed at."""
        self.rounds += 1
        self.left = list(speeds_mm_per_s)

    def fastest_mm_per_s(self) -> float:
        """What a nozzle melts, the card allows and the controller can step, in commanded mm/s."""
        diameter_mm = Fraction(self.filament.diameter_mm)
        melts = float(filament_speed_mm_per_s(MOST_VOLUME_MM3_PER_S, diameter_mm))
        steps = self.axis.max_pulse_rate_hz / float(self.axis.stored_steps_per_mm)
        most = min(melts / self.scale_high, self.filament.max_feed_mm_per_s, steps)
        return math.floor(100.0 * most) / 100.0

    def read_here(self) -> list[Reading]:
        """Return the readings of the mark that is on the filament now."""
        return [one for one in self.readings if one.visit == self.visit]

    def runs(self) -> list[Run]:
        """Return the runs that have a slope, cut off or not."""
        runs = []
        for visit, speed_mm_per_s in self.speeds.items():
            here = [one for one in self.readings if one.visit == visit]
            if len({one.commanded_mm for one in here}) > 1:
                commanded = tuple(one.commanded_mm for one in here)
                runs.append(Run(speed_mm_per_s, commanded, tuple(one.reading_mm for one in here)))
        return runs

    def repeats_mm(self) -> list[float]:
        """Return what was read of the mark of a ladder, where it was put; of the one read most."""
        ladders = {one.visit for one in self.readings} - set(self.speeds)
        groups = [
            [one.reading_mm for one in self.readings if (one.visit, one.commanded_mm) == (at, 0.0)]
            for at in sorted(ladders)
        ]
        return max(groups, key=len, default=[])


def until_yes(run: FeederRun, key: str, says: str) -> Part[None]:
    """Ask until it is so."""
    while not (yield from hear(Confirm(key=f"{run.name}.{key}", says=says))):
        yield Say(key=f"{run.name}.{key}-first", says="Nothing is fed before that is so; or stop")


# --- the ladder ---------------------------------------------------------------------------


def climb(run: FeederRun) -> Part[Finding | None]:
    """Put a mark on, feed 1 mm by eye, then 10 and 60 mm read; the result as for an axis.

    Raises ``ColdRefused`` where the controller does not feed.
    """
    a = run.name
    few = run.quick or len(run.repeats_mm()) >= _REPEATS
    yield from _mark(run, _NEAREST_MM, readings=1 if few else _REPEATS, seen=False)
    yield from _feed_to(run, f"{a}.first", _FIRST_MM)
    ended = yield from end_seen(run)
    if ended is None:
        ended = yield from _first_seen(run)
    if ended is not None:
        return ended
    begins_mm = yield from _one_reading(run, f"{a}.ladder.one", _FIRST_MM)
    for step, wanted_mm in (("ten", _TEN_MM), ("further", _FURTHER_MM)):
        length_mm = yield from hear(
            Decided(key=f"{a}.ladder-length", value=min(wanted_mm, _room_mm(run) - _FIRST_MM))
        )
        to_mm = round(_FIRST_MM + float(length_mm), 4)
        yield from _feed_to(run, f"{a}.ladder.{step}", to_mm)
        now_mm = yield from _one_reading(run, f"{a}.ladder.{step}", to_mm)
        followed = yield from hear(
            Decided(key=f"{a}.followed", value=begins_mm - now_mm >= _LEAST_FOLLOWED_MM)
        )
        if not followed:
            return _NOT_FOLLOWED.finding(run)
        bounds = scale_bounds(
            begins_mm, now_mm, float(length_mm), misreading_mm=_MISREAD_MM, play_mm=_TAKEN_UP_MM
        )
        yield from learn(run, direction_seen=True, factor=bounds)
    return None


def _first_seen(run: FeederRun) -> Part[Finding | None]:
    seen = yield from hear(
        Choose(
            key=f"{run.name}.first-move",
            options=("about-right", *_FIRST_BRANCHES),
            says=(
                f"{run.letter} was told to feed {_FIRST_MM:g} mm forward: the mark goes toward the "
                "inlet. What did you see?"
            ),
        )
    )
    if seen == "about-right":
        yield from learn(run, direction_seen=True, factor=(1 / _LOOKED_RIGHT, _LOOKED_RIGHT))
        return None
    branch = _FIRST_BRANCHES[seen]
    yield Say(key=f"{run.name}.branch", says=f"{branch.says}. Next: {branch.check}")
    return branch.finding(run)


_POWER_OFF = "power off and unplugged, the nozzle cold"

_FIRST_BRANCHES = {
    "nothing": Branch(
        "not-powered",
        "the filament did not move",
        "see whether the wheel turned. It did not: see that motor power is on; then, "
        f"{_POWER_OFF}, that the motor plug and the driver are seated. It did: its pressure, "
        "clogged teeth, and whether the nozzle is clogged or too cold",
    ),
    "shakes": Branch(
        "motor-phase",
        "the motor shakes and does not turn: one of its two windings carries no current",
        f"{_POWER_OFF}, look at the motor plug and its wires, and measure both windings with an "
        "ohmmeter; never pull the plug of a powered motor",
    ),
    "other-axis": Branch(
        "wrong-axis",
        "an axis moved in place of the feeder",
        f"{_POWER_OFF}, look which motor is plugged in where",
    ),
    "wrong-way": Branch(
        "reversed",
        "the filament came back out: the feeder turns the wrong way",
        f"{_POWER_OFF}, turn the motor plug round, or change the direction setting by hand",
    ),
    "too-far": Branch(
        "inch-units",
        "1 mm fed much too far: the controller may work in inches, or the stored number is many "
        "times too large",
        "read the stored number again from the controller, and whether it is set to inches",
    ),
}
_NOT_FOLLOWED = Branch(
    "feeder-slip",
    "the filament did not follow the wheel",
    "look at the pressure on the filament, worn or clogged teeth, and the nozzle",
)


# --- runs ---------------------------------------------------------------------------------


def planned(run: FeederRun) -> Part[Places | Finding]:
    """Plan the places and speeds and say them, or return the finding where there is no room."""
    a = run.name
    plan = yield from hear(Decided(key=f"{a}.targets", value=_plan(run)))
    if plan is None:
        return without_fit(
            verdict="cannot-tell",
            axis=a,
            n=len(run.readings),
            next=(
                f"one and a half turns of the wheel, {1.5 * run.output_turn_mm:.0f} mm, do not fit "
                "between mark and inlet, or take more than a minute at the speeds that the card "
                "allows. Put the mark further out, or see max_feed_mm_per_s on the card"
            ),
        )
    places = Places(tuple(plan["places"]), plan["readings"], tuple(plan["speeds"]))
    if not run.rounds:
        yield Say(key=f"{a}.plan", says=_in_words(places, plan))
        yield Say(key=f"{a}.can-see", says=plan["says"])
    return places


def run_at(run: FeederRun, speed_mm_per_s: float, places: Places) -> Part[None]:
    """Put a new mark on and read it at every place, fed at one speed."""
    a = run.name
    *_, furthest_mm = places.commanded_mm
    needed_mm = furthest_mm * run.scale_high + _KEPT_CLEAR_MM
    yield Say(
        key=f"{a}.speed",
        says=f"Now at {speed_mm_per_s:g} mm/s, with a new mark",
        fields=(("mm_per_s", f"{speed_mm_per_s:g}"),),
    )
    yield from _mark(run, needed_mm, readings=places.readings, seen=True, speed=speed_mm_per_s)
    for number, to_mm in enumerate(places.commanded_mm[1:], 2):
        yield from _feed_to(run, f"{a}.run.{number}", to_mm, speed_mm_per_s)
        yield from _read(run, f"{a}.run.{number}", to_mm, places.readings)
    run.left.remove(speed_mm_per_s)
    yield from _say_fit(run)


def _plan(run: FeederRun) -> dict[str, Any] | None:
    """Return places, speeds and what they will show as plain data, or None without room."""
    turn_mm, fast = run.output_turn_mm, run.fastest_mm_per_s()
    room_mm = _room_mm(run) - _MARK_WITHIN_MM / run.scale_high
    by_room = math.floor(room_mm / turn_mm - 0.5)
    by_time = math.floor(_LONGEST_FEED_S * fast / _LEAST_APART / turn_mm + 0.5)
    turns = min(_MOST_TURNS, by_room, by_time)
    if turns < 1:
        return None
    slow = max(fast / _APART, (turns - 0.5) * turn_mm / _LONGEST_FEED_S)
    places = [round(count * turn_mm, 4) for count in (0.0, 0.5, turns, turns + 0.5)]
    repeats_mm = run.repeats_mm()
    if run.quick:
        readings = 1
    else:
        readings = next(
            (n for n in _READINGS_A_PLACE if outlook(repeats_mm, places, n)[1] <= _SEEN_SLIP),
            _READINGS_A_PLACE[-1],
        )
    mark_mm, slip = outlook(repeats_mm, places, readings)
    return {
        "places": places,
        "readings": readings,
        "speeds": [math.ceil(100.0 * slow) / 100.0, fast],
        "says": (
            f"Your readings of a mark scatter by {mark_mm:.2f} mm (one standard deviation). With "
            f"{len(places) * readings} of them a speed, a loss of {100.0 * slip:.1f} % between the "
            "two speeds is called 19 times in 20; less may stay unseen"
        ),
    }


def _in_words(places: Places, plan: dict[str, Any]) -> str:
    slow, fast = places.speeds_mm_per_s
    listed = ", ".join(f"{one:.1f}" for one in places.commanded_mm)
    return (
        f"Two speeds, {slow:g} and {fast:g} mm/s (at most {float(MOST_VOLUME_MM3_PER_S):g} "
        f"mm³/s), each with a new mark, read at {listed} mm fed, {places.readings} times each"
    )


def _room_mm(run: FeederRun) -> float:
    """Return how far the mark that is on may be fed from where it was put, in commanded mm."""
    return math.floor(1000.0 * run.plus_mm / run.scale_high) / 1000.0


# --- one mark, one feed, one reading ------------------------------------------------------


def _mark(
    run: FeederRun, at_least_mm: float, *, readings: int, seen: bool, speed: float | None = None
) -> Part[None]:
    """Have a new mark put on and read it; from there on it is 0 mm fed. `seen` is the direction."""
    while True:
        run.visit += 1
        yield from until_yes(
            run,
            "put-mark",
            f"{_hands_off(run)}Put a new mark on the filament, cut square or a flag of tape, at "
            f"least {math.ceil(at_least_mm)} mm before the inlet of the feeder; 120 is good. Hands "
            "away from the wheel. Is it on?",
        )
        if speed is not None:
            run.speeds[run.visit] = speed
        shown_mm = yield from _one_reading(run, f"{run.name}.mark", 0.0, of=readings)
        near = yield from hear(Decided(key=f"{run.name}.too-near", value=shown_mm < at_least_mm))
        if not near:
            break
        yield Say(
            key=f"{run.name}.further-out",
            says=f"{shown_mm:g} mm are too near; {math.ceil(at_least_mm)} mm are needed",
        )
    yield from _read(run, f"{run.name}.mark", 0.0, readings)
    nearest_mm = min(one.reading_mm for one in run.read_here())
    run.minus_mm, run.plus_mm = -BACK_MM, nearest_mm - _KEPT_CLEAR_MM
    yield Decided(key=f"{run.name}.limits", value=limits(run, direction_seen=seen, at_mm=0.0))


def _feed_to(
    run: FeederRun, key: str, to_mm: float, speed_mm_per_s: float | None = None
) -> Part[None]:
    """Feed to `to_mm` from where the mark was put, without a speed as slowly as is safe."""
    if speed_mm_per_s is None:
        feed = max(1.0, math.floor(min(run.slow_feed_mm_per_min(), 60 * run.fastest_mm_per_s())))
    else:
        feed = 60.0 * speed_mm_per_s
    answer = yield from hear(
        Approach(
            key=key,
            axis=run.name,
            to_mm=to_mm,
            approach="plus",
            over_mm=0.0,
            feed_mm_per_min=round(feed, 4),
        )
    )
    if answer == REFUSED:
        raise ColdRefused


def _one_reading(run: FeederRun, key: str, at_mm: float, of: int = 1) -> Part[float]:
    yield from _read(run, key, at_mm, 1, of)
    return run.readings[-1].reading_mm


def _read(run: FeederRun, key: str, at_mm: float, times: int, of: int = 0) -> Part[None]:
    """Read the mark so many times in all where it is now; `undo` takes one of these back.

    The person is told of that many readings, or of `of` when others follow later.
    """
    while (taken := sum(one.commanded_mm == at_mm for one in run.read_here())) < times:
        expected = yield from hear(Decided(key=f"{run.name}.expected", value=_expected(run, at_mm)))
        expected_mm, within_mm = expected or (None, 0.0)
        reply = yield Ask(
            key=key,
            axis=run.name,
            at_mm=at_mm,
            approach="plus",
            n=run.next_n,
            low_mm=0.0,
            high_mm=_FURTHEST_MM,
            expected_mm=expected_mm,
            within_mm=within_mm,
            may_undo=taken > 0,
            visit=run.visit,
            seat=taken + 1,
            says=_hands_off(run) + _how_far(taken + 1, max(times, of)),
        )
        match reply:
            case Value(value=value, at_s=at_s):
                reading = Reading(
                    at_mm, float(value), "plus", n=run.next_n, visit=run.visit, time_s=at_s
                )
                run.readings.append(reading)
            case Undo():
                run.readings.pop()


def _how_far(number: int, of: int) -> str:
    if of == 1:
        return "From the inlet to the mark, along the filament: how far?"
    if number == 1:
        return (
            f"Reading 1 of {of} of this distance, because repeats tell how well the mark can be "
            "read. From the inlet to the mark, along the filament: how far?"
        )
    return (
        f"Reading {number} of {of} of this distance. Take the ruler or caliper away and read it "
        "anew; a difference is no mistake, repeats tell how well the mark can be read."
    )


def _hands_off(run: FeederRun) -> str:
    """Return what to say first where hands are sent to a feeder that may be hot."""
    return f"Nozzle at {run.nozzle_c:.0f} °C: do not touch it. " if run.nozzle_c else ""


def _expected(run: FeederRun, at_mm: float) -> list[float] | None:
    """Return what should be read after feeding to `at_mm`, and within what; None for a new mark."""
    here = run.read_here()
    if not here:
        return None
    begins_mm = here[0].commanded_mm
    from_mm = fmean(one.reading_mm for one in here if one.commanded_mm == begins_mm)
    fed_mm = at_mm - begins_mm
    middle = (run.scale_low + run.scale_high) / 2.0
    either_way = (run.scale_high - run.scale_low) / 2.0
    return [
        round(from_mm - middle * fed_mm, 4),
        round(_READ_WITHIN_MM + either_way * fed_mm, 4),
    ]


def _say_fit(run: FeederRun) -> Part[None]:
    """Say what is delivered by what was read so far, of all speeds together."""
    fields = yield from hear(Decided(key=f"{run.name}.fit", value=_fit_fields(run)))
    if fields is None:
        return
    scale, uncertainty, k, n = fields
    yield Say(
        key=run.name,
        tag="FIT",
        fields=(("scale", scale), ("U", uncertainty), ("k", k), ("n", n)),
        says=f"{scale} ± {uncertainty} (95 %, {n} readings)",
    )


def _fit_fields(run: FeederRun) -> list[str] | None:
    try:
        seen = delivery(run.runs(), repeats_mm=run.repeats_mm())
    except BadReadings:
        return None
    n = sum(one.n for one in seen.runs)
    scale = seen.scale
    return [f"{scale.value:.5f}", f"{scale.U:.5f}", f"{scale.k:.2f}", str(n)]
