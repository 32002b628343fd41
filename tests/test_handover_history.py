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

from tuner.handover.history import Entry, compare, entries, in_order, moved_since
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


def test_how_it_moved_from_one_to_the_next() -> None:
    off = entry(scale=None, U=None)
    far = entry(scale=(1.01, 0.0004))
    first, same, none, later, again = moved_since([off, entry(), off, far, far])
    assert (first, same, none) == (None, None, None)
    assert later is not None
    assert again is not None
    assert (later.is_seen, later.moved) == (True, pytest.approx(0.01))
    assert not again.is_seen


def test_axes_stand_in_the_order_of_the_machine() -> None:
    found = [entry(axis) for axis in ("c", "e", "y", "x", "y", "z")]
    assert [*map(len, in_order(found).values())] == [1, 2, 1, 1, 1]
    assert [*in_order(found)] == ["x", "y", "z", "c", "e"]


def test_numbers_in_words() -> None:
    assert entry().scale_in_words() == "1.0000 ± 0.0008"
    assert entry().play_in_words() == "0.030 ± 0.020 mm"
    nothing = entry(scale=None, U=None, play_mm=None)
    assert (nothing.scale_in_words(), nothing.play_in_words()) == ("-", "-")
    assert nothing.stored_in_words() == "-"
    known = entry(stored=80.0, stored_as="steps_per_mm")
    assert (known.stored_in_words(), known.found()) == ("80 steps per mm", "keep")


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


# What a check said, and what the controller then holds if 80 was found and 100 proposed.
OUTCOMES = (("confirmed", 100.0), ("not-applied", 80.0), ("applied-twice", None))


def test_what_the_logbook_holds_of_one_machine(tmp_path: Path) -> None:
    kept = {
        "axis": "x", "verdict": "keep", "next": "", "play_mm": None,
        "scale": {"value": 1.0, "u": 0.0004, "U": 0.0008, "k": 2.0, "dof": 30.0},
    }  # fmt: skip
    checked = {"proposal": "p-1", "outcome": "confirmed", "finding": kept}
    change = {"axes": ["x"], "change": {"number": 100.0}}
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        one = head("s-1", params={"axes": ["x"], "job": "7"})
        logbook.begin(one, SetClock()).end("finished", {"x": kept})
        logbook.begin(head("s-2"), SetClock()).end("port-lost", None)
        logbook.begin(head("s-3", machine="Other"), SetClock()).end("finished", {"x": kept})
        one = head("s-4", plan="check", params=change)
        logbook.begin(one, SetClock()).end("finished", checked)
        for n, (outcome, _) in enumerate(OUTCOMES):
            one = head(f"t-{n}", "Third", plan="check", params=change)
            logbook.begin(one, SetClock()).end("finished", checked | {"outcome": outcome})
        misread = kept | {"proposal": {"found": {"steps_per_mm": 64.0}}}
        logbook.begin(head("t-8", "Third"), SetClock()).end("finished", {"x": misread})
        logbook.begin(head("t-9", "Third", card="none"), SetClock()).end("finished", {"x": kept})
        logbook.begin(head("s-5", plan="intake"), SetClock()).end("finished", {"job": "7"})
        found = entries(logbook, "Test slide")
        stored = [one.stored for one in entries(logbook, "Third")]
    assert [(one.session, one.verdict, one.outcome) for one in found] == [
        ("s-1", "keep", ""), ("s-4", "keep", "confirmed"),
    ]  # fmt: skip
    assert (found[0].scale, found[0].U, found[0].play_mm) == ((1.0, 0.0004), 0.0008, None)
    assert [(one.stored, one.stored_as, one.job) for one in found] == [
        (80.0, "steps_per_mm", "7"), (100.0, "steps_per_mm", ""),
    ]  # fmt: skip
    assert stored == [*(number for _, number in OUTCOMES), 64.0, None]
