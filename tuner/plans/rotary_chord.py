"""A turning axis read at a radius, for one that cannot make a whole turn.

A mark on the table, the tip of a fixed pointer set upon it, and a caliper with the points of its
jaws from tip to mark: the chord of the angle turned (``metrology.rotary_chord``). The caliper shows
no sign, so which way it went rests on the eye; and since all angles hang on the radius, that is
asked for with what it may be wrong by, and as a circle once more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tuner.errors import BadReadings
from tuner.messages import Ask, Confirm, Decided, Say, Text
from tuner.metrology.rotary_chord import (
    TIP_LIMIT_MM,
    Turned,
    angle_deg,
    chord_mm,
    longest_deg,
    radius_wanted_mm,
    turned,
)
from tuner.metrology.unmeasured import without_fit
from tuner.plans.axis import has_moved, read_zero, zero_moved
from tuner.plans.rotary_way import Place, did_not_follow, free_deg, judged, turn_to
from tuner.plans.run import AxisRun, Finding, Part, hear

__all__ = ["ByChord"]

_LEAST_RUNG_DEG = 5.0
# Over less the chords are so straight that one could take the width of the circle for its radius
# and nothing would contradict it (simulated).
_LEAST_SPAN_DEG = 80.0
# A side with less room than that is left alone: its chords would be too short to set points to.
_LEAST_SIDE_DEG = 10.0
_RADIUS_MM = (10.0, 1000.0)
_WITHIN_MM = (0.05, 10.0)
_SEEN_WITHIN_MM = 3.0
# What a rung may be off the line of the one before, for each time it is longer, in degrees: play,
# a radius that is not quite right, points set beside the mark.
_BENT_DEG = 1.5
# Below this U nothing tells neighbouring parts apart, so the relative u that is wanted.
_WANTED_U = 0.0015
_KEPT_MM = 1.0  # of the caliper's range
_RADIUS_SHARE = 0.5
_LESS_THAN_A_TURN = "less than a turn does not show what rises and falls once per turn"
_ORDER = "up and down again in one order cancels a steady drift: it is not seen"
_ANEW = "set pointer and mark anew, at another radius, and measure a second time"


@dataclass
class ByChord:
    """The way by chords. The mark is at `radius_mm`, 0 until that is known, within `within_mm`.

    A radius that was typed wrongly must not lead further than the card says, so the scale counts as
    no less than that of the card until the readings are judged. Each rung is read half-way too.
    """

    rungs_deg: tuple[float, ...] = (10.0, 40.0)
    rung_parts: tuple[float, ...] = (0.5, 1.0)
    readings: int = 8
    least_high: float = 1.05
    start_deg: float = 0.0
    radius_mm: float = 0.0
    within_mm: float = 0.0
    zero_mm: float | None = None

    def get_ready(self, run: AxisRun) -> Part[None]:
        """Have the mark made, and ask how far it is from the centre."""
        a = run.name
        yield Say(
            key=f"{a}.at-a-radius",
            says=(
                f"{run.letter} is read at a radius: make a fine mark on the table, best 60 mm or "
                "more from the centre; half of that sees half as well, and below 30 mm it takes "
                "nearly a whole turn to see half a percent. The radius counts as much as the "
                "readings: measure across the rim and halve it"
            ),
        )
        while not self.radius_mm:
            radius_mm = yield from self._length(
                run, "radius", _RADIUS_MM, "", "How far is the mark from the centre it turns about?"
            )
            within_mm = yield from self._length(
                run, "radius-within", _WITHIN_MM, "0.2", "How far may that be off, either way?"
            )
            agreed = yield from hear(
                Confirm(
                    key=f"{a}.circle",
                    says=(
                        f"Then the circle of the mark is {2.0 * radius_mm:.1f} mm across, and from "
                        f"the mark to the centre it is {radius_mm:.1f} mm. Is that so?"
                    ),
                )
            )
            if agreed:
                self.radius_mm, self.within_mm = radius_mm, within_mm
        if self.zero_mm is None:
            self.zero_mm = yield from read_zero(run, "zero-first")

    def _length(
        self, run: AxisRun, name: str, between_mm: tuple[float, float], default: str, says: str
    ) -> Part[float]:
        low_mm, high_mm = between_mm
        question = Text(
            key=f"{run.name}.{name}", low_mm=low_mm, high_mm=high_mm, default=default, says=says
        )
        return float((yield from hear(question)))

    def begin(self, run: AxisRun) -> Part[None]:
        """Have the pointer set upon the mark at the origin."""
        yield from turn_to(run, 0, (0.0, "minus"), fresh=False)
        while not (
            yield from hear(
                Confirm(
                    key=f"{run.name}.pointer-set",
                    says=(
                        "Fix a pointer to the frame with its tip just above the mark, not touching "
                        f"it, and no more than {TIP_LIMIT_MM:g} mm beside it. Nothing else may be "
                        "in the way of what turns. Is it fixed, and are hands out?"
                    ),
                )
            )
        ):
            yield Say(
                key=f"{run.name}.pointer-first", says="Nothing turns before that is so; or stop"
            )

    def least_deg(self, rung_deg: float) -> float:
        """Return the shortest rung that a chord shows."""
        return _LEAST_RUNG_DEG

    def room_deg(self, run: AxisRun) -> tuple[float, float]:
        """Return what is free, as far as the caliper spans and the chord still grows."""
        most = longest_deg(self.radius_mm, run.caliper.range_mm - _KEPT_MM) / run.scale_high
        minus, plus = (math.floor(10.0 * min(side, most)) / 10.0 for side in free_deg(run))
        return minus, plus

    def question(self, run: AxisRun, at: Place, expected_deg: float) -> Ask:
        """Ask for the chord."""
        return Ask(
            key=f"{run.name}.chord",
            axis=run.name,
            at_mm=at[0],
            approach=at[1],
            n=run.next_n,
            low_mm=0.0,
            high_mm=run.caliper.range_mm,
            expected_mm=abs(chord_mm(expected_deg, self.radius_mm)) if run.climbed else None,
            within_mm=_SEEN_WITHIN_MM,
            visit=run.visit,
            says="From the tip of the pointer straight to the mark: what does the caliper show?",
        )

    def angle_deg(self, shown: float, at: Place, expected_deg: float) -> float:
        """Return the angle of a chord, to the side that the axis was told to."""
        return math.copysign(angle_deg(shown, self.radius_mm), at[0])

    def contradicts(self, run: AxisRun) -> Part[Finding | None]:
        """See that the newest rung lies on the line of the one before."""
        here = [one for one in run.readings if one.visit == run.visit]
        last, before = here[-1], here[-2] if len(here) > 1 else here[-1]
        times = last.commanded_mm / before.commanded_mm
        off_deg = last.reading_mm - times * before.reading_mm
        bent = yield from hear(
            Decided(key=f"{run.name}.bent", value=abs(off_deg) > _BENT_DEG * abs(times))
        )
        if not bent:
            return None
        read_mm = ", ".join(f"{abs(chord_mm(one.reading_mm, self.radius_mm)):.2f}" for one in here)
        return without_fit(
            verdict="measure-again",
            axis=run.name,
            n=len(run.readings),
            next=(
                f"the chords {read_mm} mm do not belong to angles of one scale. One was read "
                "wrongly, or the axis lost its way: look that it runs free and the pointer sits "
                "firmly, and start again"
            ),
        )

    def places(self, run: AxisRun) -> list[Place]:
        """Return both ends and half the way to them, going up and then down again."""
        ends = self._ends_deg(run)
        if ends is None:
            return []
        low, high = ends
        middle = (low / 2.0, high / 2.0)
        if low > 0.0 or high < 0.0:  # all on one side of the tip
            third = (high - low) / 3.0
            middle = (low + third, high - third)
        up = [round(one, 2) for one in (low, *middle, high)]
        return [*((one, "plus") for one in up), *((one, "minus") for one in reversed(up))]

    def _ends_deg(self, run: AxisRun) -> tuple[float, float] | None:
        minus, plus = self.room_deg(run)
        low = -minus if minus >= _LEAST_SIDE_DEG else min(_LEAST_SIDE_DEG, plus)
        high = plus if plus >= _LEAST_SIDE_DEG else max(-_LEAST_SIDE_DEG, -minus)
        return (low, high) if high - low >= _LEAST_SPAN_DEG else None

    def in_words(self, run: AxisRun, places: list[Place]) -> str:
        """Return what is read, and from which radius on that is worth it."""
        low, high = (one(to_deg for to_deg, _ in places) for one in (min, max))
        wanted_mm = radius_wanted_mm(low, high, self.within_mm, _WANTED_U)
        small = (
            f". From so short an arc it takes a radius of {wanted_mm:.0f} mm to see 0.3 %; here it "
            f"is {self.radius_mm:.0f} mm, which shows less"
        )
        return (
            f"{len(places)} chords, from {low:.1f} to {high:.1f} degrees and back. Set the points "
            "of the outside jaws to tip and mark, straight and without pressing"
        ) + small * (wanted_mm > self.radius_mm)

    def end(self, run: AxisRun) -> Part[Finding]:
        """Read the caliper's zero once more."""
        zero_last_mm = yield from read_zero(run, "zero-last")
        first_mm = self.zero_mm or 0.0
        value = has_moved(first_mm, zero_last_mm)
        run.zero_moved = yield from hear(Decided(key=f"{run.name}.zero-moved", value=value))
        return zero_moved(first_mm, zero_last_mm) if run.zero_moved else {}

    def finding(self, run: AxisRun) -> Finding:
        """Return what the chords showed."""
        try:
            found = turned(
                run.readings,
                radius_mm=self.radius_mm,
                within_mm=self.within_mm,
                error_limit_mm=run.caliper.error_limit_mm,
                resolution_mm=run.caliper.resolution_mm,
            )
        except BadReadings:
            return did_not_follow(run)
        finding = judged(run, found.scale, found.fit, once_a_turn=_LESS_THAN_A_TURN, anew=_ANEW)
        finding["not_tested"]["drift_mm_per_min"] = _ORDER
        finding["chord"] = {
            "radius_mm": self.radius_mm,
            "within_mm": self.within_mm,
            "fitted_radius_mm": found.radius_mm,
            "u_mm": found.u_radius_mm,
        }
        return finding | self._first_of_all(finding, found)

    def _first_of_all(self, finding: Finding, found: Turned) -> Finding:
        """Return what comes before the number where it is the radius that is in doubt."""
        if found.contradicted:
            return {
                "verdict": "measure-again",
                "proposal": None,
                "place_anew": False,
                "look": None,
                "next": (
                    f"the chords belong to a circle of radius {found.radius_mm:.1f} mm, and "
                    f"{self.radius_mm:.1f} mm was measured: measure it again, from the mark to the "
                    "centre that the axis turns about, and start again"
                ),
            }
        share = {one.name: one.u_relative for one in found.scale.contributions}
        by_radius = share["radius of the mark"] / found.scale.u_relative
        if finding["verdict"] != "measure-again" or by_radius**2 < _RADIUS_SHARE:
            return {}
        return {
            "next": (
                f"the scale is {found.scale.value:.4f} ± {found.scale.U:.4f}, and that is mostly "
                f"the radius, known to {found.u_radius_mm:.2f} mm: measure it better, put the "
                "mark further out, or free more of the turn. From 120 degrees each way on the "
                "chords show the radius themselves"
            )
        }
