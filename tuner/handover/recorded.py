"""One session as a sheet and a history need it, read from the logbook.

A session of an interview, of measuring and of checking are kept in the same tables, and end with
results of their own shape; here they come to one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from tuner.card.read import parse_card
from tuner.card.schema import Card
from tuner.errors import BenchFault
from tuner.plans import check, intake
from tuner.session.logbook import Logbook, ProposalState, SessionSummary, Step, TakenReading
from tuner.session.replay import what_counts
from tuner.text import as_it_was, shown

__all__ = [
    "Checked",
    "Finding",
    "Recorded",
    "belonging",
    "findings_in",
    "job_of",
    "placed_in",
    "read_session",
    "sessions_of_job",
]

Finding = Mapping[str, Any]


@dataclass(frozen=True)
class Checked:
    """What became of a proposal, as ``tuner tune --check`` saw it."""

    proposal: str
    outcome: str


@dataclass(frozen=True)
class Recorded:
    """One session.

    `findings` maps an axis to its finding, in the form of ``tuner examine --json``; it is empty
    unless the session came to its end. `test` names what was tested beside stored numbers, if it
    was that. `readings` are those that count. `placed` says how the
    caliper was used, by axis. `intake` holds what was asked when the machine came in.
    """

    id: str
    machine: str
    card: Card
    started_at: str
    ended_as: str | None
    port: str
    tool_version: str
    axes: tuple[str, ...]
    quick: bool
    test: str
    job: str
    findings: Mapping[str, Finding]
    readings: tuple[TakenReading, ...]
    proposals: tuple[ProposalState, ...]
    placed: Mapping[str, str]
    checked: Checked | None
    intake: Mapping[str, str] | None


def read_session(logbook: Logbook, session: str) -> Recorded:
    """Return `session`, which must be in the logbook; ``BadFile`` where its card is none."""
    head, summary = logbook.head(session), logbook.summary(session)
    _, result = logbook.ending(session)
    ended = result if isinstance(result, dict) else {}
    asked = ended if head.plan == intake.NAME else None
    return Recorded(
        id=session,
        machine=as_it_was(head.machine),
        card=parse_card(head.card, f"the card of session {shown(session)}"),
        started_at=summary.started_at,
        ended_as=summary.ended_as,
        port=head.port,
        tool_version=head.tool_version,
        axes=summary.axes,
        quick=bool(head.params.get("quick")),
        test=head.params.get("test", ""),
        job=str((asked or head.params).get("job", "")),
        findings=findings_in(ended),
        readings=tuple(one for one in logbook.readings(session) if not one.withdrawn),
        proposals=tuple(logbook.proposals(session)),
        placed=placed_in(logbook.steps(session)),
        checked=Checked(ended["proposal"], ended["outcome"])
        if head.plan == check.NAME and ended
        else None,
        intake=asked,
    )


def findings_in(result: Any) -> dict[str, Finding]:
    """Return the finding of each axis in what a session found, whatever its plan was."""
    found = result if isinstance(result, dict) else {}
    return {
        str(one.get("axis") or key): one
        for key, one in found.items()
        if isinstance(one, dict) and "verdict" in one
    }


def belonging(logbook: Logbook, sessions: Iterable[str]) -> list[str]:
    """Return `sessions` and those that go with them, the oldest first.

    With a session go the others of its machine that have the same job number, with a check the
    session of its proposal, and with a proposal the session that checked it last.
    """
    wanted = {*sessions}
    machines = {logbook.summary(one).machine for one in wanted}
    of_machine = [one for one in reversed(logbook.summaries()) if one.machine in machines]
    links = {one.id: _links(logbook, one) for one in of_machine}
    while True:
        more = {one for one, its in links.items() if any(its & links[other] for other in wanted)}
        if more <= wanted:
            return [one.id for one in of_machine if one.id in wanted]
        wanted |= more


def sessions_of_job(logbook: Logbook, job: str) -> list[str]:
    """Return the sessions that have that job number, of whatever machine, the newest first."""
    return [one.id for one in logbook.summaries() if job and job_of(logbook, one) == job]


def job_of(logbook: Logbook, summary: SessionSummary) -> str:
    """Return the number of the job that a session belongs to, empty without one.

    An intake that has not come to its end has it where it was typed.
    """
    if summary.kind != intake.NAME or summary.ended_as == "finished":
        return summary.job
    try:
        steps = logbook.steps(summary.id)
    except BenchFault:  # damaged, which a list need not know
        return ""
    return intake.answers_in(_answers(steps)).get("job", "")


def _answers(steps: Iterable[Step]) -> dict[str, Any]:
    """Return by key what was answered last, where it counts."""
    return {
        one.key: one.body["value"]
        for one in what_counts([*steps])
        if one.phase == "reply" and one.kind == "Value"
    }


def _links(logbook: Logbook, summary: SessionSummary) -> set[tuple[str, str]]:
    """Return what ties a session to others: two belong together that have one in common."""
    links = {("proposal", one.id) for one in logbook.proposals(summary.id)}
    if summary.kind == check.NAME:
        links.add(("proposal", logbook.head(summary.id).params["change"]["proposal"]))
    job = job_of(logbook, summary)
    return links | ({("job", job)} if job else set())


def placed_in(steps: Iterable[Step]) -> dict[str, str]:
    """Return by axis how the caliper was used; the last answer counts."""
    return {
        step.key.removesuffix(".caliper-place"): step.body["value"]
        for step in steps
        if step.phase == "reply" and step.kind == "Value" and step.key.endswith(".caliper-place")
    }
