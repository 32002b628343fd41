"""The ladder: from an axis nobody knows anything about to a scale that can be trusted to move.

1 mm watched by eye, 10 mm read with a stop half-way, one turn read, then far: each rung is
limited by the worst scale that the rungs before still allow. One misread caliper must not lead
a carriage out of its free travel, so nothing rests on two readings alone: a third one between
or beyond them has to lie on their line.
"""

from __future__ import annotations

from collections.abc import Callable

from tuner.messages import Approach, Choose, Decided, Say
from tuner.metrology.unmeasured import without_fit
from tuner.metrology.verdict import scale_bounds
from tuner.plans.bounds import free_mm, learn
from tuner.plans.first_move import Branch, first_move
from tuner.plans.readings import take_reading
from tuner.plans.reference import perhaps_reference
from tuner.plans.run import AxisRun, Finding, Part, Stop, hear

_READ_MM = 10.0
_FURTHER_MM = 20.0
# How far off the line of two readings a third one may be: an eccentric pulley of 0.2 mm bends
# it by up to four times that, a misreading that matters bends it more.
_BENT_MM = 0.8
_NOT_FOLLOWED = 0.05
# The second reading is asked for once more when it is further off than so many times the way:
# of scales between -0.5 and 2.5 nothing is asked, a slip in the tens of a reading stands out.
_DOUBTED = 1.5


def climb(
    run: AxisRun,
    may_reference: bool,
    first: Callable[[AxisRun], Part[Finding | None]] = first_move,
) -> Part[Finding | None]:
    """Climb the ladder; the result is None at the top, or the finding that ended it.

    `first` is what watches the first move.
    """
    run.settled, run.climbed = len(run.readings), False
    ended = yield from first(run)
    if ended is None and may_reference and not run.mounted:
        yield from perhaps_reference(run)
    if ended is None:
        ended = yield from holds(run)
    if ended is None:
        ended = yield from _read_rungs(run)
    run.settled, run.climbed = len(run.readings), ended is None
    return ended


def _read_rungs(run: AxisRun) -> Part[Finding | None]:
    """Read where it starts, after 5 and 10 mm and after one turn, toward where there is room."""
    a = run.name
    at_mm = float((yield from hear(Decided(key=f"{a}.ladder-begin", value=_begin(run)))))
    start_mm = yield from _rung(run, "start", at_mm)
    side = yield from _side(run, at_mm, start_mm)
    if side == 0.0:
        return _no_room(run, start_mm)
    room_mm = free_mm(run, at_mm, start_mm, side)
    length = yield from hear(Decided(key=f"{a}.ladder-length", value=min(_READ_MM, room_mm)))
    first = side * float(length)
    half = first / 2
    yield from _rung(
        run,
        "half",
        at_mm + half,
        _DOUBTED * abs(half),
        lambda now: _read_mm(now, 0) + now.grows * half,
    )
    yield from _rung(run, "ten", at_mm + first, _BENT_MM, lambda now: _on_the_line(now, 0, 1, 2.0))
    # First of all: of readings that do not fit together none says which way the axis went.
    ended = yield from _straight(run, 0, 1, 2, 2.0, _BENT_MM)
    if ended is None:
        ended = yield from _right_way(run, first)
    if ended is not None:
        return ended
    start_mm, ten_mm = _read_mm(run, 0), _read_mm(run, 2)
    bounds = scale_bounds(start_mm, ten_mm, abs(first), misreading_mm=_BENT_MM)
    yield from learn(run, direction_seen=True, factor=bounds)
    return (yield from _further(run, at_mm, first))


def _further(run: AxisRun, at_mm: float, first: float) -> Part[Finding | None]:
    """Read after one turn, at least 20 mm on, and see that it lies on the line."""
    a = run.name
    side = 1.0 if first > 0 else -1.0
    wanted_mm = max(run.output_turn_mm, _FURTHER_MM)
    room_mm = free_mm(run, at_mm, _read_mm(run, 0), side)
    value = side * min(wanted_mm, room_mm)
    further = float((yield from hear(Decided(key=f"{a}.turn", value=value))))
    times = abs(further / first)
    if times < 1.5:
        return None  # too short to tell anything; the bounds of the rung before stay
    within_mm = _BENT_MM * times / 2
    turn_mm = yield from _rung(
        run, "turn", at_mm + further, within_mm, lambda now: _on_the_line(now, 0, 2, times)
    )
    ended = yield from _straight(run, 0, 2, 3, times, within_mm)
    if ended is not None:
        return ended
    start_mm = _read_mm(run, 0)
    # The start may be as wrong as the rung before could not see, this reading as wrong as it can.
    misreading_mm = max(_BENT_MM, within_mm)
    bounds = scale_bounds(start_mm, turn_mm, abs(further), misreading_mm=misreading_mm)
    yield from learn(run, direction_seen=True, factor=bounds)
    return None


def _read_mm(run: AxisRun, rung: int) -> float:
    """Return what was read on a rung of this climb; earlier readings are settled."""
    return run.readings[run.settled + rung].reading_mm


def _on_the_line(run: AxisRun, one: int, other: int, times: float) -> float:
    """Return what two readings say of a place `times` as far from the first as the second."""
    one_mm, other_mm = _read_mm(run, one), _read_mm(run, other)
    return one_mm + (other_mm - one_mm) * times


