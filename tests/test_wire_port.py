"""The port, over a real pseudo terminal where there is one to be had, and its failures."""

from __future__ import annotations

import errno
import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial

from tuner.errors import PortLost, PortUnavailable, Stopped
from tuner.wire import port as port_module
from tuner.wire.port import (
    MonotonicClock,
    Port,
    PortSeen,
    is_network,
    is_rehearsal,
    list_ports,
    moved_to,
)

BAUD = 115200
LONG_S = 60.0  # never waited for: something ends the wait before


class Terminal:
    """A pseudo terminal: `name` is opened as a port, `far` is the controller's end."""

    def __init__(self) -> None:
        self.far, self._near = os.openpty()
        self.name = os.ttyname(self._near)
        self._is_plugged = True

    def unplug(self) -> None:
        if self._is_plugged:
            os.close(self._near)
            os.close(self.far)
            self._is_plugged = False


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    terminal = Terminal()
    yield terminal
    terminal.unplug()


@pytest.fixture
def port(terminal: Terminal) -> Iterator[Port]:
    port = Port.open(terminal.name, BAUD)
    yield port
    port.close()


class Device:
    """A made-up device of the serial library; what it raises and takes is set by a test."""

    def __init__(self) -> None:
        self.raises: Exception | None = None
        self.written: list[bytes] = []
        self.asked: list[int] = []
        self.arrives = 0
        self.woken = 0
        self.in_waiting = 0

    def _maybe(self) -> None:
        if self.raises:
            raise self.raises

    def read(self, size: int) -> bytes:
        self._maybe()
        self.asked.append(size)
        self.in_waiting = self.arrives
        return b"x" * size

    def write(self, data: bytes) -> None:
        self._maybe()
        self.written.append(data)

    def cancel_read(self) -> None:
        self._maybe()
        self.woken += 1

    def close(self) -> None:
        self._maybe()


def over(device: Any) -> Port:
    return Port("/dev/made-up", BAUD, device)


# --- reading and writing ----------------------------------------------------------------


def test_what_is_there_is_returned_at_once(terminal: Terminal, port: Port) -> None:
    os.write(terminal.far, b"ok T:2")
    assert port.read_until(port.clock.now_s() + LONG_S) == b"ok T:2"


def test_nothing_is_returned_at_the_deadline(port: Port) -> None:
    assert port.read_until(port.clock.now_s()) == b""
    assert port.read_until(port.clock.now_s() - LONG_S) == b""


def test_a_system_that_calls_nothing_an_error_is_taken_at_its_word(
    port: Port, monkeypatch: pytest.MonkeyPatch
) -> None:
    def nothing(*_: object) -> bytes:
        raise BlockingIOError

    monkeypatch.setattr("tuner.wire.port.os.read", nothing)
    assert port.read_until(port.clock.now_s()) == b""


def test_what_is_there_is_returned_after_the_deadline_too() -> None:
    device = Device()
    device.in_waiting = 3
    port = over(device)
    assert port.read_until(port.clock.now_s() - 1.0) == b"xxx"


def test_a_device_that_does_more_than_read_is_read_through(terminal: Terminal) -> None:
    class Counting(serial.Serial):  # type: ignore[misc, unused-ignore]
        taken = 0

        def read(self, size: int = 1, /) -> bytes:
            data = bytes(super().read(size))
            self.taken += len(data)
            return data

    device = Counting(terminal.name, BAUD, timeout=0.05)
    port = over(device)
    os.write(terminal.far, b"ok\n")
    heard = b""
    while not heard.endswith(b"\n"):
        heard += port.read_until(port.clock.now_s() + LONG_S)
    port.close()
    assert (heard, device.taken) == (b"ok\n", 3)


def test_one_byte_is_waited_for_and_what_came_with_it_taken_too() -> None:
    device = Device()
    device.arrives = 2
    port = over(device)
    assert port.read_until(port.clock.now_s() + LONG_S) == b"xxx"
    assert device.asked == [1, 2]


def test_what_is_written_arrives(terminal: Terminal, port: Port) -> None:
    port.write(b"M114\n")
    assert os.read(terminal.far, 100) == b"M114\n"


