"""The console for a person at a terminal: lines that scroll up, one prompt at the bottom.

The rules it keeps: one application owns the terminal from the first line to the last, so
that the stop key works, and is the only key that does anything, while no question is open;
the key's handler itself carries out the stop. Lines and questions arrive in one queue and
are shown by the main thread in that order, so nothing is ever told over an open question.
Keys pressed before the question of a move stood there are gone before it is shown.

Cursor positions are never asked for: a terminal that does not answer would delay the end
of every prompt by a second.
"""

from __future__ import annotations

import asyncio
import contextlib
import contextvars
import queue
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from prompt_toolkit.application import Application
from prompt_toolkit.buffer import Buffer
from prompt_toolkit.filters import Condition
from prompt_toolkit.input import Input
from prompt_toolkit.input.defaults import create_input
from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent
from prompt_toolkit.layout import BufferControl, FormattedTextControl, HSplit, Layout, Window
from prompt_toolkit.layout.processors import BeforeInput
from prompt_toolkit.output import Output
from prompt_toolkit.output.defaults import create_output
from prompt_toolkit.output.vt100 import Vt100_Output
from prompt_toolkit.renderer import print_formatted_text
from prompt_toolkit.styles import Style

from tuner.answers import parse
from tuner.console.desk import StopRequest, Work, one_line, stop_failed, stop_on_signals
from tuner.console.page import Page, Styled
from tuner.console.prompts import STOPPING, WORKING, explanation, prompt, reminder
from tuner.errors import BadAnswer, Stopped
from tuner.messages import Go, Line, OneOf, Question

__all__ = ["Screen"]

# Weight only: nothing is said by colour.
_STYLE = Style.from_dict({"word": "bold", "heading": "bold", "prompt": "bold"})


@dataclass(frozen=True)
class _Tell:
    line: Line


@dataclass(frozen=True)
class _Ask:
    question: Question
    reply: queue.SimpleQueue[str | None]  # None: stopped


@dataclass(frozen=True)
class _Discard:
    pass


@dataclass(frozen=True)
class _Ended:
    pass


class Screen:
    """A calm, line-oriented console on a terminal, or on what is given in its place."""

    def __init__(self, input: Input | None = None, output: Output | None = None) -> None:
        self._input = input or create_input()
        self._output = output or create_output()
        if isinstance(self._output, Vt100_Output):
            self._output.enable_cpr = False
        self._stopping = StopRequest.of_nothing()
        self._inbox: queue.SimpleQueue[_Tell | _Ask | _Discard | _Ended] = queue.SimpleQueue()
        self._open: _Ask | None = None
        self._buffer = Buffer(multiline=False)
        self._app: Application[None] = self._application()
        self._context = contextvars.copy_context()

    # --- called by the worker -------------------------------------------------------------

    def tell(self, line: Line) -> None:
        """Show `line`, after what was told before it."""
        self._post(_Tell(line))

    def discard_pending(self) -> None:
        """Forget every key pressed before the next line; a stop among them counts."""
        self._post(_Discard())

    def ask(self, question: Question) -> str:
        """Show the question and return an answer that fits it; raise ``Stopped`` on a stop."""
        self._stopping.refuse_if_asked()
        reply: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._post(_Ask(question, reply))
        answer = reply.get()
        self._stopping.refuse_if_asked()
        if answer is None:
            raise Stopped("stopped on request")
        return answer

    def _post(self, item: _Tell | _Ask | _Discard | _Ended) -> None:
        self._inbox.put(item)
        self._wake()

    def _wake(self) -> None:
        loop = self._app.loop
        if loop is not None:
            # Closed between the look and the call: whoever empties the inbox then finds it.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(self._take_in, context=self._context)

    # --- the main thread ------------------------------------------------------------------

    def serve(self, work: Callable[[], int], stop: Callable[[], None]) -> int:
        """Run `work` in a worker thread; see ``Console.serve``."""
        self._stopping = StopRequest(
            stop, wake=self._wake, failed=lambda error: self.tell(stop_failed(error))
        )
        worker = Work(work, at_end=lambda: self._post(_Ended()))
        with stop_on_signals(self._stopping):
            worker.start()
            try:
                # End of input, or a terminal that went away, leave nothing but to stop.
                with contextlib.suppress(EOFError, OSError):
                    asyncio.run(self._live())
            finally:
                self._finish(worker)
        return worker.result()
