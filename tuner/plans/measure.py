"""The readings of one axis: where, in which order, which of them again, and when to stop.

Two stages, as few readings as the question needs: four to name a part, and only for a
measured value on, reading by reading, until the wanted uncertainty is reached or no reading
helps any more. A measured value counts when the caliper was placed twice and both placings agree.

The rule: all that is known is in the run. Measuring can be begun again with readings there,
in a later visit as well; what was read counts, and only what is missing is read.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from functools import partial
from itertools import combinations, pairwise
from statistics import median
from typing import Any

from tuner.errors import InputFault
from tuner.messages import Approached, Choose, Confirm, Decided, Say
from tuner.metrology.causes import Looked
from tuner.metrology.examination import Described, Examination, examine_readings
from tuner.metrology.fit import Fit
from tuner.metrology.reading import Reading
from tuner.metrology.screen import Suspect, screen
from tuner.metrology.targets import CaliperReach, measuring_plan
from tuner.metrology.unmeasured import without_fit
from tuner.metrology.verdict import agree, caliper_dominates
from tuner.plans.block import offer_block
from tuner.plans.bounds import free_mm
from tuner.plans.readings import fitted, repeats_mm, scale_so_far, take_reading, take_repeats
from tuner.plans.run import AxisRun, Finding, Part, Stop, hear

_EXPECTED_WITHIN_MM = 3.0
_STAGE_ONE = 4
_REPEATS = 4  # after the reading that they repeat
_MOST_READ_AGAIN = 4
_NOTABLE_PLAY_MM = 0.1
_STANDS_OUT = 3.0
_WELL_KNOWN = 2.0
_GRAVITY = "the weight of a vertical axis takes up its play, which shows only when it is lifted"
_NUDGED = (
    "the weight of a vertical axis takes up a loose coupling: see first that the face and what is "
    "held to it sit firmly, and measure again"
)
_DISAGREE = (
    "the two placings do not agree: see what tilts or gives where the caliper sits, clean and "
    "seat it the same way every time, and start again"
)
_ROUGHLY_RIGHT = (0.9, 1.1)

_Place = tuple[float, Approached, float]
"""Where to read in commanded mm, the side to arrive from, and the length of the block."""


def measure(run: AxisRun) -> Part[None]:
    """Read as many places as the finding needs; it is in ``run.finding`` then."""
    places = yield from _planned(run)
    if places is None:
        return
    if not run.second_visit:
        yield from _placing(run, places)
        if run.quick or not run.finding["place_anew"] or not (yield from _placed_anew(run)):
            return
        if run.block_mm:
            places = (yield from _planned(run)) or places
        run.visit += 1
        run.second_visit = run.visit
        run.settled = len(run.readings)
    yield from _placing(run, places)
    if run.finding["place_anew"]:
        run.finding = {**run.finding, "next": _DISAGREE}


def _placed_anew(run: AxisRun) -> Part[bool]:
    yield from offer_block(run)
    block = f" Have the {run.block_mm:g} mm block at hand." if run.block_mm else ""
    return bool(
        (
            yield from hear(
                Confirm(
                    key=f"{run.name}.place-anew",
                    says=(
                        f"{run.letter} may need a measured number. That takes a second placing: "
                        "take the caliper and what it reads from away, place both anew, and "
                        f"measure once more.{block} Has it been placed anew?"
                    ),
                )
            )
        )
    )


def _placing(run: AxisRun, places: Sequence[_Place]) -> Part[None]:
    """Read the places that are missing, one after the other, until that is enough."""
    a = run.name
    told_why = False
    while True:
        missing = _missing(run, len(places))
        if len(places) - len(missing) >= _STAGE_ONE:
            yield from _read_again(run)
            missing = _missing(run, len(places))
            now = yield from hear(Decided(key=f"{a}.outlook", value=_outlook(run)))
            if now["repeats"]:
                yield from _repeat(run, now["repeats"])
                now = yield from hear(Decided(key=f"{a}.outlook", value=_outlook(run)))
            if now["state"] == "known" or not missing:
                break
            if not (now["no_more_helps"] and told_why):
                yield Say(key=f"{a}.outlook", says=now["says"])
            told_why = now["no_more_helps"]
            if now["state"] == "limited":
                break
        yield from take_reading(run, _stop(run, missing[0], places[missing[0] - 1]))
        if (yield from _was_touched(run)):
            run.finding = without_fit(
                verdict="measure-again",
                axis=a,
                n=len(run.readings),
                next="the carriage may have moved by hand: declare its free travel and start again",
            )
            return
    run.finding = yield from hear(Decided(key=f"{a}.finding", value=finding_now(run, {})))


def _stop(run: AxisRun, number: int, place: _Place) -> Stop:
    to_mm, approach, block_mm = place
    cluster = "near" if number % 4 in (0, 1) else "far"
    return Stop(
        f"{run.read_at}.{cluster}.{(number + 1) // 2}",
        to_mm,
        approach,
        _feed_mm_per_min(run),
        _EXPECTED_WITHIN_MM,
        partial(_expected_mm, to_mm=to_mm),
        place=number,
        block_mm=block_mm,
    )


def _missing(run: AxisRun, count: int) -> list[int]:
    """Return which of the `count` places this placing of the caliper has not read yet.

    Places go in pairs, near and far, that stand on one datum: half a pair of an earlier visit
    does not count.
    """
    read: dict[int, set[int]] = {}
    for stop, reading in zip(run.stops, run.readings, strict=True):
        if stop.place and reading.visit >= run.second_visit:
            read.setdefault(reading.visit, set()).add(stop.place)
    there = set(read.get(run.visit, ()))
    for numbers in read.values():
        there |= {one for one in numbers if _partner(one) in numbers}
    return [number for number in range(1, count + 1) if number not in there]


def _partner(number: int) -> int:
    return number + 1 if number % 2 else number - 1


def _feed_mm_per_min(run: AxisRun) -> float:
    """The card's feed, once the readings bound the scale well enough for it."""
    well_known = run.scale_high <= _WELL_KNOWN * run.scale_low
    return run.axis.feed_mm_per_min if well_known else run.slow_feed_mm_per_min()


