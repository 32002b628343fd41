"""The filament feeder: what it is made of, which way it is fed, what it delivers, what that means.

Cold with the filament free of the nozzle is preferred. A controller that refuses to feed cold is
never overridden: the hot way is offered. What was heated is switched off, and seen to be off,
before anything else follows. How filament is fed and read stands in ``feed``.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from tuner.card.schema import Axis, Card, Filament
from tuner.errors import BadReadings
from tuner.messages import Checkpoint, Choose, Decided, Heat, Say
from tuner.metrology.causes import Looked
from tuner.metrology.feeder import delivery, judge_feeder
from tuner.metrology.unmeasured import without_fit
from tuner.plans.asking import DEGREES_C, typed, whole
from tuner.plans.axis import parts_in_words
from tuner.plans.bounds import limits
from tuner.plans.feed import (
    BACK_MM,
    ColdRefused,
    FeederRun,
    How,
    Places,
    climb,
    planned,
    run_at,
    until_yes,
)
from tuner.plans.recover import Contact
from tuner.plans.run import Finding, Part, hear

__all__ = ["feeder_finding", "measure_feeder"]

_ROUNDS = 2
_COLDEST_C = 150  # no usual filament melts below (common practice, no source)
# What a person would have to find before a number is proposed.
_LOOKS_DENIED: Mapping[str, Looked] = {"override-active": "denied", "stored-number": "denied"}


def measure_feeder(
    card: Card,
    axis: Axis,
    filament: Filament,
    contact: Contact,
    step: int,
    of: int,
    *,
    may_heat: bool,
    quick: bool = False,
) -> Part[FeederRun]:
    """Measure the feeder; the result is its run, with the finding as data in ``run.finding``.

    `may_heat` says that there is a word for heating the nozzle, and no network in between. With
    `quick` four readings a speed have to do.
    """
    run = FeederRun(axis, card.caliper, grows=-1, quick=quick, filament=filament)
    yield from contact.through(partial(_prepare, run, may_heat, step, of))
    ended = yield from contact.through(partial(_measure, run, contact, may_heat, step + 1, of))
    if ended is None:
        ended = yield from contact.through(
            partial(hear, Decided(key=f"{run.name}.finding", value=feeder_finding(run)))
        )
    run.finding = ended
    return run


# --- before anything is fed ---------------------------------------------------------------


def _prepare(run: FeederRun, may_heat: bool, step: int, of: int) -> Part[None]:
    """Say what the feeder is made of, and ask which way it is to be fed."""
    yield Checkpoint(
        key=f"{run.name}.parts",
        step=step,
        of=of,
        says=f"Feeder {run.letter}: what it is made of, and how it is fed",
    )
    yield from parts_in_words(run)
    how: How = "free"
    if may_heat:
        how = yield from hear(
            Choose(
                key=f"{run.name}.feed-how",
                options=("free", "hot"),
                says=(
                    "How is it fed? free: cold, the filament out of the nozzle, which is better "
                    "for the number. hot: through the hot nozzle, which shows what slips there"
                ),
            )
        )
    yield from _thread(run, how)


def _thread(run: FeederRun, how: How) -> Part[None]:
    """Have the filament put where it belongs; for the hot way ask for the temperature first."""
    run.target_c = 0
    if how == "hot":
        yield from _say_hot_work(run)
        cap_c = int(run.filament.max_temperature_c)
        run.target_c = yield from typed(
            f"{run.name}.temperature",
            f"What does this filament want, in whole °C? The card allows {cap_c}",
            whole(_COLDEST_C, cap_c, *DEGREES_C),
            wanted="°C",
        )
    yield from _put_filament(run)


def _say_hot_work(run: FeederRun) -> Part[None]:
    yield Say(
        key=f"{run.name}.hot-work",
        says=(
            "The nozzle will be hot: it burns, as does what drips from it; fumes harm, so air the "
            "room; nothing near that can burn; somebody stays here until it is off and cold"
        ),
    )


def _put_filament(run: FeederRun) -> Part[None]:
    """Have the filament out of the nozzle, or down in it where that is to be heated."""
    if not run.target_c:
        yield from until_yes(
            run,
            "free-filament",
            "Cold, the filament comes out of the nozzle, and its tube or the nozzle out of its "
            f"way: at least {BACK_MM:.0f} mm hang free beyond the wheel, the lever presses as in "
            "work, the spool runs light. Is that so?",
        )
        return
    yield from until_yes(
        run,
        "load-filament",
        "Still cold, the filament goes through the wheel down to the nozzle, the lever presses as "
        "in work, the spool runs light. Is that so?",
    )


# --- feeding ------------------------------------------------------------------------------


def _measure(
    run: FeederRun, contact: Contact, may_heat: bool, step: int, of: int
) -> Part[Finding | None]:
    """Feed and read until enough is known; the result is None, or the finding that ended it."""
    if run.rounds and not run.left and not (yield from _another_round(run)):
        return None
    if not contact.is_made:
        yield from contact.make_again()
        if run.target_c:
            yield from _say_hot_work(run)
        yield from _put_filament(run)  # nobody knows what was done to it meanwhile
    yield Checkpoint(
        key=f"{run.name}.measure", step=step, of=of, says=f"Feeder {run.letter}: feeding"
    )
    while True:
        try:
            ended = yield from _feed(run)
        except ColdRefused:
            ended = yield from _refused(run, may_heat)
            if ended is None:
                continue
        if run.target_c:
            yield Heat(key=f"{run.name}.heat-off", heater="nozzle", target_c=0)
            run.nozzle_c = 0.0
            yield Say(
                key=f"{run.name}.still-hot",
                says="The heater is off, and the nozzle stays hot for minutes: hands off it",
            )
        return ended


def _feed(run: FeederRun) -> Part[Finding | None]:
    """Heat where that is wanted, climb the ladder, feed at every speed that is left."""
    run.scale_low, run.scale_high = 1 / 25.4, 25.4
    run.minus_mm = run.plus_mm = 0.0
    # Where other axes stand is of no account from here on, so that it may be heated.
    yield Decided(key=f"{run.name}.limits", value=limits(run, direction_seen=False))
    if run.target_c:
        heat = Heat(key=f"{run.name}.heat", heater="nozzle", target_c=run.target_c)
        run.nozzle_c = float((yield from hear(heat)))
    ended = yield from climb(run)
    if ended is not None:
        return ended
    places = yield from planned(run)
    if not isinstance(places, Places):
        return places
    if not run.rounds:
        run.begin_round(places.speeds_mm_per_s)
    while run.left:
        yield from run_at(run, run.left[0], places)
        if not run.left:
            yield from _another_round(run)
    return None


def _another_round(run: FeederRun) -> Part[bool]:
    """Begin another round at both speeds where that may settle what is open."""
    why = yield from hear(Decided(key=f"{run.name}.again", value=_still_open(run)))
    if not why:
        return False
    yield Say(key=f"{run.name}.once-more", says=f"{why}. Both speeds are fed once more")
    run.begin_round(sorted(set(run.speeds.values())))
    return True


def _still_open(run: FeederRun) -> str:
    """Return in words what another round may settle, nothing where there is no such thing."""
    if run.quick or run.rounds >= _ROUNDS:
        return ""
    finding = feeder_finding(run, would_be=True)
    return str(finding["next"]) if finding["verdict"] == "measure-again" else ""


def _refused(run: FeederRun, may_heat: bool) -> Part[Finding | None]:
    """Offer the hot way where feeding was refused; the result is None where it is taken."""
    if may_heat and not run.target_c:
        then = yield from hear(
            Choose(
                key=f"{run.name}.cold-refused",
                options=("hot", "leave-axis"),
                says=(
                    "The controller does not feed. Many protect the feeder so while the nozzle is "
                    "cold, and that is not overridden here. Feed through the hot nozzle instead, "
                    "or leave the feeder?"
                ),
            )
        )
        if then == "hot":
            yield from _thread(run, "hot")
            return None
    return without_fit(
        verdict="cannot-tell",
        axis=run.name,
        n=len(run.readings),
        next=(
            "the controller refuses to feed, and said why. Where it wants a hot nozzle, start "
            "again the hot way: by the machine's own cable, in a dialect that can heat"
        ),
    )


# --- what it means ------------------------------------------------------------------------


def feeder_finding(run: FeederRun, *, would_be: bool = False) -> Finding:
    """Return the finding from the readings so far, with what was seen on looking, as data.

    Or what it `would_be` if a look found no override, and the number of the card in the controller.
    """
    looks = _LOOKS_DENIED if would_be else run.looks
    try:
        seen = delivery(run.runs(), repeats_mm=run.repeats_mm())
        judged = judge_feeder(seen, train=run.axis.train, stored=run.axis.stored, looks=looks)
    except BadReadings as reason:
        return without_fit(
            verdict="measure-again", axis=run.name, n=len(run.readings), next=str(reason)
        )
    finding = judged.as_json(axis=run.name) | {"n": len(run.readings)}
    finding["fed"] = _fed(run)
    if not run.target_c:
        finding["not_tested"] = {
            **finding["not_tested"],
            "feeder-slip": "the filament was free of the nozzle, which holds it back when hot",
        }
    return finding


def _fed(run: FeederRun) -> dict[str, Any]:
    """Return under what conditions it was fed, as data."""
    if run.target_c:
        return {"nozzle_c": run.target_c, "says": f"through the nozzle at {run.target_c} °C"}
    return {"nozzle_c": None, "says": "cold, free of the nozzle"}