def test_writing_nothing_touches_nothing() -> None:
    device = Device()
    device.raises = OSError("gone")
    over(device).write(b"")


def test_the_lock_is_free_during_a_read(port: Port) -> None:
    reader = Reader(port)
    assert port.write_lock.acquire(timeout=LONG_S)
    port.write_lock.release()
    port.interrupt()
    assert isinstance(reader.ended(), Stopped)


def test_a_rehearsal_opened_again_is_the_same_machine() -> None:
    port = Port.open("rehearse://bench-mule", BAUD)
    machine = port.machine
    assert port.open_again() is port  # nothing to do while it is open
    port.close()
    with pytest.raises(PortLost):
        port.write(b"M114\n")
    port.open_again().write(b"M114\n")
    assert port.machine is machine
    port.close()


def test_only_a_rehearsal_has_a_machine(port: Port, tmp_path: Path) -> None:
    assert port.machine is None
    (tmp_path / "conversation.txt").touch()
    for url, has_one in (
        ("rehearse://bench-mule?pace=instant", True),
        (f"replay://{tmp_path}/conversation.txt", False),
    ):
        made_up = Port.open(url, BAUD)
        assert (made_up.machine is not None) is has_one
        made_up.close()


def test_the_clock_of_a_real_port_goes_forward(port: Port) -> None:
    assert isinstance(port.clock, MonotonicClock)
    assert port.clock.now_s() <= port.clock.now_s()


# --- stopping ---------------------------------------------------------------------------


class Reader:
    """A thread that waits for bytes, and what ended it."""

    def __init__(self, port: Port) -> None:
        self._port = port
        self._result: bytes | Exception | None = None
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        try:
            self._result = self._port.read_until(self._port.clock.now_s() + LONG_S)
        except Exception as error:
            self._result = error

    def ended(self) -> bytes | Exception | None:
        self._thread.join(timeout=LONG_S / 2)
        return self._result


def test_an_interrupt_ends_a_read_in_another_thread(port: Port) -> None:
    reader = Reader(port)
    port.interrupt()
    assert isinstance(reader.ended(), Stopped)


def test_an_interrupt_wakes_the_reader() -> None:
    device = Device()
    over(device).interrupt()
    assert device.woken == 1


def test_an_interrupt_before_a_read_counts_once(terminal: Terminal, port: Port) -> None:
    port.interrupt()
    with pytest.raises(Stopped):
        port.read_until(port.clock.now_s() + LONG_S)
    os.write(terminal.far, b"ok\n")
    assert port.read_until(port.clock.now_s() + LONG_S) == b"ok\n"


def test_an_interrupt_can_be_forgotten(terminal: Terminal, port: Port) -> None:
    port.interrupt()
    port.forget_interrupt()
    os.write(terminal.far, b"ok\n")
    assert port.read_until(port.clock.now_s() + LONG_S) == b"ok\n"


def test_a_port_that_cannot_be_woken_notices_an_interrupt_too() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = Port.open(f"socket://127.0.0.1:{server.getsockname()[1]}", BAUD)
        reader = Reader(port)
        port.interrupt()
        assert isinstance(reader.ended(), Stopped)
        port.close()


def test_an_interrupt_of_a_lost_port_is_no_failure() -> None:
    device = Device()
    device.raises = OSError("gone")
    port = over(device)
    port.interrupt()
    with pytest.raises(Stopped):
        port.heed_interrupt()
    port.heed_interrupt()


# --- losing the port --------------------------------------------------------------------


def test_unplugging_is_a_lost_port(terminal: Terminal, port: Port) -> None:
    terminal.unplug()
    with pytest.raises(PortLost, match="went away"):
        port.read_until(port.clock.now_s() + LONG_S)
    with pytest.raises(PortLost, match="went away"):
        port.write(b"M114\n")
    port.close()


def test_unplugging_under_a_reader_is_a_lost_port(terminal: Terminal, port: Port) -> None:
    reader = Reader(port)
    terminal.unplug()
    assert isinstance(reader.ended(), PortLost)


def test_a_peer_that_hangs_up_is_a_lost_port() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = Port.open(f"socket://127.0.0.1:{server.getsockname()[1]}", BAUD)
        server.accept()[0].close()
        with pytest.raises(PortLost):
            port.read_until(port.clock.now_s() + LONG_S)
        port.close()


