"""The console for a person at a terminal: lines that scroll up, six fixed rows at the bottom.

The rows, always in the same order: a ruled line; where in the session this is; what is going
to happen, or how far it has come; the prompt; what Enter would do; the stop key and the state
of the machine.

The rules it keeps: one application owns the terminal from the first line to the last, so
that the stop key works, and a stop is all that can be typed, while no question is open; the
key's handler itself carries out the stop. Lines and questions arrive in one queue and
are shown by the main thread in that order, so nothing is ever told over an open question.
Keys pressed before the question of a move stood there are gone before it is shown.

Cursor positions are never asked for: a terminal that does not answer would delay the end
of every prompt by a second.
"""

from __future__ import annotations

import asyncio
import contextlib
import contextvars
import os
import queue
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from prompt_toolkit.application import Application
from prompt_toolkit.buffer import Buffer
from prompt_toolkit.document import Document
from prompt_toolkit.filters import Condition
from prompt_toolkit.formatted_text import FormattedText
from prompt_toolkit.input import Input
from prompt_toolkit.input.defaults import create_input
from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent
from prompt_toolkit.layout import (
    BufferControl,
    FormattedTextControl,
    HSplit,
    Layout,
    Window,
)
from prompt_toolkit.layout.processors import (
    BeforeInput,
    Processor,
    Transformation,
    TransformationInput,
)
from prompt_toolkit.output import Output
from prompt_toolkit.output.defaults import create_output
from prompt_toolkit.output.vt100 import Vt100_Output
from prompt_toolkit.renderer import print_formatted_text
from prompt_toolkit.styles import Style

from tuner.answers import parse
from tuner.console.desk import WAIT_S, StopRequest, Work, short_pauses, stop_failed, stop_on_signals
from tuner.console.figures import Figures
from tuner.console.page import Page, Styled, ascii_only
from tuner.console.prompts import (
    STOPPING,
    WORKING,
    completed,
    explanation,
    meant,
    prompt,
    while_typing,
)
from tuner.console.view import View
from tuner.errors import BadAnswer, Stopped, Unanswered
from tuner.messages import Go, Length, Line, OneOf, Question, Words
from tuner.text import covered

__all__ = ["Screen"]

# Weight only: nothing is said by colour.
_STYLE = Style.from_dict({"word": "bold", "heading": "bold", "prompt": "bold"})
_TICK_S = 0.5  # how often the time that is left is drawn anew


@dataclass(frozen=True)
class _Tell:
    line: Line


@dataclass(frozen=True)
class _Ask:
    question: Question
    reply: queue.SimpleQueue[str | None]  # None: stopped


@dataclass(frozen=True)
class _Withdraw:
    asked: _Ask


@dataclass(frozen=True)
class _Discard:
    pass


@dataclass(frozen=True)
class _Ended:
    pass


_Item = _Tell | _Ask | _Withdraw | _Discard | _Ended


class _Covered(Processor):
    """What is being typed or pasted, with nothing in it that a terminal could act on."""

    def apply_transformation(self, transformation_input: TransformationInput) -> Transformation:
        typed = "".join(text for _, text, *_ in transformation_input.fragments)
        return Transformation([("", covered(typed))])


