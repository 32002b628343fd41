"""What every console has in common: one worker, one stop, and who may do what when.

The rules it keeps:

* The work runs in one thread of its own; the console keeps the main thread, where
  signals arrive.
* A stop is carried out inside the handler that noticed it, before anything else happens,
  and from then on no question is answered. Telling goes on, so the last words are seen.
* Asking for a stop again repeats it. Nothing here ends the process half-way.
* When the work has ended, nothing waits for input any more.
"""

from __future__ import annotations

import gc
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol

from tuner.errors import Stopped, TunerError
from tuner.messages import Line, Person
from tuner.text import shown, visible

__all__ = [
    "WAIT_S",
    "Console",
    "StopRequest",
    "Work",
    "one_line",
    "short_pauses",
    "stop_failed",
    "stop_on_signals",
]

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")  # the last two are not everywhere

# A thread being waited for on Windows keeps Python from running a signal's handler, so
# there the wait is cut in pieces shorter than a stop may take (10 ms).
WAIT_S = 0.005 if sys.platform == "win32" else None


class Console(Person, Protocol):
    """A person's place: the methods of ``Person`` for the worker, ``serve`` for the main thread."""

    def serve(self, work: Callable[[], int], stop: Callable[[], None]) -> int:
        """Run `work` in a worker thread and return its exit status.

        `stop` is called at once, from whichever thread noticed, on every stop: the key,
        the word, a signal, the end of input. It must be quick and may be called again.
        Afterwards every open or later question raises ``Stopped`` in the worker. An
        exception out of `work` is raised here once the worker has ended.
        """


class StopRequest:
    """The stop of one piece of work: carried out at once, remembered, repeatable.

    Calling it may happen in any thread and in a signal handler that interrupts another
    call. It never runs `stop` twice at the same time, loses no request and never raises:
    what `stop` raises goes to `failed`. `wake` then gets a waiting question to look again.
    """

    def __init__(
        self,
        stop: Callable[[], None],
        wake: Callable[[], None],
        failed: Callable[[Exception], None],
    ) -> None:
        self._stop = stop
        self._wake = wake
        self._failed = failed
        self._running = threading.Lock()
        self._due = False
        self._over = False
        self.asked = False

    @classmethod
    def of_nothing(cls) -> StopRequest:
        """Return the stop of a console that serves no work yet."""
        return cls(lambda: None, lambda: None, lambda _error: None)

    def __call__(self) -> None:
        """Carry out the stop; does nothing once the work is over."""
        if self._over:
            return
        self.asked = True
        self._due = True
        # A handler that interrupts a stop under way, in this very thread, must not wait for
        # it: it leaves `due` set, and the call that is under way goes round once more.
        while self._due and self._running.acquire(blocking=False):
            try:
                self._due = False
                self._stop()
            except Exception as error:  # a signal handler may not raise into what it interrupts
                self._failed(error)
            finally:
                self._running.release()
        self._wake()

    def refuse_if_asked(self) -> None:
        """Raise ``Stopped`` after a stop: nothing is asked or answered any more."""
        if self.asked:
            raise Stopped("stopped on request")

    def work_is_over(self) -> None:
        """From now on there is nothing left to stop."""
        self._over = True


def stop_failed(error: Exception) -> Line:
    """Return the line that says that a stop did not reach the machine."""
    return Line(
        "CAUTION",
        "stop.failed",
        (("word", "WARNING"),),
        "The stop could not be sent, the machine may go on moving. Hands out, switch it off at "
        f"its power switch now. ({shown(str(error)) or type(error).__name__})",
    )


@contextmanager
def stop_on_signals(stopping: StopRequest) -> Iterator[None]:
    """Make the signals that end programs ask for a stop instead, in the main thread."""
    numbers = [getattr(signal, name) for name in _SIGNALS if hasattr(signal, name)]
    before = {
        number: signal.signal(number, lambda _number, _frame: stopping()) for number in numbers
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            # None: put there by something else than Python, which cannot be put back.
            signal.signal(number, signal.SIG_DFL if handler is None else handler)


@contextmanager
def short_pauses() -> Iterator[None]:
    """Leave what exists now out of garbage collections meanwhile.

    With everything loaded a full collection was measured to take 18 to 60 ms, and no stop is
    sent while it lasts. Looking through what was made since then takes far less.
    """
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


class Work:
    """One function in one thread; `at_end` is called in that thread when it has ended."""

    def __init__(self, work: Callable[[], int], at_end: Callable[[], None]) -> None:
        self._work = work
        self._at_end = at_end
        self._status = 0
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="work")

    def _run(self) -> None:
        try:
            self._status = self._work()
        except BaseException as error:  # carried to the main thread, whatever it is
            self._error = error
        finally:
            self._at_end()

    def start(self) -> None:
        """Start the thread; once only."""
        self._thread.start()

    def wait(self) -> None:
        """Wait until the work has ended; signals are handled meanwhile."""
        while self._thread.is_alive():
            self._thread.join(WAIT_S)

    @property
    def exit_status(self) -> int:
        """What the process is going to end with, once the work has ended."""
        if self._error is None:
            return self._status
        return self._error.exit_status if isinstance(self._error, TunerError) else 1

    def result(self) -> int:
        """Return the exit status of ended work, or raise what came out of it."""
        if self._error is not None:
            raise self._error
        return self._status


def one_line(text: str) -> str:
    """Return `text` on one line, blanks for line ends, the rest as ``visible`` makes it.

    Everything that reaches a terminal comes through here. Outside text inside a message has
    already been through ``shown``, and stays as that made it.
    """
    return visible("".join(" " if one.isspace() else one for one in text))