@pytest.mark.parametrize(
    "failure",
    [
        serial.SerialException("read failed"),
        OSError(errno.EIO, "I/O error"),
        TypeError("closed under the reader"),
        AttributeError("no socket"),
    ],
)
def test_every_way_the_library_fails_is_a_lost_port(failure: Exception) -> None:
    device = Device()
    device.raises = failure
    with pytest.raises(PortLost, match="position is unknown"):
        over(device).read_until(LONG_S + MonotonicClock().now_s())
    with pytest.raises(PortLost, match="position is unknown"):
        over(device).write(b"M114\n")


def test_reading_a_port_that_was_closed_is_a_lost_port(port: Port) -> None:
    port.close()
    port.close()
    with pytest.raises(PortLost):
        port.read_until(port.clock.now_s())


def test_a_port_that_takes_no_bytes_is_lost_and_half_a_line_is_ended_first() -> None:
    device = Device()
    port = over(device)
    device.raises = serial.SerialTimeoutException("Write timeout")
    with pytest.raises(PortLost, match="took no bytes for 2 s"):
        port.write(b"G1 X10 F600\n")
    device.raises = None
    port.write(b"M112\n")
    port.write(b"M105\n")
    assert device.written == [b"\nM112\n", b"M105\n"]


# --- opening ----------------------------------------------------------------------------


def refusal(url: str, baud: int = BAUD) -> str:
    with pytest.raises(PortUnavailable) as caught:
        Port.open(url, baud)
    return str(caught.value)


def seen(monkeypatch: pytest.MonkeyPatch, *ports: tuple[str, str, str | None]) -> None:
    infos = [SimpleNamespace(device=d, description=t, serial_number=s) for d, t, s in ports]
    monkeypatch.setattr(port_module, "comports", lambda: infos)


def test_a_port_that_is_not_there_names_those_that_are(monkeypatch: pytest.MonkeyPatch) -> None:
    seen(monkeypatch, ("/dev/one", "bench\x1b adapter", None))
    says = refusal("/dev/not-there\x07")
    assert "there is no port /dev/not-there\\x07" in says
    assert "/dev/one (bench\\x1b adapter)" in says
    assert "tuner ports" in says


def test_a_port_that_nothing_is_said_of_has_no_description(monkeypatch: pytest.MonkeyPatch) -> None:
    seen(monkeypatch, ("/dev/one", "n/a", None))
    assert [one.description for one in port_module.list_ports()] == [""]


def test_a_computer_without_ports_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    seen(monkeypatch)
    assert "no serial port now; plug the data cable in" in refusal("/dev/not-there")


def test_a_port_open_elsewhere_is_in_use(terminal: Terminal, port: Port) -> None:
    assert "another program has the port" in refusal(terminal.name)


def deny(monkeypatch: pytest.MonkeyPatch, name: str, code: int) -> None:
    """Let opening the file `name`, and no other, fail with `code`."""
    really = os.open

    def opened(path: Any, *args: Any, **kwargs: Any) -> int:
        if path == name:
            raise OSError(code, os.strerror(code), path)
        return really(path, *args, **kwargs)

    monkeypatch.setattr(os, "open", opened)


@pytest.mark.parametrize("code", [errno.EACCES, errno.EPERM])
@pytest.mark.parametrize(
    ("group", "named"),
    [
        (lambda _: "uucp", "uucp"),
        (lambda _: "root", "dialout"),
        (KeyError("no such group"), "dialout"),
        (OSError("no such file"), "dialout"),
        (NotImplementedError(), "dialout"),
    ],
)
def test_without_permission_the_group_is_named(
    monkeypatch: pytest.MonkeyPatch, code: int, group: Any, named: str
) -> None:
    def raise_it(_: Path) -> str:
        raise group

    monkeypatch.setattr(Path, "group", raise_it if isinstance(group, Exception) else group)
    deny(monkeypatch, "/dev/denied", code)
    says = refusal("/dev/denied")
    assert "this user may not open the port /dev/denied" in says
    assert f"sudo adduser NAME {named})" in says


