"""Lines typed at, or piped into, a file descriptor, with nothing buffered out of reach.

The rule it keeps: after ``discard`` nothing that was typed before it can be returned, in
whatever place it was waiting (our queue, half a line, the operating system), and a line
that says ``stop`` stops the moment it is read, whether anybody waits for an answer or not.

End of input is a stop: at once when no line waits to be used or a move is under way,
otherwise when the lines before it have been used.

On Windows the system offers no way to see or drop a half-typed line, so there ``discard``
covers everything that was completed with Enter.
"""

from __future__ import annotations

import os
import queue
import select
import sys
import threading
from collections.abc import Callable

from tuner.errors import Stopped, Unanswered

if sys.platform != "win32":
    import termios

__all__ = ["Typed"]

_PIECE_BYTES = 4096
_LONGEST_LINE_BYTES = 4096
# More than this nobody types who reads the questions (``yes | …``). It can neither be kept
# nor waited out, so it counts as the end of input.
_MOST_WAITING_LINES = 10_000
_MOST_DISCARDED_PIECES = 256  # 1 MiB, sixteen times what a pipe usually holds


class Typed:
    """Input lines of `descriptor`; `stop` is called on a stop, in the thread that met it."""

    def __init__(self, descriptor: int, stop: Callable[[], None]) -> None:
        self._descriptor = descriptor
        self._stop = stop
        # SimpleQueue: a signal handler may put into it while it interrupts a put or a get.
        # None is not a line, it only makes a waiting ``next`` look again.
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._half_line = b""
        self._ended = False
        self._reading = threading.Lock()  # held while bytes are taken, never while waiting
        self.move_under_way = False

    def begin(self) -> None:
        """Start reading, in a thread that does not keep the process alive."""
        self._end_asked, self._end_now = os.pipe()
        self._reader = threading.Thread(target=self._read_on, name="typed", daemon=True)
        self._reader.start()

    def end(self) -> None:
        """Leave the descriptor alone from now on."""
        os.close(self._end_now)
        if sys.platform != "win32":  # there a read that waits for a line cannot be ended
            self._reader.join()
            os.close(self._end_asked)

    def wake(self) -> None:
        """Make a waiting ``next`` look again whether there was a stop; signal-safe."""
        self._lines.put(None)

    def next(self, stopped: Callable[[], bool], patience_s: float | None = None) -> str:
        """Return the next line without its end.

        Raises ``Stopped`` once `stopped()` is true, ``Unanswered`` when none came in
        `patience_s`.
        """
        while not stopped():
            if self._ended and self._lines.empty():
                self._stop()
                continue
            try:
                line = self._lines.get(timeout=patience_s)
            except queue.Empty:
                raise Unanswered(patience_s or 0.0) from None
            if line is not None:
                return line
        raise Stopped("stopped on request")

    def a_move_starts(self) -> None:
        """From now on an end of input, even one already seen, stops at once."""
        self.move_under_way = True
        if self._ended:
            self._stop()

    def discard(self) -> None:
        """Forget everything typed so far; a ``stop`` among it has been carried out."""
        with self._reading:
            self._take_what_is_there()
            self._half_line = b""
            while not self._lines.empty():
                self._lines.get()

    def _take_what_is_there(self) -> None:
        if sys.platform == "win32":
            return  # the reading thread has taken it: it always waits in a read
        for _ in range(_MOST_DISCARDED_PIECES):
            if not self._is_readable():
                break
            if not self._take(self._read()):
                return
        else:
            self._end_of_input()
        if sys.platform != "win32" and os.isatty(self._descriptor):
            termios.tcflush(self._descriptor, termios.TCIFLUSH)  # a line not yet ended

    def _read_on(self) -> None:
        if sys.platform == "win32":
            more = True
            while more:
                piece = self._read()
                with self._reading:
                    more = self._take(piece)
            return
        while True:
            try:
                ready, _, _ = select.select([self._descriptor, self._end_asked], [], [])
            except OSError:  # closed under us
                ready = [self._descriptor]
            if self._end_asked in ready:
                return
            with self._reading:
                # Looked at again under the lock: a discard may have been faster.
                if self._is_readable() and not self._take(self._read()):
                    return

    def _is_readable(self) -> bool:
        try:
            return bool(select.select([self._descriptor], [], [], 0)[0])
        except OSError:  # the read will say so again, and that is the end of input
            return True

    def _read(self) -> bytes:
        try:
            return os.read(self._descriptor, _PIECE_BYTES)
        except OSError:  # a terminal that hung up, a descriptor that was closed
            return b""

    def _take(self, piece: bytes) -> bool:
        """Take `piece`, empty at the end of input, into lines; return whether more may come."""
        if self._ended:
            return False
        *lines, self._half_line = (self._half_line + piece).split(b"\n")
        self._half_line = self._half_line[:_LONGEST_LINE_BYTES]
        if not piece and self._half_line:
            lines.append(self._half_line)
        for line in lines:
            text = line[:_LONGEST_LINE_BYTES].decode("utf-8", errors="replace").rstrip("\r")
            if text.strip().lower() == "stop":
                self._stop()
            else:
                self._lines.put(text)
        if not piece or self._lines.qsize() > _MOST_WAITING_LINES:
            self._end_of_input()
        return not self._ended

    def _end_of_input(self) -> None:
        self._ended = True
        if self._lines.empty() or self.move_under_way:
            self._stop()
        self.wake()
