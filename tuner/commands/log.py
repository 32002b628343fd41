"""``tuner log``: all sessions, one of them, or its readings for other programs."""

from __future__ import annotations

import hashlib
import json
import math
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Literal

from tuner.commands.exported import first_line
from tuner.commands.named import beginning, named, one_named
from tuner.commands.report import print_columns, print_json, print_line, print_sentence
from tuner.drive.numbers import plus_minus
from tuner.errors import InputFault, UsedWrongly
from tuner.handover.recorded import findings_in, job_of, placed_in
from tuner.session.hold import held
from tuner.session.logbook import Logbook, ProposalState, SessionSummary, Step, TakenReading
from tuner.session.record import transcript_path
from tuner.session.replay import HEATERS_LEFT, INTERRUPTED
from tuner.text import as_it_was, shown, visible

# Every record of a file of this size is looked at in 0.1 s.
_LARGEST_CHECKED_BYTES = 4 << 20
_DECIMALS = 6
_LONGEST_ANSWER = 60
# What a person did or was asked; the rest is prose and arithmetic.
_DONE = ("Confirm", "Choose", "Text", "Ask", "Approach", "Reference", "Heat", "Checkpoint")
_ENDED = {
    None: "not ended",
    "running": "is being written",
    "damaged": "damaged: later steps may be missing",
}


# How an interrupted session had left its machine.
_LEFT = {"in_a_move": "left in a move", "heaters_on": "heaters not confirmed off"}


def log(*, home: Path, name: str | None, check: bool, as_json: bool) -> int:
    """List the sessions in the logbook of `home`, or show the one called `name`; return 0.

    `name` may be a beginning, ``last``, or the number of a job, whose sessions are listed where it
    has several. Every record is looked at first where `check` says so. Raises ``InputFault``
    where there is no such session.
    """
    if not _path(home).exists() and name is None:
        return _say_empty(home, as_json)
    with opened(home, check) as logbook:
        if name is None:
            sessions = logbook.summaries()
        else:
            of_name = named(logbook, name)
            if len(of_name) == 1:
                return _show(logbook, of_name[0], home, as_json)
            sessions = [logbook.summary(one) for one in of_name]
        return _list(logbook, sessions, as_json) if sessions else _say_empty(home, as_json)


def export(*, home: Path, name: str, axis: str | None, file_format: Literal["csv", "json"]) -> int:
    """Print the readings of one axis of a session as CSV, or all of it as JSON; return 0.

    Raises ``InputFault`` where there is no such session or reading, and ``UsedWrongly`` where it
    is not clear which axis is meant.
    """
    with opened(home, check=False) as logbook:
        session = one_named(logbook, name, "tuner log export SESSION")
        if file_format == "csv":
            chosen, readings = _of_one_axis(session, logbook.readings(session), axis)
            placed = placed_in(logbook.steps(session)).get(chosen)
            print(first_line(session, chosen, placed))
            _print_csv(readings)
        elif axis is not None:
            raise UsedWrongly("--axis goes with --format csv; json has everything in it")
        else:
            _print_everything(logbook, session)
    return 0


def _path(home: Path) -> Path:
    return home / "logbook.db"


@contextmanager
def opened(home: Path, check: bool) -> Iterator[Logbook]:
    """Open the logbook of `home` to be read, and say on standard error what is odd about it.

    Raises ``InputFault`` where there is none; `check` as for ``log``.
    """
    path = _path(home)
    if not path.exists():
        raise InputFault(f"there is no logbook at {shown(str(path))}; name another --home")
    largest = math.inf if check else _LARGEST_CHECKED_BYTES
    with closing(Logbook(path, largest_checked_bytes=largest, check_pages=check)) as logbook:
        if logbook.set_aside is not None:
            print_line(f"tuner: {visible(logbook.set_aside)}", sys.stderr)
        if logbook.is_newer:
            print_line(
                f"tuner: {shown(str(path))} was written by a newer version, and is shown as far as "
                "this one understands it",
                sys.stderr,
            )
        yield logbook


def _say_empty(home: Path, as_json: bool) -> int:
    if as_json:
        print_json({"sessions": []})
    else:
        where = shown(str(home))
        print_line(f"no session yet in {where}; tuner rehearse tries one without a machine")
    return 0


# --- all sessions -----------------------------------------------------------------------------


