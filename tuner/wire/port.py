"""The port, and the only place that waits.

Rules it keeps: every failure of the serial library leaves here as one of ours, with a
sentence and what to do; there is one wait, ``read_until``, with one deadline on the port's
own clock; a stop wakes it; the write lock is never held during a read.

Ports are opened by URL, so a serial device, a rehearsal, a replay and a network port come
through the same door.
"""

from __future__ import annotations

import errno
import os
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import serial
from serial.tools.list_ports import comports

from tuner.errors import PortLost, PortUnavailable, Stopped
from tuner.messages import Clock
from tuner.text import shown

__all__ = [
    "MonotonicClock",
    "Port",
    "PortSeen",
    "is_network",
    "is_rehearsal",
    "list_ports",
    "moved_to",
]

serial.protocol_handler_packages += ["tuner.rehearsal", "tuner.wire"]

_WRITE_TIMEOUT_S = 2.0
# Where a read can be woken, its slice only bounds how late a deadline is noticed; elsewhere
# the slice is also how long a stop waits for the reader. The stop's own bytes never wait.
_SLICE_S = 0.05
_SLICE_WITHOUT_WAKING_S = 0.005
_NETWORK = ("socket://", "rfc2217://")
_MOST_AT_ONCE = 65536
_NO_DESCRIPTION = "n/a"  # what the serial library says for none
_GROUP_ON_DEBIAN = "dialout"
# TypeError and AttributeError are what a port closed under a reader raises.
_FAILURES = (OSError, TypeError, AttributeError)


class MonotonicClock:
    """The clock of every port that brings none of its own."""

    def now_s(self) -> float:
        """Seconds since an arbitrary start, never going back."""
        return time.monotonic()


@dataclass(frozen=True)
class PortSeen:
    """A port of this computer, as text that is safe to show."""

    device: str
    description: str
    serial_number: str | None


def list_ports() -> list[PortSeen]:
    """Return the serial ports of this computer, sorted by name."""
    return [
        PortSeen(
            shown(one.device),
            "" if one.description == _NO_DESCRIPTION else shown(one.description or ""),
            shown(one.serial_number) if one.serial_number else None,
        )
        for one in sorted(comports(), key=lambda one: one.device)
    ]


def moved_to(url: str, serial_number: str | None) -> str | None:
    """Return where the port with that serial number is now, None if that is no other than `url`.

    Names of ports change when they are plugged in again, or in another order.
    """
    ports = list_ports()
    if serial_number is None or any(port.device == shown(url) for port in ports):
        return None
    return next((port.device for port in ports if port.serial_number == serial_number), None)


def is_rehearsal(url: str) -> bool:
    """Say whether `url` leads to the simulated machine and to nothing that can move."""
    return url.lower().startswith("rehearse://")


def is_network(url: str) -> bool:
    """Say whether `url` leads over a network, also when it is wrapped in another URL."""
    return any(scheme in url.lower() for scheme in _NETWORK)


def _is_rfc_2217(url: str) -> bool:
    """Say whether `url` leads to a port that another computer serves after RFC 2217."""
    return "rfc2217://" in url.lower()


# --- failures ---------------------------------------------------------------------------


def _ports_there_are() -> str:
    ports = list_ports()
    if not ports:
        return "this computer has no serial port now; plug the data cable in and switch on"
    return "there are: " + ", ".join(f"{port.device} ({port.description})" for port in ports)


def _group_of(device: str) -> str:
    try:
        # Windows has no groups of devices, which is the NotImplementedError below.
        group = Path(device).group()  # type: ignore[misc, unused-ignore]
    except (OSError, KeyError, NotImplementedError):
        return _GROUP_ON_DEBIAN
    return _GROUP_ON_DEBIAN if group == "root" else shown(group)


def _why_not_opened(url: str, baud: int, error: Exception) -> PortUnavailable:
    name, text = shown(url), str(error)
    code = error.errno if isinstance(error, OSError) else None
    in_use = f"another program has the port {name} open; close it there and try again"
    if isinstance(error, ValueError) and "://" in url and "not known" in text:
        return PortUnavailable(
            f"'{shown(url.partition('://')[0])}://' is no kind of port; expected the name of a "
            "serial port, rehearse://bench-mule, socket://HOST:NUMBER or rfc2217://HOST:NUMBER"
        )
    if is_network(url):
        return PortUnavailable(
            f"nothing usable answers at {name}: {shown(text)}; check host and number, that the "
            "computer there serves the port, and that the machine there is on and plugged in"
        )
    if "baud" in text.lower() or isinstance(error, (NotImplementedError, OverflowError)):
        return PortUnavailable(
            f"the port {name} cannot run at {baud} baud; write the controller's baud rate into "
            "the card"
        )
    if code in (errno.EAGAIN, errno.EBUSY):
        return PortUnavailable(in_use)
    # Windows gives no number here, only the name of its error inside the text; there, a port
    # that is open elsewhere is one without permission.
    if os.name == "nt" and "PermissionError" in text:
        return PortUnavailable(in_use)
    if code in (errno.EACCES, errno.EPERM):
        group = _group_of(url)
        return PortUnavailable(
            f"this user may not open the port {name}; add the user to the group {group} (on "
            f"Debian: sudo adduser NAME {group}), then log out and in again"
        )
    if code == errno.ENOENT or "FileNotFoundError" in text:
        return PortUnavailable(
            f"there is no port {name}; {_ports_there_are()}; tuner ports lists them"
        )
    if "configure port" in text:
        return PortUnavailable(
            f"{name} is no serial port; {_ports_there_are()}; tuner ports lists them"
        )
    return PortUnavailable(
        f"the port {name} could not be opened: {shown(text)}; check the name, the cable and that "
        "the other end is on"
    )


