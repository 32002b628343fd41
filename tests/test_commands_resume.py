"""``tuner resume``: which session is meant, what is refused, and that nothing is touched then."""

from __future__ import annotations

import shlex
import shutil
import sqlite3
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from cut_off import CutOff, begin, cut_off_at, kept, without_waiting_for_the_disk
from fakes import SetClock
from plain_driver import PlainDriver, SeenLine
from responder import Responder
from test_end_to_end import caliper, machine, proposal, said, session, stop_at, write_card

from tuner import cli
from tuner.commands.resume import _paced
from tuner.console.screen import Screen
from tuner.errors import BenchFault, InputFault, UsedWrongly
from tuner.plans import bench
from tuner.session.logbook import Logbook, SessionHead, port_in_words, url_in_words
from tuner.text import shown


@pytest.fixture(autouse=True)
def hurried() -> Iterator[None]:
    with without_waiting_for_the_disk():
        yield


@pytest.fixture(scope="module")
def cut_off_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("cut")
    with without_waiting_for_the_disk(), pytest.raises(CutOff), cut_off_at(150):
        begin(home)
    return home


@pytest.fixture
def home(tmp_path: Path, cut_off_home: Path) -> Path:
    """A folder with one session in it that was cut off after four readings."""
    return Path(shutil.copytree(cut_off_home, tmp_path / "home"))


def resume(home: Path, *more: str) -> int:
    return cli.run(["resume", "--home", str(home), *more])


def session_in(home: Path) -> SessionHead:
    logbook = Logbook(home / "logbook.db")
    try:
        return logbook.head(logbook.sessions()[0])
    finally:
        logbook.close()


def add_session(home: Path, **changes: object) -> str:
    """Add an open session without a step to the logbook, like the one there but for `changes`."""
    head = replace(session_in(home), **{"id": "20990101-000000-other", **changes})  # type: ignore[arg-type]
    logbook = Logbook(home / "logbook.db")
    logbook.begin(head, SetClock()).close()
    logbook.close()
    return head.id


# --- which one ----------------------------------------------------------------------------


def test_where_nothing_was_ever_done_there_is_nothing_to_take_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert resume(tmp_path / "new") == 0
    assert "nothing to take up: there is no logbook in" in capsys.readouterr().out
    assert not (tmp_path / "new").exists()