def _list(logbook: Logbook, sessions: Sequence[SessionSummary], as_json: bool) -> int:
    running = set(held(logbook.path))
    if as_json:
        print_json({"sessions": [_as_json(logbook, one, running) for one in sessions]})
        return 0
    names = logbook.sessions()
    by_machine: dict[str, list[SessionSummary]] = {}
    for one in sessions:
        by_machine.setdefault(one.machine, []).append(one)
    for number, (machine, its) in enumerate(by_machine.items()):
        if number:
            print()
        is_simulated = all(one.simulated for one in its)
        print(visible(machine) + (", simulated" if is_simulated else ""))
        rows = [["session (UTC)", "job", "kind", "ended", "found"]]
        for one in its:
            rows.append(
                [
                    visible(beginning(one.id, names)),
                    visible(job_of(logbook, one)) or "-",
                    visible(one.kind) + (", simulated" if one.simulated > is_simulated else ""),
                    _ended(one, running),
                    visible(_axes(one)),
                ]
            )
        print_columns(rows)
    return 0


def _as_json(logbook: Logbook, one: SessionSummary, running: set[str]) -> dict[str, Any]:
    return {**asdict(one), "job": job_of(logbook, one), "running": one.id in running}


def _time(utc: str) -> str:
    """Return a time of the logbook for people: to the second, with its zone."""
    return f"{utc[:10]} {utc[11:19]} UTC"


def _axes(one: SessionSummary) -> str:
    """Return what was found of each axis; of a change that was checked, what became of it."""
    found = (f"{axis} {one.outcome or one.verdicts.get(axis, '-')}" for axis in one.axes)
    return ", ".join(found) or "-"


def _ended(one: SessionSummary, running: set[str]) -> str:
    ended_as = "running" if one.id in running else one.ended_as
    return _ENDED.get(ended_as, visible(str(ended_as)))


# --- one session ------------------------------------------------------------------------------


def _show(logbook: Logbook, session: str, home: Path, as_json: bool) -> int:
    summary = logbook.summary(session)
    running = set(held(logbook.path))
    steps, readings = logbook.steps(session), logbook.readings(session)
    _, findings = logbook.ending(session)
    proposals = logbook.proposals(session)
    counts = _counts(steps)
    runs = range(1, counts["runs"] + 1)
    first, *later = [transcript_path(home, session, n) for n in runs]
    transcripts = [path for path in (first, *later) if path.exists()]
    if as_json:
        print_json(
            {
                **_as_json(logbook, summary, running),
                **counts,
                "readings": [asdict(one) for one in readings],
                "findings": findings,
                "proposals": [{**asdict(one), "file": _state_of_file(one)} for one in proposals],
                "transcript": str(first) if first in transcripts else None,
                "transcripts": [str(one) for one in transcripts],
            }
        )
        return 0
    head = logbook.head(session)
    simulated = ", simulated" if summary.simulated else ""
    print(f"session {visible(session)}, {visible(summary.machine)}{simulated}")
    ended_at = f" on {_time(summary.ended_at)}" if summary.ended_at else ""
    print_columns(
        [
            ["began", _time(summary.started_at)],
            ["ended", f"{_ended(summary, running)}{ended_at}"],
            ["job", visible(job_of(logbook, summary)) or "-"],
            ["kind", visible(summary.kind)],
            ["port", visible(head.port)],
            ["plan", f"{visible(head.plan)} {head.plan_version}, program {head.tool_version}"],
            *([name.replace("_", " "), str(count)] for name, count in counts.items()),
        ]
    )
    _print_part("what was done", [*_done(steps)])
    _print_part("readings", _readings(readings))
    _print_findings(findings)
    _print_part(
        "proposals",
        [
            [visible(one.id), visible(one.axis), one.state, f"file {_state_of_file(one)}"]
            for one in proposals
        ],
    )
    proposed = [Path(as_it_was(one.path)) for one in proposals]
    files = [*transcripts, *(one for one in proposed if one.exists())]
    _print_part("files", [[visible(str(one))] for one in files])
    return 0


def _print_part(title: str, rows: Sequence[Sequence[str]]) -> None:
    if rows:
        print(f"\n{title}")
        print_columns(rows)


def _counts(steps: Sequence[Step]) -> dict[str, int]:
    phases = [one.phase for one in steps]
    return {
        "runs": max((one.run for one in steps), default=1),
        "cautions": phases.count("caution"),
        "consents": phases.count("consent"),
        "lines_sent": phases.count("sent"),
    }


def _done(steps: Sequence[Step]) -> Iterator[list[str]]:
    """Yield time, what was said or moved, and what came of it."""
    waiting: Step | None = None
    began_s: dict[int, float] = {}
    for step in steps:
        # A clock starts anywhere, and anew in every run.
        step = replace(step, at_s=step.at_s - began_s.setdefault(step.run, step.at_s))
        match step.phase:
            case "intent":
                if waiting is not None:
                    yield _row(waiting, "no answer")
                waiting = step if step.kind in _DONE else None
            case "reply" if waiting is not None:
                yield _row(waiting, _reply(step))
                waiting = None
            case "note" | "lost":
                yield _row(step, _noted(step))
    if waiting is not None:
        yield _row(waiting, "no answer")


