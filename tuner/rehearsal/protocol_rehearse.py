"""``rehearse://bench-mule``, ``rehearse://pack-mule``: a simulated machine behind a port like any.

Options of the address: ``seed`` (a whole number, default 1), ``fault`` and ``axis`` (see
``faults.py``), ``typed`` (``x:100``: a person has typed 100 steps per mm in for x), ``pace``
(``instant``, the default, or ``real``).

Rule: time passes only in a blocking read and in ``clock.advance``. A read advances the clock to
the controller's next event or to its own time limit; with ``pace=real`` that takes as long as
it says. Opening, also once more, restarts the controller; the carriages stay where they are.
One thread may read while another writes or cancels the read. When the cable of the machine has
come out every use of the port fails, until it is opened again.
"""

from __future__ import annotations

import re
import threading
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from serial import PortNotOpenError, SerialBase, SerialException

from tuner.errors import UsedWrongly
from tuner.rehearsal.faults import machine
from tuner.rehearsal.mule import Mule
from tuner.rehearsal.physics import VirtualClock
from tuner.rehearsal.truth import HEALTHY

__all__ = ["Serial"]

_OPTIONS = ("seed", "fault", "axis", "typed", "pace")
_PACES = ("instant", "real")
_TYPED = re.compile(r"([a-z]):([0-9]{1,7}(?:\.[0-9]{1,9})?)", re.ASCII)
_SEED = re.compile(r"[0-9]{1,9}", re.ASCII)
_REAL_SLICE_S = 0.01  # how finely real time is cut; a cancelled read does not wait for its end


def _name_and_options(url: str) -> tuple[str, dict[str, str]]:
    try:
        parts = urlsplit(url)
        is_known = parts.netloc in HEALTHY and parts.path in ("", "/")
    except ValueError:  # brackets that are no address
        is_known = False
    if not is_known:
        addresses = " or ".join(f"rehearse://{name}" for name in HEALTHY)
        raise UsedWrongly(f"there is no simulated machine at {url!r}; use {addresses}")
    pairs = parse_qsl(parts.query, keep_blank_values=True)
    options = dict(pairs)
    unknown = [name for name, _ in pairs if name not in _OPTIONS]
    if unknown or len(options) != len(pairs):
        raise UsedWrongly(
            f"the options of {url!r} cannot be used; "
            f"give each of {', '.join(_OPTIONS)} once or not at all"
        )
    return parts.netloc, options


def _machine_at(url: str) -> tuple[Mule, bool]:
    """Return the machine that `url` describes, and whether it takes real time."""
    name, options = _name_and_options(url)
    seed, pace = options.get("seed", "1"), options.get("pace", "instant")
    if not _SEED.fullmatch(seed):
        raise UsedWrongly(f"the seed {seed!r} is not a whole number; give 0 to 999999999")
    if pace not in _PACES:
        raise UsedWrongly(f"there is no pace {pace!r}; choose one of: {', '.join(_PACES)}")
    typed = {}
    if "typed" in options:
        found = _TYPED.fullmatch(options["typed"])
        if found is None or not float(found[2]) > 0.0:
            raise UsedWrongly(
                f"{options['typed']!r} is no axis and steps per mm; give it as typed=x:100"
            )
        typed[found[1]] = float(found[2])
    mule = machine(options.get("fault"), options.get("axis"), int(seed), name, typed)
    return mule, pace == "real"


class Serial(SerialBase):
    """The port of one simulated machine, ``machine``, with its ``clock``.

    Raises ``UsedWrongly`` from ``open`` for an address that describes no machine, and pyserial's
    own errors for a port that is not open.
    """

    machine: Mule
    clock: VirtualClock

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._made_for: str | None = None
        self._received = bytearray()
        self._is_cancelled = False
        self._wake = threading.Condition()
        super().__init__(*args, **kwargs)

    def open(self) -> None:
        """Open the port, which restarts the controller."""
        if self.is_open:
            raise SerialException("the port is already open")
        if self.port is None:
            raise SerialException("the port has no address yet")
        if self._made_for != self.port:
            self.machine, self._takes_real_time = _machine_at(self.port)
            self.clock = self.machine.clock
            self._wake = threading.Condition(self.machine.lock)
            self._made_for = self.port
        with self._wake:
            self.machine.controller.power_up(self.clock.now_s())
            self._received.clear()
            self._is_cancelled = False
            self.is_open = True

    def close(self) -> None:
        """Close the port; a read that waits ends with an error."""
        with self._wake:
            self.is_open = False
            self._wake.notify_all()

    def _reconfigure_port(self) -> None:
        """Take any setting: there is no line whose speed could be wrong."""

    def _require_open(self) -> None:
        if not self.is_open:
            raise PortNotOpenError

    def _require_cable(self) -> None:
        if self.machine.controller.is_unplugged:
            raise SerialException("the device is gone: its cable came out")

    def _collect(self) -> None:
        self._require_open()
        self._received += self.machine.controller.due(self.clock.now_s())
        self._require_cable()

    @property
    def in_waiting(self) -> int:
        """How many bytes can be read without waiting."""
        with self._wake:
            self._collect()
            return len(self._received)

    def read(self, size: int = 1, /) -> bytes:
        """Return `size` bytes, or fewer when the time limit passes or the read is cancelled."""
        with self._wake:
            until_s = None if self.timeout is None else self.clock.now_s() + self.timeout
            self._collect()
            while len(self._received) < size and not self._is_cancelled:
                if until_s is not None and self.clock.now_s() >= until_s:
                    break
                self._let_time_pass(until_s)
                self._collect()
            self._is_cancelled = False
            data = bytes(self._received[:size])
            del self._received[:size]
            return data

    def _let_time_pass(self, until_s: float | None) -> None:
        """Advance to `until_s` or the controller's next event, or wait for another thread."""
        event_s = self.machine.controller.next_event_s()
        ends = [at_s for at_s in (until_s, event_s) if at_s is not None]
        if not ends:
            self._wake.wait()
            return
        seconds = min(ends) - self.clock.now_s()
        if self._takes_real_time:
            seconds = min(seconds, _REAL_SLICE_S)
            if self._wake.wait(seconds):
                return
        self.clock.advance(max(0.0, seconds))

    def cancel_read(self) -> None:
        """End the read that waits now, or the next one, at once."""
        with self._wake:
            self._is_cancelled = True
            self._wake.notify_all()

    def write(self, data: Any, /) -> int:
        """Hand `data` to the controller at once and return its length."""
        with self._wake:
            self._require_open()
            self._require_cable()
            self.machine.controller.receive(bytes(data), self.clock.now_s())
            self._wake.notify_all()
            return len(data)

    def flush(self) -> None:
        """Do nothing: what was written has arrived."""
        self._require_open()

    def reset_input_buffer(self) -> None:
        """Forget what has arrived and was not read."""
        with self._wake:
            self._collect()
            self._received.clear()