def test_a_busy_port_is_in_use(monkeypatch: pytest.MonkeyPatch) -> None:
    deny(monkeypatch, "/dev/busy", errno.EBUSY)
    assert "another program has the port /dev/busy open" in refusal("/dev/busy")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("could not open port 'COM7': PermissionError(13, 'denied')", "another program has"),
        ("could not open port 'COM7': FileNotFoundError(2, 'no')", "there is no port COM7"),
        ("could not open port 'COM7': OSError(22, 'semaphore')", "could not be opened"),
    ],
)
def test_windows_names_its_errors_in_the_text(
    monkeypatch: pytest.MonkeyPatch, text: str, says: str
) -> None:
    def fail(*_: Any, **__: Any) -> None:
        raise serial.SerialException(text)

    seen(monkeypatch)
    monkeypatch.setattr(serial, "serial_for_url", fail)
    monkeypatch.setattr(port_module, "os", SimpleNamespace(name="nt"))
    assert says in refusal("COM7")


def test_an_unknown_kind_of_port_names_the_kinds_there_are() -> None:
    says = refusal("carrier-pigeon://loft")
    assert "'carrier-pigeon://' is no kind of port" in says
    assert "rehearse://bench-mule" in says


def test_a_file_is_no_serial_port(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    assert "is no serial port" in refusal(str(tmp_path / "file"))


def test_a_peer_that_does_not_listen_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    assert "nothing usable answers at socket://127.0.0.1" in refusal(f"socket://127.0.0.1:{number}")


def test_a_name_with_a_nul_is_told() -> None:
    assert "could not be opened" in refusal("/dev/x\0y")


@pytest.mark.parametrize("baud", [-1, 2**40])
def test_an_impossible_baud_rate_is_told(terminal: Terminal, baud: int) -> None:
    assert f"cannot run at {baud} baud" in refusal(terminal.name, baud)


# --- what there is ----------------------------------------------------------------------


def test_ports_are_listed_by_name_and_made_visible(monkeypatch: pytest.MonkeyPatch) -> None:
    seen(monkeypatch, ("/dev/b", "", "12\u202e"), ("/dev/a", "an adapter", ""))
    assert list_ports() == [
        PortSeen("/dev/a", "an adapter", None),
        PortSeen("/dev/b", "", "12\\u202e"),
    ]


@pytest.mark.parametrize(
    ("url", "rehearsal", "network"),
    [
        ("/dev/ttyS0", False, False),
        ("COM3", False, False),
        ("rehearse://bench-mule?seed=1", True, False),
        ("REHEARSE://bench-mule", True, False),
        ("socket://host:1", False, True),
        ("RFC2217://host:1", False, True),
        ("spy://socket://host:1", False, True),
        ("spy:///dev/rehearse://", False, False),
        ("", False, False),
    ],
)
def test_kinds_of_ports(url: str, rehearsal: bool, network: bool) -> None:
    assert is_rehearsal(url) is rehearsal
    assert is_network(url) is network


@pytest.mark.parametrize(
    ("url", "serial_number", "now_at"),
    [
        ("/dev/one", "A1", "/dev/two"),
        ("/dev/two", "A1", None),  # it is there itself
        ("/dev/two", "none", None),
        ("/dev/one", "none", None),
        ("/dev/one", None, None),
    ],
)
def test_where_a_port_has_gone_to(
    monkeypatch: pytest.MonkeyPatch, url: str, serial_number: str | None, now_at: str | None
) -> None:
    seen(monkeypatch, ("/dev/two", "an adapter", "A1"), ("/dev/three", "another", None))
    assert moved_to(url, serial_number) == now_at


@pytest.mark.parametrize(
    ("url", "write_timeout_s"),
    [("/dev/one", 2.0), ("socket://host:1", 2.0), ("RFC2217://host:1", None)],
)
def test_a_write_has_a_limit_where_the_library_can_set_one(
    monkeypatch: pytest.MonkeyPatch, url: str, write_timeout_s: float | None
) -> None:
    device = SimpleNamespace(open=lambda: None, write_timeout=None)
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: device)
    Port.open(url, BAUD)
    assert device.write_timeout == write_timeout_s
    assert device.timeout == 0.005, "there is nothing that wakes it"
