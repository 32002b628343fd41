"""Whole sessions as an emulated terminal shows them: all there, nothing cut, nothing overdrawn."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from terminal_walk import WHERE, Walk, walk

from tuner.messages import Go
from tuner.session.logbook import Logbook

SIZES = {"80x24": (24, 80), "120x40": (40, 120)}


def words(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module", params=SIZES)
def session(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Walk, int, int]]:
    rows, columns = SIZES[request.param]
    yield walk(tmp_path_factory.mktemp("home"), rows=rows, columns=columns), rows, columns


def test_a_whole_session_with_the_numeric_pad_alone(session: tuple[Walk, int, int]) -> None:
    walked, _, _ = session
    assert walked.status == 0
    assert len(walked.shots) > 20
    assert any(isinstance(one.question.accepts, Go) for one in walked.shots)
    assert any(line.tag == "PROPOSAL" for line in walked.told)


def test_the_fixed_rows_are_always_the_same(session: tuple[Walk, int, int]) -> None:
    walked, _, columns = session
    for shot in walked.shots:
        rule, where, ahead, prompt, below, toolbar = shot.fixed
        assert set(rule) == {"─"}
        assert re.match(r"  Step \d of 7 - ", where)
        assert ahead.strip()
        assert prompt.endswith(" >")
        assert "? or * help" in below and "/ stop" in below
        assert toolbar.startswith("  Ctrl-X stop | ")
        assert not any(row.endswith("...") for row in shot.fixed)
        assert max(map(len, shot.rows)) < columns


def test_what_is_asked_stands_there_whole(session: tuple[Walk, int, int]) -> None:
    walked, _, _ = session
    for shot in walked.shots:
        assert words(shot.question.line.says) in shot.flowing


def test_every_caution_stands_there_whole_when_consent_is_asked(
    session: tuple[Walk, int, int],
) -> None:
    walked, _, _ = session
    consents = [one for one in walked.shots if isinstance(one.question.accepts, Go)]
    for shot in consents:
        group = dict(shot.question.line.fields)["group"]
        said = [one for one in walked.told if dict(one.fields).get("group") == group]
        cautions = [one for one in said if one.tag == "CAUTION"]
        assert cautions
        for caution in cautions:
            assert words(caution.says) in shot.flowing
        assert "after your go: X to " in shot.fixed[2]


def test_nothing_told_is_lost_or_overdrawn(session: tuple[Walk, int, int]) -> None:
    walked, _, columns = session
    page = walked.page(columns)
    at = 0
    for line in walked.told:
        if line.tag in ("READING", "CHOICE", "TEXT", "CONFIRM") or not line.says:
            continue
        found = page.find(words(line.says), at)
        assert found >= 0, line
        at = found


def test_the_last_row_says_port_place_heat_and_uncertainty(
    session: tuple[Walk, int, int],
) -> None:
    walked, _, columns = session
    assert WHERE in walked.at("job-running").fixed[-1]
    fits = [dict(line.fields)["U"] for line in walked.told if line.tag == "FIT"]
    toolbar = walked.at("x.zero-last").fixed[-1]
    assert "X at -55.00 mm" in toolbar
    assert f"U {fits[-1]}" in toolbar
    assert "nozzle 21 °C, bed 21 °C" in toolbar
    assert (WHERE in toolbar) == (columns > 80)


def test_the_pictures_follow_each_reading(session: tuple[Walk, int, int]) -> None:
    walked, _, columns = session
    page = walked.page(columns)
    for done in range(1, 5):
        assert f"{done} of at most 10 places read" in page
    assert "[5]-55▷ [6]25▷ [7]25◁ [8]-55◁ [_]-45▷" in page
    assert (
        page.count("reading minus fit, mm;") == sum(line.tag == "FIT" for line in walked.told) - 1
    )
    assert re.search(r"pulley-teeth +█+░* +(98|>99) %", page)


def test_nothing_blinks_and_nothing_is_coloured(session: tuple[Walk, int, int]) -> None:
    walked, _, _ = session
    styles = re.findall(r"\x1b\[([0-9;]*)m", walked.drawn)
    assert {one for style in styles for one in style.split(";")} <= {"", "0", "1"}


def test_without_unicode_all_is_ascii(tmp_path: Path) -> None:
    walked = walk(tmp_path, rows=24, columns=80, encoding="ascii")
    assert walked.status == 0
    assert walked.drawn.isascii()
    assert "?" not in walked.at("x.near.2").fixed[-1]
    assert "+/-" in walked.page(80)
    assert re.search(r"pulley-teeth +#+_* +(98|>99) %", walked.page(80))


def test_wrong_input_is_explained_while_it_is_typed(tmp_path: Path) -> None:
    walked = walk(
        tmp_path,
        rows=24,
        columns=80,
        instead={
            "x.zero-first": [
                ("8x", "not yet: '8x' is not a length"),
                ("\r", "not taken: '8x' is not a length"),
                ("900", "not yet: 900 mm is outside"),
                ("\x7f\x7f\x7f?", "Enter: explain this question"),
                ("\r", "Wipe both jaws"),
            ],
            "x.free-minus": [("0.5 in", "Enter: 12.70 mm"), ("\x7f" * 6, "? or * help")],
            "x.first-move": [
                ("ab", "Tab: about-right"),
                ("\t", "Enter: about-right"),
                ("\x7f" * 11, "Tab"),
            ],
            "x.first": [
                ("\r", "only go starts this move"),
                ("*", "Enter: explain this question"),
                ("+", "Enter: go"),
                ("\x7f\x7f1\r", "not taken: only go starts this move"),
            ],
        },
    )
    assert walked.status == 0
    (reading,) = [one for one in walked.told if one.tag == "FIT" and dict(one.fields)["n"] == "2"]
    assert reading.says in walked.page(80)


@pytest.mark.parametrize("keys", ["\x18", "/\r", "stop\r", "\x03"])
def test_a_stop_says_where_things_stand(tmp_path: Path, keys: str) -> None:
    walked = walk(tmp_path, rows=24, columns=80, instead={"x.near.1": [(keys, "")]})
    assert walked.status == 3
    flowing = words(" ".join(walked.last))
    (heaters,) = [one for one in walked.told if one.key == "heaters"]
    assert words(heaters.says) in flowing
    assert "4 readings of this session are in the logbook" in flowing
    assert "tuner resume" in flowing
    assert "type go" not in walked.last[-1]


@pytest.mark.parametrize("size", SIZES)
def test_a_session_that_was_stopped_and_taken_up(tmp_path: Path, size: str) -> None:
    rows, columns = SIZES[size]
    stopped = walk(tmp_path, rows=rows, columns=columns, instead={"x.far.1": [("\x18", "")]})
    assert stopped.status == 3
    logbook = Logbook(tmp_path / "logbook.db")
    (session,) = logbook.sessions()
    kept = [one.reading_mm for one in logbook.readings(session)]
    logbook.close()
    walked = walk(tmp_path, rows=rows, columns=columns, cut_off=session)
    assert walked.status == 0
    logbook = Logbook(tmp_path / "logbook.db")
    assert [one.reading_mm for one in logbook.readings(session)][: len(kept)] == kept
    logbook.close()
    first = walked.shots[0]
    assert f"{len(kept)} readings" in first.flowing
    for shot in walked.shots:
        assert words(shot.question.line.says) in shot.flowing
        assert shot.fixed[-1].startswith("  Ctrl-X stop | ")
        assert max(map(len, shot.rows)) < columns
    # Small moves come before far ones again, each with its caution in sight.
    consents = [one for one in walked.shots if isinstance(one.question.accepts, Go)]
    assert "1.00 mm" in consents[0].flowing
    assert all("WARNING" in one.flowing for one in consents)
    told = [line for line in walked.told if line.says and line.tag in ("NOTE", "FIT", "RESULT")]
    page, at = walked.page(columns), 0
    for line in told:
        at = page.find(words(line.says), at)
        assert at >= 0, line


def test_an_answer_before_the_first_move_is_taken_back(tmp_path: Path) -> None:
    walked = walk(
        tmp_path, rows=24, columns=80, instead={"x.free-plus": [("back\r", "how many mm")]}
    )
    assert walked.status == 0
    keys = [one.key for one in walked.shots]
    at = keys.index("x.free-plus")
    assert keys[at - 1 : at + 3] == ["x.free-minus", "x.free-plus", "x.free-minus", "x.free-plus"]
    assert "back" in walked.shots[at].fixed[3]
    assert "- back" in walked.shots[at].fixed[4]
    last_before_a_move = next(one for one in walked.shots if isinstance(one.question.accepts, Go))
    assert "back" not in last_before_a_move.fixed[3]
