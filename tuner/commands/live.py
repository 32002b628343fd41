"""Joins a console, a plan and a machine into one session, and writes it all down."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tuner import __version__
from tuner.card.dialect import Dialect, read_dialect
from tuner.card.schema import Card
from tuner.commands.cards import check_axes
from tuner.commands.home import home_option
from tuner.console.desk import Console
from tuner.errors import PortUnavailable, UsedWrongly
from tuner.messages import Clock, Line, Person, Plan
from tuner.safety.gate import Gate
from tuner.safety.words import check_dialect
from tuner.session.engine import Engine, FileProposal
from tuner.session.logbook import (
    Logbook,
    SessionHead,
    SessionLog,
    Step,
    port_in_words,
    utc_now,
)
from tuner.session.record import LoggedTranscript, RecordedPerson, transcript_path
from tuner.text import as_it_was, shown, slug
from tuner.wire.controller import Controller
from tuner.wire.port import Port, is_rehearsal, list_ports, moved_to

if TYPE_CHECKING:
    from tuner.plans.check import Change


@dataclass(frozen=True)
class Bench:
    """What a session is made of; ``connect`` opens the port when the plan comes to that.

    `quick` leaves it at about ten readings an axis; `change` is a proposal that is to be checked;
    `job` is the number of the job that it belongs to, if any. With a `card_file`, that of the card,
    it is no session at a machine: only what comes in with one is asked. `test` names another
    procedure than the measuring. `begun` is the command line that leads to this machine again,
    without its port; empty where nobody knows.
    """

    home: Path
    card: Card
    dialect: Dialect
    axes: tuple[str, ...]
    url: str
    network: bool
    clock: Clock
    connect: Callable[[], Port]
    quick: bool = False
    change: Change | None = None
    job: str = ""
    card_file: str | None = None
    test: str = ""
    begun: tuple[str, ...] = ()

    def command(self, *more: str) -> str:
        """Return what to type for another session at this machine, of the same job."""
        port = [] if is_rehearsal(self.url) else ["--port", self.url]
        job = ["--job", self.job] if self.job else []
        return f"tuner {shlex.join([*self.begun, *port, *more, *job])}{home_option(self.home)}"


def chosen_axes(card: Card, wanted: Sequence[str] | None) -> tuple[str, ...]:
    """Return the axes to tune, in the order of the card, a feeder last; raises ``UsedWrongly``.

    A feeder may be heated for, and axes are measured cold. Of two axes on coupled belts both are
    measured, since both motors move each of them.
    """
    check_axes(card, wanted or ())
    chosen = set(wanted or card.axes)
    if card.layout == "coupled-belts" and not _COUPLED.isdisjoint(chosen):
        chosen |= _COUPLED
    named = (name for name in card.axes if name in chosen)
    return tuple(sorted(named, key=lambda name: card.axes[name].filament is not None))


_COUPLED = frozenset({"x", "y"})


def with_test(setup: Bench, test: str) -> Bench:
    """Return `setup` with the procedure `test` instead of measuring; none where it is empty.

    Raises ``UsedWrongly`` for axes that it is not made for.
    """
    moves = test not in ("", "squareness")
    kinds = {name: setup.card.axes[name].train.drive.kind for name in setup.axes}
    others = [name for name, kind in kinds.items() if kind in ("feeder", "rotary")]
    if moves and (setup.card.layout != "independent" or others):
        what = f"axis {', '.join(others)}" if others else f"layout = {setup.card.layout}"
        raise UsedWrongly(
            f"--test {test} is for axes that travel in mm, each with a motor of its own, and the "
            f"card of {shown(setup.card.name)} has {what}; choose other axes with --axis"
        )
    return replace(setup, test=test)


def dialect_of(card: Card, card_path: Path | None) -> Dialect:
    """Return the dialect that `card` names, with every word of it on the allow-list."""
    dialect = read_dialect(card.dialect, card_path)
    check_dialect(dialect)
    return dialect


def simulated(
    home: Path, card: Card, dialect: Dialect, axes: tuple[str, ...], url: str
) -> tuple[Bench, Port]:
    """Return a session on the simulated machine at `url`, and its port.

    The machine brings its own time, and opening it disturbs nobody.
    """
    port = Port.open(url, card.baud)
    return Bench(home, card, dialect, axes, url, False, port.clock, port.open_again), port


def plan_of(setup: Bench) -> Plan:
    """Return the plan of a session, at its beginning."""
    if setup.card_file is not None:
        from tuner.plans import intake

        return intake.intake(setup.card, setup.card_file, home_option(setup.home))
    if setup.test:
        from tuner.plans.procedures import PROCEDURES

        plan = PROCEDURES[setup.test].plan
        return plan(setup.card, setup.dialect, setup.axes, setup.network)
    if setup.change is not None:
        from tuner.plans import check

        return check.check(setup.card, setup.dialect, setup.change, setup.network)
    from tuner.plans import bench

    return bench.bench(setup.card, setup.dialect, setup.axes, setup.network, quick=setup.quick)


def plan_version(setup: Bench) -> tuple[str, int]:
    """Return the name and the version of the plan of a session."""
    if setup.card_file is not None:
        from tuner.plans import intake

        return intake.NAME, intake.VERSION
    if setup.test:
        from tuner.plans.procedures import PROCEDURES

        return setup.test, PROCEDURES[setup.test].version
    if setup.change is not None:
        from tuner.plans import check

        return check.NAME, check.VERSION
    from tuner.plans import bench

    return bench.NAME, bench.VERSION


def params_of(setup: Bench) -> dict[str, Any]:
    """Return what a session was asked for, as the logbook keeps it."""
    asked: dict[str, Any] = {
        "axes": list(setup.axes),
        "network": setup.network,
        "quick": setup.quick,
    }
    if setup.change is not None:
        asked["change"] = asdict(setup.change)
    if setup.job:
        asked["job"] = setup.job
    if setup.test:
        asked["test"] = setup.test
    if setup.card_file is not None:
        asked["card_file"] = setup.card_file
    if setup.begun:
        asked["begun"] = list(setup.begun)
    return asked


def as_asked(setup: Bench, params: Mapping[str, Any]) -> Bench:
    """Return `setup` with what ``params_of`` wrote down besides axes and network."""
    change = params.get("change")
    if change is not None:
        from tuner.metrology.applied import Promise
        from tuner.plans.check import Change

        change = Change(**(change | {"promise": Promise(**change["promise"])}))
    return replace(
        setup,
        quick=params.get("quick", False),
        change=change,
        job=params.get("job", ""),
        card_file=params.get("card_file"),
        test=params.get("test", ""),
        begun=tuple(params.get("begun", ())),
    )


def run_session(
    bench_setup: Bench, console: Console, person: Person, cut_off: str | None = None
) -> int:
    """Run the whole session, or go on with the one that was `cut_off`; return the exit status.

    `console` owns this thread; `person` answers, and is the console itself or stands before it.
    """
    engines: list[Engine] = []

    def work() -> int:
        logbook = Logbook(bench_setup.home / "logbook.db")
        try:
            if logbook.set_aside is not None:
                person.tell(Line("NOTE", "logbook", (), logbook.set_aside))
            if cut_off is None:
                _doubt_job(bench_setup, person, logbook)
                log, recorded = _begin(bench_setup, logbook), []
            else:
                log = logbook.take_up(cut_off, bench_setup.clock)
                recorded = logbook.steps(cut_off)
            return _session(bench_setup, person, logbook, log, recorded, engines)
        finally:
            logbook.close()

    def stop() -> None:
        for engine in engines:
            engine.stop()

    return console.serve(work, stop)


def _doubt_job(setup: Bench, person: Person, logbook: Logbook) -> None:
    """Say where no intake of this machine has the number of the job: it may be mistyped."""
    if not setup.job:
        return
    from tuner.commands.named import no_such_job

    doubt = no_such_job(logbook, setup.job, shown(setup.card.name))
    if doubt:
        person.tell(Line("NOTE", "job.unknown", (), doubt))


def _begin(setup: Bench, logbook: Logbook) -> SessionLog:
    card = setup.card
    plan, version = plan_version(setup)
    head = SessionHead(
        id=logbook.free_identifier(f"{utc_now():%Y%m%d-%H%M%S}-{slug(card.name)}"),
        machine=shown(card.name),
        card=card.text,
        dialect=setup.dialect.text,
        port=port_in_words(shown(setup.url), _serial_number(setup.url)),
        plan=plan,
        plan_version=version,
        params=params_of(setup),
        tool_version=__version__,
    )
    return logbook.begin(head, setup.clock)


def _session(
    setup: Bench,
    person: Person,
    logbook: Logbook,
    log: SessionLog,
    recorded: Sequence[Step],
    engines: list[Engine],
) -> int:
    card, clock = setup.card, setup.clock
    known = logbook.last_serial_number(shown(card.name))
    transcript = LoggedTranscript(transcript_path(setup.home, log.session, log.run), clock, log)
    recorded_person = RecordedPerson(person, transcript, log)
    try:
        engine = Engine(
            person=recorded_person,
            connect=lambda: Controller(_open_port(setup, known), setup.dialect, transcript),
            gate=Gate(
                card.axes,
                setup.dialect,
                clock,
                network=setup.network,
                coupled=card.layout == "coupled-belts",
            ),
            log=log,
            clock=clock,
            hold_time_s=card.hold_time_s,
            file_proposal=_proposal_writer(setup, logbook, log),
            home_option=home_option(setup.home),
            has_machine=setup.card_file is None,
        )
        engines.append(engine)
        outcome = engine.run(lambda: plan_of(setup), recorded)
        if outcome.ended_as == "finished":
            if setup.change is not None:
                _close(logbook, log.session, outcome.result)
            elif setup.begun and not setup.test:
                steps = _next_steps(setup, logbook, log.session, outcome.result)
                for number, step in enumerate(steps, 1):
                    recorded_person.tell(Line("NOTE", f"after.{number}", (), step))
        return outcome.exit_status
    finally:
        transcript.close()


def _next_steps(
    setup: Bench, logbook: Logbook, session: str, findings: Mapping[str, Any]
) -> list[str]:
    """Return what a person does with the changes that `session` proposed, ready to be typed.

    `findings` by axis; where a look at the parts is open, it comes first.
    """
    verdicts = logbook.summary(session).verdicts
    proposed = [
        one
        for one in logbook.proposals(session)
        if one.state == "open" and verdicts.get(one.axis) == "change"
    ]
    if setup.quick:
        axes = [word for one in proposed for word in ("--axis", one.axis)]
        cause = "before anything is typed in, find the cause"
        return [f"{cause}: {setup.command(*axes)}"] if proposed else []
    steps = []
    for one in proposed:
        letter, file = one.axis.upper(), Path(as_it_was(one.path)).with_suffix(".md")
        steps += [
            f"for {letter}, read what was found, the new number, and how to go back: "
            f"{shown(str(file))}",
            *_look_first(letter, findings.get(one.axis, {})),
            f"if you agree, type the number for {letter} into the controller by hand",
            f"then check what became of it: {setup.command('--check', one.id)}",
        ]
    return steps


def _look_first(letter: str, finding: Mapping[str, Any]) -> list[str]:
    is_by_parts = (finding.get("proposal") or {}).get("basis") == "parts"
    if not is_by_parts or not finding.get("look"):
        return []
    return [f"nobody has seen yet why {letter} is off. First, {finding['next']}"]


def _close(logbook: Logbook, session: str, checked: Mapping[str, Any]) -> None:
    """Write down what became of a proposal; it stays open where that could not be told."""
    outcome = checked.get("outcome", "cannot-tell")
    if outcome == "cannot-tell":
        return
    state = outcome if outcome in ("confirmed", "not-applied") else "applied-wrongly"
    logbook.close_proposal(checked["proposal"], state, session)


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


def _proposal_writer(setup: Bench, logbook: Logbook, log: SessionLog) -> FileProposal:
    """Return what writes proposals; one of this session for the same axis is replaced by it."""
    from tuner.handover.proposal import write_proposal

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
        earlier = [one for one in logbook.proposals(log.session) if one.axis == axis]
        log.proposal(written.id, axis, written.path, written.sha256)
        for one in earlier:
            if one.state == "open":
                logbook.close_proposal(one.id, "replaced", written.id)
        return written.id, shown(str(written.path))

    return write
