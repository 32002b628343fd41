"""Taking one reading: approach, ask, again, undo; repeats; and what all readings so far say."""

from __future__ import annotations

from collections.abc import Sequence

from tuner.errors import BadReadings
from tuner.messages import Approach, Ask, Decided, Say, Undo, Value
from tuner.metrology.budget import Scale, measured_scale
from tuner.metrology.fit import Fit, fit
from tuner.metrology.reading import Columns, Reading
from tuner.metrology.student import student_t_factor
from tuner.plans.run import AxisRun, Part, Stop, hear

# The scatter of a hand is 0.05 mm at most, so this is another place or a misreading.
_SEATED_WITHIN_MM = 0.3

_FIT_FIELDS = ("scale", "U", "k", "n", "band_um", "left_um")
_MOST_RESIDUALS = 30  # so that a line stays below its 400 characters


def take_reading(run: AxisRun, stop: Stop) -> Part[None]:
    """Approach one place and read it into ``run.readings``.

    `undo` takes the reading before it back, takes that one anew, and comes back here.
    """
    fresh = False
    while True:
        yield _approach(run, stop, fresh=fresh)
        expected_mm = yield from hear(Decided(key=f"{run.name}.expected", value=_shown(run, stop)))
        reply = yield _ask(
            run,
            stop,
            expected_mm=expected_mm,
            within_mm=stop.within_mm,
            may_undo=len(run.readings) > run.settled,
            says=_with_block(run, stop),
        )
        fresh = True
        match reply:
            case Undo():
                n = run.readings.pop().n
                undone = run.stops.pop()
                yield Say(
                    key=f"{run.name}.undone",
                    says=f"reading {n} is taken back; {run.letter} goes back to its place",
                )
                yield from take_reading(run, undone)
            case Value():
                run.stops.append(stop)
                run.readings.append(_reading(run, stop, reply))
                if len(run.readings) > 1 and stop.is_for_scale:
                    yield from _say_fit(run)
                return


def take_repeats(run: AxisRun, more: int) -> Part[None]:
    """Read the place where the axis stands so many times more, the caliper seated anew.

    The repeats show how a hand scatters; they are kept in ``run.repeats``, with the reading they
    repeat. `undo` takes one of them back. What was read before is settled then.
    """
    stop, first = run.stops[-1], run.readings[-1]
    group = [first]
    run.repeats.append(group)
    run.settled = len(run.readings)
    while len(group) <= more:
        reply = yield _ask(
            run,
            stop,
            seat=len(group) + 1,
            expected_mm=first.reading_mm - stop.block_mm,
            within_mm=_SEATED_WITHIN_MM,
            may_undo=len(group) > 1,
            says=(
                "Lift the caliper off and seat it again, in the same way; the axis stays. What "
                "does it show now?"
            ),
        )
        match reply:
            case Undo():
                group.pop()
            case Value():
                group.append(_reading(run, stop, reply))
            case _:
                yield _approach(run, stop, fresh=True)


def left_in_pairs(readings: Sequence[Reading], visit: int, count: int) -> list[int]:
    """Return which of `count` places, read in order, are not read yet, counted from 1.

    Places go in pairs that stand on one datum: half a pair of an earlier visit does not count.
    """
    read: dict[int, int] = {}
    for one in readings:
        read[one.visit] = read.get(one.visit, 0) + 1
    here = read.pop(visit, 0)
    done = here + sum(number // 2 * 2 for number in read.values())
    return list(range(done + 1, count + 1))


def fitted(run: AxisRun, readings: Sequence[Reading] | Columns) -> Fit:
    """Return the fit of `readings`; there must be two or more, at different places."""
    return fit(
        readings,
        grows=run.grows,
        resolution_mm=run.caliper.resolution_mm,
        repeats=repeats_mm(run),
        turn_mm=run.output_turn_mm,
    )


def repeats_mm(run: AxisRun) -> list[list[float]]:
    """Return what was read of each place that was read more than once without a move."""
    return [[one.reading_mm for one in group] for group in run.repeats if len(group) > 1]


def scale_so_far(run: AxisRun, so_far: Fit) -> Scale:
    """Return the scale of a fit with the caliper's and the bench's own errors added."""
    return measured_scale(so_far, error_limit_mm=run.error_limit_mm, block_u_mm=run.block_u_mm)


# --- the messages of a reading ------------------------------------------------------------


def _approach(run: AxisRun, stop: Stop, *, fresh: bool) -> Approach:
    return Approach(
        key=stop.key,
        axis=run.name,
        to_mm=stop.to_mm,
        approach=stop.approach,
        over_mm=run.over_mm,
        feed_mm_per_min=stop.feed_mm_per_min,
        fresh=fresh,
    )


def _ask(
    run: AxisRun,
    stop: Stop,
    *,
    expected_mm: float | None,
    within_mm: float,
    may_undo: bool,
    says: str,
    seat: int = 1,
) -> Ask:
    return Ask(
        key=stop.key,
        axis=run.name,
        at_mm=stop.to_mm,
        approach=stop.approach,
        n=run.next_n,
        low_mm=0.0,
        high_mm=run.caliper.range_mm,
        expected_mm=expected_mm,
        within_mm=within_mm,
        may_undo=may_undo,
        visit=run.visit,
        seat=seat,
        block_mm=stop.block_mm,
        replaces=stop.replaces if seat == 1 else 0,
        says=says,
    )


def _shown(run: AxisRun, stop: Stop) -> float | None:
    """Return what the caliper should show, which is the reading less the block."""
    predicted_mm = stop.predict(run)
    return None if predicted_mm is None else predicted_mm - stop.block_mm


def _with_block(run: AxisRun, stop: Stop) -> str:
    if stop.block_mm:
        return f"With the {stop.block_mm:g} mm block in between: what does the caliper show?"
    if run.block_mm and stop.place:
        return "Without the block: what does the caliper show?"
    return "What does the caliper show?"


def _reading(run: AxisRun, stop: Stop, reply: Value) -> Reading:
    return Reading(
        stop.to_mm,
        reply.value + stop.block_mm,
        stop.approach,
        n=run.next_n,
        visit=run.visit,
        time_s=reply.at_s,
    )


def _say_fit(run: AxisRun) -> Part[None]:
    fields = yield from hear(Decided(key=f"{run.name}.fit", value=_fit_fields(run)))
    if fields is None:
        return
    scale, uncertainty, _, n, *_ = fields
    yield Say(
        key=run.name,
        tag="FIT",
        fields=tuple(zip(_FIT_FIELDS, fields, strict=False)),  # older records have four of them
        says=f"{scale} ± {uncertainty} (95 %, {n} readings)",
    )


def _fit_fields(run: AxisRun) -> list[str] | None:
    """Return what ``_FIT_FIELDS`` names, as text, or None where nothing has moved yet.

    The band is half as wide as 95 % of the readings of this hand; residuals are those of the
    newest readings, with their numbers.
    """
    try:
        so_far = fitted(run, run.readings)
        scale = scale_so_far(run, so_far)
    except BadReadings:
        return None
    left = [
        f"{one.n}:{1000.0 * left_mm:+.0f}"
        for one, left_mm in zip(run.readings, so_far.residuals_mm, strict=True)
    ]
    return [
        f"{scale.value:.5f}",
        f"{scale.U:.5f}",
        f"{scale.k:.2f}",
        str(len(run.readings)),
        f"{1000.0 * student_t_factor(so_far.dof) * so_far.s_mm:.0f}",
        ",".join(left[-_MOST_RESIDUALS:]),
    ]
