"""Joins a console, a plan and a machine into one session, and writes it all down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tuner import __version__
from tuner.card.dialect import Dialect, read_dialect
from tuner.card.schema import Card
from tuner.console.desk import Console
from tuner.errors import PortUnavailable, UsedWrongly
from tuner.handover.proposal import slug, write_proposal
from tuner.messages import Clock, Person
from tuner.plans import bench
from tuner.safety.gate import Gate
from tuner.safety.words import check_dialect
from tuner.session.engine import Engine, FileProposal
from tuner.session.logbook import Logbook, SessionHead, SessionLog, port_in_words, utc_now
from tuner.session.record import LoggedTranscript, RecordedPerson
from tuner.text import shown
from tuner.wire.controller import Controller
from tuner.wire.port import Port, is_rehearsal, list_ports, moved_to


@dataclass(frozen=True)
class Bench:
    """What a session is made of; ``connect`` opens the port when the plan comes to that."""

    home: Path
    card: Card
    dialect: Dialect
    axes: tuple[str, ...]
    url: str
    network: bool
    clock: Clock
    connect: Callable[[], Port]


def chosen_axes(card: Card, wanted: Sequence[str] | None) -> tuple[str, ...]:
    """Return the axes to tune, in the order of the card; raises ``UsedWrongly``."""
    for name in wanted or ():
        if name not in card.axes:
            raise UsedWrongly(
                f"the card of {shown(card.name)} has no axis {shown(name)}; it has "
                f"{', '.join(card.axes)}"
            )
    if card.layout != "independent":
        raise UsedWrongly(
            f"the card of {shown(card.name)} says layout = {card.layout}; this version measures "
            "machines whose axes have a motor each"
        )
    chosen = tuple(name for name in card.axes if not wanted or name in wanted)
    linear = tuple(name for name in chosen if card.axes[name].train.drive.kind not in _LATER)
    if not linear or (wanted and linear != chosen):
        raise UsedWrongly(
            f"axis {', '.join(name for name in chosen if name not in linear)} is a feeder or turns "
            "in degrees; this version measures axes that travel in mm"
        )
    return linear


_LATER = ("feeder", "rotary")


def dialect_of(card: Card, card_path: Path | None) -> Dialect:
    """Return the dialect that `card` names, with every word of it on the allow-list."""
    dialect = read_dialect(card.dialect, card_path)
    check_dialect(dialect)
    return dialect


def run_session(bench_setup: Bench, console: Console, person: Person) -> int:
    """Run the whole session and return its exit status.

    `console` owns this thread; `person` answers, and is the console itself or stands before it.
    """
    engines: list[Engine] = []

    def work() -> int:
        logbook = Logbook(bench_setup.home / "logbook.db")
        try:
            return _session(bench_setup, person, logbook, engines)
        finally:
            logbook.close()

    def stop() -> None:
        for engine in engines:
            engine.stop()

    return console.serve(work, stop)


def _session(setup: Bench, person: Person, logbook: Logbook, engines: list[Engine]) -> int:
    card, clock = setup.card, setup.clock
    session = logbook.free_identifier(f"{utc_now():%Y%m%d-%H%M%S}-{slug(card.name)}")
    head = SessionHead(
        id=session,
        machine=shown(card.name),
        card=card.text,
        dialect=setup.dialect.text,
        port=port_in_words(shown(setup.url), _serial_number(setup.url)),
        plan=bench.NAME,
        plan_version=bench.VERSION,
        params={"axes": list(setup.axes), "network": setup.network},
        tool_version=__version__,
    )
    transcript_path = setup.home / "wire" / f"{session}.txt"
    known = logbook.last_serial_number(head.machine)
    log = logbook.begin(head, clock)
    transcript = LoggedTranscript(transcript_path, clock, log)
    try:
        engine = Engine(
            person=RecordedPerson(person, transcript, log),
            connect=lambda: Controller(_open_port(setup, known), setup.dialect, transcript),
            gate=Gate(card.axes, setup.dialect, clock, network=setup.network),
            log=log,
            clock=clock,
            hold_time_s=card.hold_time_s,
            file_proposal=_proposal_writer(setup, log),
        )
        engines.append(engine)
        plan = bench.bench(card, setup.dialect, setup.axes, setup.network)
        return engine.run(plan).exit_status
    finally:
        transcript.close()


def _serial_number(url: str) -> str | None:
    return next((one.serial_number for one in list_ports() if one.device == shown(url)), None)


def _open_port(setup: Bench, serial_number: str | None) -> Port:
    """Open the port; where it is not there, say where the one last used has gone to."""
    try:
        return setup.connect()
    except PortUnavailable as error:
        now_at = moved_to(setup.url, serial_number)
        if now_at is None:
            raise
        raise PortUnavailable(
            f"{error}. The port last used for this machine (serial number {serial_number}) is now "
            f"{now_at}: try --port {now_at}"
        ) from error


def _proposal_writer(setup: Bench, log: SessionLog) -> FileProposal:
    def write(axis: str, finding: dict[str, Any]) -> tuple[str, str]:
        written = write_proposal(
            setup.home / "proposals",
            utc_now(),
            log.session,
            setup.card,
            setup.card.axes[axis],
            finding,
            finding["readings"],
            simulated=is_rehearsal(setup.url),
        )
        log.proposal(written.id, axis, written.path, written.sha256)
        return written.id, shown(str(written.path))

    return write
