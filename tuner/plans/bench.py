"""The whole session at the bench: before connecting, every axis, leaving, looking, proposing.

Looks inside the machine come last, when it has been left cold and can be unplugged: after
a look nobody knows where an axis stands. No part counts as known without its look.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tuner.card.dialect import Dialect
from tuner.card.schema import Card
from tuner.drive.scale import form_words
from tuner.messages import Checkpoint, Choose, Confirm, Decided, Observe, Plan, Propose, Say
from tuner.metrology.causes import Looked
from tuner.plans.axis import measure_axis
from tuner.plans.measure import finding_now
from tuner.plans.run import AxisRun, Part, hear

NAME = "bench"
VERSION = 1
_WORTH_A_LOOK = 0.05
_WORTH_READING = 0.01
_NO_LOOK = ("as-described", "compensating")
_STEPS_BEFORE, _STEPS_AN_AXIS, _STEPS_AFTER = 2, 3, 2


def bench(card: Card, dialect: Dialect, axes: Sequence[str], network: bool) -> Plan:
    """Tune `axes` of the machine on `card`; the result maps each axis to its finding.

    `network` says that the port leads over a network, where nobody may be at the machine.
    """
    of = _STEPS_BEFORE + _STEPS_AN_AXIS * len(axes) + _STEPS_AFTER
    refused = yield from _before_connecting(card, network, of)
    if refused:
        return {}
    yield from _connect(dialect, of)
    runs: list[AxisRun] = []
    for number, name in enumerate(axes):
        axis = card.axes[name]
        may_reference = (
            axis.reference.at != "none"
            and dialect.reference is not None
            and dialect.switches is not None
        )
        step = _STEPS_BEFORE + _STEPS_AN_AXIS * number + 1
        run = yield from measure_axis(card, axis, may_reference, step, of)
        yield from _say_result(run)
        runs.append(run)
        # Kept until its looks are done, and written as it is if the session ends before that.
        yield _proposal(run, draft=True)
        if run.ends_session:
            break
    yield Checkpoint(
        key="leaving", step=of - 1, of=of, says="Leaving the machine cold and in a known state"
    )
    yield Observe(key="leaving", what="leaving")
    yield Checkpoint(key="looking", step=of, of=of, says="Looking at the parts, and the proposals")
    for run in runs:
        yield from _look(run)
        yield _proposal(run, draft=False)
    return {run.name: run.finding for run in runs}


def _before_connecting(card: Card, network: bool, of: int) -> Part[bool]:
    """Ask what must be true before the port is opened; the result is True when it is not."""
    yield Checkpoint(key="before", step=1, of=of, says="Before anything is connected")
    yield Say(
        key="welcome",
        says=(
            f"{card.name}: measuring with a caliper what each axis really travels. Moves need your "
            "go, one by one. Nothing is ever written to the controller. Keep children, animals "
            "and onlookers away; no gloves, loose sleeves or loose hair; spindle or laser isolated"
        ),
    )
    if network:
        there = yield from hear(
            Confirm(
                key="at-the-machine",
                says="The port leads over a network. Are you at the machine, its switch in reach?",
            )
        )
        if not there:
            yield Say(
                key="not-there",
                says="Nothing moves without somebody at the machine; go there, then start again",
            )
            return True
    job = yield from hear(
        Choose(
            key="job-running",
            options=("yes", "no", "unsure"),
            says="Opening the port can restart the controller. Is a job running on the machine?",
        )
    )
    if job != "no":
        yield Say(
            key="job-first",
            says="Let the job end, or look whether one is running; then start again. Nothing was "
            "opened",
        )
        return True
    power = yield from hear(
        Choose(
            key="motor-power",
            options=("yes", "no"),
            says="Is motor power on? The controller may live on the data cable alone",
        )
    )
    if power != "yes":
        yield Say(
            key="power-first",
            says="Switch motor power on, hands out of the machine, then start again",
        )
        return True
    return False


def _connect(dialect: Dialect, of: int) -> Part[None]:
    yield Checkpoint(key="connecting", step=2, of=of, says="Connecting")
    yield Observe(key="greeting", what="greeting")
    yield Say(key="stopping", says=_stopping_in_words(dialect))
    while True:
        found = yield from hear(
            Confirm(
                key="power-switch",
                says=(
                    "Find the switch that cuts the machine's power and put a hand on it once: "
                    "that is the emergency stop here; a stop over a wire is only a request. Is "
                    "it in reach?"
                ),
            )
        )
        if found:
            return
        yield Say(
            key="power-switch-first",
            says="Without it nothing moves. Move yourself or the machine until you can reach it",
        )


def _stopping_in_words(dialect: Dialect) -> str:
    stop = dialect.stop
    if stop is None:
        return (
            "This dialect has no stop word: after stop no further line is sent, but the line that "
            "is running, at most 2 s long, runs on"
        )
    words = f"Stop sends {stop.line} at once; it is a request, and what is queued may run on"
    if stop.halts:
        words += ". The controller then halts and must be restarted before anything else"
    return words


def _say_result(run: AxisRun) -> Part[None]:
    finding = run.finding
    yield Say(
        key=run.name,
        tag="RESULT",
        fields=(("verdict", finding["verdict"]),),
        says=_result_in_words(run, finding),
    )
    yield Say(key=f"{run.name}.next", says=f"next: {finding['next']}")


def _result_in_words(run: AxisRun, finding: Mapping[str, Any]) -> str:
    parts = []
    if finding["scale"]:
        scale = finding["scale"]
        parts.append(
            f"{run.letter} travels {scale['value']:.5f} ± {scale['U']:.5f} of what it is told"
        )
    if finding["causes"]:
        parts.append(str(finding["causes"][0]["says"]))
    if finding["proposal"]:
        form = run.axis.stored.form
        number, found = finding["proposal"][form], finding["proposal"]["found"][form]
        if number is not None and number != found:
            parts.append(f"proposed: {number:.6g} instead of {found:.6g} {form_words(form)}")
    return "; ".join(parts) or "nothing could be measured"


def _proposal(run: AxisRun, *, draft: bool) -> Propose:
    return Propose(
        key=f"{run.name}.proposal",
        axis=run.name,
        draft=draft,
        finding={**run.finding, "readings": run.readings_as_data()},
    )


def _look(run: AxisRun) -> Part[None]:
    """Ask for the looks that would confirm or rule out each suspected part.

    None after the caliper's zero has moved: no look makes its readings good again.
    """
    if run.zero_moved:
        return
    looks: dict[str, Looked] = {}
    asked: set[str] = set()
    unplugged = False
    while (suspect := _unlooked(run.finding, asked)) is not None:
        cause, look = suspect
        if not unplugged and not _is_number(look):
            unplugged = True
            yield Say(
                key=f"{run.name}.power-off",
                says=(
                    "For the looks: switch the machine off and unplug it; block a vertical axis; "
                    "never pull the plug of a powered motor; turning a motor by hand generates "
                    "voltage"
                ),
            )
        asked.add(look)
        seen = yield from hear(
            Choose(
                key=f"{run.name}.look.{look.replace('=', '.')}",
                options=("yes", "no", "unsure"),
                says=f"{run.letter}: {cause['check']}. Is it so: {cause['says']}?",
            )
        )
        if seen == "unsure":
            continue
        looks[look] = "confirmed" if seen == "yes" else "denied"
        now = finding_now(run, looks)
        run.finding = yield from hear(Decided(key=f"{run.name}.after-look", value=now))
        yield from _say_result(run)


def _is_number(look: str) -> bool:
    """Whether this look reads the controller's number, which an unplugged one cannot show."""
    return look.startswith("stored-number")


def _unlooked(finding: Mapping[str, Any], asked: set[str]) -> tuple[Mapping[str, Any], str] | None:
    """Return the suspect to look at next and its look, or None: numbers first, likeliest first."""
    suspects = []
    for cause in finding["causes"]:
        if cause["name"] in _NO_LOOK:
            break
        looks = [look for look in cause["looks"] if look not in asked]
        # Reading a number again costs nothing, so it is worth it sooner.
        worth = _WORTH_READING if any(map(_is_number, looks)) else _WORTH_A_LOOK
        if cause["p"] >= worth:
            suspects += [(cause, look) for look in looks]
    suspects.sort(key=lambda suspect: not _is_number(suspect[1]))  # a stable sort
    return suspects[0] if suspects else None
