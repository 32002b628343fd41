"""One whole session, held at every question: the real program, a bad line, the simulated machine.

The program runs in a thread of its own, but never at the same time as the test: each hands over
to the other, at a question or at the end, so a session is the same every time. Time is the
machine's own and passes only while the program reads, or a person keeps it waiting.

Rule: the line is faithful until it is told otherwise, and the machine cannot be fooled about
what it was sent: ``Door.delivered`` is what it got.
"""

from __future__ import annotations

import heapq
import queue
import threading
from collections.abc import Callable
from contextlib import suppress
from itertools import count
from pathlib import Path
from typing import Any

from tuner.card.dialect import Dialect
from tuner.card.schema import Card
from tuner.commands.live import Bench, run_session
from tuner.errors import MachineFault, Stopped, Unanswered
from tuner.messages import Line, Question
from tuner.rehearsal.faults import Mule
from tuner.wire.port import Port

ANSWER_FAULTS = ("lost", "twice", "late", "behind the next", "garbled", "after chatter", "stalled")
_PATIENCE_S = 20.0  # of the test with the program, in real time
_CHATTER = b"\x1b[2J\xff hello: 12 ok? \x00\n"


class Door:
    """The device behind the port: a simulated machine at the end of a line that can fail.

    `stop` is what the person's stop does; it comes while the program reads.
    """

    timeout = 0.05  # as long as one read waits, in s

    def __init__(self, mule: Mule, stop: Callable[[], None]) -> None:
        self.clock = mule.clock
        self.machine = mule
        self.delivered: list[str] = []
        self.to_machine: list[tuple[int, str]] = []  # lines to let pass, then what happens
        self.to_program: list[tuple[int, str, float]] = []  # the same, and for how many s
        self.stop_in_reads: int | None = None
        self.is_stopped = False
        self.sent_after_stop: list[str] = []
        self._stop = stop
        self._is_gone = False
        self._half_sent = b""
        self._half_said = b""
        self._behind = b""
        self._stalled_until_s = 0.0
        self._arrived = bytearray()
        self._due: list[tuple[float, int, bytes]] = []
        self._order = count()

    def opened(self) -> None:
        """Start the controller, as opening a port does."""
        self.machine.controller.power_up(self.clock.now_s())

    def restart(self) -> None:
        """Let the controller start anew by itself."""
        self.machine.controller.power_up(self.clock.now_s())

    def unplug(self) -> None:
        """Take the cable out."""
        self._is_gone = True

    def somebody_else_sends(self, line: str) -> None:
        """Let `line` reach the controller from its own panel; it answers to everybody."""
        self.machine.controller.receive(line.encode("ascii") + b"\n", self.clock.now_s())

    # --- what a port needs --------------------------------------------------------------

    @property
    def in_waiting(self) -> int:
        """How many bytes have arrived."""
        self._must_be_there()
        if self.stop_in_reads is not None:
            self.stop_in_reads -= 1
            if self.stop_in_reads < 0:
                self.stop_in_reads = None
                self._stop()
        self._collect()
        return len(self._arrived)

    def read(self, size: int) -> bytes:
        """Return what arrived, after waiting for it for as long as one read may take."""
        until_s = self.clock.now_s() + self.timeout
        self._collect()
        while len(self._arrived) < size and self.clock.now_s() < until_s:
            event_s = self.machine.controller.next_event_s()
            ends = [until_s, *(at_s for at_s, _, _ in self._due[:1])]
            if event_s is not None:
                ends.append(event_s)
            self.clock.advance(max(0.0, min(ends) - self.clock.now_s()))
            self._collect()
        data = bytes(self._arrived[:size])
        del self._arrived[:size]
        return data

    def write(self, data: bytes) -> int:
        """Hand on to the machine what the line does not lose."""
        self._must_be_there()
        *lines, self._half_sent = (self._half_sent + data).split(b"\n")
        if self.is_stopped:
            self.sent_after_stop += [line.decode("ascii") for line in lines]
        for line in lines:
            match _strikes(self.to_machine):
                case ("lost",):
                    continue
                case ("garbled",):
                    line = b"?" + line[1:]
                case ("restart",):
                    self.restart()
                case ("unplugged",):
                    self.unplug()
                    self._must_be_there()
            self.delivered.append(line.decode("ascii"))
            self.machine.controller.receive(line + b"\n", self.clock.now_s())
        return len(data)

    def close(self) -> None:
        """Nothing is held that must be given back."""

    def _must_be_there(self) -> None:
        if self._is_gone:
            raise OSError("the cable is out")

    # --- what the machine says ----------------------------------------------------------

    def _collect(self) -> None:
        self._must_be_there()
        now_s = self.clock.now_s()
        *lines, self._half_said = (self._half_said + self.machine.controller.due(now_s)).split(
            b"\n"
        )
        for line in lines:
            self._said(line + b"\n", now_s)
        while self._due and self._due[0][0] <= now_s:
            self._arrived += heapq.heappop(self._due)[2]

    def _said(self, line: bytes, now_s: float) -> None:
        pieces, after_s = [line], max(0.0, self._stalled_until_s - now_s)
        match _strikes(self.to_program):
            case ("lost", _):
                pieces = []
            case ("twice", _):
                pieces = [line, line]
            case ("late", seconds):
                self._later(now_s + seconds, line)
                pieces = []
            case ("stalled", seconds):
                self._stalled_until_s = now_s + seconds
                after_s = seconds
            case ("garbled", _):
                pieces = [line[:-2] + b"\x9b" + line[-1:]]
            case ("after chatter", _):
                pieces = [_CHATTER, line]
            case ("behind the next", _):
                self._behind, pieces = self._behind + line, []
        for piece in pieces:
            self._later(now_s + after_s, piece)
        if pieces and self._behind:
            self._later(now_s + after_s, self._behind)
            self._behind = b""

    def _later(self, at_s: float, piece: bytes) -> None:
        heapq.heappush(self._due, (at_s, next(self._order), piece))


