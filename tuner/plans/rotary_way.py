"""What both ways of reading a turning axis share: turning to a place, reading it, judging.

Everything that is mm elsewhere is degrees here. A cable that winds up ends the way as a wall does.
"""

from __future__ import annotations

from typing import Any, Protocol

from tuner.messages import Again, Approach, Approached, Ask, Decided, Value
from tuner.metrology.budget import Scale
from tuner.metrology.fit import Fit
from tuner.metrology.reading import Reading
from tuner.metrology.unmeasured import without_fit
from tuner.metrology.verdict import decide
from tuner.plans.run import AxisRun, Finding, Part, Stop, hear

__all__ = [
    "Place",
    "Way",
    "did_not_follow",
    "expected_deg",
    "free_deg",
    "has_no_room",
    "judged",
    "read",
    "turn_to",
]

Place = tuple[float, Approached]
"""Where to read in commanded degrees, and the side to arrive from."""

_WELL_KNOWN = 2.0


class Way(Protocol):
    """A way of reading how far an axis has turned.

    Its first rungs are `rungs_deg` long, each is read at its `rung_parts`, and then so many
    `readings`. `start_deg` is the angle at the origin. A rung never bounds the scale from above by
    less than `least_high`.
    """

    rungs_deg: tuple[float, ...]
    rung_parts: tuple[float, ...]
    readings: int
    least_high: float
    start_deg: float

    def get_ready(self, run: AxisRun) -> Part[None]:
        """Have made what is read, before it is read for the first time."""

    def begin(self, run: AxisRun) -> Part[None]:
        """Begin with the axis at its origin, once more after every interruption."""

    def least_deg(self, rung_deg: float) -> float:
        """Return how short the rung of `rung_deg` may be where there is less room."""

    def room_deg(self, run: AxisRun) -> tuple[float, float]:
        """Return how many commanded degrees can be turned and read to minus and to plus."""

    def question(self, run: AxisRun, at: Place, expected_deg: float) -> Ask:
        """Return the question that reads the place `at`."""

    def angle_deg(self, shown: float, at: Place, expected_deg: float) -> float:
        """Return the angle turned, by what was read there."""

    def contradicts(self, run: AxisRun) -> Part[Finding | None]:
        """Hold the newest rung against what is known; the result is the finding that ends it."""

    def places(self, run: AxisRun) -> list[Place]:
        """Return the places to read, in order; none where there is too little room."""

    def in_words(self, run: AxisRun, places: list[Place]) -> str:
        """Return what is going to be read."""

    def end(self, run: AxisRun) -> Part[Finding]:
        """Read what is to be read last, and return what of the finding is different for it."""

    def finding(self, run: AxisRun) -> Finding:
        """Return the finding of all readings, with angles for lengths."""


def free_deg(run: AxisRun) -> tuple[float, float]:
    """Return how many commanded degrees are free to minus and to plus from the origin."""
    minus, plus = (side / run.scale_high - run.over_mm for side in (-run.minus_mm, run.plus_mm))
    return max(0.0, minus - 0.01), max(0.0, plus - 0.01)


def has_no_room(run: AxisRun) -> Finding:
    """Return the finding where an axis cannot turn far enough."""
    return without_fit(
        verdict="cannot-tell",
        axis=run.name,
        n=len(run.readings),
        next=(
            f"{run.letter} has {-run.minus_mm:g} degrees to minus and {run.plus_mm:g} to plus: too "
            "little to measure with. Free what holds it, turn it to the middle, and start again"
        ),
    )


def expected_deg(run: AxisRun, to_deg: float) -> float:
    """Return the angle that the first and the furthest reading of this visit lead to."""
    here = [one for one in run.readings if one.visit == run.visit]
    first = here[0]
    furthest = max(here, key=lambda one: abs(one.commanded_mm - first.commanded_mm))
    slope = (furthest.reading_mm - first.reading_mm) / (furthest.commanded_mm - first.commanded_mm)
    return first.reading_mm + slope * (to_deg - first.commanded_mm)


def turn_to(run: AxisRun, place: int, at: Place, *, fresh: bool) -> Part[float]:
    """Turn to a place; the result is the feed."""
    feed = (
        run.axis.feed_mm_per_min
        if run.scale_high <= _WELL_KNOWN * run.scale_low
        else run.slow_feed_mm_per_min()
    )
    yield Approach(
        key=f"{run.name}.place.{place}",
        axis=run.name,
        to_mm=at[0],
        approach=at[1],
        over_mm=run.over_mm,
        feed_mm_per_min=feed,
        fresh=fresh,
    )
    return feed


def read(run: AxisRun, way: Way, place: int, at: Place, expected_deg: float) -> Part[Reading]:
    """Turn to a place and read it; the result holds the whole angle turned."""
    expected_deg = yield from hear(Decided(key=f"{run.name}.expected", value=expected_deg))
    fresh = False
    while True:
        feed = yield from turn_to(run, place, at, fresh=fresh)
        question = way.question(run, at, expected_deg)
        reply = yield question
        fresh = True
        match reply:
            case Value():
                angle_deg = way.angle_deg(reply.value, at, expected_deg)
                reading = Reading(
                    at[0], angle_deg, at[1], n=run.next_n, visit=run.visit, time_s=reply.at_s
                )
                run.readings.append(reading)
                run.stops.append(Stop(question.key, at[0], at[1], feed, place=place))
                return reading
            case Again():
                continue


def did_not_follow(run: AxisRun) -> Finding:
    """Return the finding where what is read did not turn with the axis."""
    return without_fit(
        verdict="measure-again",
        axis=run.name,
        n=len(run.readings),
        next=f"the mark did not follow {run.letter}: look whether the table slips, start again",
    )


def judged(run: AxisRun, scale: Scale, found: Fit, *, once_a_turn: str, anew: str) -> Finding:
    """Return the finding of a fit in degrees, with angles for lengths.

    `once_a_turn` says why what rises and falls once a turn is not seen, `anew` how a second
    set-up is made.
    """
    axis = run.axis
    said = decide(
        scale, axis.train, axis.stored, fit=found, axis_length_mm=axis.length_mm, looks=run.looks
    )
    finding: dict[str, Any] = said.as_json(file=None, axis=run.name)
    finding["unit"] = run.unit
    finding["not_tested"] = {**finding["not_tested"], "periodic": once_a_turn}
    for cause in finding["causes"]:
        if cause["name"] == "not-listed":
            cause["check"] = anew
    if finding["place_anew"]:
        finding["next"] = (
            f"the scale is {said.scale.value:.5f} ± {said.scale.U:.5f} and no usual part explains "
            f"it: {anew}"
        )
    return finding
