"""Sessions by what a person calls them: the number of a job, or the name of a session.

The rule it keeps: wherever a session is asked for, the number of its job will do. The whole name of
a session comes first, then a job, then the beginning of a name.
"""

from __future__ import annotations

import difflib
import itertools
import shlex
from collections.abc import Sequence

from tuner.errors import InputFault, UsedWrongly
from tuner.handover.recorded import job_of, sessions_of_job
from tuner.plans import intake
from tuner.session.logbook import Logbook, SessionSummary
from tuner.text import shown

__all__ = [
    "LAST",
    "all_named",
    "beginning",
    "in_list",
    "in_quotes",
    "named",
    "no_such_job",
    "one_named",
]

LAST = "last"
_MOST_LISTED = 5
_TIME = len("20260314-101502")  # what the name of a session begins with


def named(logbook: Logbook, name: str) -> list[str]:
    """Return the sessions that `name` means, the newest first; several only for a job.

    Raises ``InputFault`` where there is none, or where it begins the names of several.
    """
    sessions = logbook.sessions()
    if name in sessions:
        return [name]
    of_job = sessions_of_job(logbook, name)
    if of_job:
        return of_job
    if name == LAST or any(one.startswith(name) for one in sessions):
        return [logbook.find(name)]
    near = _nearest_job(logbook, name)
    raise InputFault(
        f"there is no session and no job {shown(name)} in the logbook"
        + (f"; nearest: {shown(near)}" if near else "")
        + "; tuner log lists them"
    )


def all_named(logbook: Logbook, names: Sequence[str], command: Sequence[str]) -> list[str]:
    """Return the sessions that any of `names` means, each once.

    `command` is what to type before the names. Raises as ``named``, and ``UsedWrongly`` where the
    names are that of one job whose blanks were typed without quotes.
    """
    try:
        return [*dict.fromkeys(one for name in names for one in named(logbook, name))]
    except InputFault as wrong:
        job = _nearest_job(logbook, " ".join(names))
        if len(names) == 1 or _plain(job) != _plain("".join(names)):
            raise
        raise UsedWrongly(
            f"{str(wrong).partition(' in the logbook')[0]}, but a job {shown(job)}: a name with "
            f"blanks goes in quotes: tuner {shlex.join([*command, job])}"
        ) from None


def in_quotes(arguments: Sequence[str], taken: Sequence[str], too_many: Sequence[str]) -> str:
    """Return the command line `arguments` with the quotes that it lacks; empty for none.

    `taken` are names that may have blanks, of which only the first word was taken, so that as many
    words as there are in `too_many` had no place.
    """
    for at, word in enumerate(arguments):
        rest = itertools.takewhile(lambda one: not one.startswith("-"), arguments[at:])
        name = [*rest][: len(too_many) + 1]
        if word in taken and len(name) > len(too_many):
            return shlex.join([*arguments[:at], " ".join(name), *arguments[at + len(name) :]])
    return ""


def one_named(logbook: Logbook, name: str, command: str) -> str:
    """Return the one session that `name` means; ``UsedWrongly`` where a job has several.

    `command` is what to type with the name of one of them.
    """
    found = named(logbook, name)
    if len(found) == 1:
        return found[0]
    listed = "; ".join(in_list(logbook, logbook.summary(one)) for one in found[:_MOST_LISTED])
    raise UsedWrongly(
        f"job {shown(name)} has {len(found)} sessions, the newest first: {listed}; name one of "
        f"them: {command}"
    )


def _nearest_job(logbook: Logbook, job: str, machine: str | None = None) -> str:
    """Return the job number most like `job`, of `machine` or of any; empty for none like it."""
    jobs = {
        _plain(number): number
        for one in logbook.summaries()
        if machine in (None, one.machine) and (number := job_of(logbook, one))
    }
    near = difflib.get_close_matches(_plain(job), jobs, n=1)
    return jobs[near[0]] if near else ""


def _plain(job: str) -> str:
    """Return `job` without what is easily typed otherwise."""
    return "".join(one for one in job.casefold() if one.isalnum())


def no_such_job(logbook: Logbook, job: str, machine: str) -> str:
    """Return a sentence where no intake of `machine` has the number `job`; empty where one has."""
    its = [one for one in logbook.summaries() if one.machine == machine]
    if any(one.kind == intake.NAME and job_of(logbook, one) == job for one in its):
        return ""
    near = _nearest_job(logbook, job, machine)
    return f"no intake for job {shown(job)} of this machine" + (
        f"; nearest: {shown(near)}" if near and near != job else ""
    )


def in_list(logbook: Logbook, one: SessionSummary) -> str:
    """Return a session with what it is known by, for a list in a sentence."""
    job = job_of(logbook, one)
    known = [one.machine, one.kind, *(map(str.upper, one.axes)), *([f"job {job}"] if job else [])]
    return f"{shown(one.id)} ({', '.join(map(shown, known))})"


def beginning(session: str, names: Sequence[str]) -> str:
    """Return the time that the name of `session` begins with, or all of it where that is shared."""
    begins = session[:_TIME]
    return begins if sum(one.startswith(begins) for one in names) == 1 else session
