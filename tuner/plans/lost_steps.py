"""The hunt for lost steps: at which feed does the axis lose its way, how much, and what is that?

Every cycle goes out and back, one way fast and the other slow, so that losses cannot cancel, and
the place it began at is read again from the same side. Slow cycles come first: what does not even
come back slowly is no matter of feed. Then the feed rises to what the person allowed, and the
first loss ends the hunt.

The rules: no fast move before the ladder has read the scale; and from the middle of a cycle
until its datum was read, the axis may stand off by the whole way of the cycle, so that much room is
kept free on both sides of everything. A loss that was seen is kept, however the hunt ends.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from statistics import stdev
from typing import Any

from tuner.card.dialect import Dialect
from tuner.card.schema import Axis, Card
from tuner.messages import Approach, Checkpoint, Choose, Decided, Plan, Say
from tuner.metrology.lattice import Offset
from tuner.metrology.losses import Ways, loss_between, peak_mm_per_s, ways_of
from tuner.metrology.reading import Reading
from tuner.metrology.targets import over_travel_mm
from tuner.metrology.unmeasured import without_fit
from tuner.plans.axis import climb_axis, has_moved, prepare, read_zero
from tuner.plans.bounds import free_mm, limits
from tuner.plans.first_move import Branch
from tuner.plans.hunt import READ_TWICE_MM, SLOW_CYCLES, Fast, Hunt
from tuner.plans.hunt_feeds import agree_on_feeds
from tuner.plans.hunt_result import conclude
from tuner.plans.ladder import climb
from tuner.plans.loss_questions import ask_about_losses, need_a_block
from tuner.plans.readings import fitted, take_reading, take_repeats
from tuner.plans.recover import Contact, recover
from tuner.plans.run import AxisRun, Finding, Part, Stop, hear
from tuner.plans.visit import arrive, leave_cold

NAME = "lost-steps"
VERSION = 2

_STEPS_BEFORE, _STEPS_AN_AXIS, _STEPS_AFTER = 2, 3, 1
_SEATS_BEFORE, _SEATS_AFTER = 4, 2  # after the reading that they repeat
# Hands scatter by 0.012 to 0.05 mm, one standard deviation (common practice, no source).
_UNSTEADY_MM = 0.1
_AS_DESCRIBED_WITHIN = 0.03
_LEAST_WAY_MM = 20.0
# Slow cycles go on although so much was lost; kept free at both ends is more than that.
_MARGIN_MM = 5.0
_ASTRAY_SLOWLY_MM = 2.5


def lost_steps(card: Card, dialect: Dialect, axes: Sequence[str], network: bool) -> Plan:
    """Hunt for lost steps on `axes` of the machine on `card`.

    The result maps each axis to its finding, which has ``outcome`` besides: ``lost``,
    ``not-reproduced``, ``scatter``, or empty where the hunt could not be held. It never proposes
    another number: lost steps are no matter of it. `network` as for a session at the bench.
    """
    of = _STEPS_BEFORE + _STEPS_AN_AXIS * len(axes) + _STEPS_AFTER
    contact = Contact(dialect, network=network)
    hunts = [Hunt(_run_of(card, card.axes[name])) for name in axes]
    for hunt in hunts:
        hunt.run.finding = (
            yield from contact.through(partial(ask_about_losses, hunt.run, hunt.asked))
        ) or {}
    going = [hunt for hunt in hunts if not hunt.run.finding]
    if going:
        if not (yield from contact.through(partial(arrive, card, contact, of))):
            return {}
        for number, hunt in enumerate(going):
            yield from _hunt_axis(hunt, contact, _STEPS_BEFORE + _STEPS_AN_AXIS * number + 1, of)
            if hunt.run.ends_session:
                break
        yield from contact.through(partial(leave_cold, contact, of))
    for hunt in hunts:
        yield from contact.through(partial(conclude, hunt))
    return {hunt.run.name: hunt.run.finding for hunt in hunts}


def _run_of(card: Card, axis: Axis) -> AxisRun:
    run = AxisRun(
        axis,
        card.caliper,
        grows=1 if axis.reading_grows == "plus" else -1,
        hold_time_s=card.hold_time_s,
    )
    run.over_mm = over_travel_mm(0.0, float(axis.train.lost_cycle_mm))
    return run


def _hunt_axis(hunt: Hunt, contact: Contact, step: int, of: int) -> Part[None]:
    run = hunt.run
    yield from contact.through(partial(need_a_block, run))
    hunt.zero_first_mm = yield from contact.through(partial(prepare, run, step, of))
    ended = yield from contact.through(partial(_climbed, run, contact, step + 1, of))
    if ended is None:
        ended = yield from contact.through(partial(_hunted, hunt, contact, step + 2, of))
    if ended is not None:
        run.finding = ended
        return
    if hunt.outcome == "lost":
        zero_mm = yield from contact.through(partial(read_zero, run, "zero-last"))
        moved = has_moved(hunt.zero_first_mm, zero_mm)
        hunt.zero_is_good = not (
            yield from contact.through(
                partial(hear, Decided(key=f"{run.name}.zero-moved", value=moved))
            )
        )


def _climbed(run: AxisRun, contact: Contact, step: int, of: int) -> Part[Finding | None]:
    if not contact.is_made:
        yield from need_a_block(run)  # nobody knows what was taken away meanwhile
    return (yield from climb_axis(run, contact, False, step, of))


def _hunted(hunt: Hunt, contact: Contact, step: int, of: int) -> Part[Finding | None]:
    """Hunt until the outcome is there, going on where it was cut off; or return why not."""
    run = hunt.run
    if hunt.lost and hunt.weigh is not None and run.repeats[-1][0] is run.readings[-1]:
        yield from hunt.weigh(_last_place_mm(run))  # cut off while it was read again
    if hunt.lost:
        hunt.outcome = "lost"
    if hunt.outcome:
        return None
    if not contact.is_made:
        yield from need_a_block(run)
        yield from recover(run, contact)
        ended = yield from climb(run, may_reference=False)
        if ended is not None:
            return ended
    yield Checkpoint(
        key=f"{run.name}.hunt", step=step, of=of, says=f"Axis {run.letter}: out and back"
    )
    why_not = yield from _find_room(hunt)
    if why_not:
        return without_fit(verdict="cannot-tell", axis=run.name, n=len(run.readings), next=why_not)
    if (yield from _is_overridden(hunt)):
        return _OVERRIDDEN.finding(run, verdict="cannot-tell")
    if not hunt.feeds:
        yield from agree_on_feeds(hunt)
    if not hunt.feeds:
        return without_fit(
            verdict="cannot-tell", axis=run.name, n=len(run.readings), next=_NO_FASTER
        )
    ended = yield from _read_datum(hunt)
    if ended is None and not any(fast == "neither" for _, fast in hunt.done):
        ended = yield from _slow_cycles(hunt)
    if ended is None and not hunt.outcome:
        yield from _fast_cycles(hunt)
    return ended


# --- where, and how fast ------------------------------------------------------------------


def _find_room(hunt: Hunt) -> Part[str]:
    """Choose where the cycles begin and how far they go; the result says why none can be."""
    run = hunt.run
    room = yield from hear(Decided(key=f"{run.name}.room", value=_room(run)))
    if isinstance(room, str):
        return room
    hunt.from_mm, hunt.way_mm = room
    hunt.before_mm, hunt.repeats, hunt.seen_mm = [], [], []
    return ""


def _room(run: AxisRun) -> list[float] | str:
    """Return where to begin and how far to go, in commanded mm, or in words why not.

    The middle of what is free has most room for an axis that stands off by the whole way. Whole mm,
    so that every move reads the same wherever it is written.
    """
    scale = fitted(run, _on_the_ladder(run)).scale
    if abs(scale - 1.0) > _AS_DESCRIBED_WITHIN:
        return (
            f"{run.letter} travels {scale:.3f} of what it is told, and a lost cycle is counted in "
            "true mm: get the number right first (tuner tune), then hunt"
        )
    last = run.readings[-1]
    low_mm, high_mm = run.minus_mm / run.scale_high, run.plus_mm / run.scale_high
    reach_mm = [
        last.commanded_mm + side * free_mm(run, last.commanded_mm, last.reading_mm, side)
        for side in (-1.0, 1.0)
    ]
    if run.mounted:
        low_mm, high_mm = max(low_mm, reach_mm[0]), min(high_mm, reach_mm[1])
    from_mm = math.floor(min(max((low_mm + high_mm) / 2.0, reach_mm[0]), reach_mm[1]))
    if from_mm < reach_mm[0]:
        from_mm += 1
    way_mm = math.floor(min(high_mm - from_mm, from_mm - low_mm) - run.over_mm - _MARGIN_MM)
    if way_mm < _LEAST_WAY_MM:
        return (
            f"{run.letter} has {-run.minus_mm:g} mm free to minus and {run.plus_mm:g} mm to plus: "
            "an axis that loses its way may stand off by the whole way of a cycle, so at least "
            f"{2 * (_LEAST_WAY_MM + run.over_mm + _MARGIN_MM):.0f} mm are needed. Start again "
            "further from its ends"
        )
    return [float(from_mm), float(way_mm)]


def _on_the_ladder(run: AxisRun) -> list[Reading]:
    """Return the readings that say something of the scale; those after a loss never do."""
    both = zip(run.readings, run.stops, strict=True)
    return [reading for reading, stop in both if stop.is_for_scale]


def _is_overridden(hunt: Hunt) -> Part[bool]:
    """Ask whether the machine's panel changes the feeds that it is told."""
    seen = yield from hear(
        Choose(
            key=f"{hunt.run.name}.look.override-active",
            options=("yes", "no", "unsure"),
            says=(
                "Does the machine's panel show a speed other than 100 %, or is it set otherwise? "
                "unsure, or no panel: then the feeds count as told"
            ),
        )
    )
    return bool(seen == "yes")


