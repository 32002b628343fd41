"""Two promises are held to after every test that has a folder of its own.

Every wire transcript that a session left there, of this process or of a subprocess, must
show caution, consent and motion in that order, and no word off the allow-list. Every session
in every logbook there, whichever plan it followed, must replay to the same messages and the same
result.

Properties are tried on the same examples in every run, so that a change is what breaks a run;
``--hypothesis-profile=search`` looks for new ones.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import evidence
import pytest
from fakes import SetClock
from hypothesis import settings

from tuner.card.dialect import parse_dialect
from tuner.card.read import parse_card
from tuner.commands.live import Bench, as_asked, plan_of
from tuner.errors import BenchFault
from tuner.messages import Plan
from tuner.plans import bench, check, intake
from tuner.plans.procedures import PROCEDURES
from tuner.session.logbook import Logbook, SessionHead
from tuner.session.replay import replay, what_counts
from tuner.wire.port import Port

PLANS = {bench.NAME, check.NAME, intake.NAME, *PROCEDURES}
MADE_UP = {"", "card", "dialect"}

settings.register_profile("same", derandomize=True)
settings.register_profile("search", derandomize=False)
settings.load_profile("same")


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


def plan_again(head: SessionHead) -> Plan:
    """Return the plan that a session followed, made of nothing but what its logbook keeps."""
    card = parse_card(head.card, "recorded card")
    dialect = parse_dialect(head.dialect, "recorded dialect")
    axes, network = tuple(head.params["axes"]), head.params["network"]
    setup = Bench(Path(), card, dialect, axes, head.port, network, SetClock(), no_port)
    return plan_of(as_asked(setup, head.params))


def no_port() -> Port:
    raise AssertionError("a replay turned to a machine")


def replay_everything(path: Path) -> None:
    """Replay every session of the logbook at `path`; the result must be the recorded one."""
    try:
        logbook = Logbook(path)
    except BenchFault:
        return  # made unreadable by the test itself, which says so
    try:
        for session in logbook.sessions():
            head = logbook.head(session)
            if head.plan not in PLANS or MADE_UP & {head.card, head.dialect}:
                continue  # written by a test of the logbook alone
            plan = plan_again(head)
            steps = logbook.steps(session)
            replayed = replay(plan, steps)
            ended_as, summary = logbook.ending(session)
            counting = what_counts(steps)
            assert replayed.messages == sum(step.phase == "intent" for step in counting)
            assert replayed.finished == (ended_as == "finished")
            if replayed.finished:
                assert replayed.result == summary
    finally:
        logbook.close()
