"""The ladder: from an axis nobody knows anything about to a scale that can be trusted to move.

1 mm watched by eye, 10 mm read, one turn read, then far: each rung is limited by the worst
scale that the rungs before still allow. One misread caliper must not lead a carriage out of
its free travel, so rungs are held against each other before the next one counts on them.
"""

from __future__ import annotations

from tuner.messages import Choose, Decided, Say
from tuner.metrology.unmeasured import without_readings
from tuner.metrology.verdict import scale_bounds
from tuner.plans.bounds import free_mm, learn
from tuner.plans.first_move import BRANCHES, Branch, first_move
from tuner.plans.readings import take_reading
from tuner.plans.reference import perhaps_reference
from tuner.plans.run import AxisRun, Finding, Part, Stop, hear

_READ_MM = 10.0
_FURTHER_MM = 20.0
# Further off than this from what the card gives, and the same places are read once more.
_SURPRISING = 0.3
_SAME_PLACE_MM = 0.5
# An eccentric pulley bends the line by a few tenths; a misreading by more.
_BENT_MM = 0.3
_STRAIGHT_MM = 0.5
_NOT_FOLLOWED = 0.05


def climb(run: AxisRun, may_reference: bool) -> Part[Finding | None]:
    """Climb the ladder; the result is None at the top, or the finding that ended it."""
    ended = yield from first_move(run)
    if ended is None and may_reference:
        yield from perhaps_reference(run)
    if ended is None:
        ended = yield from _holds(run)
    if ended is None:
        ended = yield from _read_rungs(run)
    run.settled = len(run.readings)
    return ended


def _read_rungs(run: AxisRun) -> Part[Finding | None]:
    """Read where it starts, after 10 mm and after one turn, in the direction with more room."""
    a = run.name
    at_mm = float((yield from hear(Decided(key=f"{a}.ladder-begin", value=_begin(run)))))
    start_mm = yield from _rung(run, "start", at_mm)
    side = yield from _side(run, at_mm, start_mm)
    if side == 0.0:
        return _no_room(run, start_mm)
    room_mm = free_mm(run, at_mm, start_mm, side)
    length = yield from hear(Decided(key=f"{a}.ladder-length", value=min(_READ_MM, room_mm)))
    first = side * float(length)
    surprising_mm = _SURPRISING * abs(first)
    ten_mm = yield from _rung(
        run, "ten", at_mm + first, start_mm + run.grows * first, surprising_mm
    )
    start_mm = run.readings[0].reading_mm  # an undo may have taken it anew
    ended = yield from _right_way(run, start_mm, ten_mm, first)
    if ended is None:
        ended = yield from _surprised(run, at_mm, first)
    if ended is not None:
        return ended
    start_mm, ten_mm = (one.reading_mm for one in run.readings[:2])
    bounds = scale_bounds(start_mm, ten_mm, abs(first), misreading_mm=surprising_mm)
    yield from learn(run, direction_seen=True, factor=bounds)
    return (yield from _further(run, at_mm, first))


def _further(run: AxisRun, at_mm: float, first: float) -> Part[Finding | None]:
    """Read after one turn, at least 20 mm on, and see that all three lie on one line."""
    a = run.name
    side = 1.0 if first > 0 else -1.0
    wanted_mm = max(run.output_turn_mm, _FURTHER_MM)
    room_mm = free_mm(run, at_mm, run.readings[0].reading_mm, side)
    value = side * min(wanted_mm, room_mm)
    further = float((yield from hear(Decided(key=f"{a}.turn", value=value))))
    times = abs(further / first)
    if times < 1.5:
        return None  # too short to tell anything; the bounds of the rung before stay
    within_mm = _STRAIGHT_MM + _BENT_MM * times
    expected_mm = _on_the_line(run, further / first)
    turn_mm = yield from _rung(run, "turn", at_mm + further, expected_mm, within_mm)
    off_mm = turn_mm - _on_the_line(run, further / first)
    bent = yield from hear(Decided(key=f"{a}.bent", value=abs(off_mm) > within_mm))
    if bent:
        return without_readings(
            verdict="measure-again",
            axis=a,
            next=(
                f"after {abs(first):g} mm and after {abs(further):g} mm the caliper showed "
                f"distances that do not belong to one axis ({off_mm:+.2f} mm off the line). One "
                "reading is wrong, or the axis lost its way: look that it runs free, place the "
                "caliper anew, start again"
            ),
        )
    start_mm = run.readings[0].reading_mm
    bounds = scale_bounds(start_mm, turn_mm, abs(further), misreading_mm=within_mm)
    yield from learn(run, direction_seen=True, factor=bounds)
    return None


