"""``faulty://NAME``: the channel that a test has put under that name, as the port wants it.

It fails as a serial device of Linux fails: see ``in_waiting``, ``read`` and ``write``.
"""

from __future__ import annotations

import errno
from typing import Any

import serial

from faulty.channel import Channel, Gone, VirtualClock

CHANNELS: dict[str, Channel] = {}
SCHEME = "faulty://"


class Serial(serial.SerialBase):
    """The program's end of a channel. One thread uses it."""

    clock: VirtualClock

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._is_cancelled = False
        super().__init__(*args, **kwargs)

    def open(self) -> None:
        """Open the port."""
        self._channel = CHANNELS[str(self.port)[len(SCHEME) :]]
        self.clock = self._channel.clock
        self._channel.opened()
        self.is_open = True

    def close(self) -> None:
        """Close the port, also when it is gone."""
        self.is_open = False

    @property
    def in_waiting(self) -> int:
        """How many bytes can be read without waiting; an ``OSError`` once unplugged."""
        try:
            return self._channel.waiting()
        except Gone:
            raise OSError(errno.EIO, "Input/output error") from None

    def read(self, size: int = 1, /) -> bytes:
        """Return up to `size` bytes; waits, in virtual time, for the first one only."""
        until_s = self.clock.now_s() + (self.timeout or 0.0)
        try:
            while not self._channel.waiting() and not self._is_cancelled:
                if self.clock.now_s() >= until_s:
                    break
                self._channel.wait(until_s)
            self._is_cancelled = False
            return self._channel.hand_out(size)
        except Gone:
            raise serial.SerialException(
                "device reports readiness to read but returned no data"
            ) from None

    def write(self, data: Any, /) -> int:
        """Write all of `data`; a ``SerialException`` once unplugged."""
        try:
            self._channel.take(bytes(data))
        except Gone:
            raise serial.SerialException("write failed: [Errno 5] Input/output error") from None
        return len(data)

    def cancel_read(self) -> None:
        """End the read that waits now, or the next one."""
        self._is_cancelled = True

    def _reconfigure_port(self) -> None:
        """Nothing to set up: the library calls this when a timeout changes."""