def _noted(step: Step) -> str:
    what = (step.phase, step.kind)
    if what == HEATERS_LEFT:
        return "confirmed off" if step.body else "not confirmed off"
    if what != INTERRUPTED:
        return _short(step.body)
    left = [words for name, words in _LEFT.items() if step.body and step.body.get(name)]
    return ", ".join(["taken up again", *left])


def _row(step: Step, came_of_it: str) -> list[str]:
    kind = "Reading" if step.kind == "Ask" else step.kind
    return [f"{step.at_s:.1f} s", visible(kind), visible(step.key), came_of_it]


def _reply(step: Step) -> str:
    if step.kind != "Value":
        return step.kind.lower()
    return "done" if step.body["value"] is None else _short(step.body["value"])


def _short(body: Any) -> str:
    text = body if isinstance(body, str) else json.dumps(body)
    text = visible(text)
    return text if len(text) <= _LONGEST_ANSWER else f"{text[: _LONGEST_ANSWER - 1]}…"


def _readings(readings: Sequence[TakenReading]) -> list[list[str]]:
    if not readings:
        return []
    rows = [["axis", "n", "commanded mm", "reading mm", "arrived moving", "visit", "time s", ""]]
    for one in readings:
        rows.append(
            [
                visible(one.axis),
                str(one.number),
                f"{one.commanded_mm:.4f}",
                f"{one.reading_mm:.3f}" + (f" + {one.block_mm:g}" if one.block_mm else ""),
                one.approach,
                str(one.visit),
                f"{one.time_s:.1f}",
                "taken back" if one.withdrawn else "",
            ]
        )
    return rows


def _print_findings(findings: Any) -> None:
    if not isinstance(findings, dict) or not findings:
        return
    if "complaint" in findings:
        rows = [[key.replace("_", " "), visible(said)] for key, said in findings.items() if said]
        _print_part("what came in", rows)
        return
    print("\nfindings")
    for axis, finding in findings_in(findings).items():
        scale = finding.get("scale")
        of = f", true / commanded travel {plus_minus(scale['value'], scale['U'])}" if scale else ""
        found = findings.get("outcome", finding["verdict"])
        print_sentence(visible(f"{axis}: {found}{of}. Next: {finding['next']}"))
    if "outcome" in findings:
        print_sentence(visible(f"proposal {findings['proposal']}: {findings['outcome']}"))


def _state_of_file(proposal: ProposalState) -> str:
    """Return whether the file of `proposal` is still the one that was written."""
    try:
        raw = Path(as_it_was(proposal.path)).read_bytes()
    except (OSError, ValueError):
        return "not there"
    is_as_written = hashlib.sha256(raw).hexdigest() == proposal.sha256
    return "as written" if is_as_written else "changed since"


# --- for other programs -----------------------------------------------------------------------


def _print_everything(logbook: Logbook, session: str) -> None:
    summary = logbook.summary(session)
    print_json(
        {
            **asdict(logbook.head(session)),
            "started_at": summary.started_at,
            "ended_at": summary.ended_at,
            "ended_as": summary.ended_as,
            "findings": logbook.ending(session)[1],
            "steps": [asdict(one) for one in logbook.steps(session)],
            "readings": [asdict(one) for one in logbook.readings(session)],
            "proposals": [asdict(one) for one in logbook.proposals(session)],
        }
    )


def _of_one_axis(
    session: str, readings: Sequence[TakenReading], axis: str | None
) -> tuple[str, list[TakenReading]]:
    """Return the axis that is meant, and its readings."""
    axes = [*dict.fromkeys(one.axis for one in readings)]
    if not axes:
        raise InputFault(f"session {shown(session)} has no readings")
    if axis is None and len(axes) > 1:
        raise UsedWrongly(
            f"session {shown(session)} has readings of {', '.join(map(shown, axes))}; expected "
            "one of them with --axis, one file for each"
        )
    chosen = axis or axes[0]
    if chosen not in axes:
        raise InputFault(
            f"session {shown(session)} has no readings of axis {shown(chosen)}; it has "
            f"{', '.join(map(shown, axes))}"
        )
    return chosen, [one for one in readings if one.axis == chosen]


def _print_csv(readings: Sequence[TakenReading]) -> None:
    """Print `readings` as ``tuner examine`` reads them; those taken back are comments."""
    print("commanded_mm,reading_mm,approach,time_s,visit")
    for one in readings:
        reading_mm = round(one.reading_mm + one.block_mm, _DECIMALS)
        row = f"{one.commanded_mm},{reading_mm},{one.approach},{one.time_s},{one.visit}"
        print(f"# taken back: {row}" if one.withdrawn else row)
