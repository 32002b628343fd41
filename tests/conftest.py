"""Two promises are held to after every test that has a folder of its own.

Every wire transcript that a session left there, of this process or of a subprocess, must
show caution, consent and motion in that order, and no word off the allow-list. Every session
in every logbook there must replay to the same messages and the same result.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import evidence
import pytest

from tuner.card.dialect import parse_dialect
from tuner.card.read import parse_card
from tuner.errors import BenchFault
from tuner.plans import bench
from tuner.session.logbook import Logbook
from tuner.session.replay import replay


@pytest.fixture(autouse=True)
def every_session_keeps_its_promises(request: pytest.FixtureRequest) -> Iterator[None]:
    folder = request.getfixturevalue("tmp_path") if "tmp_path" in request.fixturenames else None
    yield
    if folder is None:
        return
    for path in folder.rglob("logbook.db"):
        for transcript in sorted((path.parent / "wire").glob("*.txt")):
            assert evidence.check(evidence.parse(transcript)) == []
        replay_everything(path)


def replay_everything(path: Path) -> None:
    """Replay every session of the logbook at `path`; the result must be the recorded one."""
    try:
        logbook = Logbook(path)
    except BenchFault:
        return  # made unreadable by the test itself, which says so
    try:
        for session in logbook.sessions():
            head = logbook.head(session)
            if head.plan != bench.NAME or head.card in ("", "card"):
                continue  # written by a test of the logbook alone
            card = parse_card(head.card, "recorded card")
            dialect = parse_dialect(head.dialect, "recorded dialect")
            asked = {name: value for name, value in head.params.items() if name != "job"}
            plan = bench.bench(card, dialect, **asked)
            steps = logbook.steps(session)
            replayed = replay(plan, steps)
            ended_as, summary = logbook.ending(session)
            assert replayed.messages == sum(step.phase == "intent" for step in steps)
            assert replayed.finished == (ended_as == "finished")
            if replayed.finished:
                assert replayed.result == summary
    finally:
        logbook.close()