def test_a_session_that_came_to_its_end_is_left_alone(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert resume(home, "--hands-off") == 0
    steps = kept(home).steps
    capsys.readouterr()
    for which in ([], ["last"]):
        assert resume(home, "--hands-off", *which) == 0
        assert "nothing to take up: every session came to its end" in capsys.readouterr().out
    assert resume(home, "--hands-off", session_in(home).id) == 0
    assert "came to its end. tuner log" in capsys.readouterr().out
    assert kept(home).steps == steps


def test_the_only_open_session_is_meant(home: Path) -> None:
    assert resume(home, "--hands-off") == 0
    assert kept(home).finding["verdict"] == "change"


def test_of_several_one_has_to_be_named(home: Path) -> None:
    other = add_session(home)
    here = session_in(home).id
    with pytest.raises(UsedWrongly, match="2 sessions did not come to their end") as refused:
        resume(home, "--hands-off")
    assert str(refused.value).index(other) < str(refused.value).index(here)
    assert "tuner resume SESSION" in str(refused.value)
    with pytest.raises(UsedWrongly, match="can be several"):
        resume(home, "20", "--hands-off")
    with pytest.raises(UsedWrongly, match="there is no session 19"):
        resume(home, "19", "--hands-off")


def test_a_job_stands_for_its_session_that_is_open(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    params = {**session_in(home).params, "job": "A-17"}
    other = add_session(home, params=params)
    assert resume(home, "A-17", "--hands-off") == 0
    capsys.readouterr()
    assert resume(home, "A-17", "--hands-off") == 0
    assert f"session {other} came to its end" in capsys.readouterr().out


def test_open_sessions_are_listed_with_what_they_are(home: Path) -> None:
    came_in = {"axes": [], "network": False, "card_file": "card.toml"}
    add_session(home, plan="intake", params=came_in, id="20980101-000000-other")
    add_session(home, params={**session_in(home).params, "job": "A-17"})
    with pytest.raises(UsedWrongly) as refused:
        resume(home)
    assert "20980101-000000-other (Bench mule, intake); " in str(refused.value)
    assert "20990101-000000-other (Bench mule, measure, X, job A-17); " in str(refused.value)


@pytest.mark.parametrize("length", [20, None])
def test_the_beginning_of_a_name_is_enough(home: Path, length: int | None) -> None:
    add_session(home)
    here = session_in(home).id
    assert resume(home, here[:length], "--hands-off") == 0
    logbook = Logbook(home / "logbook.db")
    assert logbook.ending(here)[0] == "finished"
    logbook.close()


def test_the_last_one_is_the_newest(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = add_session(home)
    assert resume(home, "last", "--hands-off") == 0
    logbook = Logbook(home / "logbook.db")
    assert logbook.ending(other)[0] == "finished"
    assert logbook.ending(session_in(home).id)[0] != "finished"
    logbook.close()
    assert "STEP before" in capsys.readouterr().out  # nothing was done in it yet


# --- what is refused ----------------------------------------------------------------------


def test_another_version_of_the_plan_is_refused_and_the_readings_stay(home: Path) -> None:
    there = session_in(home)
    old = add_session(home, plan_version=bench.VERSION - 1)
    with pytest.raises(InputFault, match="was begun with version") as refused:
        resume(home, old, "--hands-off")
    assert refused.value.exit_status == 1
    for words in (
        f"tuner log export {old} --home {home} writes",
        "tuner examine",
        "start a new session",
    ):
        assert words in str(refused.value)
    assert there == session_in(home)


def test_a_record_that_the_plan_would_not_make_is_refused_untouched(
    cut_off_home: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    # Not in the folder of this test, where every session has to replay.
    home = Path(shutil.copytree(cut_off_home, tmp_path_factory.mktemp("strange") / "home"))
    name = add_session(home)
    logbook = Logbook(home / "logbook.db")
    log = logbook.take_up(name, SetClock())
    log.step("intent", "Say", "elsewhere", {"type": "Say", "key": "elsewhere"})
    log.close()
    before = logbook.steps(name)
    logbook.close()
    with pytest.raises(InputFault, match="belongs to another version"):
        resume(home, name, "--hands-off")
    logbook = Logbook(home / "logbook.db")
    assert logbook.steps(name) == before
    logbook.close()


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("/dev/ttyACM0", "--hands-off answers by itself"),
        ("rehearse://elsewhere", "there is no simulated machine"),
    ],
)
def test_hands_off_is_for_the_simulated_machine_alone(home: Path, url: str, says: str) -> None:
    with pytest.raises(UsedWrongly, match=says):
        resume(home, "--hands-off", "--port", url)


@pytest.mark.parametrize(
    ("began", "now"),
    [
        ("rehearse://bench-mule", "/dev/ttyACM0"),
        ("/dev/ttyACM0", "rehearse://bench-mule"),
        ("/dev/ttyACM0", "socket://10.0.0.9:23"),
    ],
)
def test_it_goes_on_at_the_same_kind_of_port(home: Path, began: str, now: str) -> None:
    name = add_session(home, port=began)
    with pytest.raises(UsedWrongly, match="is another kind of port"):
        resume(home, name, "--port", now, "--plain")


def test_a_real_machine_needs_a_person_at_the_terminal(home: Path) -> None:
    name = add_session(home, port="/dev/ttyACM0 (serial number A1)")
    with pytest.raises(UsedWrongly, match="only with a person at the terminal"):
        resume(home, name, "--plain")


def test_one_session_has_one_writer(home: Path) -> None:
    logbook = Logbook(home / "logbook.db")
    log = logbook.take_up(session_in(home).id, SetClock())
    with pytest.raises(BenchFault, match="is being written by another"):
        resume(home, "--hands-off")
    log.close()
    logbook.close()
    assert resume(home, "--hands-off") == 0


# --- what is said -------------------------------------------------------------------------


def test_it_says_what_goes_on_and_what_is_kept(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    resume(home, "--hands-off")
    said = capsys.readouterr().out.splitlines()
    name = session_in(home).id
    assert said[0].startswith(f"NOTE taken-up | session {name} was cut off and goes on now")
    assert "4 readings are kept" in said[0]
    assert "the card and the dialect as they were then" in said[0]


def test_a_stopped_session_says_how_to_go_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("tuner.rehearsal.hands.Hands._holds", lambda *_: _stop())
        assert begin(tmp_path) == 1
    said = capsys.readouterr().out
    assert f"tuner resume {session_in(tmp_path).id}" in said
    assert resume(tmp_path, "--hands-off") == 0
    database = sqlite3.connect(tmp_path / "logbook.db")
    ended = database.execute("SELECT body FROM step WHERE kind = 'ended'").fetchall()
    database.close()
    assert len(ended) == 1


@pytest.mark.parametrize("folder", ["bench", "my bench's", "usual"])
def test_the_line_to_go_on_with_works_as_it_stands(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    folder: str,
) -> None:
    home = tmp_path / folder
    monkeypatch.setenv("TUNER_HOME", str(tmp_path / "usual"))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("tuner.rehearsal.hands.Hands._holds", lambda *_: _stop())
        assert begin(home) == 1
    (line,) = [one for one in capsys.readouterr().out.splitlines() if "tuner resume" in one]
    program, *arguments = shlex.split(line[line.index("tuner resume") :])
    assert program == "tuner"
    assert arguments == ["resume", session_in(home).id] + (
        ["--home", str(home)] if folder != "usual" else []
    )
    assert cli.run([*arguments, "--hands-off"]) == 0
    assert kept(home).ended_as == "finished"


def _stop() -> bool:
    raise BenchFault("something on this computer is wrong")


@pytest.mark.parametrize("url", ["/dev/one", "rehearse://bench-mule?seed=1", "/dev/\x1b[2J"])
@pytest.mark.parametrize("serial_number", [None, "A(1)"])
def test_the_port_of_a_session_comes_back_from_its_words(
    url: str, serial_number: str | None
) -> None:
    assert url_in_words(port_in_words(shown(url), serial_number)) == url


def test_a_rehearsal_takes_the_time_of_whoever_watches() -> None:
    url = "rehearse://bench-mule?seed=3&pace=instant"
    assert _paced(url, None) == url
    assert _paced(url, Screen()) == url.replace("instant", "real")


# --- at a machine behind a real port ------------------------------------------------------


def taken_up(there: Responder, home: Path, **driver: object) -> PlainDriver:
    """Go on with the session in `home` at another port than before."""
    argv = [sys.executable, "-m", "tuner", "resume", "--plain", "--home", str(home)]
    return PlainDriver(
        [*argv, "--port", there.device],
        caliper=caliper(there),
        choices={"x.placed-again": "yes", "x.look.pulley-teeth.16": "yes"},
        texts={"x.free-minus": "95", "x.free-plus": "115"},
        **driver,  # type: ignore[arg-type]
    )


def readings_in(home: Path) -> list[float]:
    found = proposal(home)["reading"]
    assert isinstance(found, list)
    return [one["reading_mm"] for one in found]


def test_a_stopped_session_goes_on_at_another_port(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with machine(0.01) as there:
        driver = session(
            there, write_card(tmp_path), home, answer_hook=stop_at("READING", "x.far.1")
        )
        assert driver.run() == 3, driver.tail()
    typed = {
        float(text)
        for key, text in driver.answers
        if key.startswith(("x.ladder.", "x.near.")) and text != "go"
    }
    assert len(typed) == 5
    (name,) = [path.stem for path in (home / "wire").glob("*.txt")]
    assert f"tuner resume {name}" in said(driver, "go-on")
    # Whoever cut the card to pieces meanwhile changes nothing about this session.
    write_card(tmp_path, stored="steps_per_mm = 1234.0")
    with machine(0.01) as there:
        driver = taken_up(there, home)
        assert driver.run() == 0, driver.tail()
        assert there.crashes == []
        assert there.targets_c == {"T": 0.0, "B": 0.0}
    assert proposal(home)["verdict"] == "change"
    assert typed <= set(readings_in(home))
    assert driver.tagged("MOVE")[0].key == "x.first"


def test_a_session_that_lost_its_port_goes_on_and_may_lose_it_again(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with machine(0.01) as there:

        def unplug_at(key: str) -> object:
            def hook(line: SeenLine) -> str | None:
                if (line.shown.tag, line.shown.key) == ("CONFIRM", key):
                    there.unplug()
                return None

            return hook

        driver = session(there, write_card(tmp_path), home, answer_hook=unplug_at("x.far.1"))
        assert driver.run() == 1, driver.tail()
    with machine(0.01) as there:
        driver = taken_up(there, home, answer_hook=unplug_at("x.ladder.ten"))
        assert driver.run() == 1, driver.tail()
        assert "7 readings" in said(driver, "where-things-stand")
    with machine(0.01) as there:
        driver = taken_up(there, home)
        assert driver.run() == 0, driver.tail()
    assert proposal(home)["verdict"] == "change"
    assert len(readings_in(home)) == 5 + 2 + 4 + 4