# --- cycles -------------------------------------------------------------------------------


def _read_datum(hunt: Hunt) -> Part[Finding | None]:
    """Read where the cycles begin, several times, for the datum and for how the hand scatters.

    Once more where that scatters as no hand does; the result is the finding where it still does.
    """
    run = hunt.run
    for _ in range(2):
        yield from take_reading(run, _datum_stop(hunt, f"{run.name}.datum", hunt.slow_mm_per_min))
        yield Say(
            key=f"{run.name}.repeats",
            says=(
                f"This place is read again after every cycle. {_SEATS_BEFORE} readings more of it "
                "now show how your readings scatter: nothing moves, lift the caliper off and seat "
                "it again"
            ),
        )
        yield from take_repeats(run, _SEATS_BEFORE)
        read_mm = [one.reading_mm for one in run.repeats[-1]]
        scatters = yield from hear(
            Decided(key=f"{run.name}.scatters", value=stdev(read_mm) > _UNSTEADY_MM)
        )
        if not scatters:
            hunt.before_mm, hunt.repeats = read_mm, [read_mm[:]]
            hunt.seen_mm = read_mm[:]
            return None
        yield Say(
            key=f"{run.name}.unsteady",
            says=(
                "Those readings of one place differ by more than a hand does. See that caliper and "
                "face sit firmly, with the same light pressure; the place is read again"
            ),
        )
    return without_fit(verdict="measure-again", axis=run.name, n=len(run.readings), next=_UNSTEADY)


