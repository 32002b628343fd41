"""The ladder: from an axis nobody knows anything about to a scale that can be trusted to move.

1 mm watched by eye, 10 mm read, one turn read, then far: each step is limited by the worst
scale that the steps before still allow. Until the first move has been watched not even its
direction is known, and the controller may think in inches, so 1 mm may be 25.4 mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tuner.messages import (
    Approach,
    Choose,
    Confirm,
    Decided,
    Limits,
    Observe,
    Reference,
    Say,
    Text,
)
from tuner.metrology.unmeasured import without_readings
from tuner.metrology.verdict import scale_bounds
from tuner.plans.readings import take_reading
from tuner.plans.run import AxisRun, Part, Stop, hear

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
_READ_MM = 10.0

Finding = dict[str, Any]


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


def climb(run: AxisRun, may_reference: bool) -> Part[Finding | None]:
    """Climb the ladder; the result is None at the top, or the finding that ended it."""
    ended = yield from _first_move(run)
    if ended is None and may_reference:
        ended = yield from _perhaps_reference(run)
    if ended is None:
        ended = yield from _read_steps(run)
    return ended


# --- first move ---------------------------------------------------------------------------


def _first_move(run: AxisRun) -> Part[Finding | None]:
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
            yield from _learn(run, direction_seen=True, factor=(1 / _LOOKED_RIGHT, _LOOKED_RIGHT))
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
    yield Decided(key=f"{a}.limits", value=_limits(run, direction_seen=False, at_mm=0.0))


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


def _limits(run: AxisRun, *, direction_seen: bool, at_mm: float | None = None) -> Limits:
    return Limits(
        axis=run.name,
        minus_mm=run.minus_mm,
        plus_mm=run.plus_mm,
        scale_low=run.scale_low,
        scale_high=run.scale_high,
        direction_seen=direction_seen,
        at_mm=at_mm,
    )


def _learn(
    run: AxisRun, *, direction_seen: bool, factor: tuple[float, float], at_mm: float | None = None
) -> Part[None]:
    """Add bounds on the scale to those known, and tell them to whoever guards the envelope.

    Both hold, so what they have in common holds. Where they have nothing in common a reading
    was wrong, nobody knows which one: then all that either allows has to be free.
    """
    low, high = max(run.scale_low, factor[0]), min(run.scale_high, factor[1])
    if low > high:
        low, high = min(run.scale_low, factor[0]), max(run.scale_high, factor[1])
    bounds = yield from hear(Decided(key=f"{run.name}.scale-bounds", value=[low, high]))
    run.scale_low, run.scale_high = bounds
    yield Decided(
        key=f"{run.name}.limits",
        value=_limits(run, direction_seen=direction_seen, at_mm=at_mm),
    )


# --- referencing, on the person's wish ----------------------------------------------------


def _perhaps_reference(run: AxisRun) -> Part[Finding | None]:
    a, switch = run.name, run.axis.reference
    wish = yield from hear(
        Choose(
            key=f"{a}.origin",
            options=("declare", "reference"),
            default="declare",
            says=(
                f"Measure {run.letter} from where it stands (declare), or let it search its end "
                "switch first (reference, also called home)? Measuring does not need the switch"
            ),
        )
    )
    if wish == "declare":
        return None
    before = yield from hear(Observe(key=f"{a}.switch-free", what="switches"))
    yield from _until_yes(
        f"{a}.switch-pressed",
        f"Press the end switch of {run.letter} with a stick, keep it pressed, and answer yes",
    )
    held = yield from hear(Observe(key=f"{a}.switch-held", what="switches"))
    if not _was_pressed(a, before, held):
        yield Say(
            key=f"{a}.switch-silent",
            says=(
                "the controller did not see the switch change, so it may not search for it; "
                "measuring goes on from where the axis stands"
            ),
        )
        return None
    yield from _until_yes(f"{a}.switch-clear", "Let go of the switch. Are your hands out?")
    yield Reference(key=f"{a}.reference", axis=a, position_mm=switch.position_mm)
    low_mm, high_mm = run.axis.range_mm
    # The switch may stand a little outside the range; where it stands is free all the same.
    run.minus_mm = min(0.0, low_mm - switch.position_mm)
    run.plus_mm = max(0.0, high_mm - switch.position_mm)
    run.visit += 1
    yield from _learn(run, direction_seen=True, factor=(run.scale_low, run.scale_high), at_mm=0.0)
    return None


def _until_yes(key: str, says: str) -> Part[None]:
    """Ask until the answer is yes; whoever does not want to go on can stop."""
    while not (yield from hear(Confirm(key=key, says=says))):
        yield Say(key=f"{key}-first", says="Nothing goes on before that is so; or stop")


def _was_pressed(
    axis: str, before: Mapping[str, bool] | None, held: Mapping[str, bool] | None
) -> bool:
    """Whether a switch of `axis`, and not just any, was free before and is pressed now."""
    return any(
        pressed and not (before or {}).get(name, True)
        for name, pressed in (held or {}).items()
        if name.startswith(axis)
    )


# --- read steps ---------------------------------------------------------------------------


def _read_steps(run: AxisRun) -> Part[Finding | None]:
    """Read where it starts, after 10 mm and after one turn, in the direction with more room."""
    a = run.name
    ended = yield from _holds(run)
    if ended is not None:
        return ended
    begin = yield from hear(Decided(key=f"{a}.ladder-begin", value=_begin(run)))
    at_mm = float(begin)
    start_mm = yield from _ladder_reading(run, "start", at_mm)
    side = yield from _side(run, at_mm, start_mm)
    if side == 0.0:
        return without_readings(
            verdict="cannot-tell",
            axis=a,
            next=(
                f"there is no room for a first read move: the caliper shows {start_mm:.2f} mm of "
                f"{run.caliper.range_mm:g} mm and {run.letter} has {-run.minus_mm:g} mm to minus, "
                f"{run.plus_mm:g} mm to plus. Place the caliper so that it reads in the middle of "
                "its range, or push the carriage (power off), and start again"
            ),
        )
    length = yield from hear(
        Decided(key=f"{a}.ladder-length", value=free_mm(run, at_mm, start_mm, side))
    )
    first = side * min(_READ_MM, float(length))
    near_mm = yield from _ladder_reading(run, "ten", at_mm + first)
    start_mm = run.readings[0].reading_mm  # an undo may have taken it anew
    ended = yield from _right_way(run, start_mm, near_mm, first)
    if ended is not None:
        return ended
    bounds = yield from hear(
        Decided(key=f"{a}.bounds-ten", value=list(scale_bounds(start_mm, near_mm, abs(first))))
    )
    yield from _learn(run, direction_seen=True, factor=_pair(bounds))
    room = free_mm(run, at_mm, start_mm, side)
    turn = yield from hear(Decided(key=f"{a}.turn", value=side * min(run.output_turn_mm, room)))
    if abs(float(turn)) > abs(first):
        turn_mm = yield from _ladder_reading(run, "turn", at_mm + float(turn))
        start_mm = run.readings[0].reading_mm
        bounds = yield from hear(
            Decided(
                key=f"{a}.bounds-turn",
                value=list(scale_bounds(start_mm, turn_mm, abs(float(turn)))),
            )
        )
        yield from _learn(run, direction_seen=True, factor=_pair(bounds))
    return None


def _holds(run: AxisRun) -> Part[Finding | None]:
    a = run.name
    holds = yield from hear(
        Choose(
            key=f"{a}.holds",
            options=("yes", "no"),
            says=(
                f"Push {run.letter} lightly with one finger, as hard as the caliper would: does it "
                "hold its place?"
            ),
        )
    )
    if holds == "yes":
        return None
    cause = Branch(
        "motor-released",
        "the axis gives way to a light push: its motor is not held, or a screw is loose",
        f"is the motor powered while it stands; {_POWER_OFF}, are the pulley and coupling screws "
        "tight",
    )
    return without_readings(
        verdict="repair-first",
        axis=a,
        next=cause.check,
        cause={"name": cause.cause, "p": 1.0, "says": cause.says, "check": cause.check},
    )


def _begin(run: AxisRun) -> float:
    """Return where to read first: here, or just far enough from the end to arrive in plus."""
    return 0.0 if -run.minus_mm >= run.over_mm * run.scale_high else run.over_mm


def _pair(bounds: list[float]) -> tuple[float, float]:
    low, high = bounds
    return low, high


def _ladder_reading(run: AxisRun, step: str, to_mm: float) -> Part[float]:
    stop = Stop(f"{run.name}.ladder.{step}", to_mm, "plus", run.slow_feed_mm_per_min())
    yield from take_reading(run, stop)
    return run.readings[-1].reading_mm


def _side(run: AxisRun, at_mm: float, start_mm: float) -> Part[float]:
    plus, minus = (free_mm(run, at_mm, start_mm, side) for side in (1.0, -1.0))
    side = 1.0 if plus >= minus else -1.0
    if max(plus, minus) < 1.0:
        side = 0.0
    reply = yield from hear(Decided(key=f"{run.name}.side", value=side))
    return float(reply)


def caliper_room_mm(run: AxisRun, reading_mm: float, side: float) -> float:
    """Return how many true mm the caliper can follow from `reading_mm` toward `side`.

    The far end keeps 1 mm, the datum 10 mm; a mounted caliper keeps 5 mm at both ends.
    """
    if side * run.grows > 0:
        return max(0.0, run.caliper.range_mm - (5.0 if run.mounted else 1.0) - reading_mm)
    return max(0.0, reading_mm - (5.0 if run.mounted else 10.0))


def free_mm(run: AxisRun, at_mm: float, reading_mm: float, side: float) -> float:
    """Return how many commanded mm are free from `at_mm`, reading `reading_mm`, toward `side`.

    Free at every credible scale, with the over-travel of the approach kept clear.
    """
    declared_mm = (run.plus_mm if side > 0 else -run.minus_mm) / run.scale_high - side * at_mm
    room_mm = caliper_room_mm(run, reading_mm, side) / run.scale_high
    return max(0.0, min(declared_mm - run.over_mm, room_mm))


def _right_way(
    run: AxisRun, start_mm: float, near_mm: float, commanded_mm: float
) -> Part[Finding | None]:
    """See that the reading grows as the card says; the eye has seen the direction already."""
    a = run.name
    moved_mm = (near_mm - start_mm) * run.grows * (1 if commanded_mm > 0 else -1)
    reply = yield from hear(Decided(key=f"{a}.moved", value=moved_mm))
    moved_mm = float(reply)
    if abs(moved_mm) < 0.2 * abs(commanded_mm) / _LOOKED_RIGHT:
        return without_readings(
            verdict="repair-first",
            axis=a,
            next=(
                f"{run.letter} was told to go {abs(commanded_mm):g} mm and the caliper saw "
                f"{abs(moved_mm):.2f} mm; look whether the carriage moves and the caliper follows"
            ),
            cause={
                "name": "move-not-made",
                "p": 1.0,
                "says": "the axis did not follow the command",
                "check": "watch the carriage and the caliper during a 1 mm move",
            },
        )
    if moved_mm > 0:
        return None
    grows = "falls" if run.grows > 0 else "grows"
    agreed = yield from hear(
        Choose(
            key=f"{a}.reading-direction",
            options=("yes", "no"),
            says=(
                f"The reading {grows} where the card says the opposite. Is the caliper placed so "
                f"that its reading {grows} when {run.letter} moves to plus?"
            ),
        )
    )
    if agreed == "yes":
        run.grows = -1 if run.grows > 0 else 1
        return None
    return without_readings(
        verdict="repair-first",
        axis=a,
        next=BRANCHES["wrong-way"].check,
        cause={
            "name": "reversed",
            "p": 1.0,
            "says": BRANCHES["wrong-way"].says,
            "check": BRANCHES["wrong-way"].check,
        },
    )