def _on_the_line(run: AxisRun, times: float) -> float:
    """Return what the first two readings say of a place `times` as far from the start."""
    start_mm, ten_mm = (one.reading_mm for one in run.readings[:2])
    return start_mm + (ten_mm - start_mm) * times


def _surprised(run: AxisRun, at_mm: float, first: float) -> Part[Finding | None]:
    """Where 10 mm are far from 10 mm, read both places once more before anything counts on it."""
    a = run.name
    one, other = run.readings[0], run.readings[1]
    off_mm = abs(other.reading_mm - one.reading_mm) - abs(first)
    surprised = yield from hear(
        Decided(key=f"{a}.surprised", value=abs(off_mm) > _SURPRISING * abs(first))
    )
    if not surprised:
        return None
    yield Say(
        key=f"{a}.surprise",
        says=(
            f"{abs(first):g} mm commanded, {abs(first) + off_mm:.2f} mm read: far from what the "
            "card gives, so both places are read once more before the axis goes further"
        ),
    )
    for reading, to_mm in ((one, at_mm), (other, at_mm + first)):
        again_mm = yield from _rung(run, "again", to_mm)
        differs_mm = again_mm - reading.reading_mm
        wrong = yield from hear(Decided(key=f"{a}.misread", value=abs(differs_mm) > _SAME_PLACE_MM))
        if wrong:
            return without_readings(
                verdict="measure-again",
                axis=a,
                next=(
                    f"the same place was read as {reading.reading_mm:.2f} and as {again_mm:.2f} "
                    "mm: one reading is wrong, or the datum moved. Place the caliper anew, "
                    "start again"
                ),
            )
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
        "is the motor powered while it stands; power off and unplugged, are the pulley and "
        "coupling screws tight",
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


def _rung(
    run: AxisRun, step: str, to_mm: float, expected_mm: float | None = None, within_mm: float = 0.0
) -> Part[float]:
    stop = Stop(
        f"{run.name}.ladder.{step}",
        to_mm,
        "plus",
        run.slow_feed_mm_per_min(),
        expected_mm,
        within_mm,
    )
    yield from take_reading(run, stop)
    return run.readings[-1].reading_mm


def _no_room(run: AxisRun, start_mm: float) -> Finding:
    return without_readings(
        verdict="cannot-tell",
        axis=run.name,
        next=(
            f"there is no room for a first read move: the caliper shows {start_mm:.2f} mm of "
            f"{run.caliper.range_mm:g} mm and {run.letter} has {-run.minus_mm:g} mm to minus, "
            f"{run.plus_mm:g} mm to plus. Place the caliper so that it reads in the middle of "
            "its range, or push the carriage (power off), and start again"
        ),
    )


def _side(run: AxisRun, at_mm: float, start_mm: float) -> Part[float]:
    """Return the side with more room, 1 or -1, or 0 where there is too little on both."""
    plus, minus = (free_mm(run, at_mm, start_mm, side) for side in (1.0, -1.0))
    side = 1.0 if plus >= minus else -1.0
    if max(plus, minus) < 1.0:
        side = 0.0
    return float((yield from hear(Decided(key=f"{run.name}.side", value=side))))


def _right_way(
    run: AxisRun, start_mm: float, ten_mm: float, commanded_mm: float
) -> Part[Finding | None]:
    """See that the reading grows as the card says; the eye has seen the direction already."""
    a = run.name
    moved_mm = (ten_mm - start_mm) * run.grows * (1 if commanded_mm > 0 else -1)
    reply = yield from hear(Decided(key=f"{a}.moved", value=moved_mm))
    moved_mm = float(reply)
    if abs(moved_mm) < _NOT_FOLLOWED * abs(commanded_mm):
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
