"""A turning axis read by an index mark on its rim, over as many whole turns as are free.

The mark shows where it is within one turn; how many turns were made follows from what is known of
the scale already, so each rung is short enough that they are beyond doubt. What the mark is read
wrong by stays the same while the angle grows: the more turns, the better.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tuner.messages import Approached, Ask, Confirm, Decided, Say
from tuner.metrology.fit import fit
from tuner.metrology.rotary import MARK_STEP_DEG, index_scale, unwrapped
from tuner.metrology.unmeasured import without_fit
from tuner.plans.rotary_way import Place, did_not_follow, free_deg, judged, read
from tuner.plans.run import AxisRun, Finding, Part, hear

__all__ = ["TURN_DEG", "ByIndex"]

TURN_DEG = 360.0
_SEEN_WITHIN_DEG = 2.0
# Near half a turn the mark may show either sign.
_SIGN_DOUBTFUL_DEG = 170.0
# Near, far, far, near, from both sides: play and scale stay apart, a steady drift cancels.
_ORDER: tuple[tuple[int, Approached], ...] = (
    (0, "plus"), (1, "plus"), (1, "minus"), (0, "minus"), (0, "plus"), (1, "plus"),
)  # fmt: skip
_ONCE_A_TURN = "whole turns cancel what rises and falls once per turn: it is not seen"
_MARK_ANEW = "draw the index mark anew at another place of the rim, and measure a second time"


@dataclass
class ByIndex:
    """The way by an index mark."""

    rungs_deg: tuple[float, ...] = (10.0, 90.0)
    rung_parts: tuple[float, ...] = (1.0,)
    readings: int = len(_ORDER)
    least_high: float = 0.0
    start_deg: float = 0.0

    def get_ready(self, run: AxisRun) -> Part[None]:
        """Have the mark drawn."""
        a = run.name
        while not (
            yield from hear(
                Confirm(
                    key=f"{a}.mark-drawn",
                    says=(
                        f"{run.letter} turns, and is read from an index mark: a fine line on its "
                        "rim, against a line on the frame with a scale of degrees beside it, 0 "
                        "where both meet now. Nothing may wind up that does not give way. Are "
                        "both drawn?"
                    ),
                )
            )
        ):
            yield Say(key=f"{a}.mark-first", says="Nothing moves before that is so; or stop")

    def begin(self, run: AxisRun) -> Part[None]:
        """Read the mark at the origin."""
        start = yield from read(run, self, 0, (0.0, "plus"), 0.0)
        self.start_deg = start.reading_mm

    def least_deg(self, rung_deg: float) -> float:
        """Return the whole rung."""
        return rung_deg

    def room_deg(self, run: AxisRun) -> tuple[float, float]:
        """Return what is free: a mark can be read anywhere."""
        return free_deg(run)

    def question(self, run: AxisRun, at: Place, expected_deg: float) -> Ask:
        """Ask how far the mark is off its line."""
        shows_deg = math.remainder(expected_deg, TURN_DEG)
        is_known = run.climbed and abs(shows_deg) < _SIGN_DOUBTFUL_DEG
        return Ask(
            key=f"{run.name}.index",
            axis=run.name,
            at_mm=at[0],
            approach=at[1],
            n=run.next_n,
            low_mm=-180.0,
            high_mm=180.0,
            expected_mm=shows_deg if is_known else None,
            within_mm=_SEEN_WITHIN_DEG,
            unit="deg",
            visit=run.visit,
            says="How many degrees is the index mark off its line, plus the way the axis counts?",
        )

    def angle_deg(self, shown: float, at: Place, expected_deg: float) -> float:
        """Return the angle with the whole turns that were made."""
        return unwrapped(shown, expected_deg)

    def contradicts(self, run: AxisRun) -> Part[Finding | None]:
        """See that the mark went the way that the eye saw."""
        last = run.readings[-1]
        wrong_way = (last.reading_mm - self.start_deg) * last.commanded_mm <= 0.0
        if not (yield from hear(Decided(key=f"{run.name}.wrong-way", value=wrong_way))):
            return None
        return without_fit(
            verdict="measure-again",
            axis=run.name,
            n=len(run.readings),
            next=(
                f"the eye saw {run.letter} go the right way and the mark did not: read angles "
                "that grow when it turns to plus as plus, and start again"
            ),
        )

    def places(self, run: AxisRun) -> list[Place]:
        """Return both ends, whole turns apart, as many as are free, and the mark near its line."""
        minus, plus = free_deg(run)
        turns = (minus + plus) // TURN_DEG
        low, high = -minus, plus
        if turns:
            most = plus - turns * TURN_DEG
            near = (TURN_DEG * (-minus // TURN_DEG + n) for n in (0, 1))
            low = min(
                (min(max(one, -minus), most) for one in near),
                key=lambda one: abs(math.remainder(one, TURN_DEG)),
            )
            high = low + turns * TURN_DEG
        if high - low < TURN_DEG / 4.0:
            return []
        return [((low, high)[end], approach) for end, approach in _ORDER]

    def in_words(self, run: AxisRun, places: list[Place]) -> str:
        """Return where the mark is read."""
        low, high = (one(to_deg for to_deg, _ in places) for one in (min, max))
        return (
            f"{len(places)} readings of the mark, at {low:.1f} and {high:.1f} degrees from where "
            f"{run.letter} stood, from both sides"
        )

    def end(self, run: AxisRun) -> Part[Finding]:
        """Leave it at that."""
        yield from ()
        return {}

    def finding(self, run: AxisRun) -> Finding:
        """Return what the mark showed."""
        found = fit(run.readings, grows=1, resolution_mm=MARK_STEP_DEG)
        if found.scale <= 0.0:
            return did_not_follow(run)
        return judged(run, index_scale(found), found, once_a_turn=_ONCE_A_TURN, anew=_MARK_ANEW)
