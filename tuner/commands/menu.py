"""``tuner`` alone: asks what the person wants to do, and returns the command that does it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
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
from tuner.messages import Choose, Say
from tuner.plans.run import Part, hear
from tuner.rehearsal.faults import BENCH_MULE, FAULTS, PACK_MULE
from tuner.text import shown

__all__ = ["FAULTS_BY_SYMPTOM", "menu", "what_to_do"]

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
    latest = sessions(home)
    if not latest:
        yield Say(key="menu.no-history", says="nothing was done yet: there is no session")
        return []
    jobs = {f"job {shown(one.job)} ({one.machine})": one.job for one in latest if one.job}
    named = dict([*jobs.items()][:_MOST_SESSIONS])
    without = [one for one in latest if not one.job][:_MOST_SESSIONS]
    named |= {f"{shown(one.id)} ({one.machine}, {one.kind})": one.id for one in without}
    options = tuple(named)
    wanted = yield from hear(
        Choose(
            key="menu.session",
            options=options,
            default=options[0],
            says="Which job, or which session without one? All sessions of the job, and the check "
            "of a change, come along",
        )
    )
    return ["sheet", named[str(wanted)]]


# --- a rehearsal --------------------------------------------------------------------------


# Every fault by what a person would notice of it.
FAULTS_BY_SYMPTOM: Mapping[str, tuple[str, ...]] = {
    "sizes-are-wrong": (
        *("pulley-teeth", "screw-lead", "belt-pitch", "gear-teeth", "step-angle", "microsteps"),
        *("stored-number", "inch-units"),
    ),
    "play-waves-and-bends": (
        *("play", "loose-pulley", "eccentric-pulley", "eccentric-idler", "drift", "skew"),
        "unlike-screws",
    ),
    "something-is-lost-on-the-way": (
        *("lost-steps", "torque-limit", "hot-driver", "belt-jump", "slack-belt", "slipping-nut"),
        *("motor-released", "sinks"),
    ),
    "the-measuring-goes-wrong": (
        *("datum-moved", "caliper-zero", "caliper-tilted", "misread", "switch-scatter"),
    ),
    "it-does-not-move-as-told": (
        *("wrong-way", "not-powered", "motor-phase", "swapped-plugs", "limit-clipped"),
        *("speed-override", "move-not-made", "restart", "cable-loose"),
    ),
    "the-feeder-and-its-heat": (
        *("feeder-diameter", "flow-override", "feeder-slip", "cold-feed-refused", "heater-dead"),
        *("sensor-loose", "sensor-out"),
    ),
}
# Each with a fault that it is made to find.
_PROCEDURES: Mapping[str, Arguments] = {
    "lost-steps": ["--test", "lost-steps", "--fault", "torque-limit"],
    "axis-test": ["--test", "axis-test", "--fault", "play"],
    "squareness": ["--test", "squareness", "--fault", "skew"],
}


def _choose_rehearsal() -> Part[Arguments]:
    ways: dict[str, Callable[[], Part[Arguments]]] = {
        "a-fault-on-each-axis": lambda: _nothing_more(["rehearse"]),
        "one-fault": _choose_fault,
        "a-machine-without-faults": lambda: _nothing_more(["rehearse", "--fault", "none"]),
        "another-procedure": _choose_procedure,
        "the-pack-mule": lambda: _nothing_more(["rehearse", "--machine", PACK_MULE]),
    }
    which = yield from hear(
        Choose(
            key="menu.rehearsal",
            options=tuple(ways),
            default="a-fault-on-each-axis",
            says="What shall be rehearsed? The Bench mule has two belts and a screw; the Pack mule "
            "coupled belts, a vertical axis on two screws, a table that turns, and a feeder",
        )
    )
    return (yield from ways[which]())


def _choose_fault() -> Part[Arguments]:
    symptom = yield from hear(
        Choose(
            key="menu.symptom",
            options=tuple(FAULTS_BY_SYMPTOM),
            says="What shall be noticed of it?",
        )
    )
    named = {_fault_in_words(name): name for name in FAULTS_BY_SYMPTOM[symptom]}
    chosen = yield from hear(
        Choose(
            key="menu.fault",
            options=tuple(named),
            says="Which fault shall be hidden in the simulated machine?",
        )
    )
    return ["rehearse", "--fault", named[chosen]]


def _fault_in_words(name: str) -> str:
    fault = FAULTS[name]
    elsewhere = "" if fault.machine == BENCH_MULE else " (Pack mule)"
    return f"{name}: {fault.says.rstrip('.')}{elsewhere}"


def _choose_procedure() -> Part[Arguments]:
    name = yield from hear(
        Choose(
            key="menu.procedure",
            options=tuple(_PROCEDURES),
            says="Which? lost-steps: at which feed an axis loses its way. axis-test: how well it "
            "finds its places. squareness: of two axes. Each with a fault to be found",
        )
    )
    return ["rehearse", *_PROCEDURES[name]]
