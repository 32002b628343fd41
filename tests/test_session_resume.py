"""Whole sessions are cut off, by an exception and by a kill, and taken up again.

Reduced form: every step, and 1000 kills, are in ``bench/kill.py``.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from cut_off import (
    CutOff,
    Kept,
    begin,
    broken_promises,
    cut_off_at,
    kept,
    killed_after,
    motion_lines,
    open_proposal,
    resume,
    transcripts,
    without_waiting_for_the_disk,
)

_KILLS = 60
_LINES = 110  # that a whole session prints, or a few less
_EACH = 9


@pytest.fixture(autouse=True)
def hurried() -> Iterator[None]:
    with without_waiting_for_the_disk():
        yield


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """The session that nobody cut off."""
    home = tmp_path_factory.mktemp("whole")
    with without_waiting_for_the_disk():
        assert begin(home) == 0
    return kept(home)


def begin_cut_off_at(home: Path, step: int) -> None:
    with pytest.raises(CutOff), cut_off_at(step):
        begin(home)


@pytest.mark.parametrize("first", range(1, _EACH + 1))
def test_at_every_step_boundary(tmp_path: Path, whole: Kept, first: int) -> None:
    # Nine tests walk through a part of the steps each, so that one failure does not hide others.
    for step in range(first, whole.steps + 1, _EACH * 6):
        home = tmp_path / str(step)
        begin_cut_off_at(home, step)
        confirmed = kept(home)
        assert resume(home) == 0
        assert broken_promises(home, confirmed, whole) == [], f"cut off at step {step}"


def test_a_session_that_printed_its_last_word_only_lacks_its_end(
    tmp_path: Path, whole: Kept
) -> None:
    begin_cut_off_at(tmp_path, whole.steps)
    (before,) = transcripts(tmp_path)
    assert motion_lines(before)
    assert resume(tmp_path) == 0
    assert kept(tmp_path).result == whole.result


def test_what_was_finished_in_all_but_name_is_finished(tmp_path: Path, whole: Kept) -> None:
    with pytest.MonkeyPatch.context() as patched, pytest.raises(CutOff):
        patched.setattr("tuner.session.logbook.SessionLog.end", _cut_off)
        begin(tmp_path)
    assert kept(tmp_path).ended_as is None
    assert resume(tmp_path) == 0
    assert kept(tmp_path).result == whole.result
    assert kept(tmp_path).steps == whole.steps


def _cut_off(*_: object) -> None:
    raise CutOff


def test_cut_off_again_and_again_while_it_recovers(tmp_path: Path, whole: Kept) -> None:
    begin_cut_off_at(tmp_path, 150)
    confirmed = kept(tmp_path)
    for step in (3, 40, 11):
        with pytest.raises(CutOff), cut_off_at(step):
            resume(tmp_path)
        assert set(confirmed.readings) <= set(kept(tmp_path).readings)
    assert resume(tmp_path) == 0
    assert broken_promises(tmp_path, confirmed, whole) == []
    assert len(transcripts(tmp_path)) == 5
    times_s = [one["time_s"] for one in open_proposal(tmp_path)["reading"]]
    assert times_s == sorted(times_s)


@pytest.mark.parametrize("seed", range(_KILLS))
def test_killed_at_a_random_instant(tmp_path: Path, whole: Kept, seed: int) -> None:
    lines = random.Random(seed).randint(1, _LINES)
    was_killed = killed_after(lines, partial(begin, tmp_path))
    confirmed = kept(tmp_path)
    assert (confirmed.ended_as is None) == was_killed
    if was_killed:
        assert resume(tmp_path) == 0
    assert broken_promises(tmp_path, confirmed, whole, was_killed=True) == []


@pytest.mark.parametrize("seed", range(6))
def test_killed_three_times_in_a_row_while_it_recovers(
    tmp_path: Path, whole: Kept, seed: int
) -> None:
    rng = random.Random(1000 + seed)
    assert killed_after(rng.randint(20, 90), partial(begin, tmp_path))
    confirmed = kept(tmp_path)
    for _ in range(3):
        assert killed_after(rng.randint(1, 40), partial(resume, tmp_path))
        now = kept(tmp_path)
        assert set(confirmed.readings) <= set(now.readings)
        confirmed = now
    assert resume(tmp_path) == 0
    assert broken_promises(tmp_path, confirmed, whole, was_killed=True) == []
