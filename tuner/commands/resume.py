"""``tuner resume``: go on with a session that was stopped, killed, or lost its port.

Card, dialect and port are those in the logbook. Before anything is opened or written the plan
has to say the very messages that were recorded; a plan of another version is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from urllib.parse import parse_qsl, urlencode, urlsplit, urlunsplit

from tuner.card.dialect import parse_dialect
from tuner.card.read import parse_card
from tuner.commands.home import home_option
from tuner.commands.intake import coming_in
from tuner.commands.live import Bench, as_asked, plan_of, plan_version, run_session, simulated
from tuner.commands.named import LAST, in_list
from tuner.commands.rehearse import run_rehearsal
from tuner.commands.report import print_line
from tuner.commands.tune import console_for, on_a_machine
from tuner.console.desk import Console
from tuner.console.plain import Plain
from tuner.errors import InputFault, UsedWrongly
from tuner.handover.recorded import job_of
from tuner.plans import intake
from tuner.rehearsal.hands import Hands
from tuner.safety.words import check_dialect
from tuner.session.logbook import (
    Logbook,
    SessionHead,
    SessionSummary,
    Step,
    url_in_words,
)
from tuner.session.replay import replay
from tuner.text import shown
from tuner.wire.port import is_network, is_rehearsal


def resume(
    *, home: Path, session: str | None, url: str | None, plain: bool, hands_off: bool
) -> int:
    """Go on with `session`, or with the only one that did not come to its end; return the status.

    `session` may be the beginning of an identifier, the number of a job, or ``last`` for the
    newest. `url` is where the machine is now, None for where it was. `hands_off` lets a rehearsal
    answer by itself.
    """
    path = home / "logbook.db"
    if not path.exists():
        return _nothing(f"there is no logbook in {shown(str(home))} yet")
    logbook = Logbook(path)
    try:
        chosen = _chosen(logbook, session)
        if chosen is None:
            return _nothing("every session came to its end")
        if chosen.ended_as == "finished":
            return _nothing(f"session {shown(chosen.id)} came to its end")
        head, steps = logbook.head(chosen.id), logbook.steps(chosen.id)
    finally:
        logbook.close()
    return _go_on(home, head, steps, url or url_in_words(head.port), plain, hands_off)


def _nothing(why: str) -> int:
    print_line(f"nothing to take up: {why}. tuner log lists what was done")
    return 0


def _chosen(logbook: Logbook, wanted: str | None) -> SessionSummary | None:
    """Return the session that is meant, None where none is open; ``UsedWrongly`` in doubt."""
    sessions = logbook.summaries()
    if wanted is None or wanted == LAST:
        unfinished = _open(sessions)
        if wanted is None and len(unfinished) > 1:
            which = "say which one to go on with: tuner resume SESSION"
            raise UsedWrongly(f"{_listed(logbook, unfinished)}; {which}")
        return unfinished[0] if unfinished else None
    meant = [one for one in sessions if one.id == wanted]
    if not meant:
        of_job = [one for one in sessions if job_of(logbook, one) == wanted]
        if of_job:
            meant = _open(of_job) or of_job[:1]
    meant = meant or [one for one in sessions if one.id.startswith(wanted)]
    if len(meant) > 1:
        several = f"{shown(wanted)} can be several: {_listed(logbook, meant)}"
        raise UsedWrongly(f"{several}; say which one: tuner resume SESSION")
    if not meant:
        raise UsedWrongly(f"there is no session {shown(wanted)}; tuner log lists them")
    return meant[0]


def _open(sessions: Sequence[SessionSummary]) -> list[SessionSummary]:
    return [one for one in sessions if one.ended_as != "finished"]


def _listed(logbook: Logbook, sessions: Sequence[SessionSummary]) -> str:
    listed = "; ".join(in_list(logbook, one) for one in sessions[:5])
    return f"{len(sessions)} sessions did not come to their end, the newest first: {listed}"


def _go_on(
    home: Path, head: SessionHead, steps: Sequence[Step], url: str, plain: bool, hands_off: bool
) -> int:
    is_simulated = is_rehearsal(url)
    if hands_off and not is_simulated:
        raise UsedWrongly(
            "--hands-off answers by itself, which only a session on the simulated machine may"
        )
    if is_simulated != is_rehearsal(head.port) or is_network(url) != head.params["network"]:
        raise UsedWrongly(
            f"session {shown(head.id)} began at {shown(head.port)}, and {shown(url)} is another "
            "kind of port; a session goes on at the same machine in the same way, or a new one "
            "is started with tuner tune"
        )
    card = parse_card(head.card, f"the card of session {shown(head.id)}")
    dialect = parse_dialect(head.dialect, f"the dialect of session {shown(head.id)}")
    check_dialect(dialect)
    if head.plan == intake.NAME:
        setup = _taken_up(coming_in(home, card, dialect, head.params["card_file"]), head, steps)
        person = console_for(plain)
        return run_session(setup, person, person, head.id)
    axes = tuple(head.params["axes"])
    if is_simulated:
        console = None if hands_off else console_for(plain, port=url.partition("?")[0])
        setup, port = simulated(home, card, dialect, axes, _paced(url, console))
        setup = _taken_up(setup, head, steps)
        return run_rehearsal(setup, Hands(port.machine, port.machine.seed), console, head.id)
    setup = _taken_up(on_a_machine(home, card, dialect, axes, url), head, steps)
    person = console_for(plain, port=url)
    return run_session(setup, person, person, head.id)


def _taken_up(setup: Bench, head: SessionHead, steps: Sequence[Step]) -> Bench:
    """Return the session as it was asked for, after its plan has said what was recorded."""
    asked = as_asked(setup, head.params)
    name, version = plan_version(asked)
    if (head.plan, head.plan_version) != (name, version):
        raise InputFault(
            f"session {shown(head.id)} was begun with version {head.plan_version} of its plan, "
            f"and this program has version {version}, which cannot go on with it. Its "
            f"readings are kept: tuner log export {shown(head.id)}{home_option(setup.home)} writes "
            "them for tuner examine. To measure on, start a new session with tuner tune"
        )
    replay(plan_of(asked), steps)
    return asked


def _paced(url: str, console: Console | None) -> str:
    """Return `url` with the pace of whoever watches: real at the screen, else instant."""
    parts = urlsplit(url)
    options = dict(parse_qsl(parts.query))
    is_watched = console is not None and not isinstance(console, Plain)
    options["pace"] = "real" if is_watched else "instant"
    return urlunsplit(parts._replace(query=urlencode(options)))
