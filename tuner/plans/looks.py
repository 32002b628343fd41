"""The looks that tell suspected parts apart: one turn of the motor, and then the parts themselves.

Readings split no tie; a look does. The mark on the motor's shaft needs the machine once more, so
it comes first, with the machine switched off while somebody draws it. After that, as after every
look, nobody knows where the axis stands: its free travel is declared anew and 1 mm is watched
before the one turn. The parts are looked at last, when the machine was left cold.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tuner.messages import Approach, Choose, Confirm, Decided, Say
from tuner.plans.bounds import learn
from tuner.plans.feed import FeederRun
from tuner.plans.feeder import feeder_finding
from tuner.plans.first_move import first_move, put_block_beside
from tuner.plans.measure import finding_now
from tuner.plans.recover import Contact
from tuner.plans.result import say_result
from tuner.plans.run import AxisRun, Part, hear

__all__ = ["look", "watch_one_turn"]

_WORTH_A_LOOK = 0.05
_WORTH_READING = 0.01
_NO_LOOK = ("as-described", "compensating")
_MOTOR_TURN = "motor-turn"
# How far the measured scale may be off for the one turn: it was read minutes ago.
_SCALE_WITHIN = 0.1


def watch_one_turn(run: AxisRun, contact: Contact) -> Part[None]:
    """Ask for a mark on the motor's shaft and for one turn, where that splits the causes left.

    The person may leave it out: then the parts themselves are looked at.
    """
    wanted = run.finding.get("look")
    if not wanted or wanted["key"] != _MOTOR_TURN or run.zero_moved or run.ends_session:
        return
    if run.judge is not None and not run.station:
        return  # one motor alone cannot be turned, or the turn of the table shows it
    a, turn_mm = run.name, float(wanted["move_mm"])
    agreed = yield from hear(
        Choose(
            key=f"{a}.motor-turn",
            options=("yes", "no"),
            says=(
                "A mark on the shaft of the motor tells whether the motor or what it drives is "
                f"wrong. It takes a pen, the machine switched off meanwhile, and one move of "
                f"{turn_mm:g} mm. Do that now? no: the parts are looked at instead"
            ),
        )
    )
    if agreed == "no":
        return
    if contact.is_made:
        yield from contact.leave()
        contact.is_made = False
    yield from _mark(run)
    yield from contact.make_again()
    yield from put_block_beside(run)
    if (yield from first_move(run)) is not None:
        yield Say(key=f"{a}.no-turn", says="Without a good first move there is no turn to watch")
        return
    yield from _turn(run, turn_mm)


def _mark(run: AxisRun) -> Part[None]:
    yield Say(
        key=f"{run.name}.power-off",
        says=(
            "Switch the machine off and unplug it; block a vertical axis. Then draw a line across "
            f"the end of the shaft of {run.letter}'s motor and what it turns in. Never pull the "
            "plug of a powered motor; turning a motor by hand generates voltage"
        ),
    )
    while not (
        yield from hear(
            Confirm(
                key=f"{run.name}.mark-drawn",
                says="Is the line drawn, hands and caliper out, and the machine on again?",
            )
        )
    ):
        yield Say(key=f"{run.name}.mark-first", says="Nothing moves before that is so; or stop")


def _turn(run: AxisRun, turn_mm: float) -> Part[None]:
    """Move the steps of one motor turn away from where the mark was drawn, and ask about it."""
    a = run.name
    scale = run.finding["scale"]["value"]
    bounds = (scale * (1.0 - _SCALE_WITHIN), scale * (1.0 + _SCALE_WITHIN))
    yield from learn(run, direction_seen=True, factor=bounds)
    side = yield from hear(Decided(key=f"{a}.turn-side", value=_side(run, turn_mm)))
    if side == 0:
        yield Say(
            key=f"{a}.no-turn",
            says=f"There are no {turn_mm * run.scale_high:.0f} mm free on either side for one turn",
        )
        return
    yield Approach(
        key=f"{a}.one-turn",
        axis=a,
        to_mm=side * turn_mm,
        approach="plus" if side > 0 else "minus",
        over_mm=0.0,
        feed_mm_per_min=run.slow_feed_mm_per_min(),
    )
    outcomes = run.finding["look"]
    seen = yield from hear(
        Choose(
            key=f"{a}.look.{_MOTOR_TURN}",
            options=("yes", "no", "unsure"),
            says=(
                "Look at the mark, do not touch: has the shaft made exactly one turn since it was "
                f"drawn? yes: {outcomes['yes']}. no: {outcomes['no']}"
            ),
        )
    )
    run.asked.add(_MOTOR_TURN)
    run.looked[_MOTOR_TURN] = {"key": _MOTOR_TURN, "asks": outcomes["asks"], "seen": seen}
    if seen != "unsure":
        run.looks[_MOTOR_TURN] = "confirmed" if seen == "yes" else "denied"
        yield from _conclude(run)


def _side(run: AxisRun, turn_mm: float) -> int:
    """Return the side with room for one turn from where the mark was drawn, 0 for none."""
    plus_mm, minus_mm = run.plus_mm / run.scale_high, -run.minus_mm / run.scale_high
    if max(plus_mm, minus_mm) < turn_mm + run.over_mm:
        return 0
    return 1 if plus_mm >= minus_mm else -1


def look(run: AxisRun) -> Part[None]:
    """Ask for the looks that would confirm or rule out each suspected part.

    What was answered stands in the run, and outlasts an interruption. None is asked for after the
    caliper's zero has moved: no look makes its readings good again. When all were answered they
    can be given anew once more, before anything is written.
    """
    if run.zero_moved:
        return
    if run.looks:
        yield from _conclude(run)
    yield from _look_at_parts(run)
    while answered := [key for key in run.looks if key != _MOTOR_TURN]:
        said = ", ".join(
            f"{'yes' if run.looks[key] == 'confirmed' else 'no'} to {key.replace('=', ' ')}"
            for key in answered
        )
        question = Confirm(
            key=f"{run.name}.looks-right",
            says=f"{run.letter}: you said {said}. Write the proposal so? no: look again",
        )
        if (yield from hear(question)):
            return
        for key in answered:
            del run.looks[key], run.looked[key]
            run.asked.discard(key)
        yield from _conclude(run)
        yield from _look_at_parts(run)


def _look_at_parts(run: AxisRun) -> Part[None]:
    unplugged = False
    while (suspect := _unlooked(run.finding, run.asked)) is not None:
        asks, key = suspect
        if not unplugged and not _needs_power(key):
            unplugged = True
            yield Say(
                key=f"{run.name}.power-off",
                says=(
                    "For the looks: switch the machine off and unplug it; block a vertical axis; "
                    "never pull the plug of a powered motor; turning a motor by hand generates "
                    "voltage"
                ),
            )
        seen = yield from hear(
            Choose(
                key=f"{run.name}.look.{key.replace('=', '.')}",
                options=("yes", "no", "unsure"),
                says=f"{run.letter}: {asks}",
            )
        )
        run.asked.add(key)
        run.looked[key] = {"key": key, "asks": asks, "seen": seen}
        if seen != "unsure":
            run.looks[key] = "confirmed" if seen == "yes" else "denied"
            yield from _conclude(run)


def _conclude(run: AxisRun) -> Part[None]:
    if isinstance(run, FeederRun):
        now = feeder_finding(run)
    else:
        now = run.judge(run) if run.judge else finding_now(run, run.looks)
    run.finding = yield from hear(Decided(key=f"{run.name}.after-look", value=now))
    yield from say_result(run)


def _needs_power(look: str) -> bool:
    """Whether this look reads a number or the panel, which an unplugged machine cannot show."""
    return look.startswith("stored-number") or look == "override-active"


def _unlooked(finding: Mapping[str, Any], asked: set[str]) -> tuple[str, str] | None:
    """Return what to ask next and its look, or None: numbers first, likeliest first."""
    suspects = []
    for cause in finding["causes"]:
        if cause["name"] in _NO_LOOK:
            break
        asks = {
            look: question
            for look, question in zip(cause["looks"], cause.get("asks", ()), strict=False)
            if look not in asked
        }
        # Reading a number again costs nothing, so it is worth it sooner.
        worth = _WORTH_READING if any(map(_needs_power, asks)) else _WORTH_A_LOOK
        if cause["p"] >= worth:
            suspects += [(question, look) for look, question in asks.items()]
    wanted, proposal = finding.get("look"), finding["proposal"]
    if wanted and proposal and proposal["basis"] == "measured" and wanted["key"] not in asked:
        suspects.append((wanted["asks"], wanted["key"]))
    suspects.sort(key=lambda suspect: not _needs_power(suspect[1]))  # a stable sort
    return suspects[0] if suspects else None
