"""Whole sessions through the real port code, against a machine that shares nothing with ours.

The other side of the pseudo-terminal is ``responder``, the person is ``plain_driver``: both
know the design of the plain lines and of the wire, and not a line of the program.
"""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from evidence import check_bytes
from plain_driver import PlainDriver, SeenLine
from responder import Axis, Responder

CARD = """
schema = 1
[machine]
name = "Workbench two"
dialect = "{dialect}"
[caliper]
range_mm = 150.0
resolution_mm = 0.01
error_limit_mm = 0.03
[axes.x]
drive = {{ kind = "belt", pitch_mm = 2.0, pulley_teeth = 20 }}
motor = {{ step_angle_deg = 1.8, microsteps = 16 }}
stored = {{ {stored} }}
range_mm = [0.0, 220.0]
"""
STEPS_PER_MM = "steps_per_mm = 80.0"


def write_card(folder: Path, dialect: str = "printer", stored: str = STEPS_PER_MM) -> Path:
    card = folder / "card.toml"
    card.write_text(CARD.format(dialect=dialect, stored=stored), encoding="utf-8")
    return card


def machine(true_mm_per_step: float, play_mm: float = 0.03, **switches: object) -> Responder:
    axis = Axis(
        stored_steps_per_mm=80.0,
        true_mm_per_step=true_mm_per_step,
        play_mm=play_mm,
        start_true_mm=100.0,
        low_true_mm=0.0,
        high_true_mm=220.0,
    )
    return Responder({"X": axis}, **switches)  # type: ignore[arg-type]


def caliper(there: Responder) -> Callable[[str, str, Mapping[str, str]], str]:
    """A caliper that reads 40 mm less than the true position, to its 0.01 mm."""

    def read(axis: str, key: str, fields: Mapping[str, str]) -> str:
        if fields["n"] == "0":
            return "0.00"
        return f"{there.true_position(axis.upper()) - 40.0:.2f}"

    return read


def session(
    there: Responder,
    card: Path,
    home: Path,
    *more: str,
    texts: Mapping[str, str] | None = None,
    **driver: object,
) -> PlainDriver:
    argv = [
        sys.executable,
        "-m",
        "tuner",
        "tune",
        str(card),
        "--port",
        there.device,
        "--plain",
        "--home",
        str(home),
        *more,
    ]
    return PlainDriver(
        argv,
        caliper=caliper(there),
        texts=texts or {"x.free-minus": "95", "x.free-plus": "115"},
        **driver,  # type: ignore[arg-type]
    )


def proposal(home: Path) -> dict[str, object]:
    (path,) = (home / "proposals").glob("*.toml")
    return tomllib.loads(path.read_text(encoding="utf-8"))


# Without a barrier that is proven every move is waited for in full, so there they are short.
FREE = {
    "printer": {"x.free-minus": "95", "x.free-plus": "115"},
    "plain": {"x.free-minus": "35", "x.free-plus": "50"},
}


@pytest.mark.parametrize("dialect", ["printer", "plain"])
def test_a_wrong_pulley_is_found_over_a_real_serial_path(tmp_path: Path, dialect: str) -> None:
    home = tmp_path / "home"
    with machine(0.01, dwell_unit="s") as there:
        driver = session(
            there,
            write_card(tmp_path, dialect),
            home,
            texts=FREE[dialect],
            choices={"x.look.pulley-teeth.16": "yes"},
        )
        assert driver.run() == 0, driver.tail()
        assert there.crashes == []
        assert check_bytes(bytes(there.raw)) == []
        assert there.targets_c == {"T": 0.0, "B": 0.0}
    found = proposal(home)
    assert found["verdict"] == "change"
    assert found["proposed"] == {
        "travel_per_rev_mm": 32.0,
        "travel_per_motor_rev_mm": 32.0,
        "steps_per_mm": 100.0,
        "mm_per_step": 0.01,
    }
    assert found["change"] == [{"key": "axes.x.drive.pulley_teeth", "from": 20, "to": 16}]
    assert driver.lines[-1].text == "END exit=0"


def test_a_healthy_axis_is_kept(tmp_path: Path) -> None:
    with machine(0.0125, chatter=True) as there:
        driver = session(there, write_card(tmp_path), tmp_path / "home")
        assert driver.run() == 0, driver.tail()
    assert proposal(tmp_path / "home")["verdict"] == "keep"