def _datum_stop(hunt: Hunt, key: str, feed_mm_per_min: float) -> Stop:
    return Stop(
        key,
        hunt.from_mm,
        "minus",
        feed_mm_per_min,
        READ_TWICE_MM,
        lambda _: hunt.expected_mm(),
        is_for_scale=False,
    )


def _out(hunt: Hunt, key: str, feed_mm_per_min: float) -> Part[None]:
    """Go out; from here until the datum was read the axis may stand off by the whole way."""
    run = hunt.run
    yield Approach(
        key=f"{run.name}.{key}.out",
        axis=run.name,
        to_mm=hunt.from_mm + hunt.way_mm,
        approach="plus",
        over_mm=0.0,
        feed_mm_per_min=feed_mm_per_min,
    )
    yield from _count_as_astray(run, hunt.way_mm * run.scale_high + _ASTRAY_SLOWLY_MM)


def _back(hunt: Hunt, key: str, feed_mm_per_min: float) -> Part[float]:
    """Come back; the result is what the datum reads then."""
    run = hunt.run
    run.settled = len(run.readings)
    yield from take_reading(run, _datum_stop(hunt, f"{run.name}.{key}.back", feed_mm_per_min))
    read_mm = run.readings[-1].reading_mm
    hunt.seen_mm.append(read_mm)
    off_mm = round(run.grows * (read_mm - sum(hunt.before_mm) / len(hunt.before_mm)), 2) + 0.0
    yield Say(
        key=f"{run.name}.came-back",
        says=f"{run.letter} is back, {off_mm:+.2f} mm from where it began ({read_mm:.2f} mm)",
    )
    return read_mm