# --- the port ---------------------------------------------------------------------------


class Port:
    """One open port. One thread reads; any thread may write, or interrupt the reader."""

    def __init__(self, url: str, baud: int, device: serial.Serial) -> None:
        self.url = url
        self.baud = baud
        self.write_lock = threading.RLock()
        self.clock: Clock = getattr(device, "clock", None) or MonotonicClock()
        self._device = device
        # The serial library asks how much there is, waits for it, and reads it: five calls of
        # the system in place of one, at every line.
        self._is_polled = os.name == "posix" and type(device) is serial.Serial
        self._is_interrupted = False
        self._is_mid_line = False

    @classmethod
    def open(cls, url: str, baud: int) -> Port:
        """Open the port `url`; opening can restart the controller behind it.

        Raises ``PortUnavailable`` with the reason and what to do.
        """
        try:
            device = serial.serial_for_url(url, do_not_open=True, baudrate=baud, exclusive=True)
            # Over RFC 2217 the library knows no limit of its own; there a write gives up after
            # the 5 s of its socket.
            if not _is_rfc_2217(url):
                device.write_timeout = _WRITE_TIMEOUT_S
            can_wake = hasattr(device, "cancel_read")
            device.timeout = _SLICE_S if can_wake else _SLICE_WITHOUT_WAKING_S
            device.open()
        except (OSError, ValueError, NotImplementedError, OverflowError) as error:
            raise _why_not_opened(url, baud, error) from error
        return cls(url, baud, device)

    @property
    def machine(self) -> Any:
        """The simulated machine behind a rehearsal port, else None."""
        return getattr(self._device, "machine", None)

    def read_until(self, deadline_s: float) -> bytes:
        """Return the bytes there are, as soon as there are some, or b"" at `deadline_s`.

        Raises ``Stopped`` once for every ``interrupt``, also for one that came before, and
        ``PortLost``.
        """
        device = self._device
        try:
            while True:
                self.heed_interrupt()
                # At the deadline what is there is taken and nothing is waited for.
                if self.clock.now_s() >= deadline_s:
                    return self._what_came()
                if first := device.read(1):
                    return first + self._what_came()
        except _FAILURES as error:
            raise self._lost(error) from error

    def _what_came(self) -> bytes:
        device = self._device
        if not self._is_polled:
            waiting = device.in_waiting
            return bytes(device.read(waiting)) if waiting else b""
        try:
            return os.read(device.fileno(), _MOST_AT_ONCE)
        except BlockingIOError:
            return b""

    def write(self, data: bytes) -> None:
        """Write all of `data`; raises ``PortLost``, also when the port takes nothing for 2 s."""
        if not data:
            return
        with self.write_lock:
            # What follows half a line must not become its other half, least of all a stop.
            whole = b"\n" + data if self._is_mid_line else data
            self._is_mid_line = True
            try:
                self._device.write(whole)
            except _FAILURES as error:
                raise self._lost(error) from error
            self._is_mid_line = False

    def interrupt(self) -> None:
        """Make the reader, or else the next one, raise ``Stopped``; from any thread."""
        self._is_interrupted = True
        wake = getattr(self._device, "cancel_read", None)
        if wake is not None:
            # On a port that is gone the reader is awake already.
            with suppress(*_FAILURES):
                wake()

    def heed_interrupt(self) -> None:
        """Raise ``Stopped`` if there was an interrupt that nobody has heeded."""
        if self._is_interrupted:
            self._is_interrupted = False
            raise Stopped("stopped at your word")

    def forget_interrupt(self) -> None:
        """Let reads wait again after an interrupt that was noticed in another way."""
        self._is_interrupted = False

    def close(self) -> None:
        """Close the port; closing a lost or closed one is no failure."""
        with self.write_lock, suppress(OSError):
            self._device.close()

    def open_again(self) -> Port:
        """Return this port, opened once more if it was closed: the machine behind it stays."""
        if not self._device.is_open:
            self._device.open()
            self._is_interrupted = self._is_mid_line = False
        return self

    def _lost(self, error: Exception) -> PortLost:
        if isinstance(error, serial.SerialTimeoutException):
            return PortLost(
                f"the port {shown(self.url)} took no bytes for {_WRITE_TIMEOUT_S:g} s; the "
                "position is unknown. Look at the machine and the data cable, then start again"
            )
        return PortLost(
            f"the port {shown(self.url)} went away ({shown(str(error))}); the position is "
            "unknown. Look at the machine, the data cable and its power, then resume"
        )
