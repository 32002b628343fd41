"""The replay is strict both ways, and its time is the transcript's."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import serial

from tuner.errors import BadFile, PortLost
from tuner.wire.port import Port
from tuner.wire.protocol_replay import NotInTranscript

Play = Callable[[str], Port]


@pytest.fixture
def play(tmp_path: Path) -> Play:
    def opened(text: str) -> Port:
        path = tmp_path / "conversation.txt"
        path.write_text(text, encoding="utf-8")
        return Port.open(f"replay://{path}", 115200)

    return opened


def test_a_conversation_as_written(play: Play) -> None:
    port = play("# made up\n1.0 < start\n1.5 > M114\n1.6 < X:0 Y:0\n1.6 < ok\n")
    assert port.read_until(0.9) == b""
    assert port.clock.now_s() == pytest.approx(0.9, abs=0.06)
    assert port.read_until(5.0) == b"start\n"
    assert port.clock.now_s() == 1.0
    port.write(b"M1")
    port.write(b"14\n")
    assert port.clock.now_s() == 1.5
    assert port.read_until(5.0) == b"X:0 Y:0\nok\n"
    assert port.clock.now_s() == 1.6
    assert port.read_until(7.0) == b""
    port.close()
    port.close()


def test_text_from_outside_is_played_as_it_was(play: Play) -> None:
    port = play("1 < \\x00\\x1b \\\\ grün \\udcff\n")
    assert port.read_until(2.0) == "\0\x1b \\ grün ".encode() + b"\xff\n"


def test_a_closed_replay_takes_and_gives_nothing(play: Play) -> None:
    device = play("1 < start\n1 > M114\n")._device
    with pytest.raises(NotInTranscript):
        device.close()
    assert not device.is_open
    with pytest.raises(serial.PortNotOpenError):
        device.in_waiting  # noqa: B018
    with pytest.raises(serial.PortNotOpenError):
        device.read()
    with pytest.raises(serial.PortNotOpenError):
        device.write(b"M")


def test_a_read_without_patience_takes_no_time(play: Play) -> None:
    device = play("1 < start\n")._device
    device.timeout = None
    assert device.read() == b""
    assert device.clock.now_s() == 0.0
    device.timeout = 0.25
    assert device.read() == b""
    assert device.clock.now_s() == 0.25


def test_a_read_returns_what_arrives_while_it_waits(play: Play) -> None:
    device = play("1 < start\n1 > M114\n")._device
    device.timeout = 2.0
    assert device.read() == b"s"
    assert device.clock.now_s() == 1.0
    assert device.read(2) == b"ta"
    assert device.read(100) == b"rt\n"
    assert device.write(b"M114\n") == 5
    device.close()


@pytest.mark.parametrize(
    ("text", "line", "expected"),
    [
        ("1 > M114\n", b"M105\n", "'M105' was sent, expected '> M114' (line 1)"),
        ("\n1 < start\n", b"M105\n", "'M105' was sent, expected '< start' (line 2)"),
        ("1 ! opened\n", b"M105\n", "'M105' was sent, expected the end of the conversation"),
        ("1 > M114\n", b"M114\r\n", "'M114\\x0d' was sent, expected '> M114'"),
        ("1 > M114\n", b"M114\xff\n", "'M114\\udcff' was sent, expected '> M114'"),
        ("1 > M114\n2 > M114\n", b"M114\nM112\n", "'M112' was sent, expected '> M114' (line 2)"),
    ],
)
def test_an_unexpected_line_is_an_error_with_both(
    play: Play, text: str, line: bytes, expected: str
) -> None:
    port = play(text)
    with pytest.raises(NotInTranscript) as caught:
        port.write(line)
    assert expected in str(caught.value)
    port.close()  # the leftovers are no second error


@pytest.mark.parametrize("left", ["1 > M114\n", "1 < start\n", "1 ! opened\n1 < ok\n2 ~ NOTE x\n"])
def test_what_is_left_over_is_an_error(play: Play, left: str) -> None:
    port = play(left)
    with pytest.raises(NotInTranscript, match="the end of the conversation, expected '"):
        port.close()


def test_events_and_people_are_passed_over_and_take_their_time(play: Play) -> None:
    port = play("1 ! opened\n60 ~ CAUTION x.near.1 | …\n90 ~ ANSWER go\n90 > M114\n")
    assert port.read_until(1.0) == b""
    assert port.clock.now_s() == 90.0
    port.write(b"M114\n")
    port.close()


def test_the_clock_can_be_moved_by_whoever_stands_in_for_the_person(play: Play) -> None:
    port = play("70 < start\n")
    port.clock.advance(80.0)  # type: ignore[attr-defined]
    assert port.read_until(0.0) == b"start\n"
    assert port.clock.now_s() == 80.0


def test_a_lost_port_is_lost(play: Play) -> None:
    port = play("1 > M114\n1 ! lost\n")
    port.write(b"M114\n")
    with pytest.raises(PortLost):
        port.read_until(2.0)
    port.close()


def test_a_lost_port_at_the_end_closes_quietly(play: Play) -> None:
    play("1 ! lost\n").close()


def test_what_is_no_transcript_is_refused(play: Play, tmp_path: Path) -> None:
    with pytest.raises(BadFile):
        play("nonsense\n")
    with pytest.raises(BadFile):
        Port.open(f"replay://{tmp_path}/none.txt", 115200)
