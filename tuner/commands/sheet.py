"""``tuner sheet``: the handover sheet of a job, from one session or several."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tuner.card.write import write_new
from tuner.commands.home import usual_home
from tuner.commands.log import opened
from tuner.commands.named import all_named
from tuner.errors import BenchFault, InputFault, UsedWrongly
from tuner.handover.document import Document
from tuner.handover.history import entries
from tuner.handover.markdown import as_markdown
from tuner.handover.page import as_html
from tuner.handover.recorded import belonging, read_session
from tuner.handover.sheet import compose, write_sheet
from tuner.session.logbook import utc_now
from tuner.text import shown, visible


def sheet(*, home: Path, names: Sequence[str], output: Path | None, markdown: bool) -> int:
    """Write the sheet of the sessions called `names`, and of those that go with them; return 0.

    A name may be the number of a job, of which all sessions are taken.

    Without `output` both twins go to ``<home>/sheets``. With `markdown` only that twin is made,
    for standard output or `output`. Raises ``UsedWrongly`` for sessions of several machines, and
    ``InputFault`` for one that is not there.
    """
    document, job = _document(home, names, _typed(home, output, markdown))
    if output is not None:
        text = as_markdown(document) if markdown else as_html(document)
        _write(output, text.encode())
        print(f"sheet written: {visible(str(output))}")
    elif markdown:
        print(as_markdown(document), end="")
    else:
        page = write_sheet(home / "sheets", utc_now(), document, job)
        print(f"sheet written: {visible(str(page))}")
        print(f"the same as text: {visible(str(page.with_suffix('.md')))}")
    return 0


def _typed(home: Path, output: Path | None, markdown: bool) -> list[str]:
    """Return what to type before the names of the sessions."""
    where = [] if home == usual_home() else ["--home", str(home)]
    to_file = [] if output is None else ["--output", str(output)]
    return [*where, "sheet", *to_file, *(["--markdown"] if markdown else [])]


def _document(home: Path, names: Sequence[str], command: Sequence[str]) -> tuple[Document, str]:
    """Return the sheet and the number of its job, empty without one."""
    with opened(home, check=False) as logbook:
        wanted = all_named(logbook, names, command)
        machines = {logbook.summary(one).machine for one in wanted}
        if len(machines) > 1:
            raise UsedWrongly(
                f"these sessions are of {' and '.join(sorted(machines))}; a sheet is about one "
                "machine, so make one for each"
            )
        records = [read_session(logbook, one) for one in belonging(logbook, wanted)]
        taken = {one.id for one in records}
        earlier = [
            one
            for one in entries(logbook, machines.pop())
            if one.session not in taken
            and (one.started_at, one.session) < (records[0].started_at, records[0].id)
        ]
        job = next((one.job for one in reversed(records) if one.job), "")
        return compose(records, earlier), job


def _write(path: Path, content: bytes) -> None:
    try:
        is_new = write_new(path, content)
    except OSError as error:
        raise BenchFault(
            f"{shown(str(path))} cannot be written ({shown(str(error))}); choose another --output"
        ) from error
    if not is_new:
        raise InputFault(
            f"{shown(str(path))} is there already, and a sheet is never written over another "
            "file; choose another --output"
        )