@pytest.mark.parametrize(
    ("stored", "held", "verdict"),
    [
        ("travel_per_rev_mm = 40.0", 0.00625, "cannot-tell"),
        ("mm_per_step = 0.0125", 0.00625, "change"),
    ],
)
def test_half_the_travel_is_a_tie_that_the_stored_form_decides(
    tmp_path: Path, stored: str, held: float, verdict: str
) -> None:
    with machine(held) as there:
        driver = session(there, write_card(tmp_path, stored=stored), tmp_path / "home")
        assert driver.run() == 0, driver.tail()
    found = proposal(tmp_path / "home")
    assert found["verdict"] == verdict
    assert "change" not in found or found["change"] == []


def test_again_undo_and_nonsense_change_nothing_about_the_result(tmp_path: Path) -> None:
    script = {"x.far.1": ["again", "nan", "1e3", "undo"], "x.near.2": ["999", "again"]}

    def hook(line: SeenLine) -> str | None:
        shown = line.shown
        waiting = script.get(shown.key, [])
        return waiting.pop(0) if shown.tag == "READING" and waiting else None

    with machine(0.01) as there:
        driver = session(there, write_card(tmp_path), tmp_path / "home", answer_hook=hook)
        assert driver.run() == 0, driver.tail()
    assert script == {"x.far.1": [], "x.near.2": []}
    found = proposal(tmp_path / "home")
    assert found["verdict"] == "change"
    assert len(found["reading"]) == 8  # type: ignore[arg-type]


def test_enter_or_yes_never_moves_anything(tmp_path: Path) -> None:
    tried = ["", "yes"]
    moved: list[int] = []

    with machine(0.0125) as there:

        def hook(line: SeenLine) -> str | None:
            if line.shown.tag == "CONFIRM" and tried:
                moved.append(len(there.moves))
                return tried.pop(0)
            return "stop" if line.shown.tag == "CONFIRM" else None

        driver = session(there, write_card(tmp_path), tmp_path / "home", answer_hook=hook)
        assert driver.run() == 3, driver.tail()
        assert there.moves == []
    assert moved == [0, 0]


def placed_anew(there: Responder, reads: float) -> Callable[[SeenLine], str | None]:
    """Answer like somebody whose second placing reads `reads` times as much, from elsewhere."""
    is_second = False

    def hook(line: SeenLine) -> str | None:
        nonlocal is_second
        shown = line.shown
        if shown.key == "x.place-anew":
            is_second = True
            return "yes"
        if not is_second or shown.tag != "READING" or shown.fields["n"] == "0":
            return None
        return f"{(there.true_position('X') - 100.0) * reads + 57.0:.2f}"

    return hook


def test_a_measured_number_takes_two_placings_that_agree(tmp_path: Path) -> None:
    with machine(0.0125 * 1.007) as there:
        hook = placed_anew(there, 1.0)
        driver = session(there, write_card(tmp_path), tmp_path / "home", answer_hook=hook)
        assert driver.run() == 0, driver.tail()
    found = proposal(tmp_path / "home")
    assert (found["verdict"], found["basis"]) == ("change", "measured")
    (change,) = found["change"]  # type: ignore[misc]
    assert (change["key"], change["from"]) == ("axes.x.stored.steps_per_mm", 80.0)
    # 80 steps travel 1.007 mm, so 1 mm takes 80 / 1.007 of them (exact by definition)
    assert change["to"] == pytest.approx(80.0 / 1.007, rel=5e-4)
    visits = [one["visit"] for one in found["reading"]]  # type: ignore[attr-defined]
    assert visits == sorted(visits) and {*visits} == {1, 2}


def test_two_placings_that_disagree_change_nothing(tmp_path: Path) -> None:
    with machine(0.0125 * 1.007) as there:
        hook = placed_anew(there, 0.993)
        driver = session(there, write_card(tmp_path), tmp_path / "home", answer_hook=hook)
        assert driver.run() == 0, driver.tail()
    found = proposal(tmp_path / "home")
    assert found["verdict"] == "measure-again"
    assert "change" not in found