def _was_touched(run: AxisRun) -> Part[bool]:
    """After a reading that nothing explains, ask whether the axis was moved by hand."""
    *before, last = run.readings
    expected_mm = _expected_mm(run, last.commanded_mm, before)
    off_mm = 0.0 if expected_mm is None else abs(last.reading_mm - expected_mm)
    unexplained = yield from hear(
        Decided(key=f"{run.name}.unexplained", value=off_mm > _EXPECTED_WITHIN_MM)
    )
    if not unexplained:
        return False
    touched = yield from hear(
        Choose(
            key=f"{run.name}.touched",
            options=("yes", "no", "unsure"),
            says="Nothing explains that reading. Was the power off, or was the carriage touched?",
        )
    )
    return bool(touched != "no")


# --- when to stop -------------------------------------------------------------------------


def _outlook(run: AxisRun) -> dict[str, Any]:
    """Return what more readings of this placing are good for, as plain data.

    `state` is ``known`` where they would not change the verdict, ``limited`` where the value is as
    sure as it gets or as is wanted, else ``more``. `repeats` are wanted once, where only a measured
    value is left.
    """
    said = examined(run, {})
    finding = said.finding
    assert finding is not None
    # What looks misread by now was read again, and what moved by itself no reading makes good.
    is_doubtful = _suspects(run) or (finding.told is not None and finding.told.verdict)
    is_enough = run.quick or finding.value_known
    may_be_jump = is_enough and _looks_like_a_jump(run, said.fit)
    state = "more"
    if is_doubtful or (is_enough and not may_be_jump):
        state = "known"
    elif not may_be_jump and (said.outlook.more == 0 or caliper_dominates(said.scale)):
        state = "limited"
    repeats = _REPEATS - sum(len(group) - 1 for group in run.repeats)
    says = said.outlook.says
    if may_be_jump:
        says = (
            "a loss on reversal, or a jump between both sides: one side is read once more to tell"
        )
    elif state == "more" and said.outlook.more is None:
        says += ". Reading goes on until that alone limits the value"
    return {
        "state": state,
        "repeats": repeats if state == "more" and finding.place_anew else 0,
        "no_more_helps": said.outlook.more is None and not may_be_jump,
        "says": says,
    }


def _looks_like_a_jump(run: AxisRun, fit: Fit) -> bool:
    """Return whether the loss on reversal may be a jump between the one reversal and before.

    Read from one side first and from the other after it, an axis that jumped in between looks as
    if it had play. One reading more from the first side tells.
    """
    play, u_play = fit.play_mm, fit.u_play_mm
    if play is None or u_play is None or abs(play) < max(_NOTABLE_PLAY_MM, _STANDS_OUT * u_play):
        return False
    sides = [one.approach for one in run.readings if one.visit == run.visit]
    return sum(one != other for one, other in pairwise(sides)) < 2


