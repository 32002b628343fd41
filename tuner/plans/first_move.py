"""The first move of an axis: declared free travel, 1 mm, and what was seen.

Until it has been watched not even the direction is known, and the controller may think in
inches: 1 mm may be 25.4 mm, either way. Every answer has its branch; only "about right"
leads on.
"""

from __future__ import annotations

from dataclasses import dataclass

from tuner.messages import Approach, Choose, Decided, Say, Text
from tuner.metrology.unmeasured import without_readings
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
_LEAST_FIRST_MM = 0.2
_FIRST_MM = 1.0


@dataclass(frozen=True)
class Branch:
    """What one answer to "what did the 1 mm move do?" means, and what to do about it."""

    cause: str
    says: str
    check: str


_POWER_OFF = "power off and unplugged"

BRANCHES = {
    "nothing": Branch(
        "not-powered",
        "the motor did not turn",
        f"is motor power on; then, {_POWER_OFF}, is the motor plug seated and the driver in place",
    ),
    "shakes": Branch(
        "motor-phase",
        "the motor shakes and does not turn: one of its two windings carries no current",
        f"{_POWER_OFF}, look at the motor plug and its wires, and measure both windings with an "
        "ohmmeter; never pull the plug of a powered motor",
    ),
    "other-axis": Branch(
        "wrong-axis",
        "another axis moved",
        f"{_POWER_OFF}, look which motor is plugged in where",
    ),
    "diagonal": Branch(
        "wrong-axis",
        "two axes moved at once: two motors may drive these axes together with coupled belts",
        "look how the belts run; if both motors move both axes, the card's layout is coupled-belts",
    ),
    "wrong-way": Branch(
        "reversed",
        "the axis moved the wrong way; searching an end switch would now run into the far end",
        f"{_POWER_OFF}, turn the motor plug round, or change the direction setting by hand",
    ),
    "too-far": Branch(
        "inch-units",
        "1 mm moved much too far: the controller may work in inches, or the stored number is "
        "many times too large",
        "read the stored number again from the controller, and whether it is set to inches",
    ),
}


def first_move(run: AxisRun) -> Part[Finding | None]:
    a = run.name
    while True:
        yield from _declare_free_travel(run)
        first_mm = yield from _first_length(run)
        if first_mm < _LEAST_FIRST_MM:
            return without_readings(
                verdict="cannot-tell",
                axis=a,
                next=(
                    f"{run.letter} needs at least {_LEAST_FIRST_MM * _INCH:.0f} mm of free travel "
                    "both ways for a first move. Power off, push the carriage to the middle, start "
                    "again"
                ),
            )
        yield Approach(
            key=f"{a}.first",
            axis=a,
            to_mm=first_mm,
            approach="plus",
            over_mm=0.0,
            feed_mm_per_min=run.slow_feed_mm_per_min(),
        )
        still = yield from hear(
            Choose(
                key=f"{a}.still",
                options=("yes", "no"),
                says=f"The controller says the move has ended. Is {run.letter} still?",
            )
        )
        if still == "no":
            return without_readings(
                verdict="cannot-tell",
                axis=a,
                next=(
                    "the controller reports the end of a move before the move has ended. Wait "
                    "until it is still; then use a dialect whose barrier word waits for the end"
                ),
            )
        seen = yield from hear(
            Choose(
                key=f"{a}.first-move",
                options=FIRST_MOVES,
                says=(
                    f"{run.letter} was told to go {first_mm:g} mm to plus "
                    f"({_plus_in_words(run)}). What did you see?"
                ),
            )
        )
        if seen == "about-right":
            yield from learn(run, direction_seen=True, factor=(1 / _LOOKED_RIGHT, _LOOKED_RIGHT))
            return None
        branch = BRANCHES[seen]
        yield Say(key=f"{a}.branch", says=f"{branch.says}. To find out: {branch.check}")
        if seen in ("nothing", "shakes"):
            then = yield from hear(
                Choose(
                    key=f"{a}.after-look",
                    options=("try-again", "leave-axis"),
                    says=(
                        "After a look the position counts as unknown. Try the first move again, or "
                        "leave this axis?"
                    ),
                )
            )
            if then == "try-again":
                run.visit += 1
                continue
        return without_readings(
            verdict="repair-first",
            axis=a,
            next=branch.check,
            cause={"name": branch.cause, "p": 1.0, "says": branch.says, "check": branch.check},
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
    a = run.name
    for side in ("minus", "plus"):
        reply = yield from hear(
            Text(
                key=f"{a}.free-{side}",
                low_mm=0.0,
                high_mm=10_000.0,
                says=(
                    f"Where {run.letter} stands now: how many mm can it go to {side} before "
                    "anything is in its way? Look, do not push; when in doubt say less"
                ),
            )
        )
        if side == "minus":
            run.minus_mm = -reply
        else:
            run.plus_mm = reply
    if run.mounted:
        yield from _slide_limits(run)
    run.scale_low, run.scale_high = 1 / _INCH, _INCH
    yield Decided(key=f"{a}.limits", value=limits(run, direction_seen=False, at_mm=0.0))


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
    room = min(-run.minus_mm, run.plus_mm) / _INCH
    length = min(_FIRST_MM, int(room * 10) / 10)
    reply = yield from hear(Decided(key=f"{run.name}.first-length", value=length))
    return float(reply)
