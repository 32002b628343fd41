"""How the numbers of a machine moved, and that a change which is called one is one."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from fakes import SetClock
from hypothesis import given
from hypothesis import strategies as st
from test_commands_log import head

from tuner.handover.history import Entry, compare, entries
from tuner.session.logbook import Logbook


def entry(axis: str = "x", **changes: Any) -> Entry:
    values: dict[str, Any] = {
        "session": "s", "started_at": "2026-03-01", "axis": axis, "verdict": "keep", "outcome": "",
        "scale": (1.0, 0.0004), "U": 0.0008, "play_mm": (0.03, 0.01),
    }  # fmt: skip
    return Entry(**{**values, **changes})


def test_what_moved_by_more_than_both_can_be_wrong_by() -> None:
    later = entry(scale=(1.002, 0.0003), play_mm=(0.05, 0.01))
    scale, play = compare([entry()], [later])
    # 2 x sqrt(0.0004^2 + 0.0003^2) = 0.001, by hand.
    assert pytest.approx(0.001) == scale.U
    assert scale.is_seen
    assert scale.in_words() == "the scale of X moved by 0.0020 ± 0.0010"
    assert not play.is_seen
    assert play.in_words() == "the play of X shows no change beyond ± 0.028 mm"


def test_only_what_both_have_is_compared() -> None:
    assert compare([entry("x")], [entry("y")]) == []
    assert compare([], [entry()]) == []
    (only,) = compare([entry(scale=None, U=None)], [entry()])
    assert only.what == "play"
    assert compare([entry()], [entry(scale=None, U=None, play_mm=None)]) == []


SCALES = st.tuples(st.floats(0.5, 2.0), st.floats(1e-6, 0.01))


@given(SCALES, SCALES)
def test_there_and_back_is_the_same_way(
    one: tuple[float, float], other: tuple[float, float]
) -> None:
    there = compare([entry(scale=one)], [entry(scale=other)])[0]
    back = compare([entry(scale=other)], [entry(scale=one)])[0]
    assert there.moved == -back.moved
    assert there.U == back.U
    assert there.is_seen == back.is_seen


def test_what_the_logbook_holds_of_one_machine(tmp_path: Path) -> None:
    kept = {
        "axis": "x", "verdict": "keep", "next": "", "play_mm": None,
        "scale": {"value": 1.0, "u": 0.0004, "U": 0.0008, "k": 2.0, "dof": 30.0},
    }  # fmt: skip
    checked = {"proposal": "p-1", "outcome": "confirmed", "finding": kept}
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        logbook.begin(head("s-1"), SetClock()).end("finished", {"x": kept})
        logbook.begin(head("s-2"), SetClock()).end("port-lost", None)
        logbook.begin(head("s-3", machine="Other"), SetClock()).end("finished", {"x": kept})
        logbook.begin(head("s-4", plan="check"), SetClock()).end("finished", checked)
        logbook.begin(head("s-5", plan="intake"), SetClock()).end("finished", {"job": "7"})
        found = entries(logbook, "Test slide")
    assert [(one.session, one.verdict, one.outcome) for one in found] == [
        ("s-1", "keep", ""), ("s-4", "keep", "confirmed"),
    ]  # fmt: skip
    assert (found[0].scale, found[0].U, found[0].play_mm) == ((1.0, 0.0004), 0.0008, None)