def _strikes(armed: list[Any]) -> tuple[Any, ...] | None:
    """Count one line, and return what happens to it, if anything."""
    for number, (left, *what) in enumerate(armed):
        if left == 0:
            del armed[number]
            return tuple(what)
        armed[number] = (left - 1, *what)
    return None


class Played:
    """A session that waits for its next answer. `ended` is its exit status, None until then."""

    def __init__(
        self, home: Path, card: Card, dialect: Dialect, axes: tuple[str, ...], mule: Mule
    ) -> None:
        self.question: Question | None = None
        self.ended: int | None = None
        self.failed: BaseException | None = None
        self.said: list[Line] = []
        self.wrong: list[str] = []
        self.pending: list[str] = []
        self.foreign_moves = 0
        self.mule = mule
        self.door = Door(mule, self._stop_from_elsewhere)
        self._stop: Callable[[], None] = lambda: None
        self._announced: dict[str, float] = {}
        self._counted: dict[str, float] = {}
        self._foreign_before = 0
        self._to_program: queue.Queue[str | BaseException] = queue.Queue()
        self._to_test: queue.Queue[None] = queue.Queue()
        self._setup = Bench(
            home=home,
            card=card,
            dialect=dialect,
            axes=axes,
            url="rehearse://bench-mule",
            network=False,
            clock=mule.clock,
            connect=self._connect,
        )
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()
        self._until_it_asks()

    def _connect(self) -> Port:
        self.door.opened()
        return Port("rehearse://bench-mule", 115200, self.door)  # type: ignore[arg-type]

    # --- the program's thread -----------------------------------------------------------

    def _work(self) -> None:
        try:
            self.ended = run_session(self._setup, self, self)
        except BaseException as error:
            self.failed = error
        self.question = None
        self._to_test.put(None)

    def serve(self, work: Callable[[], int], stop: Callable[[], None]) -> int:
        """Stand for the console: everything is done in the thread that asks for it."""
        self._stop = stop
        return work()

    def tell(self, line: Line) -> None:
        """See a line; where it says that a move has ended, hold that against the machine."""
        self.said.append(line)
        fields = dict(line.fields)
        if line.tag == "CAUTION" and fields["line"] == "1":
            self._announced = {}
            self._counted = self.mule.commanded()
            self._foreign_before = self.foreign_moves
        elif line.tag == "MOVE" and "by_mm" in fields:
            axis = fields["axis"].lower()
            self._announced[axis] = self._announced.get(axis, 0.0) + float(fields["by_mm"])
        elif line.tag == "MOVED" and self.foreign_moves == self._foreign_before:
            self._hold_against_the_machine(line)

    def _hold_against_the_machine(self, line: Line) -> None:
        now = self.mule.commanded()
        for axis, before in self._counted.items():
            moved = now[axis] - before
            if abs(moved - self._announced.get(axis, 0.0)) > 0.011:
                self.wrong.append(
                    f"'{line.plain()}', but {axis} was counted from {before} to {now[axis]}, and "
                    f"announced was {self._announced}"
                )

    def discard_pending(self) -> None:
        """Forget what was typed ahead."""
        self.pending.clear()

    def ask(self, question: Question) -> str:
        """Hand over to the test until it answers."""
        if self.pending:
            return self.pending.pop(0)
        self.question = question
        self._to_test.put(None)
        got = self._to_program.get(timeout=_PATIENCE_S)
        self.question = None
        if isinstance(got, BaseException):
            raise got
        return got

    # --- the test's thread --------------------------------------------------------------

    def _until_it_asks(self) -> None:
        self._to_test.get(timeout=_PATIENCE_S)
        if self.failed is not None:
            raise self.failed

    def answer(self, text: str) -> None:
        """Type `text`, and wait for the next question or the end."""
        self._to_program.put(text)
        self._until_it_asks()

    def wait(self, seconds: float) -> None:
        """Keep the program waiting; it loses its patience where it has not so much."""
        assert self.question is not None
        patience_s = self.question.patience_s
        if patience_s is not None and patience_s <= seconds:
            self.mule.clock.advance(patience_s)
            self._to_program.put(Unanswered(patience_s))
            self._until_it_asks()
        else:
            self.mule.clock.advance(seconds)

    def stop(self) -> None:
        """Press the stop key while a question is open."""
        self._stop_from_elsewhere()
        self._to_program.put(Stopped("stopped at your word"))
        self._until_it_asks()

    def _stop_from_elsewhere(self) -> None:
        self.door.is_stopped = True
        with suppress(MachineFault):  # a console says so to the person
            self._stop()
