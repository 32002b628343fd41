"""``tuner`` alone: asks what the person wants to do, and returns the command that does it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from tuner.commands.choosing import (
    ALL,
    Arguments,
    choose_card,
    choose_tune,
    conversation,
    sessions,
)
from tuner.commands.why import why_is_it_wrong
from tuner.messages import Choose, Say, Text
from tuner.plans.run import Part, hear
from tuner.rehearsal.faults import FAULTS
from tuner.text import shown

__all__ = ["menu", "what_to_do"]

_MOST_SESSIONS = 9


def menu(home: Path) -> Arguments:
    """Ask what to do and return the command line for it. Raises ``Stopped`` on a stop."""
    return conversation(lambda: what_to_do(home))


def what_to_do(home: Path) -> Part[Arguments]:
    """Ask what to do, then what that needs to know; return the command line for it."""
    yield Say(key="menu", tag="STEP", says="What to do")
    unfinished = [one for one in sessions(home) if one.ended_as != "finished"]
    choices: dict[str, Callable[[], Part[Arguments]]] = {
        "tune-a-machine": lambda: choose_tune(home),
        "find-out-why-a-print-is-wrong": lambda: why_is_it_wrong(home),
        "set-up-a-machine-card": lambda: _nothing_more(["card", "new"]),
        "look-at-the-history": lambda: _choose_history(home),
        "rehearse-on-a-simulated-machine": _choose_rehearsal,
        "take-in-a-machine": lambda: _choose_intake(home),
        "write-a-handover-sheet": lambda: _choose_sheet(home),
    }
    if unfinished:
        choices["go-on-with-the-last-session"] = lambda: _nothing_more(["resume", unfinished[0].id])
    wanted = yield from hear(
        Choose(key="menu.what", options=tuple(choices), says="What do you want to do?")
    )
    return (yield from choices[wanted]())


def _nothing_more(arguments: Arguments) -> Part[Arguments]:
    """Return `arguments` without a further question."""
    yield from ()
    return arguments


def _choose_history(home: Path) -> Part[Arguments]:
    latest = sessions(home)[:_MOST_SESSIONS]
    if not latest:
        yield Say(key="menu.no-history", says="nothing was done yet: there is no session")
        return []
    wanted = yield from hear(
        Choose(
            key="menu.session",
            options=(ALL, *(shown(one.id) for one in latest)),
            default=ALL,
            says="Which session? Each begins with its date; all lists every one of them",
        )
    )
    return ["log"] if wanted == ALL else ["log", str(wanted)]


def _choose_intake(home: Path) -> Part[Arguments]:
    found = yield from choose_card(home)
    return [] if found is None else ["intake", str(found[0])]


def _choose_sheet(home: Path) -> Part[Arguments]:
    latest = sessions(home)[:_MOST_SESSIONS]
    if not latest:
        yield Say(key="menu.no-history", says="nothing was done yet: there is no session")
        return []
    options = tuple(shown(one.id) for one in latest)
    wanted = yield from hear(
        Choose(
            key="menu.session",
            options=options,
            default=options[0],
            says="Which session? Those of the same job, and the check of a change, come along",
        )
    )
    return ["sheet", str(wanted)]


# --- a rehearsal --------------------------------------------------------------------------


def _choose_rehearsal() -> Part[Arguments]:
    which = yield from hear(
        Choose(
            key="menu.rehearsal",
            options=("a-fault-on-each-axis", "one-fault-by-name", "a-machine-without-faults"),
            default="a-fault-on-each-axis",
            says="What shall be wrong with the simulated machine?",
        )
    )
    match which:
        case "a-fault-on-each-axis":
            return ["rehearse"]
        case "a-machine-without-faults":
            return ["rehearse", "--fault", "none"]
    yield Say(key="menu.faults", says=", ".join(FAULTS))
    while True:
        name = yield from hear(
            Text(
                key="menu.fault",
                wanted="fault",
                suggestions=tuple(FAULTS),
                says="The name of one of them; Tab completes it",
            )
        )
        if name in FAULTS:
            return ["rehearse", "--fault", str(name)]
        yield Say(key="refused", says=f"there is no fault {shown(name)}; type one of those above")
