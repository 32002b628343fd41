"""Taking one reading: approach, ask, again, undo; and what all readings so far say."""

from __future__ import annotations

from collections.abc import Sequence

from tuner.errors import BadReadings
from tuner.messages import Approach, Ask, Decided, Say, Undo, Value
from tuner.metrology.budget import Scale, measured_scale
from tuner.metrology.fit import Fit, fit
from tuner.metrology.reading import Columns, Reading
from tuner.plans.run import AxisRun, Part, Stop, hear


def take_reading(run: AxisRun, stop: Stop) -> Part[None]:
    """Approach one place and read it into ``run.readings``.

    `undo` takes the reading before it back, takes that one anew, and comes back here.
    """
    fresh = False
    while True:
        yield Approach(
            key=stop.key,
            axis=run.name,
            to_mm=stop.to_mm,
            approach=stop.approach,
            over_mm=run.over_mm,
            feed_mm_per_min=stop.feed_mm_per_min,
            fresh=fresh,
        )
        n = len(run.readings) + 1
        expected_mm = yield from hear(Decided(key=f"{run.name}.expected", value=stop.predict(run)))
        reply = yield Ask(
            key=stop.key,
            axis=run.name,
            at_mm=stop.to_mm,
            approach=stop.approach,
            n=n,
            low_mm=0.0,
            high_mm=run.caliper.range_mm,
            expected_mm=expected_mm,
            within_mm=stop.within_mm,
            may_undo=n - 1 > run.settled,
            says="What does the caliper show?",
        )
        fresh = True
        match reply:
            case Undo():
                run.readings.pop()
                undone = run.stops.pop()
                yield Say(
                    key=f"{run.name}.undone",
                    says=f"reading {n - 1} is taken back; {run.letter} goes back to its place",
                )
                yield from take_reading(run, undone)
            case Value(value=reading_mm):
                run.stops.append(stop)
                run.readings.append(
                    Reading(stop.to_mm, reading_mm, stop.approach, n=n, visit=run.visit)
                )
                if n > 1:
                    yield from _say_fit(run)
                return


def fitted(run: AxisRun, readings: Sequence[Reading] | Columns) -> Fit:
    """Return the fit of `readings`; there must be two or more, at different places."""
    return fit(readings, grows=run.grows, resolution_mm=run.caliper.resolution_mm)


def scale_so_far(run: AxisRun, so_far: Fit) -> Scale:
    """Return the scale of a fit with the caliper's and the bench's own errors added."""
    return measured_scale(so_far, error_limit_mm=run.error_limit_mm)


def _say_fit(run: AxisRun) -> Part[None]:
    fields = yield from hear(Decided(key=f"{run.name}.fit", value=_fit_fields(run)))
    if fields is None:
        return
    scale, uncertainty, _, n = fields
    yield Say(
        key=run.name,
        tag="FIT",
        fields=tuple(zip(("scale", "U", "k", "n"), fields, strict=True)),
        says=f"{scale} ± {uncertainty} (95 %, {n} readings)",
    )


def _fit_fields(run: AxisRun) -> list[str] | None:
    """Return scale, U, k and n as text, or None where nothing has moved yet."""
    try:
        scale = scale_so_far(run, fitted(run, run.readings))
    except BadReadings:
        return None
    return [
        f"{scale.value:.5f}",
        f"{scale.U:.5f}",
        f"{scale.k:.2f}",
        str(len(run.readings)),
    ]