# --- stopping and losing ------------------------------------------------------------------


def stop_at(tag: str, key: str) -> Callable[[SeenLine], str | None]:
    return lambda line: "stop" if (line.shown.tag, line.shown.key) == (tag, key) else None


def said(driver: PlainDriver, key: str) -> str:
    return " ".join(line.says for line in driver.tagged("NOTE") if line.key == key)


def test_stop_at_a_reading_keeps_the_readings_and_says_where_things_stand(tmp_path: Path) -> None:
    with machine(0.01) as there:
        driver = session(
            there,
            write_card(tmp_path),
            tmp_path / "home",
            answer_hook=stop_at("READING", "x.far.1"),
        )
        assert driver.run() == 3, driver.tail()
        assert there.lines[-1] != "G1"
        assert "M112" in there.lines
    assert "5 readings" in said(driver, "where-things-stand")
    assert driver.lines[-1].text == "END exit=3"


def test_a_stop_at_a_look_keeps_what_was_found(tmp_path: Path) -> None:
    with machine(0.01) as there:
        hook = stop_at("CHOICE", "x.look.pulley-teeth.16")
        driver = session(there, write_card(tmp_path), tmp_path / "home", answer_hook=hook)
        assert driver.run() == 3, driver.tail()
    found = proposal(tmp_path / "home")
    assert (found["verdict"], found["basis"]) == ("change", "parts")
    assert found["next"].startswith("power off and unplugged: count the teeth")  # type: ignore[attr-defined]
    assert "8 readings" in said(driver, "where-things-stand")
    assert [line.tag for line in driver.tagged("PROPOSAL")] == ["PROPOSAL"]


