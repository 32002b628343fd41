"""Whole sessions over a network: ``rfc2217://`` and ``socket://``, against real servers.

The servers are ``bridges`` on the loopback network, the machine behind them is ``responder``
at a pseudo-terminal, the person is ``plain_driver``.
"""

from __future__ import annotations

import signal
import socket
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from bridges import Rfc2217Bridge, TcpBridge
from evidence import check_bytes
from plain_driver import PlainDriver, SeenLine
from responder import Axis, Responder

from tuner.errors import PortLost, PortUnavailable
from tuner.wire.port import Port, is_network

CARD = """
schema = 1
[machine]
name = "Far away"
dialect = "printer"
baud = 115200
[caliper]
range_mm = 150.0
resolution_mm = 0.01
error_limit_mm = 0.03
[axes.x]
drive = { kind = "belt", pitch_mm = 2.0, pulley_teeth = 20 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 80.0 }
range_mm = [0.0, 220.0]
"""
VERTICAL = """
[axes.z]
drive = { kind = "screw", pitch_mm = 2.0, starts = 4 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 400.0 }
range_mm = [0.0, 180.0]
vertical = true
"""
# RFC 2217 section 3 and RFC 855, seen: IAC SB COM-PORT-OPTION SET-BAUDRATE, four octets with the
# most significant first (from memory), IAC SE.
SETS_115200_BAUD = bytes([255, 250, 44, 1, 0, 1, 0xC2, 0, 255, 240])

BRIDGES = [pytest.param(Rfc2217Bridge, id="rfc2217"), pytest.param(TcpBridge, id="socket")]
# What the library does inside its own reader; Python means to drop it some day.
pytestmark = pytest.mark.filterwarnings(
    r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning"
)


def machine(**switches: object) -> Responder:
    return Responder(
        {"X": Axis(true_mm_per_step=0.01, play_mm=0.03)},
        **switches,  # type: ignore[arg-type]
    )


def caliper(there: Responder) -> Callable[[str, str, Mapping[str, str]], str]:
    def read(axis: str, key: str, fields: Mapping[str, str]) -> str:
        return "0.00" if fields["n"] == "0" else f"{there.true_position(axis) - 40.0:.2f}"

    return read


def session(
    there: Responder,
    url: str,
    folder: Path,
    *more: str,
    card: str = CARD,
    at_the_machine: str = "yes",
    **driver: object,
) -> PlainDriver:
    path = folder / "card.toml"
    path.write_text(card, encoding="utf-8")
    home = str(folder / "home")
    argv = [sys.executable, "-m", "tuner", "tune", str(path), "--port", url]
    return PlainDriver(
        [*argv, "--plain", "--home", home, *more],
        caliper=caliper(there),
        texts={"x.free-minus": "95", "x.free-plus": "115"},
        choices={"at-the-machine": at_the_machine, "x.look.pulley-teeth.16": "yes"},
        **driver,  # type: ignore[arg-type]
    )


def said(driver: PlainDriver, key: str) -> str:
    return " ".join(line.says for line in driver.tagged("NOTE") if line.key == key)


@pytest.mark.parametrize("bridge", BRIDGES)
def test_a_whole_session_over_a_network(tmp_path: Path, bridge: type[TcpBridge]) -> None:
    with machine(chatter=True) as there, bridge(there.device) as served:
        assert is_network(served.url)
        driver = session(there, served.url, tmp_path)
        assert driver.run() == 0, driver.tail()
        assert there.crashes == []
        assert check_bytes(bytes(there.raw)) == []
        assert ("at-the-machine", "yes") in driver.answers
        if isinstance(served, Rfc2217Bridge):
            assert SETS_115200_BAUD in served.heard
            assert served.baud == 115200
    (result, *_) = (one for one in driver.tagged("RESULT") if one.fields["verdict"] == "change")
    assert "16 teeth" in result.says


@pytest.mark.parametrize("bridge", BRIDGES)
def test_a_stop_in_mid_move_reaches_the_machine(tmp_path: Path, bridge: type[TcpBridge]) -> None:
    with machine(time_scale=1.0) as there, bridge(there.device) as served:

        def in_mid_move(driver: PlainDriver) -> None:
            if there.moving:
                driver.signal(signal.SIGINT)

        driver = session(there, served.url, tmp_path, while_waiting=in_mid_move)
        assert driver.run() == 3, driver.tail()
        assert there.halted
        assert abs(there.true_position("X") - 100.0) < 1.0
        assert check_bytes(bytes(there.raw)) == []