def _count_as_astray(run: AxisRun, by_mm: float) -> Part[None]:
    """Tell whoever guards the envelope how far the axis may stand off, in true mm."""
    yield Decided(
        key=f"{run.name}.limits",
        value=replace(limits(run, direction_seen=True), astray_mm=by_mm),
    )


def _slow_cycles(hunt: Hunt) -> Part[Finding | None]:
    """See that the axis comes back slowly; what does not is no matter of feed.

    The result is the finding where it does not even get out there, else None.
    """
    run, slow = hunt.run, hunt.slow_mm_per_min
    groups = [list(hunt.before_mm)]
    for number in range(1, SLOW_CYCLES + 1):
        yield from _out(hunt, f"slow.{number}", slow)
        if number == 1:
            ended = yield from _got_there(hunt)
            if ended is not None:
                return ended
        read_mm = yield from _back(hunt, f"slow.{number}", slow)
        groups.append([read_mm])
        yield from _weigh_slow(hunt, groups)
        off_mm = abs(read_mm - groups[0][0])
        if (yield from hear(Decided(key=f"{run.name}.far-off", value=off_mm > _ASTRAY_SLOWLY_MM))):
            break
        yield from _count_as_astray(run, _ASTRAY_SLOWLY_MM)
    ways = yield from _weigh_slow(hunt, groups)
    if ways != "still":
        hunt.weigh = lambda last_mm: _weigh_slow(hunt, [*groups[:-1], last_mm])
        yield from take_repeats(run, _SEATS_AFTER)
        ways = yield from hunt.weigh(_last_place_mm(run))
    if ways == "still":
        hunt.done.append((slow, "neither"))
        came_back = [group[0] for group in groups]
        hunt.repeats.append(came_back)
        hunt.before_mm += came_back[1:]
        yield from _count_as_astray(run, 0.0)
    else:
        hunt.outcome = "lost" if ways == "one-loss" else "scatter"
    return None


def _weigh_slow(hunt: Hunt, groups: list[list[float]]) -> Part[Ways]:
    """Say what the slow cycles so far are; a loss among them is kept from here on."""
    run = hunt.run
    now = yield from hear(Decided(key=f"{run.name}.slow", value=_ways(hunt, groups)))
    hunt.lost = now["loss"] or {}
    ways: Ways = now["ways"]
    return ways


def _got_there(hunt: Hunt) -> Part[Finding | None]:
    """Ask whether the first way out was as long as it should be; the finding if it was not."""
    run = hunt.run
    seen = yield from hear(
        Choose(
            key=f"{run.name}.got-there",
            options=("yes", "short", "not-at-all"),
            says=(
                f"By eye, or with a rule: did {run.letter} go the whole {hunt.way_mm:.0f} mm, to "
                "within a finger's breadth?"
            ),
        )
    )
    if seen == "yes":
        return None
    if seen == "short":
        return _CLIPPED.finding(run, verdict="cannot-tell")
    return _NOT_MADE.finding(run, verdict="measure-again")


def _ways(hunt: Hunt, groups: list[list[float]]) -> dict[str, Any]:
    ways, row, offset = ways_of(groups, resolution_mm=hunt.run.caliper.resolution_mm)
    lost = None
    if offset is not None:
        lost = _as_data(hunt, offset) | {
            "feed_mm_per_min": hunt.slow_mm_per_min,
            "fast": "neither",
            "round": row,
            "rounds": len(groups) - 1,
        }
    return {"ways": ways, "loss": lost}


def _as_data(hunt: Hunt, offset: Offset) -> dict[str, Any]:
    size_mm = hunt.run.grows * offset.size_mm
    return {"size_mm": size_mm, "u_mm": offset.u_mm, "dof": offset.dof}