@pytest.mark.parametrize("which", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_in_mid_move_stops_the_machine(tmp_path: Path, which: signal.Signals) -> None:
    with machine(0.0125, time_scale=1.0) as there:

        def in_mid_move(driver: PlainDriver) -> None:
            if there.moving:
                driver.signal(which)

        driver = session(there, write_card(tmp_path), tmp_path / "home", while_waiting=in_mid_move)
        assert driver.run() == 3, driver.tail()
        assert there.halted
        assert abs(there.true_position("X") - 100.0) < 1.0


def test_the_end_of_input_is_a_stop(tmp_path: Path) -> None:
    with machine(0.0125) as there:

        def hook(line: SeenLine) -> str | None:
            if line.shown.tag == "READING":
                driver.end_input()
            return None

        driver = session(there, write_card(tmp_path), tmp_path / "home", answer_hook=hook)
        assert driver.run() == 3, driver.tail()


def test_an_unplugged_port_ends_in_one_sentence_and_keeps_everything(tmp_path: Path) -> None:
    with machine(0.01) as there:

        def hook(line: SeenLine) -> str | None:
            if (line.shown.tag, line.shown.key) == ("CONFIRM", "x.far.1"):
                there.unplug()
            return None

        driver = session(there, write_card(tmp_path), tmp_path / "home", answer_hook=hook)
        assert driver.run() == 1, driver.tail()
    assert "went away" in said(driver, "port-lost")
    assert "5 readings" in said(driver, "where-things-stand")
    assert "Traceback" not in driver.errors.decode()


def test_a_lost_answer_ends_the_session_and_nothing_is_sent_twice(tmp_path: Path) -> None:
    with machine(0.01, drop_answer_after=12) as there:
        driver = session(there, write_card(tmp_path), tmp_path / "home")
        assert driver.run() == 1, driver.tail()
        motion = [line for line in there.lines if line.startswith("G1")]
    assert len(motion) == len(set(motion))
    assert driver.tagged("RESULT") == []


# --- bad beginnings -----------------------------------------------------------------------


def test_a_silent_machine_is_told_from_a_wrong_port(tmp_path: Path) -> None:
    with machine(0.0125, silent=True, greeting="") as there:
        driver = session(there, write_card(tmp_path), tmp_path / "home")
        assert driver.run() == 1, driver.tail()
        assert [line for line in there.lines if line.startswith("G1")] == []
    assert "baud" in " ".join(line.text for line in driver.lines)


def tuner(*arguments: str, **environment: str) -> tuple[int, str, str]:
    """Run the program with a plain pipe on standard input; return status, out, err."""
    done = subprocess.run(
        [sys.executable, "-m", "tuner", *arguments],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
        env={**os.environ, **environment},
    )
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize(
    ("content", "status", "says"),
    [
        (None, 1, "there is no such file"),
        ("", 1, "it is empty"),
        ("schema = 1\n[machine]\nname = 7\n", 1, "name"),
        ("schema = ", 1, "not TOML"),
        ("\x00\x1b[2J", 1, "card.toml"),
    ],
)
def test_a_bad_card_is_one_clear_message(
    tmp_path: Path, content: str | None, status: int, says: str
) -> None:
    card = tmp_path / "card.toml"
    if content is not None:
        card.write_text(content)
    got, _, err = tuner("tune", str(card), "--port", "/dev/null", "--home", str(tmp_path))
    assert got == status
    assert says in err
    assert "Traceback" not in err
    assert "\x1b" not in err


def test_a_real_port_wants_a_terminal(tmp_path: Path) -> None:
    status, _, err = tuner(
        "tune", str(write_card(tmp_path)), "--port", "/dev/ttyNONE", "--home", str(tmp_path)
    )
    assert status == 2
    assert "terminal" in err


@pytest.mark.parametrize(
    ("port", "says"),
    [("/dev/ttyNONE", "there is no port"), ("nonsense://x", "no kind of port"), ("", "port")],
)
def test_a_port_that_cannot_be_opened_ends_the_session_clearly(
    tmp_path: Path, port: str, says: str
) -> None:
    argv = [
        sys.executable,
        "-m",
        "tuner",
        "tune",
        str(write_card(tmp_path)),
        "--port",
        port,
        "--plain",
        "--home",
        str(tmp_path / "home"),
    ]
    driver = PlainDriver(argv)
    assert driver.run() == 1, driver.tail()
    assert says in " ".join(line.text for line in driver.lines)


def test_a_port_in_use_is_said_to_be_in_use(tmp_path: Path) -> None:
    with machine(0.0125) as there:
        other = os.open(there.device, os.O_RDWR | os.O_NOCTTY)
        try:
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
            driver = session(there, write_card(tmp_path), tmp_path / "home")
            assert driver.run() == 1, driver.tail()
        finally:
            os.close(other)
    assert "another program" in " ".join(line.text for line in driver.lines)


def test_a_home_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    home = tmp_path / "file"
    home.write_text("not a folder")
    status, _, err = tuner("rehearse", "--hands-off", "--home", str(home))
    assert status == 1
    assert "--home" in err
    assert "Traceback" not in err
    assert home.read_text() == "not a folder"


@pytest.mark.parametrize(
    "arguments",
    [
        ("rehearse", "--hands-off", "--axis", "q"),
        ("rehearse", "--hands-off", "--fault", "gremlins"),
        ("rehearse", "--hands-off", "--seed", "-1"),
        ("rehearse", "--hands-off", "--seed", "many"),
        ("unheard-of",),
        ("tune",),
    ],
)
def test_wrong_use_is_exit_2_with_a_reason(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    status, _, err = tuner(*arguments, TUNER_HOME=str(tmp_path))
    assert status == 2
    assert err
    assert "Traceback" not in err


def test_without_a_stop_word_a_stop_keeps_the_rest_of_the_group_from_leaving(
    tmp_path: Path,
) -> None:
    with machine(0.0125, time_scale=1.0, dwell_unit="s") as there:

        def in_mid_move(driver: PlainDriver) -> None:
            asked = [key for key, answer in driver.answers if answer == "go"]
            if there.moving and asked[-1] == "x.far.1":
                driver.send("stop")

        driver = session(
            there,
            write_card(tmp_path, "plain"),
            tmp_path / "home",
            texts={"x.free-minus": "95", "x.free-plus": "50"},
            while_waiting=in_mid_move,
        )
        assert driver.run() == 3, driver.tail()
        shown = [line for line in driver.tagged("MOVE") if line.key == "x.far.1"]
        sent = [line for line in there.lines if line.startswith("G1")]
    assert len(shown) >= 2
    assert sent[-1] == f"G1 X{float(shown[0].fields['by_mm']):g} F{shown[0].fields['feed']}"
