"""Questions that end in a command line: which machine, which card, which port.

The rule it keeps: nothing is done here. What comes out is the command line that a person would
have typed, shown before it is run, so that next time it can be typed. What was used last comes
first.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from tuner.card.read import read_card
from tuner.card.schema import Card
from tuner.commands.card_new import Interview
from tuner.commands.cards import cards_folder, found_card
from tuner.commands.proposals import open_changes
from tuner.commands.tune import console_for
from tuner.errors import BadFile
from tuner.messages import Choose, Line, Person, Say, Text
from tuner.plans.run import Part, hear
from tuner.session.logbook import Logbook, SessionSummary, url_in_words
from tuner.text import shown
from tuner.wire.port import PortSeen, is_rehearsal, list_ports

__all__ = [
    "ALL",
    "Arguments",
    "choose_card",
    "choose_tune",
    "conversation",
    "has_card",
    "sessions",
]

Arguments = list[str]
"""A command line without the name of the program; empty where there is nothing to run."""

ALL = "all"

_MOST_CARDS = 9
_MOST_PROPOSALS = 9
_MOST_FILES = 200  # looked at for cards; a folder with more is no folder of cards
_OTHER_FILE, _OTHER_PORT = "another-file", "another-port"


def conversation(plan: Callable[[], Part[Arguments]], *, plain: bool = False) -> Arguments:
    """Hold the conversation of `plan` on the terminal and return what it comes to."""
    console = console_for(plain)
    chosen: Arguments = []

    def work() -> int:
        chosen.extend(Interview(console).run(plan))
        if chosen:
            _show_command(console, chosen)
        return 0

    console.serve(work, lambda: None)
    return chosen


def _show_command(person: Person, chosen: Arguments) -> None:
    says = f"this is the same as: tuner {shlex.join(chosen)}"
    person.tell(Line("NOTE", "menu.command", (), shown(says)))


# --- a machine ----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Found:
    path: Path
    card: Card


MEASURE = "measure"
_WORK: Mapping[str, Arguments] = {
    MEASURE: [],
    "quick": ["--quick"],
    "lost-steps": ["--test", "lost-steps"],
    "axis-test": ["--test", "axis-test"],
    "squareness": ["--test", "squareness"],
}
_CHECK = "check"


def choose_tune(home: Path, axis: str | None = None, work: str | None = None) -> Part[Arguments]:
    """Ask for machine, port, what to do there and which axis; empty where there is no card yet.

    What was used last comes first. What `axis` and `work` say is not asked.
    """
    found = yield from choose_card(home)
    if found is None:
        return []
    path, card = found
    port = yield from _choose_port(home, card.name)
    there = ["tune", str(path), "--port", port]
    waiting = _open_proposals(home, card.name)
    if work is None:
        work = yield from hear(
            Choose(
                key="menu.work",
                options=(*_WORK, *([_CHECK] if waiting else [])),
                default=MEASURE,
                says="What is to be done? measure: find the right number of each axis. quick: how "
                "it was found, about ten readings an axis. lost-steps: at which feed an axis loses "
                "its way. axis-test: how well it finds its places. squareness: of two axes"
                + (". check: measure again after you typed a proposed number in" * bool(waiting)),
            )
        )
    if work == _CHECK:
        chosen = yield from hear(
            Choose(
                key="menu.proposal",
                options=tuple(waiting),
                default=next(iter(waiting)),
                says="Which proposal did you apply?",
            )
        )
        return [*there, "--check", waiting[chosen]]
    there += _WORK[str(work)]
    if work == "squareness":
        return there
    if axis is None or axis not in card.axes:
        axis = yield from hear(
            Choose(
                key="menu.axis",
                options=(ALL, *card.axes),
                default=ALL,
                says="Which axis is to be measured?",
            )
        )
    only = [] if axis == ALL else ["--axis", str(axis)]
    return [*there, *only]


def choose_card(home: Path) -> Part[tuple[Path, Card] | None]:
    """Ask for a machine card, that of the last machine first; None where the person has none."""
    cards = {f"{shown(one.card.name)}: {shown(str(one.path))}": one for one in _cards(home)}
    if cards:
        options = (*cards, _OTHER_FILE)
        wanted = yield from hear(
            Choose(key="menu.card", options=options, default=options[0], says="Which machine?")
        )
        if wanted != _OTHER_FILE:
            return cards[wanted].path, cards[wanted].card
    while True:
        typed = yield from hear(
            Text(
                key="menu.card-file",
                wanted="file name",
                says="The file of the machine card; Enter alone if there is none yet",
            )
        )
        if not typed:
            yield Say(
                key="menu.no-card",
                says="a card says what the machine is made of, and takes some minutes to set up: "
                "tuner card new. To try everything without one: tuner rehearse",
            )
            return None
        try:
            path = found_card(Path(typed), home)
            return path, read_card(path)
        except BadFile as wrong:
            yield Say(key="refused", says=str(wrong))


def has_card(home: Path) -> bool:
    """Return whether there is a card that ``choose_card`` can offer."""
    return bool(_cards(home))


def _choose_port(home: Path, machine: str) -> Part[str]:
    described = {one.device: _description(one) for one in list_ports()}
    # One without a description is most likely no machine: it comes last, and Enter takes none.
    by_promise = sorted(described, key=lambda device: not described[device])
    seen = {device: f"{device}{described[device]}" for device in by_promise}
    last = _last_port(home, machine)
    named = {last: f"{last} (used last)"} if last else {}
    ports = {words: device for device, words in (named | (seen | named)).items()}
    options = (*ports, _OTHER_PORT)
    wanted = yield from hear(
        Choose(
            key="menu.port",
            options=options,
            default=options[0] if last or any(described.values()) else "",
            says="Where is the machine connected?",
        )
    )
    if wanted != _OTHER_PORT:
        return ports[wanted]
    typed = ""
    while not typed:
        typed = yield from hear(
            Text(
                key="menu.port-name",
                wanted="port",
                suggestions=tuple(seen),
                says="The name of the serial port, or an address such as socket://HOST:NUMBER",
            )
        )
    return str(typed)


def _description(port: PortSeen) -> str:
    """Return what the system says of `port` besides its name, in brackets; empty for nothing."""
    says_more = port.description not in ("", port.device.rpartition("/")[2])
    return f" ({port.description})" if says_more else ""


def _cards(home: Path) -> list[_Found]:
    """Return the cards of this folder and of `home`, those of the last machines first."""
    machines = [one.machine for one in sessions(home)]
    found = [_Found(path, card) for path, card in _readable(home)]

    def age(one: _Found) -> int:
        name = shown(one.card.name)
        return machines.index(name) if name in machines else len(machines)

    return sorted(found, key=age)[:_MOST_CARDS]


def _readable(home: Path) -> Iterator[tuple[Path, Card]]:
    for folder in (Path(), cards_folder(home), home):
        for path in sorted(folder.glob("*.toml"))[:_MOST_FILES]:
            try:
                yield path, read_card(path)
            except BadFile:  # some other TOML file, or a card that tuner card check explains
                continue


# --- what was done before -----------------------------------------------------------------


def sessions(home: Path) -> list[SessionSummary]:
    """Return all sessions, the newest first; none where there is no logbook."""
    path = home / "logbook.db"
    if not path.exists():
        return []
    logbook = Logbook(path)
    try:
        return logbook.summaries()
    finally:
        logbook.close()


def _open_proposals(home: Path, machine: str) -> dict[str, str]:
    """Return the changes that were proposed for `machine` and wait, by their names to be typed."""
    return {one.id: one.id for one in open_changes(home, [machine])[:_MOST_PROPOSALS]}


def _last_port(home: Path, machine: str) -> str | None:
    """Return where `machine` was last, None where it never was at a real port."""
    its = [one.id for one in sessions(home) if one.machine == shown(machine)]
    if not its:
        return None
    logbook = Logbook(home / "logbook.db")
    try:
        urls = (url_in_words(logbook.head(one).port) for one in its)
        return next((url for url in urls if url and not is_rehearsal(url)), None)
    finally:
        logbook.close()
