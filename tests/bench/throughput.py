"""Measure what a command and its acknowledgement cost, against the serial library alone.

Run ``python tests/bench/throughput.py``. Another process answers every line on a real pseudo
terminal. The bare side writes a line and reads one with the serial library. Our side sends the
same line through ``Controller``: what came is heard first, the line is held against the
allow-list and written to the transcript, sent, its answer cut, parsed and written down.

Both sides take short turns in one run, so that what else the computer does meets both, and
the ratio is that of the median turns. For a question and its report it must be at most 1.25; the
exit status is 1 when it is not. The bare ``ok`` to a mode, which is said a few times in a session,
is the shortest answer there is and shows what a line costs whatever its length.
"""

from __future__ import annotations

import os
import signal
import statistics
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from pathlib import Path

import serial

from tuner.card.dialect import read_dialect
from tuner.safety.words import Kind
from tuner.wire.controller import Controller
from tuner.wire.port import Port
from tuner.wire.transcript import Transcript

ROUNDS = 10_000
TURNS = 200
BAUD = 115200
LIMIT = 1.25
ANSWERS = {
    b"G91": b"ok\n",
    b"M105": b"ok T:21.50 /0.00 B:20.75 /0.00\n",
    b"M114": b"X:0.00 Y:0.00 Z:0.00\nok\n",
}


class Machine:
    """A process that answers at the far end of a pseudo-terminal, for ever."""

    def __init__(self) -> None:
        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        self.name = os.ttyname(self._near)
        self._process = os.fork()
        if self._process == 0:
            self._answer()

    def _answer(self) -> None:
        partial = b""
        while True:
            *lines, partial = (partial + os.read(self._far, 1000)).split(b"\n")
            for line in lines:
                os.write(self._far, ANSWERS.get(line, b"ok\n"))

    def close(self) -> None:
        os.kill(self._process, signal.SIGKILL)
        os.waitpid(self._process, 0)
        os.close(self._near)
        os.close(self._far)


def turn_us(round_trip: Callable[[], object]) -> float:
    """Return the mean time of a round trip in one turn, in us."""
    rounds = ROUNDS // TURNS
    started_s = time.perf_counter()
    for _ in range(rounds):
        round_trip()
    return 1e6 * (time.perf_counter() - started_s) / rounds


def compared(what: str, bare: Callable[[], object], ours: Callable[[], object]) -> float:
    """Print and return the ratio of the median turns of `ours` and `bare`."""
    turns = [(turn_us(bare), turn_us(ours)) for _ in range(TURNS)]
    bare_us, ours_us = (statistics.median(column) for column in zip(*turns, strict=True))
    ratio = ours_us / bare_us
    print(f"{ROUNDS} x {what}: {bare_us:.0f} us bare, {ours_us:.0f} us ours, ratio {ratio:.2f}")
    return ratio


def main() -> int:
    machine = Machine()  # the same for both sides: two are not equally fast
    device = serial.Serial(machine.name, BAUD, timeout=5.0, write_timeout=2.0)

    def bare(line: bytes) -> Callable[[], object]:
        def round_trip() -> None:
            device.write(line + b"\n")
            if device.readline() != ANSWERS[line]:
                raise SystemExit("the bare side lost a line")

        return round_trip

    with tempfile.TemporaryDirectory() as folder:
        port = Port.open(machine.name, BAUD)
        transcript = Transcript(Path(folder) / "throughput.txt", port.clock)
        controller = Controller(port, read_dialect("printer", None), transcript)
        controller.temperatures()  # gets into step and sets the modes
        compared("a mode", bare(b"G91"), lambda: controller._ask("G91", Kind.MODE))
        ratio = compared("a report", bare(b"M105"), controller.temperatures)
        controller.close()
        transcript.close()
    device.close()
    machine.close()
    return 0 if ratio <= LIMIT else 1


if __name__ == "__main__":
    sys.exit(main())