def _fast_cycles(hunt: Hunt) -> Part[None]:
    """Go faster and faster, each feed out and then back, until something is lost."""
    run = hunt.run
    ways: tuple[Fast, Fast] = ("out", "back")
    for number, feed in enumerate(hunt.feeds, 1):
        peak = peak_mm_per_s(hunt.way_mm, feed, run.axis.acceleration_mm_per_s2)
        reached = yield from hear(
            Decided(key=f"{run.name}.reached", value=peak >= 0.999 * feed / 60.0)
        )
        if not reached:
            yield Say(
                key=f"{run.name}.feed-not-reached",
                says=(
                    f"feed not reached: on {hunt.way_mm:.0f} mm {run.letter} gets to {peak:.0f} "
                    f"mm/s, and {feed / 60.0:g} mm/s takes v2/a = "
                    f"{(feed / 60.0) ** 2 / run.axis.acceleration_mm_per_s2:.0f} mm. This is the "
                    "fastest that is tried"
                ),
            )
        for fast in ways:
            if (feed, fast) not in hunt.done:
                yield from _fast_cycle(hunt, f"fast.{number}.{fast}", feed, fast)
                if hunt.outcome:
                    return
        if not reached:
            break
    hunt.outcome = "not-reproduced"


def _fast_cycle(hunt: Hunt, key: str, feed: float, fast: Fast) -> Part[None]:
    """Go out and come back, one of them fast."""
    run, slow = hunt.run, hunt.slow_mm_per_min
    yield from _out(hunt, key, feed if fast == "out" else slow)
    after_mm = [(yield from _back(hunt, key, feed if fast == "back" else slow))]
    hunt.weigh = partial(_weigh_fast, hunt, feed=feed, fast=fast)
    smallest_mm = yield from hunt.weigh(after_mm)
    if hunt.lost:
        yield from take_repeats(run, _SEATS_AFTER)
        after_mm = _last_place_mm(run)
        smallest_mm = yield from hunt.weigh(after_mm)
    hunt.smallest_mm = max(hunt.smallest_mm, smallest_mm)
    if hunt.lost:
        hunt.outcome = "lost"
        return
    hunt.before_mm += after_mm
    hunt.done.append((feed, fast))
    yield from _count_as_astray(run, 0.0)


def _last_place_mm(run: AxisRun) -> list[float]:
    """Return what was read of the place where the axis stands, the caliper seated anew."""
    return [one.reading_mm for one in run.repeats[-1]]


def _weigh_fast(hunt: Hunt, after_mm: list[float], feed: float, fast: Fast) -> Part[float]:
    """Keep what a fast cycle lost, if it did; the result is the smallest loss it would show."""
    now = yield from hear(Decided(key=f"{hunt.run.name}.step", value=_step(hunt, after_mm)))
    hunt.lost = {"feed_mm_per_min": feed, "fast": fast, **now["loss"]} if now["is_loss"] else {}
    return float(now["smallest_mm"])


def _step(hunt: Hunt, after_mm: list[float]) -> dict[str, Any]:
    offset, smallest_mm, is_loss = loss_between(
        hunt.before_mm,
        after_mm,
        repeats=hunt.repeats,
        resolution_mm=hunt.run.caliper.resolution_mm,
        chances=2 * len(hunt.feeds),
    )
    return {"is_loss": is_loss, "smallest_mm": smallest_mm, "loss": _as_data(hunt, offset)}


_OVERRIDDEN = Branch(
    "override-active",
    "the panel changes the feeds, so none of them would be the one that is told",
    "set the speed at the panel to 100 %, and hunt again",
)
_CLIPPED = Branch(
    "limit-clipped",
    "the axis stops before it has gone the whole way: the controller keeps it inside limits of "
    "its own",
    "read the limits of this axis again from the controller; declare less free travel, so that "
    "every cycle lies inside them, and hunt again",
)
_NOT_MADE = Branch(
    "move-not-made",
    "the controller took a move, said that it has ended, and the axis did not move",
    "look in the log for an answer that is missing, and at the motor's plug and power; then hunt "
    "again",
)
_UNSTEADY = (
    "the readings of one place scatter by more than 0.1 mm, so no small loss could be seen: see "
    "what tilts or gives where the caliper sits, and hunt again"
)
_NO_FASTER = (
    "the card's pulse rate, or ten turns of the motor a second, allow nothing faster than its "
    "usual feed: write a lower feed for this axis into the card, then hunt again"
)
