"""The simulated machine through pyserial's own front door."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

import pytest
import serial
from serial import PortNotOpenError, SerialException

from tuner.errors import UsedWrongly
from tuner.rehearsal.physics import VirtualClock
from tuner.rehearsal.protocol_rehearse import Serial

URL = "rehearse://bench-mule"
GREETING_BYTES = len(b"start\nsimulated controller, axes X Y Z\nnothing has been referenced\n")


@pytest.fixture(autouse=True)
def handler_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        serial, "protocol_handler_packages", [*serial.protocol_handler_packages, "tuner.rehearsal"]
    )


def opened(query: str = "", timeout: float | None = 10.0) -> Serial:
    port = serial.serial_for_url(f"{URL}{query}", 115200, timeout=timeout, write_timeout=2.0)
    assert isinstance(port, Serial)
    return port


@pytest.fixture
def port() -> Iterator[Serial]:
    """An open port whose greeting has been read; its clock stands at half a second."""
    port = opened("?fault=none")
    assert port.read(GREETING_BYTES).startswith(b"start\n")
    yield port
    port.close()


class WatchedClock(VirtualClock):
    """Says when the first bit of time has passed, so that a test can wait for a busy reader."""

    def __init__(self) -> None:
        super().__init__()
        self.moved = threading.Event()

    def advance(self, seconds: float) -> None:
        super().advance(seconds)
        self.moved.set()


def in_thread(work: Callable[[], object]) -> tuple[threading.Thread, list[object]]:
    """Run `work` beside the test; the list receives what it returns or raises."""
    results: list[object] = []

    def run() -> None:
        try:
            results.append(work())
        except Exception as failure:
            results.append(failure)

    thread = threading.Thread(target=run)
    thread.start()
    return thread, results


# --- the address ------------------------------------------------------------------------


@pytest.mark.parametrize("query", ["", "/", "?seed=0", "?seed=999999999&pace=instant"])
def test_addresses_of_the_usual_mule(query: str) -> None:
    with opened(query) as port:
        assert port.machine.fault is None
        assert port.machine.truth.axes["x"].count == 16


@pytest.mark.parametrize("query", ["", "/", "?seed=3"])
def test_addresses_of_the_other_mule(query: str) -> None:
    with serial.serial_for_url(f"rehearse://pack-mule{query}", timeout=10.0) as port:
        assert (port.machine.name, port.machine.fault) == ("pack-mule", None)
        assert port.read(43) == b"start\nsimulated controller, axes X Y Z C E\n"


def test_options_reach_the_machine() -> None:
    with opened("?seed=42&fault=play&axis=z&pace=real") as port:
        assert port.machine.seed == 42
        assert port.machine.axis == "z"
        assert port.machine.truth.axes["z"].play_mm == 0.30


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("rehearse://", "no simulated machine"),
        ("rehearse://[", "no simulated machine"),
        ("rehearse://\x1b[2J", r"no simulated machine at 'rehearse://\\x1b"),
        ("rehearse://bench-donkey", "use rehearse://bench-mule or rehearse://pack-mule"),
        ("rehearse://bench-mule?fault=feeder-slip", "cannot have the fault feeder-slip; pack-mule"),
        ("rehearse://pack-mule?fault=play&axis=e", "choose one of: x, y, z, c"),
        ("rehearse://bench-mule/x", "no simulated machine"),
        ("rehearse://bench-mule?sed=1", "give each of seed, fault, axis, typed, pace once"),
        ("rehearse://bench-mule?seed=1&seed=2", "once or not at all"),
        ("rehearse://bench-mule?typed=x", "give it as typed=x:100"),
        ("rehearse://bench-mule?typed=x:0", "give it as typed=x:100"),
        ("rehearse://bench-mule?typed=q:100", "no axis 'q' to type a number in for"),
        ("rehearse://bench-mule?seed=", "the seed '' is not a whole number"),
        ("rehearse://bench-mule?seed=-1", "'-1'"),
        ("rehearse://bench-mule?seed=1.0", "'1.0'"),
        ("rehearse://bench-mule?seed=1234567890", "0 to 999999999"),
        ("rehearse://bench-mule?seed=²", "not a whole number"),
        ("rehearse://bench-mule?pace=slow", "no pace 'slow'; choose one of: instant, real"),
        ("rehearse://bench-mule?fault=rust", "no fault 'rust'"),
        ("rehearse://bench-mule?fault=screw-lead&axis=x", "choose one of: z"),
    ],
)
def test_addresses_of_no_machine(url: str, says: str) -> None:
    with pytest.raises(UsedWrongly, match=says):
        serial.serial_for_url(url)


# --- time -------------------------------------------------------------------------------


def test_time_passes_in_blocking_reads_only(port: Serial) -> None:
    assert port.clock.now_s() == 0.5
    port.write(b"G91\n")
    assert port.in_waiting == 0
    port.flush()
    assert port.clock.now_s() == 0.5
    assert port.read(3) == b"ok\n"
    assert port.clock.now_s() == pytest.approx(0.502)
    port.clock.advance(1.0)
    assert port.clock.now_s() == pytest.approx(1.502)


def test_a_read_jumps_to_the_event_it_waits_for(port: Serial) -> None:
    port.write(b"G91\nG1 X10 F600\nM400\n")
    assert port.read(9) == b"ok\n" * 3
    assert port.clock.now_s() == pytest.approx(0.504 + 1.02)
    assert port.machine.true_mm()["x"] == pytest.approx(109.99)


@pytest.mark.parametrize("timeout", [0.0, 0.005, 3.0])
def test_a_read_ends_at_its_time_limit(port: Serial, timeout: float) -> None:
    port.timeout = timeout
    assert port.read(1) == b""
    assert port.clock.now_s() == pytest.approx(0.5 + timeout)


def test_a_read_returns_what_came_before_its_time_limit(port: Serial) -> None:
    port.write(b"G91\nG1 X10 F60\nM400\n")
    port.timeout = 1.0
    assert port.read(100) == b"ok\nok\n"
    assert port.clock.now_s() == pytest.approx(1.5)
    assert port.machine.is_moving()


def test_bytes_that_are_there_take_no_time(port: Serial) -> None:
    port.write(b"M105\n")
    port.clock.advance(1.0)
    waiting = port.in_waiting
    assert waiting == len(b"ok T:21.4 /0.0 B:21.2 /0.0\n")
    assert port.read(2) + port.read(waiting - 2) == b"ok T:21.4 /0.0 B:21.2 /0.0\n"
    assert port.read(0) == b""
    assert port.clock.now_s() == 1.5


def test_forgotten_input_does_not_come_back(port: Serial) -> None:
    port.write(b"M105\n")
    port.clock.advance(1.0)
    port.reset_input_buffer()
    assert port.in_waiting == 0


def test_a_conversation_in_real_time_says_the_same() -> None:
    with opened("?fault=none&pace=real") as port:
        port.read(GREETING_BYTES)
        port.write(b"G91\nG1 X0.1 F600\nM400\n")
        assert port.read(9) == b"ok\n" * 3
        assert port.clock.now_s() == pytest.approx(0.504 + 2 * (0.1 / 500) ** 0.5, abs=1e-6)


# --- two threads ------------------------------------------------------------------------


def test_a_read_without_a_limit_waits_for_a_write(port: Serial) -> None:
    port.timeout = None
    thread, results = in_thread(lambda: port.read(3))
    port.write(b"G91\n")
    thread.join(10.0)
    assert results == [b"ok\n"]


@pytest.mark.parametrize("pace", ["instant", "real"])
def test_cancelling_ends_a_read(pace: str) -> None:
    with opened(f"?pace={pace}", timeout=None) as port:
        port.read(GREETING_BYTES)
        thread, results = in_thread(lambda: port.read(1))
        port.cancel_read()
        thread.join(10.0)
        assert results == [b""]


def test_cancelling_ends_a_long_real_wait_while_it_lasts() -> None:
    with opened("?pace=real", timeout=3600.0) as port:
        clock = WatchedClock()
        port.clock = port.machine.clock = clock
        thread, results = in_thread(lambda: port.read(1000))
        assert clock.moved.wait(10.0)
        port.cancel_read()
        thread.join(10.0)
        assert results == [b""]
        assert clock.now_s() < 3600.0


def test_cancelling_before_a_read_counts_once(port: Serial) -> None:
    port.write(b"M105\n")
    port.cancel_read()
    assert port.read(100) == b""
    assert port.read(5) == b"ok T:"


def test_a_stop_in_mid_move_from_another_thread() -> None:
    """The reader waits in real time for a motion of a minute; the stop comes past it."""
    with opened("?fault=none&pace=real", timeout=3600.0) as port:
        clock = WatchedClock()
        port.clock = port.machine.clock = clock
        port.read(GREETING_BYTES)
        port.write(b"G91\nG1 X60 F60\nM400\n")
        port.read(6)
        clock.moved.clear()
        thread, results = in_thread(lambda: port.read(6))
        assert clock.moved.wait(10.0)
        port.write(b"M112\n")
        thread.join(10.0)
        assert results == [b"error:"]
        stopped_mm = port.machine.true_mm()["x"]
        assert 100.0 <= stopped_mm < 159.0
        assert not port.machine.is_moving()
        clock.advance(100.0)
        assert port.machine.true_mm()["x"] == stopped_mm


def test_closing_under_a_reader_is_an_error(port: Serial) -> None:
    port.timeout = None
    thread, results = in_thread(lambda: port.read(1))
    port.close()
    thread.join(10.0)
    assert [type(one) for one in results] == [PortNotOpenError]


# --- a cable that comes out -------------------------------------------------------------


def test_a_cable_comes_out_in_mid_move_and_opening_again_puts_it_back() -> None:
    """The third move of 10 mm or more takes 2.02 s; half of it is made, the rest runs on."""
    with opened("?fault=cable-loose") as port:
        port.read(GREETING_BYTES)
        port.write(b"G91\nG1 X10 F600\nG1 X-10 F600\nG1 X5 F600\nG1 X20 F600\nM400\n")
        with pytest.raises(SerialException, match="the device is gone"):
            port.read(100)
        gone_at_s = port.clock.now_s()
        assert 104.0 < port.machine.true_mm()["x"] < 116.0
        for use in (lambda: port.read(1), lambda: port.write(b"M112\n"), lambda: port.in_waiting):
            with pytest.raises(SerialException, match="its cable came out"):
                use()
        assert port.clock.now_s() == gone_at_s
        port.clock.advance(60.0)
        assert port.machine.true_mm()["x"] == pytest.approx(124.99)
        port.close()
        port.open()
        assert port.read(GREETING_BYTES).startswith(b"start\n")
        port.write(b"G91\nG1 X20 F600\nM400\n")
        assert port.read(9) == b"ok\n" * 3


def test_a_restart_in_mid_move_greets_and_leaves_the_carriage_where_it_was() -> None:
    with opened("?fault=restart") as port:
        port.read(GREETING_BYTES)
        port.write(b"G91\nG1 X10 F600\nG1 X-10 F600\nG1 X20 F600\nG1 X20 F600\nM400\n")
        assert port.read(3 * 5 + GREETING_BYTES) == b"ok\n" * 5 + (
            b"start\nsimulated controller, axes X Y Z\nnothing has been referenced\n"
        )
        assert port.machine.true_mm()["x"] == pytest.approx(110.0, abs=0.02)
        port.write(b"M114\n")
        assert port.read(9) == b"X:0.000 Y"
        assert not port.machine.is_moving()
        port.write(b"G91\nG1 X20 F600\nM400\n")
        port.timeout = 60.0
        assert port.read(100).endswith(b"ok\nok\nok\n")


# --- open and closed --------------------------------------------------------------------


def test_opening_again_restarts_the_controller_and_leaves_the_carriage() -> None:
    with opened("?fault=none") as port:
        port.read(GREETING_BYTES)
        port.write(b"G91\nG1 X10 F600\nM400\nM112\n")
        port.clock.advance(0.0)
        port.write(b"G1 X1 F600\n")
        machine = port.machine
        port.close()
        port.open()
        assert port.machine is machine
        assert port.read(GREETING_BYTES).startswith(b"start\n")
        port.write(b"G91\nG1 X10 F600\nM400\nM114\n")
        assert b"X:10.000 " in port.read(200)
        place_mm = machine.true_mm()["x"]
        port.close()
        port.open()
        port.read(GREETING_BYTES)
        port.write(b"M114\n")
        assert port.read(23) == b"X:0.000 Y:0.000 Z:0.000"
        assert machine.true_mm()["x"] == place_mm == pytest.approx(109.99)


def test_another_address_is_another_machine() -> None:
    with opened("?seed=1") as port:
        first = port.machine
        port.port = f"{URL}?seed=2"
        assert port.is_open
        assert port.machine is not first
        assert port.machine.seed == 2


def test_what_a_closed_port_does() -> None:
    port = opened()
    port.close()
    port.close()
    for work in (
        lambda: port.read(1),
        lambda: port.write(b"M105\n"),
        lambda: port.in_waiting,
        port.flush,
        port.reset_input_buffer,
    ):
        with pytest.raises(PortNotOpenError):
            work()


def test_what_cannot_be_opened() -> None:
    with opened() as port, pytest.raises(SerialException, match="already open"):
        port.open()
    with pytest.raises(SerialException, match="no address"):
        Serial().open()
