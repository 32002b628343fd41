"""Taking one reading: approach, ask, again, undo; and what all readings so far say."""

from __future__ import annotations

from tuner.errors import BadReadings
from tuner.messages import Approach, Ask, Say, Undo, Value
from tuner.metrology.budget import Scale, measured_scale
from tuner.metrology.fit import Fit, fit
from tuner.metrology.reading import Reading
from tuner.plans.run import AxisRun, Part, Stop


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
        reply = yield Ask(
            key=stop.key,
            axis=run.name,
            at_mm=stop.to_mm,
            approach=stop.approach,
            n=n,
            low_mm=0.0,
            high_mm=run.caliper.range_mm,
            expected_mm=stop.expected_mm,
            within_mm=stop.within_mm,
            may_undo=n - 1 > run.settled,
            says="What does the caliper show?",
        )
        fresh = True
        match reply:
            case Undo():
                run.readings.pop()
                yield from take_reading(run, run.stops.pop())
            case Value(value=reading_mm):
                run.stops.append(stop)
                run.readings.append(
                    Reading(stop.to_mm, reading_mm, stop.approach, n=n, visit=run.visit)
                )
                if n > 1:
                    yield from _say_fit(run)
                return


def fitted(run: AxisRun) -> Fit:
    """Return the fit of the readings so far; there must be two or more."""
    return fit(run.readings, grows=run.grows, resolution_mm=run.caliper.resolution_mm)


def scale_so_far(run: AxisRun, so_far: Fit) -> Scale:
    """Return the scale of a fit with the caliper's and the bench's own errors added."""
    return measured_scale(so_far, error_limit_mm=run.error_limit_mm)


def _say_fit(run: AxisRun) -> Part[None]:
    try:
        scale = scale_so_far(run, fitted(run))
    except BadReadings:
        return  # nothing moved: the ladder says so
    n = len(run.readings)
    yield Say(
        key=run.name,
        tag="FIT",
        fields=(
            ("scale", f"{scale.value:.5f}"),
            ("U", f"{scale.U:.5f}"),
            ("k", f"{scale.k:.2f}"),
            ("n", str(n)),
        ),
        says=f"{scale.value:.5f} ± {scale.U:.5f} (95 %, {n} readings)",
    )