@pytest.mark.parametrize("bridge", BRIDGES)
def test_a_lost_connection_is_a_lost_port(tmp_path: Path, bridge: type[TcpBridge]) -> None:
    with machine() as there, bridge(there.device) as served:

        def hook(line: SeenLine) -> str | None:
            if line.shown.tag == "READING" and line.shown.fields["n"] != "0":
                served.hang_up()
            return None

        driver = session(there, served.url, tmp_path, answer_hook=hook)
        assert driver.run() == 1, driver.tail()
        motion = [line for line in there.lines if line.startswith("G1")]
    assert "went away" in said(driver, "port-lost")
    assert "mains" in said(driver, "heaters")
    assert "1 reading of this session is in the logbook" in said(driver, "where-things-stand")
    assert len(motion) == len(set(motion))
    assert "Traceback" not in driver.errors.decode()


@pytest.mark.parametrize("bridge", BRIDGES)
def test_with_nobody_at_the_machine_nothing_is_opened(
    tmp_path: Path, bridge: type[TcpBridge]
) -> None:
    with machine() as there, bridge(there.device) as served:
        driver = session(there, served.url, tmp_path, at_the_machine="no")
        driver.run()
        assert there.lines == []
        assert not there.in_use
        assert served.heard == b""
    assert driver.tagged("CONFIRM") == []
    assert "somebody at the machine" in said(driver, "not-there")


@pytest.mark.parametrize("scheme", ["rfc2217", "socket", "spy://rfc2217", "SOCKET"])
def test_a_vertical_axis_is_refused_over_a_network(tmp_path: Path, scheme: str) -> None:
    with machine() as there:
        driver = session(there, f"{scheme}://127.0.0.1:9", tmp_path, card=CARD + VERTICAL)
        assert driver.run() == 2, driver.tail()
    assert driver.lines == []
    assert "vertical" in driver.errors.decode()


def test_the_level_axes_of_a_machine_with_a_vertical_one_are_not(tmp_path: Path) -> None:
    with machine() as there, TcpBridge(there.device) as served:
        driver = session(
            there,
            served.url,
            tmp_path,
            *("--axis", "x"),
            card=CARD + VERTICAL,
            answer_hook=lambda line: "stop" if line.shown.key == "motor-power" else None,
        )
        assert driver.run() == 3, driver.tail()


# --- the port alone -------------------------------------------------------------------------


def hear(port: Port, last: bytes) -> bytes:
    """Return all that comes up to `last`."""
    heard = b""
    while not heard.endswith(last):
        more = port.read_until(port.clock.now_s() + 5.0)
        assert more, heard
        heard += more
    return heard


@pytest.mark.parametrize("bridge", BRIDGES)
def test_every_byte_comes_through_both_ways(bridge: type[TcpBridge]) -> None:
    everything = bytes(range(256))
    with machine(restarts_on_open=False) as there, bridge(there.device) as served:
        port = Port.open(served.url, 115200)
        port.write(b"M114\n")
        hear(port, b"ok\n")
        there.say(everything.decode("latin-1"))
        assert hear(port, b"\xff\n") == everything + b"\n"
        port.write(everything + b"\nM114\n")
        hear(port, b"X:0.000\nok\n")
        port.close()
        assert bytes(there.raw) == b"M114\n" + everything + b"\nM114\n"


@pytest.mark.parametrize("bridge", BRIDGES)
def test_a_server_that_is_gone_loses_the_port(bridge: type[TcpBridge]) -> None:
    with machine(silent=True) as there, bridge(there.device) as served:
        port = Port.open(served.url, 115200)
        served.hang_up()
        with pytest.raises(PortLost, match="went away"):
            while True:
                port.read_until(port.clock.now_s() + 5.0)
        port.close()


@pytest.mark.parametrize("scheme", ["rfc2217", "socket"])
def test_nobody_there_is_one_sentence(scheme: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        number = listener.getsockname()[1]
    with pytest.raises(PortUnavailable, match=f"127.0.0.1:{number}"):
        Port.open(f"{scheme}://127.0.0.1:{number}", 115200)


@pytest.mark.parametrize(
    "url",
    ["socket://", "socket://host", "socket://127.0.0.1:99999", "rfc2217://127.0.0.1:x"],
)
def test_an_address_that_is_none_is_one_sentence(url: str) -> None:
    with pytest.raises(PortUnavailable, match="check host and number"):
        Port.open(url, 115200)
