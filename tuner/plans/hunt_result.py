"""What a hunt for lost steps came to: the look at the pencil lines, and the finding in words.

Lost steps never change the stored number, so nothing is proposed here.
"""

from __future__ import annotations

from tuner.messages import Decided, Say
from tuner.metrology.losses import Judged, Lines, judge_loss, peak_mm_per_s
from tuner.metrology.unmeasured import without_fit
from tuner.plans.hunt import Hunt
from tuner.plans.loss_questions import look_at_the_lines, what_the_answers_say
from tuner.plans.run import Finding, Part, hear

__all__ = ["conclude"]

# What slips by chance, every other time, has slipped by then in 99 of 100 hunts.
_ENOUGH_PASSED = 7


def conclude(hunt: Hunt) -> Part[None]:
    """Look at the pencil lines after a loss, and say what was found."""
    run = hunt.run
    if hunt.outcome == "lost" and not run.finding:
        lines = (yield from look_at_the_lines(run, hunt.asked)) if hunt.zero_is_good else None
        run.finding = yield from hear(
            Decided(key=f"{run.name}.finding", value=_finding(hunt, _judged(hunt, lines)))
        )
    elif not run.finding:
        run.finding = yield from hear(
            Decided(key=f"{run.name}.finding", value=_finding(hunt, None))
        )
    run.finding = {"outcome": hunt.outcome, **run.finding}
    yield Say(
        key=run.name,
        tag="RESULT",
        fields=(("verdict", run.finding["verdict"]), ("outcome", hunt.outcome or "no-hunt")),
        says=_in_words(hunt),
    )
    yield Say(key=f"{run.name}.next", says=f"next: {run.finding['next']}")
    if run.finding.get("hints"):
        yield Say(key=f"{run.name}.hints", says=f"as you said, {run.finding['hints']}")


def _judged(hunt: Hunt, lines: Lines | None) -> Judged:
    return judge_loss(
        hunt.lost_offset,
        hunt.run.axis.train,
        datum_look="unmoved" if hunt.zero_is_good else "moved",
        needs_speed=hunt.lost["fast"] != "neither" and hunt.passed >= _ENOUGH_PASSED,
        not_again=hunt.not_again,
        lines=lines,
    )


def _finding(hunt: Hunt, judged: Judged | None) -> Finding:
    run = hunt.run
    passed = [[feed, fast] for feed, fast in hunt.done]
    finding = without_fit(
        verdict=judged.verdict if judged else _VERDICTS[hunt.outcome],
        axis=run.name,
        n=len(run.readings),
        next=judged.next if judged else _NEXT[hunt.outcome],
    )
    finding |= {
        "outcome": hunt.outcome,
        "asked": dict(hunt.asked),
        "passed": passed,
        "lost": hunt.lost or None,
        "smallest_loss_mm": hunt.smallest_mm or None,
        "distance_mm": hunt.way_mm,
    }
    if judged:
        finding["causes"], finding["tie"] = list(judged.causes), list(judged.tie)
        finding["not_tested"] |= judged.not_tested
    elif hunt.outcome == "scatter":
        finding["causes"] = [_LOOSE]
    else:
        cycle_mm = float(run.axis.train.lost_cycle_mm)
        if cycle_mm < hunt.smallest_mm:
            finding["not_tested"]["lost-steps"] = (
                f"a loss below {hunt.smallest_mm:.2f} mm would not have been seen, and one lost "
                f"cycle is {cycle_mm:.2g} mm"
            )
        finding["hints"] = what_the_answers_say(hunt.asked)
    return finding


_VERDICTS = {"scatter": "repair-first", "not-reproduced": "cannot-tell"}
_NEXT = {
    "scatter": (
        "the axis does not even come back slowly, another time by another length: see that pulley, "
        "coupling and carriage are tight, power off and unplugged, and hunt again"
    ),
    "not-reproduced": (
        "cold and unloaded nothing was lost. Hunt again when drivers and motors are as warm as in "
        "work (half an hour of it), with the load and the cables of work, and at the place where "
        "it was lost"
    ),
}
_LOOSE = {
    "name": "loose-pulley",
    "p": 1.0,
    "says": "the axis comes back to another place each time: something is loose",
    "check": "turn the motor's shaft against the pulley by hand, power off and unplugged",
    "odds": None,
    "looks": [],
}


def _in_words(hunt: Hunt) -> str:
    run = hunt.run
    if not hunt.lost:
        return {
            "": "nothing was hunted for",
            "scatter": f"{run.letter} does not come back to where it was, even slowly",
            "not-reproduced": _not_reproduced(hunt),
        }[hunt.outcome]
    lost = hunt.lost
    size = f"{lost['size_mm']:+.2f} ± {2 * lost['u_mm']:.2f} mm"
    return (
        f"{run.letter} is off by {size}: {_when_lost(hunt)}. Most likely: "
        f"{run.finding['causes'][0]['says']}"
    )


def _when_lost(hunt: Hunt) -> str:
    feed = f"{hunt.lost['feed_mm_per_min'] / 60.0:g} mm/s"
    if hunt.lost["fast"] != "neither":
        way = {"out": "going out", "back": "coming back"}[hunt.lost["fast"]]
        return f"lost {way} at {feed}, and not tried again at that feed; {_passed_in_words(hunt)}"
    if not hunt.not_again:
        return f"lost at {feed}, its usual feed, in the first round"
    rounds = f"{hunt.not_again} other round{'s' if hunt.not_again > 1 else ''}"
    return f"lost once at {feed}, its usual feed, in round {hunt.lost['round']}; not in {rounds}"


def _not_reproduced(hunt: Hunt) -> str:
    return (
        f"{hunt.run.letter} lost nothing above {hunt.smallest_mm:.2f} mm; {_passed_in_words(hunt)}"
    )


def _passed_in_words(hunt: Hunt) -> str:
    fastest = max((feed for feed, _ in hunt.done), default=None)
    if fastest is None:
        return "no feed was passed"
    peak = peak_mm_per_s(hunt.way_mm, fastest, hunt.run.axis.acceleration_mm_per_s2)
    return f"it came back from {min(peak, fastest / 60.0):.0f} mm/s"