def _straight(
    run: AxisRun, one: int, other: int, third: int, times: float, within_mm: float
) -> Part[Finding | None]:
    """Hold a third reading against the line of two; a bend ends the axis."""
    off_mm = _read_mm(run, third) - _on_the_line(run, one, other, times)
    bent = yield from hear(Decided(key=f"{run.name}.bent", value=abs(off_mm) > within_mm))
    if not bent:
        return None
    read = ", ".join(f"{reading.reading_mm:.2f}" for reading in run.readings[run.settled :])
    return without_fit(
        verdict="measure-again",
        axis=run.name,
        n=len(run.readings),
        next=(
            f"the readings {read} mm do not lie on one line ({off_mm:+.2f} mm off). One of them is "
            "wrong, or the axis lost its way: look that it runs free, place the caliper anew, "
            "start again"
        ),
    )


def holds(run: AxisRun) -> Part[Finding | None]:
    """See that the axis holds against the caliper; a long pause may have released its motor."""
    a = run.name
    for attempt in (1, 2):
        holds = yield from hear(
            Choose(
                key=f"{a}.holds",
                options=("yes", "no"),
                says=(
                    f"Push {run.letter} lightly with one finger, as hard as the caliper would: "
                    "does it hold its place?"
                ),
            )
        )
        if holds == "yes":
            return None
        if attempt == 1:
            yield Say(
                key=f"{a}.hold-again",
                says=(
                    "the controller may have released the motor during a pause; a small move "
                    "makes it hold again"
                ),
            )
            begin = yield from hear(Decided(key=f"{a}.ladder-begin", value=_begin(run)))
            yield Approach(
                key=f"{a}.hold-again",
                axis=a,
                to_mm=float(begin),
                approach="plus",
                over_mm=run.over_mm,
                feed_mm_per_min=run.slow_feed_mm_per_min(),
            )
    return _GIVES_WAY.finding(run)


_GIVES_WAY = Branch(
    "motor-released",
    "the axis gives way to a light push: its motor is not held, or a screw is loose",
    "is the motor powered while it stands; power off and unplugged, a vertical axis blocked, are "
    "the pulley and coupling screws tight",
)
_STAYED = Branch(
    "move-not-made",
    "the axis did not follow the command",
    "watch the carriage and the caliper during a 1 mm move",
)


def _begin(run: AxisRun) -> float:
    """Return where to read first: here, or just far enough from the end to arrive in plus."""
    return 0.0 if -run.minus_mm >= run.over_mm * run.scale_high else run.over_mm


def _rung(
    run: AxisRun,
    step: str,
    to_mm: float,
    within_mm: float = 0.0,
    predict: Callable[[AxisRun], float | None] = lambda _: None,
) -> Part[float]:
    stop = Stop(
        f"{run.read_at}.ladder.{step}",
        to_mm,
        "plus",
        run.slow_feed_mm_per_min(),
        within_mm,
        predict,
    )
    yield from take_reading(run, stop)
    return run.readings[-1].reading_mm


def _no_room(run: AxisRun, start_mm: float) -> Finding:
    return without_fit(
        verdict="cannot-tell",
        axis=run.name,
        n=len(run.readings),
        next=(
            f"there is no room for a first read move: the caliper shows {start_mm:.2f} mm of "
            f"{run.caliper.range_mm:g} mm and {run.letter} has {-run.minus_mm:g} mm to minus, "
            f"{run.plus_mm:g} mm to plus. Place the caliper so that it reads in the middle of "
            "its range, or push the carriage slowly (power off), and start again"
        ),
    )


def _side(run: AxisRun, at_mm: float, start_mm: float) -> Part[float]:
    """Return the side with more room, 1 or -1, or 0 where there is too little on both."""
    plus, minus = (free_mm(run, at_mm, start_mm, side) for side in (1.0, -1.0))
    side = 1.0 if plus >= minus else -1.0
    if max(plus, minus) < 1.0:
        side = 0.0
    return float((yield from hear(Decided(key=f"{run.name}.side", value=side))))


def _right_way(run: AxisRun, commanded_mm: float) -> Part[Finding | None]:
    """See that the reading grows as the card says; the eye has seen the direction already."""
    a = run.name
    moved_mm = (_read_mm(run, 2) - _read_mm(run, 0)) * run.grows
    moved_mm *= 1 if commanded_mm > 0 else -1
    moved_mm = float((yield from hear(Decided(key=f"{a}.moved", value=moved_mm))))
    if abs(moved_mm) < _NOT_FOLLOWED * abs(commanded_mm):
        return _STAYED.finding(run)
    if moved_mm > 0:
        return None
    if not run.settled and (yield from _faces_the_other_way(run)):
        run.grows = -1 if run.grows > 0 else 1
        return None
    # Readings of an earlier climb face one way: with others of another they have no scale.
    return without_fit(
        verdict="cannot-tell",
        axis=a,
        n=len(run.readings),
        next=(
            f"the eye saw {run.letter} go the right way and the caliper did not: watch another "
            "1 mm move, see which way the caliper faces, and start again"
        ),
    )


def _faces_the_other_way(run: AxisRun) -> Part[bool]:
    """Ask whether the caliper was placed the other way round than the card says."""
    grows = "falls" if run.grows > 0 else "grows"
    agreed = yield from hear(
        Choose(
            key=f"{run.name}.reading-direction",
            options=("yes", "no"),
            says=(
                f"The reading {grows} where the card says the opposite. Is the caliper placed so "
                f"that its reading {grows} when {run.letter} moves to plus?"
            ),
        )
    )
    return bool(agreed == "yes")