def _repeat(run: AxisRun, more: int) -> Part[None]:
    yield Say(
        key=f"{run.name}.repeats",
        says=(
            f"No usual part explains this, so the value itself is measured. {more} readings more "
            "at this very place show how far your readings scatter: nothing moves, the caliper is "
            "lifted off and seated again each time, with the same light pressure"
        ),
    )
    yield from take_repeats(run, more)


# --- what looks misread -------------------------------------------------------------------


def _read_again(run: AxisRun) -> Part[None]:
    """Withdraw what the other readings contradict, and read its place again.

    One slip after the other, two readings that changed places together. A reading of an earlier
    visit is only set aside: its datum is gone.
    """
    a = run.name
    while again := (yield from hear(Decided(key=f"{a}.suspects", value=_most_suspect(run)))):
        for _, _, says in again:
            yield Say(key=f"{a}.suspect", says=says)
        for n, expected_mm, _ in again:
            at = [one.n for one in run.readings].index(n)
            reading, stop = run.readings.pop(at), run.stops.pop(at)
            run.withdrawn.append(reading)
            run.settled = len(run.readings)
            if reading.visit != run.visit:
                continue
            yield from take_reading(run, _once_more(run, stop, n, expected_mm))
            again_mm = run.readings[-1].reading_mm
            is_same = abs(again_mm - reading.reading_mm) < abs(again_mm - expected_mm)
            if (yield from hear(Decided(key=f"{a}.same-twice", value=is_same))):
                # It was no misreading: both count, and what moved is for the finding to say.
                run.withdrawn.remove(reading)
                run.readings.insert(at, reading)
                run.stops.insert(at, stop)
                run.settled = len(run.readings) - 1
                run.same_twice |= {n, run.readings[-1].n}


def _once_more(run: AxisRun, stop: Stop, n: int, expected_mm: float) -> Stop:
    return replace(
        stop,
        key=f"{run.read_at}.again.{n}",
        feed_mm_per_min=_feed_mm_per_min(run),
        within_mm=_EXPECTED_WITHIN_MM,
        predict=lambda _: expected_mm,
        replaces=n,
    )


def _most_suspect(run: AxisRun) -> list[list[Any]]:
    """Return number, expected value and words of the reading to withdraw next, or of a pair.

    None as soon as one came out the same twice: that was not misread, something moved.
    """
    most = _MOST_READ_AGAIN - len(run.withdrawn)
    suspects = {one.row: one for one in _suspects(run)}
    if not suspects or most <= 0 or _same_twice(run):
        return []
    first = max(suspects.values(), key=_how_suspect)
    other = suspects.get(first.exchanged_with or 0)
    pair = sorted([first, other], key=lambda one: one.row) if other and most > 1 else [first]
    visits = {one.n: one.visit for one in run.readings}
    return [
        [one.row, one.expected_mm, _in_words(one, visits[one.row] == run.visit)] for one in pair
    ]


def _how_suspect(one: Suspect) -> tuple[float, float]:
    return 1.0 if one.p is None else one.p, abs(one.reading_mm - one.expected_mm) / one.u_mm


def _in_words(one: Suspect, here: bool) -> str:
    looks_like = f" ({one.looks_like})" if one.looks_like else ""
    return (
        f"Reading {one.row} was {one.reading_mm:.2f} mm; by the others it should be "
        f"{one.expected_mm:.2f} mm{looks_like}. "
    ) + ("That place is read once more" if here else "It is set aside: its placing is over")


def _suspects(run: AxisRun) -> tuple[Suspect, ...]:
    """Return the readings that look misread; their rows are the numbers of the readings.

    Looked for within the placing of the caliper: whether two of them agree is another question.
    """
    here = [one for one in run.readings if one.visit >= run.second_visit]
    found = screen(
        here,
        grows=run.grows,
        resolution_mm=run.caliper.resolution_mm,
        repeats=repeats_mm(run),
        turn_mm=run.output_turn_mm,
    )
    return _numbered(found, here)


def _numbered(suspects: Sequence[Suspect], readings: Sequence[Reading]) -> tuple[Suspect, ...]:
    """Return `suspects` with the numbers of `readings` for their rows."""
    named = []
    for one in suspects:
        looks_like, other = one.looks_like, one.exchanged_with
        if other is not None:
            other = readings[other - 1].n
            looks_like = f"exchanged with reading {other}"
        named.append(
            replace(one, row=readings[one.row - 1].n, exchanged_with=other, looks_like=looks_like)
        )
    return tuple(named)


