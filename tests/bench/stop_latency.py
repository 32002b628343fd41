"""Measure how long a stop takes from the call to the byte at the far end of a terminal.

Run ``python tests/bench/stop_latency.py``. A worker thread waits in a move over a real pseudo
terminal, the main thread calls ``Controller.stop()`` as the stop key's handler does, and the
far end notes when the first byte of the stop arrives. Each stop is a new conversation. The
median must be below 10 ms; the exit status is 1 when it is not.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

from tuner.card.dialect import read_dialect
from tuner.errors import Stopped
from tuner.safety.permit import Permit
from tuner.wire.controller import Controller
from tuner.wire.port import Port
from tuner.wire.transcript import Transcript

STOPS = 9
LIMIT_MS = 10.0


class Machine:
    """Answers every line but the barrier, and notes when the stop arrives."""

    def __init__(self) -> None:
        self.far, self.near = os.openpty()
        self.moving = threading.Event()
        self.stopped_at_s = 0.0
        self.thread = threading.Thread(target=self.run, daemon=True)
        self.thread.start()

    def run(self) -> None:
        partial = b""
        while True:
            data = os.read(self.far, 1000)
            arrived_s = time.perf_counter()
            *lines, partial = (partial + data).split(b"\n")
            for line in lines:
                if line == b"M112":
                    self.stopped_at_s = arrived_s
                    return
                if line == b"M400":
                    self.moving.set()
                else:
                    os.write(self.far, b"X:0 Y:0 Z:0\nok\n" if line == b"M114" else b"ok\n")


def one_stop_ms(folder: Path) -> tuple[float, float]:
    """Return the times in ms from the call to the byte, and to the worker's ``Stopped``."""
    machine = Machine()
    port = Port.open(os.ttyname(machine.near), 115200)
    transcript = Transcript(folder / "stop.txt", port.clock)
    controller = Controller(port, read_dialect("printer", None), transcript)
    woken: list[float] = []

    def work() -> None:
        try:
            controller.move(Permit(1, ("G1 X5 F600",), 60.0, port.clock.now_s()))
        except Stopped:
            woken.append(time.perf_counter())

    worker = threading.Thread(target=work)
    worker.start()
    machine.moving.wait()
    called_s = time.perf_counter()
    controller.stop()
    worker.join()
    machine.thread.join()
    controller.close()
    transcript.close()
    os.close(machine.near)
    os.close(machine.far)
    return 1000.0 * (machine.stopped_at_s - called_s), 1000.0 * (woken[0] - called_s)


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        times = [one_stop_ms(Path(folder)) for _ in range(STOPS)]
    to_byte_ms, to_worker_ms = (statistics.median(column) for column in zip(*times, strict=True))
    worst_ms = max(to_byte for to_byte, _ in times)
    print(
        f"{STOPS} stops: median {to_byte_ms:.2f} ms from the call to the byte (worst "
        f"{worst_ms:.2f} ms), median {to_worker_ms:.2f} ms to the waiting worker"
    )
    return 0 if to_byte_ms < LIMIT_MS else 1


if __name__ == "__main__":
    sys.exit(main())