class Screen:
    """A calm, line-oriented console on a terminal, or on what is given in its place.

    `port` is where the machine is, in words, for the last row; empty where there is none.
    """

    def __init__(
        self, input: Input | None = None, output: Output | None = None, port: str = ""
    ) -> None:
        self._input = input or create_input()
        self._output = output or create_output()
        if isinstance(self._output, Vt100_Output):
            self._output.enable_cpr = False
        self._is_ascii = ascii_only(self._output.encoding(), os.environ)
        self._view = View(port)
        self._figures = Figures(self._view, self._is_ascii)
        self._since_s: float | None = None  # when the person was last waited for
        self._ticking: asyncio.TimerHandle | None = None
        self._history: list[str] = []
        self._recalled = 0  # how many entries back in the history
        self._stopping = StopRequest.of_nothing()
        self._inbox: queue.SimpleQueue[_Item] = queue.SimpleQueue()
        self._open: _Ask | None = None
        self._ended = False
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
        """Show the question and return an answer that fits it; see ``Person.ask``."""
        self._stopping.refuse_if_asked()
        reply: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        asked = _Ask(question, reply)
        self._post(asked)
        try:
            answer = reply.get(timeout=question.patience_s)
        except queue.Empty:
            self._post(_Withdraw(asked))
            raise Unanswered(question.patience_s or 0.0) from None
        self._stopping.refuse_if_asked()
        if answer is None:
            raise Stopped("stopped on request")
        return answer

    def _post(self, item: _Item) -> None:
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
        self._ended = False
        worker = Work(work, at_end=lambda: self._post(_Ended()))
        with stop_on_signals(self._stopping), short_pauses():
            worker.start()
            try:
                # End of input, or a terminal that went away, leave nothing but to stop.
                with contextlib.suppress(EOFError, OSError):
                    asyncio.run(self._live())
            finally:
                self._finish(worker)
        return worker.result()

    def _finish(self, worker: Work) -> None:
        if not self._ended:
            self._stopping()
            self._answer(None)
            self._without_terminal()
        worker.wait()
        self._stopping.work_is_over()

    def _without_terminal(self) -> None:
        """Show what is still told, if anything can be shown, and ask nothing any more."""
        while not self._ended:
            try:
                item = self._inbox.get(timeout=WAIT_S)
            except queue.Empty:
                continue
            match item:
                case _Tell(line):
                    with contextlib.suppress(OSError):
                        self._print(self._page().section(line))
                case _Ask(_, reply):
                    reply.put(None)
                case _Ended():
                    self._ended = True

    async def _live(self) -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(self._drawing_failed)
        # Signals come to us already, and prompt_toolkit would wait for Enter after an error.
        await self._app.run_async(
            pre_run=self._begin, handle_sigint=False, set_exception_handler=False
        )

    def _begin(self) -> None:
        # Everything that runs outside prompt_toolkit's own callbacks needs to know its
        # application, which it keeps in a context variable.
        self._context = contextvars.copy_context()
        asyncio.get_running_loop().call_soon(self._take_in, context=self._context)

    def _drawing_failed(self, _loop: asyncio.AbstractEventLoop, what: dict[str, Any]) -> None:
        self._stopping()
        if not self._app.is_done:
            self._app.exit(exception=what.get("exception") or EOFError)

    def _take_in(self) -> None:
        """Show what has arrived, in order, and close an open question after a stop."""
        if self._stopping.asked:
            self._answer(None)
        while not self._app.is_done:
            try:
                item = self._inbox.get_nowait()
            except queue.Empty:
                break
            match item:
                case _Tell(line):
                    self._view.take(line)
                    page, rows = self._page(), self._output.get_size().rows
                    self._show(page.section(line) + self._figures.below(line, page, rows))
                case _Ask():
                    self._put(item)
                case _Withdraw(asked):
                    if self._open is asked:
                        self._open = None
                case _Discard():
                    self._discard()
                case _Ended():
                    self._ended = True
                    self._app.exit()
        self._keep_time()
        self._app.invalidate()

    def _keep_time(self) -> None:
        """Draw anew every half second while nobody is asked, so that the time left is seen."""
        loop = self._app.loop
        if loop is None or self._open is not None or self._app.is_done:
            self._since_s = None
            return
        if self._since_s is None:
            self._since_s = loop.time()
        if self._ticking is None:
            self._ticking = loop.call_later(_TICK_S, self._tick, context=self._context)

    def _tick(self) -> None:
        self._ticking = None
        self._keep_time()
        self._app.invalidate()

    def _put(self, asked: _Ask) -> None:
        if self._stopping.asked:
            asked.reply.put(None)
            return
        question = asked.question
        styled: Styled = []
        if isinstance(question.accepts, Go):
            self._discard()
        else:
            styled.append(("", "\n"))  # a move's question stays with its cautions
        page = self._page()
        self._view.take(question.line)
        styled += page.section(question.line)
        if isinstance(question.accepts, OneOf):
            styled += page.numbered(question.accepts.options, question.accepts.default)
        self._buffer.reset()
        self._recalled = 0
        self._show(styled)
        self._open = asked

    def _discard(self) -> None:
        # Not thrown away unseen: they go the way of all keys pressed while nothing is asked,
        # so that a stop among them counts.
        while keys := self._input.read_keys():
            self._app.key_processor.feed_multiple(keys)
        self._app.key_processor.feed_multiple(self._input.flush_keys())
        self._app.key_processor.process_keys()
        self._buffer.reset()

    def _answer(self, text: str | None) -> None:
        if self._open is not None:
            asked, self._open = self._open, None
            asked.reply.put(text)

    # --- what is drawn --------------------------------------------------------------------

    def _page(self) -> Page:
        return Page(self._output.get_size().columns, self._is_ascii)

    def _show(self, styled: Styled) -> None:
        """Print `styled` above the prompt, which is drawn anew below it."""
        self._app.renderer.erase()
        self._print(styled)
        self._app.invalidate()

    def _print(self, styled: Styled) -> None:
        print_formatted_text(self._output, FormattedText(styled), _STYLE)

    def _prompt(self) -> str:
        if self._open is not None:
            return prompt(self._open.question.accepts)
        return STOPPING if self._stopping.asked else WORKING

    def _ahead(self) -> str:
        """Return what is going to happen, or while nobody is asked, how far it has come."""
        if self._open is not None:
            return self._view.what_next(self._open.question.accepts)
        loop = self._app.loop
        if loop is None or self._since_s is None:
            return ""
        return self._view.progress(loop.time() - self._since_s, self._figures.cells)

    def _below(self) -> str:
        if self._open is None:
            return "/ stops" if self._view.under_way else ""
        return while_typing(self._open.question.accepts, self._buffer.text)

    def _toolbar(self) -> str:
        return self._view.toolbar(self._page().width - 2)

    def _application(self) -> Application[None]:
        before = BeforeInput(lambda: [("class:prompt", f"  {self._prompt()}")])
        typing = Window(
            BufferControl(self._buffer, input_processors=[_Covered(), before]),
            wrap_lines=True,
            dont_extend_height=True,
        )
        rows = [
            _row(lambda: self._page().rule()),
            _row(lambda: self._page().row(self._view.where(), "class:heading")),
            _row(lambda: self._page().row(self._ahead())),
            typing,
            _row(lambda: self._page().row(self._below())),
            _row(lambda: self._page().row(self._toolbar())),
        ]
        return Application(
            layout=Layout(HSplit(rows), focused_element=typing),
            key_bindings=self._keys(),
            style=_STYLE,
            input=self._input,
            output=self._output,
            erase_when_done=True,
        )

    # --- keys -----------------------------------------------------------------------------

    def _keys(self) -> KeyBindings:
        keys = KeyBindings()
        nothing_typed = Condition(lambda: not self._buffer.text)
        on_the_way = Condition(lambda: self._open is None and self._view.under_way)

        # Eager: no other binding that starts with the same key may hold these back.
        @keys.add("c-x", eager=True)
        @keys.add("c-c", eager=True)
        @keys.add("c-d", eager=True, filter=nothing_typed)
        @keys.add("/", eager=True, filter=on_the_way)
        def _stop(_event: KeyPressEvent) -> None:
            self._stopping()

        @keys.add("enter")
        def _enter(_event: KeyPressEvent) -> None:
            text = self._buffer.text
            self._buffer.reset()
            self._typed(text)

        @keys.add("tab")
        def _complete(_event: KeyPressEvent) -> None:
            if self._open is not None:
                self._put_in(completed(self._open.question.accepts, self._buffer.text))

        @keys.add("up")
        def _earlier(_event: KeyPressEvent) -> None:
            self._recall(self._recalled + 1)

        @keys.add("down")
        def _later(_event: KeyPressEvent) -> None:
            self._recall(self._recalled - 1)

        return keys

    def _put_in(self, text: str) -> None:
        self._buffer.set_document(Document(text))

    def _recall(self, back: int) -> None:
        """Put what was typed `back` answers ago at the prompt, where it may be typed again.

        Consent and readings are never brought back: each of them is given anew.
        """
        if self._open is None or not _may_be_recalled(self._open.question):
            return
        if 0 <= back <= len(self._history):
            self._recalled = back
            self._put_in(self._history[-back] if back else "")

    def _typed(self, text: str) -> None:
        if self._open is None:
            if text.strip().lower() == "stop":
                self._stopping()
            return
        question = self._open.question
        accepts = question.accepts
        text = meant(accepts, text)
        page = self._page()
        styled = page.hanging(prompt(accepts), text, "class:prompt")
        if text.strip() == "?":
            self._show(styled + page.hanging("", explanation(accepts, question.line)))
            return
        try:
            parse(accepts, text)
        except Stopped:
            self._stopping()
        except BadAnswer as reason:
            self._show(styled + page.hanging("not taken: ", str(reason)))
        else:
            if _may_be_recalled(question) and text.strip():
                self._history.append(text)
            self._view.answered(question)
            self._show(styled)
            self._answer(text)
            self._keep_time()


def _row(text: Callable[[], Styled]) -> Window:
    return Window(
        FormattedTextControl(lambda: FormattedText(text())), height=1, dont_extend_height=True
    )


def _may_be_recalled(question: Question) -> bool:
    accepts = question.accepts
    return isinstance(accepts, Words) or (isinstance(accepts, Length) and not accepts.is_reading)