# --- where --------------------------------------------------------------------------------


def _planned(run: AxisRun) -> Part[list[_Place] | None]:
    """Plan the places and say them; None, with the finding made, where there is no room."""
    a = run.name
    plan = yield from hear(Decided(key=f"{a}.targets", value=_plan(run)))
    if isinstance(plan, str):
        run.finding = without_fit(verdict="cannot-tell", axis=a, n=len(run.readings), next=plan)
        return None
    places: list[_Place] = [(to_mm, side, block_mm) for to_mm, side, block_mm in plan["places"]]
    run.cannot_see = plan["cannot_see"]
    signs = {"plus": "+", "minus": "-"}
    listed = ",".join(f"{to_mm:g}{signs[approach]}" for to_mm, approach, _ in places)
    yield Say(key=f"{a}.plan", says=_plan_in_words(run, places), fields=(("places", listed),))
    for unseen in run.cannot_see.values():
        yield Say(key=f"{a}.cannot-see", says=f"What these readings will not show: {unseen}")
    return places


def _plan(run: AxisRun) -> dict[str, Any] | str:
    """Return the places to read and what they will not show, or in words why there is no room."""
    last = run.readings[-1]
    at_mm, over_mm, block_mm = last.commanded_mm, run.over_mm, run.block_mm
    # Whole millimetres at the ends, so that a person can follow the places on a ruler.
    minus, plus = (
        free_mm(run, at_mm, last.reading_mm, side, block_mm=block_mm) for side in (-1.0, 1.0)
    )
    low, high = math.ceil(at_mm - minus) - over_mm, math.floor(at_mm + plus) + over_mm
    roughly_right = _ROUGHLY_RIGHT[0] <= run.scale_low and run.scale_high <= _ROUGHLY_RIGHT[1]
    try:
        plan = measuring_plan(
            run.axis.train,
            run.axis.stored,
            reach=(low, high),
            over_mm=over_mm,
            near="low" if run.grows > 0 else "high",
            even_turns=not roughly_right,
            caliper=_reach(run, low if run.grows > 0 else high) if block_mm else None,
            scale=run.scale_high,
        )
    except InputFault as reason:
        return str(reason)
    return {
        "places": [
            [round(one.commanded_mm, 4), one.approach, one.block_mm] for one in plan.targets
        ],
        "cannot_see": plan.cannot_see,
    }


def _reach(run: AxisRun, near_end_mm: float) -> CaliperReach:
    """Return what the caliper can follow with the block, from its reading at the near end on."""
    near_mm = near_end_mm + run.grows * run.over_mm
    shows_mm = _expected_mm(run, near_mm)
    return CaliperReach(
        run.caliper.range_mm,
        nearest_mm=run.readings[-1].reading_mm if shows_mm is None else shows_mm,
        block_mm=run.block_mm,
    )


def _plan_in_words(run: AxisRun, places: Sequence[_Place]) -> str:
    first = ", ".join(f"{to_mm:.1f}" for to_mm, _, _ in places[:_STAGE_ONE])
    words = (
        f"{_STAGE_ONE} readings first, at {first} mm from where {run.letter} stood; up to "
        f"{len(places)} if no part explains them. Light, equal pressure at every reading"
    )
    if run.block_mm:
        words += (
            f". At the far ones the {run.block_mm:g} mm block stands between datum and caliper; "
            "type what the caliper shows, its length is added"
        )
    return words


def _expected_mm(
    run: AxisRun, to_mm: float, readings: Sequence[Reading] | None = None
) -> float | None:
    """Return what should be read at `to_mm`, or None before this visit has read anything.

    Medians of all slopes and offsets, which no single misreading moves far (Theil 1950).
    """
    readings = run.readings if readings is None else readings
    here = [one for one in readings if one.visit == run.visit]
    slopes = [
        (other.reading_mm - one.reading_mm) / (other.commanded_mm - one.commanded_mm)
        for one, other in combinations(readings, 2)
        if other.visit == one.visit and other.commanded_mm != one.commanded_mm
    ]
    if not here or not slopes:
        return None
    slope = median(slopes)
    return median(one.reading_mm + slope * (to_mm - one.commanded_mm) for one in here)


# --- what the readings say ----------------------------------------------------------------


