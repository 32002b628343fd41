"""The first move of an axis: declared free travel, 1 mm, and what was seen.

Until it has been watched not even the direction is known, and the controller may think in
inches: 1 mm may be 25.4 mm, either way. Every answer has its branch; only "about right"
leads on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tuner.messages import Approach, Choose, Confirm, Decided, Observe, Say, Text
from tuner.metrology.unmeasured import without_fit
from tuner.plans.bounds import caliper_room_mm, learn, limits
from tuner.plans.run import AxisRun, Finding, Part, hear

FIRST_MOVES = (
    "about-right",
    "nothing",
    "shakes",
    "other-axis",
    "diagonal",
    "wrong-way",
    "too-far",
)
_INCH = 25.4
_LOOKED_RIGHT = 4.0  # a move that looked about right by eye is within this factor
LEAST_FIRST_MM = 0.2
_FIRST_MM = 1.0
_LEAST_FREE_MM = math.ceil(LEAST_FIRST_MM * _INCH)
_LENGTH_SLACK_MM = 2.0


@dataclass(frozen=True)
class Branch:
    """What one answer to "what did the 1 mm move do?" means, and what to do about it."""

    cause: str
    says: str
    check: str

    def finding(self, run: AxisRun, verdict: str = "repair-first") -> Finding:
        """Return the finding that ends the axis with this branch."""
        return without_fit(
            verdict=verdict,
            axis=run.name,
            n=len(run.readings),
            next=self.check,
            cause={"name": self.cause, "p": 1.0, "says": self.says, "check": self.check},
        )


POWER_OFF = "power off and unplugged, a vertical axis blocked"

BRANCHES = {
    "nothing": Branch(
        "not-powered",
        "the motor did not turn",
        f"see that motor power is on; then, {POWER_OFF}, that the motor plug and the driver "
        "are seated",
    ),
    "shakes": Branch(
        "motor-phase",
        "the motor shakes and does not turn: one of its two windings carries no current",
        f"{POWER_OFF}, look at the motor plug and its wires, and measure both windings with an "
        "ohmmeter; never pull the plug of a powered motor",
    ),
    "other-axis": Branch(
        "wrong-axis",
        "another axis moved",
        f"{POWER_OFF}, look which motor is plugged in where",
    ),
    "diagonal": Branch(
        "wrong-axis",
        "two axes moved at once: two motors may drive these axes together with coupled belts",
        "look how the belts run; if both motors move both axes, the card's layout is coupled-belts",
    ),
    "wrong-way": Branch(
        "reversed",
        "the axis moved the wrong way; searching an end switch would now run into the far end",
        f"{POWER_OFF}, turn the motor plug round, or change the direction setting by hand",
    ),
    "too-far": Branch(
        "inch-units",
        "1 mm moved much too far: the controller may work in inches, or the stored number is "
        "many times too large",
        "read the stored number again from the controller, and whether it is set to inches",
    ),
}


def put_block_beside(run: AxisRun) -> Part[None]:
    """Have something put under a vertical axis before it moves."""
    if not run.axis.vertical:
        return
    while not (
        yield from hear(
            Confirm(
                key=f"{run.name}.block-beside",
                says=(
                    f"{run.letter} goes up and down, and can drop whenever its motors get no "
                    "current; this program never releases them. Put a block of wood beside its "
                    "way that would bear it, hands never under it, and clear of the moves. Does "
                    "it stand?"
                ),
            )
        )
    ):
        yield Say(
            key=f"{run.name}.block-beside-first", says="Nothing moves before that is so; or stop"
        )


def first_move(run: AxisRun) -> Part[Finding | None]:
    a = run.name
    while True:
        yield from _declare_free_travel(run)
        first_mm = yield from _first_length(run)
        if first_mm < LEAST_FIRST_MM:
            if (yield from makes_room(run)):
                continue
            return no_room_at_first(run)
        seen = yield from watch(run, first_mm)
        if not isinstance(seen, str):
            return seen
        if seen == "about-right":
            yield from looked_right(run)
            return None
        branch = BRANCHES[seen]
        yield Say(key=f"{a}.branch", says=f"{branch.says}. Next: {branch.check}")
        if seen in ("nothing", "shakes") and (yield from tries_again(run)):
            continue
        return branch.finding(run)


def watch(run: AxisRun, first_mm: float) -> Part[str | Finding]:
    """Make the first move; the result is one of ``FIRST_MOVES``, or the finding that ends it."""
    yield Approach(
        key=f"{run.name}.first",
        axis=run.name,
        to_mm=first_mm,
        approach="plus",
        over_mm=0.0,
        feed_mm_per_min=run.slow_feed_mm_per_min(),
    )
    ended = yield from end_seen(run)
    if ended is not None:
        return ended
    seen = yield from hear(
        Choose(
            key=f"{run.name}.first-move",
            options=FIRST_MOVES,
            says=(
                f"{run.letter} was told to go {first_mm:g} {run.unit} to plus "
                f"({_plus_in_words(run)}). What did you see?"
            ),
        )
    )
    return str(seen)


def looked_right(run: AxisRun) -> Part[None]:
    """Learn the bounds on the scale of a move that looked about right."""
    yield from learn(run, direction_seen=True, factor=(1 / _LOOKED_RIGHT, _LOOKED_RIGHT))


def tries_again(run: AxisRun) -> Part[bool]:
    """Ask whether the first move is made once more after a look; its place is unknown then."""
    then = yield from hear(
        Choose(
            key=f"{run.name}.after-look",
            options=("try-again", "leave-axis"),
            says=(
                "After a look the position counts as unknown. Try the first move again, or "
                "leave this axis?"
            ),
        )
    )
    if then != "try-again":
        return False
    yield from _touched(run)
    yield Observe(key=f"{run.name}.greeting", what="greeting")
    run.visit += 1
    return True


def end_seen(run: AxisRun) -> Part[Finding | None]:
    """Ask whether the end of a move is its end; the result is the finding where it is not."""
    still = yield from hear(
        Choose(
            key=f"{run.name}.still",
            options=("yes", "no"),
            says=f"The controller says the move has ended. Is {run.letter} still?",
        )
    )
    if still == "yes":
        return None
    run.ends_session = True
    return without_fit(
        verdict="cannot-tell",
        axis=run.name,
        next=(
            "the controller reports the end of a move before the move has ended. Wait until it is "
            "still; then use a dialect whose barrier word waits for the end"
        ),
    )


def makes_room(run: AxisRun) -> Part[bool]:
    """Ask whether it is said anew how far an axis can go that has too little room to begin."""
    then = yield from hear(
        Choose(
            key=f"{run.name}.no-room",
            options=("say-anew", "leave-axis"),
            says=(
                f"{run.letter} has {-run.minus_mm:g} {run.unit} to minus and {run.plus_mm:g} "
                f"{run.unit} to plus. A first move needs {_LEAST_FREE_MM} {run.unit} each way, in "
                "case the controller counts in inches. say-anew: that was mistyped, or what was in "
                "the way is gone. leave-axis: it is not measured now"
            ),
        )
    )
    return bool(then == "say-anew")


def no_room_at_first(run: AxisRun) -> Finding:
    """Return the finding where there is too little room for even a first move."""
    return without_fit(
        verdict="cannot-tell",
        axis=run.name,
        next=(
            f"{run.letter} needs at least {_LEAST_FREE_MM} {run.unit} of free travel both ways for "
            "a first move. Power off, push the carriage slowly to the middle (a turning motor "
            "generates voltage), start again"
        ),
    )


def _touched(run: AxisRun) -> Part[None]:
    """Ask what the look may have moved. Whatever the answer, the place is declared anew."""
    touched = yield from hear(
        Choose(
            key=f"{run.name}.touched",
            options=("yes", "no", "unsure"),
            says="Was the power off, or was the carriage touched?",
        )
    )
    why = "a look always counts as a touch" if touched == "no" else "it may stand anywhere"
    yield Say(
        key=f"{run.name}.position-unknown",
        says=(
            f"The position of {run.letter} counts as unknown: {why}. Say anew how far it can go "
            "each way"
        ),
    )


def _plus_in_words(run: AxisRun) -> str:
    if run.axis.moves == "bed":
        return "the bed moves, so it goes the other way: plus is tool relative to work"
    match run.axis.reference.at:
        case "min":
            return "plus is away from its end switch"
        case "max":
            return "plus is toward its end switch"
        case _:
            return "plus is the way in which its position grows"


def _declare_free_travel(run: AxisRun) -> Part[None]:
    yield from declare_free(run)
    yield Decided(key=f"{run.name}.limits", value=limits(run, direction_seen=False, at_mm=0.0))


def declare_free(run: AxisRun) -> Part[None]:
    """Ask for the free travel of an axis of which nothing else is known, not even the units."""
    yield from ask_free_travel(run)
    if run.mounted:
        yield from _slide_limits(run)
    run.scale_low, run.scale_high = 1 / _INCH, _INCH


def ask_free_travel(run: AxisRun) -> Part[None]:
    """Ask how far the axis may go each way from where it stands, in true mm."""
    length_mm = run.axis.length_mm
    while True:
        minus_mm = yield from _ask_free(run, "minus")
        plus_mm = yield from _ask_free(run, "plus")
        if minus_mm + plus_mm <= length_mm + _LENGTH_SLACK_MM:
            break
        yield Say(
            key=f"{run.name}.too-long",
            says=(
                f"{minus_mm:g} and {plus_mm:g} {run.unit} make more than the {length_mm:g} "
                f"{run.unit} that the card gives {run.letter}; look again, or correct "
                f"range_{run.unit} on the card"
            ),
        )
    run.minus_mm, run.plus_mm = -minus_mm, plus_mm


def _ask_free(run: AxisRun, side: str) -> Part[float]:
    reply = yield from hear(
        Text(
            key=f"{run.name}.free-{side}",
            low_mm=0.0,
            high_mm=run.axis.length_mm,
            unit="deg" if run.unit == "deg" else "mm",
            says=(
                f"Where {run.letter} stands now: how many {run.unit} can it go to {side} before "
                "anything is in its way? Look, do not push; when in doubt say less"
            ),
        )
    )
    return float(reply)


def _slide_limits(run: AxisRun) -> Part[None]:
    """A clamped caliper moves along: its slide must not reach an end, whichever way it goes."""
    shows = yield from hear(
        Text(
            key=f"{run.name}.slide-now",
            low_mm=0.0,
            high_mm=run.caliper.range_mm,
            says="What does the clamped caliper show now?",
        )
    )
    room_mm = min(caliper_room_mm(run, shows, side) for side in (1.0, -1.0))
    run.minus_mm, run.plus_mm = max(run.minus_mm, -room_mm), min(run.plus_mm, room_mm)


def _first_length(run: AxisRun) -> Part[float]:
    length = first_length_mm(-run.minus_mm, run.plus_mm)
    reply = yield from hear(Decided(key=f"{run.name}.first-length", value=length))
    return float(reply)


def first_length_mm(*free_mm: float) -> float:
    """Return how long a first move may be where so much is free, were it told in inches."""
    return min(_FIRST_MM, int(min(free_mm) / _INCH * 10) / 10)