def examined(run: AxisRun, looks: Mapping[str, Looked]) -> Examination:
    """Return what all readings that count say; `looks` says what was seen."""
    axis = run.axis
    return examine_readings(
        run.readings,
        resolution_mm=run.caliper.resolution_mm,
        error_limit_mm=run.error_limit_mm,
        grows=run.grows,
        described=Described(axis.train, axis.stored, axis.range_mm[1] - axis.range_mm[0]),
        hold_time_s=run.hold_time_s,
        datum_look=run.datum_look,
        looks=looks,
        repeats=repeats_mm(run),
        block_u_mm=run.block_u_mm,
        setups=_agreeing_placings(run),
    )


def _agreeing_placings(run: AxisRun) -> int:
    """Return how many placings of the caliper agree, 1 where the two do not.

    A placing is as good as the places it was planned for; the ladder is too short for one. One
    that was interrupted goes on in a later visit, and is no second one by that.
    """
    placings: tuple[list[Reading], list[Reading]] = ([], [])
    for one, stop in zip(run.readings, run.stops, strict=True):
        if stop.place:
            placings[0 < run.second_visit <= one.visit].append(one)
    if min(map(len, placings)) < _STAGE_ONE:
        return 1
    first, second = (scale_so_far(run, fitted(run, placing)) for placing in placings)
    return 2 if agree(first, second) else 1


def finding_now(run: AxisRun, looks: Mapping[str, Looked]) -> Finding:
    """Return the finding from the readings so far, as data; `looks` says what was seen.

    Readings are named by their numbers, which leave out what was withdrawn.
    """
    said = examined(run, looks)
    finding = said.as_json(file=None, axis=run.name)
    suspects = _numbered(said.suspects or (), run.readings)
    finding["suspect_readings"] = [one.row for one in suspects]
    finding["suspects"] = [asdict(one) for one in suspects]
    finding["set_aside"] = [run.readings[row - 1].n for row in said.set_aside]
    for jump in finding["jumps"] or ():
        jump["before"] = run.readings[jump["before"] - 1].n
    unseen = {key: why for key, why in run.cannot_see.items() if finding.get(key) is None}
    tried = _tried(run)
    finding["not_tested"] = {**finding["not_tested"], **unseen, "feeds": tried}
    if finding["verdict"] == "keep":
        finding["next"] += f". {tried[0].upper()}{tried[1:]}"
    is_told = said.finding is not None and said.finding.told and said.finding.told.verdict
    if (twice := _same_twice(run)) and not is_told and _suspects(run):
        finding |= {"verdict": "measure-again", "proposal": None, "next": _read_twice(twice)}
    elif suspects and run.second_visit:
        finding["next"] = _DISAGREE
    return _under_weight(finding) if run.axis.vertical else finding


def _tried(run: AxisRun) -> str:
    """Say how fast the axis went at most; an axis that fails at speed looks sound below that."""
    fastest = max(one.feed_mm_per_min for one in run.stops) / 60.0
    words = f"only feeds up to {fastest:.3g} {run.unit}/s were tried"
    if run.slant or run.unit != "mm":
        return words  # no hunt for lost steps is held there
    return (
        f"{words}; where layers shift, hunt for lost steps: tuner tune CARD --port PORT --axis "
        f"{run.name} --test lost-steps"
    )


def _under_weight(finding: Finding) -> Finding:
    """Return the finding of a vertical axis, whose weight takes up what is loose.

    Play is then not seen, and a loss that differs with every reversal is more likely a face that
    was nudged.
    """
    play = finding["play_mm"]
    if play and abs(play["value"]) < max(_NOTABLE_PLAY_MM, _STANDS_OUT * play["u"]):
        finding["play_mm"] = None
        finding["not_tested"]["play_mm"] = _GRAVITY
    loose = any(one["name"] == "loose-pulley" for one in finding["causes"])
    if finding["verdict"] == "repair-first" and loose:
        finding |= {"verdict": "cannot-tell", "next": f"{_NUDGED}; {finding['next']}"}
    return finding


def _same_twice(run: AxisRun) -> list[int]:
    """Return the numbers of readings of this placing that came out the same again."""
    here = [one.n for one in run.readings if one.visit >= run.second_visit]
    return [n for n in here if n in run.same_twice]


def _read_twice(numbers: Sequence[int]) -> str:
    return (
        f"readings {' and '.join(map(str, numbers))} of one place came out the same, and the "
        "others do not fit to them: something moved between the readings. See whether the caliper "
        "and what it reads from sit firmly and the axis runs free, and start again"
    )
