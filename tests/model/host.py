"""The real program as one state machine: engine, gate, controller and link, step by step.

Nothing of the host is modelled twice. It runs as it is, on a port, a clock and a person that
hand control back whenever it waits: for bytes until a deadline, or for an answer. Between two
waits it is deterministic, so a way through it is a list of inputs, and a step is taken by
running the way again with one input more.

Two ways lead to the same *state* when everything that can still matter is equal: the calls
that are open and where they stand, their variables, and every object that these can reach.
Instants count from now. What is left out is named in ``_WITHOUT_CONSEQUENCE``; that leaving
it out is right is what ``audit`` tests: of two ways to one state, the same inputs must lead
to the same outputs and the same next state.
"""

from __future__ import annotations

import enum
import math
import sys
import threading
import types
from collections import Counter, deque
from collections.abc import Callable, Hashable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, NamedTuple

from tuner.card.dialect import Dialect
from tuner.card.schema import Axis, Card
from tuner.errors import MachineFault, PortLost, PositionUnknown, Stopped, Unanswered
from tuner.messages import Line, Plan, Question
from tuner.safety.gate import Gate
from tuner.session.engine import Engine
from tuner.wire.controller import Controller
from tuner.wire.port import Port

# --- what goes in, what comes out -------------------------------------------------------


class Input(NamedTuple):
    """What ends a wait, and what happens on the way to the next one.

    `kind`: ``bytes`` arrive, ``quiet`` (the deadline passes), ``says`` (the person types),
    ``unanswered`` (the person is silent for too long), ``stop`` (the person asks for a stop while
    the program waits), ``lost`` (the port goes away while it waits). `meanwhile` (``stop`` or
    ``lost``) happens just before the program takes the write lock for the time number `at_lock`,
    counted from 0.
    """

    kind: str
    value: bytes | str = b""
    meanwhile: str = ""
    at_lock: int = 0


class Output(NamedTuple):
    """What the program did: ``sent`` bytes, ``told`` a line, ``asked``, ``discarded``,
    ``declared`` where the axis stands, wrote a ``stop``."""

    kind: str
    value: Any = None


class Wait(NamedTuple):
    """What the program waits for: ``read`` until a deadline (`value`: whether there is none),
    ``poll`` (what is there already), ``ask`` (`value`: whether only for so long), or nothing any
    more: ``ended``."""

    kind: str
    value: Any = None


class Step(NamedTuple):
    """One step: the state it leads to, what was done on the way, what is waited for then, how
    many times the write lock was taken, and which of these times something was written."""

    state: int
    outputs: tuple[Output, ...]
    wait: Wait
    locks: int
    writing: tuple[int, ...]


class _Waits(BaseException):
    """The list of inputs is used up: control goes back."""


# --- the outside of the program ---------------------------------------------------------

_START_S = 1e6
_INSTANTS_FROM_S = 5e5  # a float from here on is an instant, below it a duration or a length


class _Environment:
    """Marks what is not part of the program's state."""


class _Clock(_Environment):
    def __init__(self) -> None:
        self.at_s = _START_S

    def now_s(self) -> float:
        return self.at_s


class _Lock(_Environment):
    """The write lock: everything that can come from another thread comes just before it."""

    def __init__(self, outside: _Outside) -> None:
        self._outside = outside
        self._depth = 0

    def __enter__(self) -> None:
        if not self._depth:
            self._outside.at_lock()
        self._depth += 1

    def __exit__(self, *_: object) -> None:
        self._depth -= 1


class _Port(Port):
    """A port whose other end is the list of inputs."""

    def __init__(self, outside: _Outside) -> None:
        self.device = types.SimpleNamespace(clock=outside.clock)
        super().__init__("model://", 115200, self.device)  # type: ignore[arg-type]
        self.write_lock = _Lock(outside)  # type: ignore[assignment]
        self._outside = outside
        self.is_lost = False

    def read_until(self, deadline_s: float) -> bytes:
        while True:
            self.heed_interrupt()
            now_s = self._outside.clock.at_s
            if self.is_lost:
                raise PortLost("the port went away")
            kind = "read" if deadline_s > now_s else "poll"
            got = self._outside.wait(Wait(kind, math.isinf(deadline_s)))
            match got.kind:
                case "bytes":
                    assert isinstance(got.value, bytes)
                    return got.value
                case "quiet":
                    self._outside.clock.at_s = max(now_s, deadline_s)
                    return b""
                case "lost":
                    self.is_lost = True

    def write(self, data: bytes) -> None:
        if self.is_lost:
            raise PortLost("the port went away")
        if data:
            self._outside.does("sent", data)
            self._outside.writing.append(self._outside.locks - 1)

    def close(self) -> None:
        self._outside.does("closed")


class _Person(_Environment):
    def __init__(self, outside: _Outside) -> None:
        self._outside = outside

    def tell(self, line: Line) -> None:
        self._outside.does("told", line)

    def discard_pending(self) -> None:
        self._outside.does("discarded")

    def ask(self, question: Question) -> str:
        self._outside.does("asked", question)
        got = self._outside.wait(Wait("ask", question.patience_s is not None))
        if got.kind == "stop":
            raise Stopped("stopped at your word")
        if got.kind == "unanswered":
            assert question.patience_s is not None
            raise Unanswered(question.patience_s)
        assert isinstance(got.value, str)
        return got.value


class _Log(_Environment):
    """Stands for the logbook; sees where somebody declared a position."""

    session = "model"

    def __init__(self, outside: _Outside) -> None:
        self._outside = outside

    def step(self, phase: str, kind: str, key: str, body: Any) -> None:
        if phase == "intent" and kind == "Decided":
            self._outside.does("declared")

    def end(self, ended_as: str, summary: Any) -> None:
        pass


class _Transcript(_Environment):
    def sent(self, line: str) -> None: ...
    def received(self, line: str) -> None: ...
    def event(self, text: str) -> None: ...


@dataclass(frozen=True)
class Parts:
    """What the program is made of; a changed part is a changed program."""

    dialect: Any
    card: Any
    plan: Callable[[], Plan]
    engine: type[Engine] = Engine
    gate: type[Gate] = Gate
    controller: type[Controller] = Controller


class _Outside(_Environment):
    """One run: the inputs that are left, and what was done."""

    def __init__(self, parts: Parts, way: tuple[Input, ...], digest_wanted: bool = True) -> None:
        self.clock = _Clock()
        self.done: list[Output] = []
        self.locks = 0
        self.writing: list[int] = []
        self.reached: tuple[Hashable, Wait] | None = None
        self.outputs_before = 0
        self._way = way
        self._at = 0
        self._meanwhile: tuple[str, int] | None = None
        self._is_over = False
        self.port = _Port(self)
        person = _Person(self)
        log: Any = _Log(self)
        transcript: Any = _Transcript()
        self.engine = parts.engine(
            person=person,
            connect=lambda: parts.controller(self.port, parts.dialect, transcript),
            gate=parts.gate(parts.card.axes, parts.dialect, self.clock),
            log=log,
            clock=self.clock,
            hold_time_s=120.0,
            file_proposal=lambda axis, finding: ("", ""),
        )
        self._plan = parts.plan()

    def run(self) -> None:
        """Run the program until the inputs are used up, or to its end."""
        try:
            outcome = self.engine.run(lambda: self._plan)
        except _Waits:
            return
        self.reached = (("ended", outcome), Wait("ended", outcome))

    def does(self, kind: str, value: Any = None) -> None:
        if not self._is_over:
            self.done.append(Output(kind, value))

    def at_lock(self) -> None:
        if self._is_over:
            return
        number, self.locks = self.locks, self.locks + 1
        if self._meanwhile is not None and self._meanwhile[1] == number:
            what, self._meanwhile = self._meanwhile[0], None
            if what == "stop":
                self._stop()
            else:
                self.port.is_lost = True

    def _stop(self) -> None:
        locks = self.locks  # what another thread takes is not counted
        self.does("stop")
        with suppress(PortLost):  # the other thread says so to the person
            self.engine.stop()
        self.locks = locks

    def wait(self, wait: Wait) -> Input:
        if self._is_over:
            raise _Waits
        if self._at == len(self._way):
            self._is_over = True
            frame = sys._getframe(2)
            self.reached = (_digest(frame, self.port, self.clock.at_s, wait), wait)
            raise _Waits
        self.outputs_before, self.locks, self.writing = len(self.done), 0, []
        got = self._way[self._at]
        self._at += 1
        self._meanwhile = (got.meanwhile, got.at_lock) if got.meanwhile else None
        if got.kind == "stop":
            self._stop()
        return got


# --- when two ways are the same ---------------------------------------------------------

_WITHOUT_CONSEQUENCE = frozenset(
    {
        # Counted for a sentence about the baud rate; that it grows decides nothing else. In
        # ``_await_quiet``, ``heard_before`` equals the count whenever something is waited for.
        "_bytes_heard",
        "_bytes_unreadable",
        "heard_before",
        # Read right after it was set, never after a wait.
        "_heard",
        # How long ago it moved decides only whether a reading comes late; nothing is read here.
        "_moved_at_s",
    }
)
# The gate lets nothing through any more when the engine is on its way out.
_WITHOUT_CONSEQUENCE_ON_THE_WAY_OUT = frozenset({"_gate", "message", "group", "permit"})
_OPAQUE = (
    _Environment,
    Axis,
    Card,
    Dialect,
    types.FunctionType,
    types.MethodType,
    types.BuiltinFunctionType,
    types.ModuleType,
    type,
    type(threading.RLock()),
)


def _digest(frame: types.FrameType | None, port: Port, now_s: float, wait: Wait) -> Hashable:
    """Return everything that can still matter, as something to compare."""
    frames = []
    while frame is not None and frame.f_code.co_qualname != "_Outside.run":
        frames.append(frame)
        frame = frame.f_back
    names = [one.f_code.co_qualname for one in frames]
    seen = _Seen(now_s, "Engine._ended_early" in names)
    calls = tuple(
        (name, one.f_lasti, _canonical(one.f_locals, seen))
        for name, one in zip(names, frames, strict=True)
    )
    return (wait.kind, calls, _canonical(port, seen))


class _Seen:
    """What one digest has met so far, so that what is met twice is told from two alike."""

    def __init__(self, now_s: float, is_on_the_way_out: bool) -> None:
        self.now_s = now_s
        self.numbers: dict[int, Hashable] = {}
        self._of_kind: Counter[str] = Counter()
        self.left_out = _WITHOUT_CONSEQUENCE
        if is_on_the_way_out:
            self.left_out |= _WITHOUT_CONSEQUENCE_ON_THE_WAY_OUT

    def meet(self, thing: Any) -> None:
        """Give `thing` a name by which it is known from now on."""
        kind = type(thing).__name__
        self._of_kind[kind] += 1
        self.numbers[id(thing)] = ("seen", kind, self._of_kind[kind])


def _blame(error: BaseException) -> Hashable:
    """Return what an error decides: its sentence is for people, most of its kinds end alike."""
    if isinstance(error, MachineFault) and not isinstance(error, PortLost | PositionUnknown):
        return "MachineFault"
    return type(error).__name__


def _canonical(thing: Any, seen: _Seen) -> Hashable:
    match thing:
        case None | bool() | int() | str() | bytes():
            return thing
        case float():
            return ("instant", round(thing - seen.now_s, 3)) if thing > _INSTANTS_FROM_S else thing
        case enum.Enum():
            return thing.name
    if isinstance(thing, _OPAQUE):
        return getattr(thing, "__qualname__", None)
    if isinstance(thing, tuple | frozenset):  # two that are equal are as good as one
        parts = (_canonical(one, seen) for one in thing)
        return frozenset(parts) if isinstance(thing, frozenset) else tuple(parts)
    if id(thing) in seen.numbers:
        return seen.numbers[id(thing)]
    seen.meet(thing)
    match thing:
        case bytearray():
            return bytes(thing)
        case threading.Event():
            return thing.is_set()
        case BaseException():
            return _blame(thing)
        case types.GeneratorType():
            inside = thing.gi_frame
            if inside is None:
                return "ended"
            return (thing.__qualname__, inside.f_lasti, _canonical(inside.f_locals, seen))
        case dict() | types.MappingProxyType():
            return tuple(
                (_canonical(key, seen), _canonical(one, seen))
                for key, one in thing.items()
                if key not in seen.left_out
            )
        case set():
            return frozenset(_canonical(one, seen) for one in thing)
        case list() | deque():
            return tuple(_canonical(one, seen) for one in thing)
    return (type(thing).__name__, *_fields(thing, seen))


def _fields(thing: Any, seen: _Seen) -> Iterator[Hashable]:
    own = getattr(thing, "__dict__", None)
    if own is not None:
        yield _canonical(own, seen)
    for slots in (getattr(kind, "__slots__", ()) for kind in type(thing).__mro__):
        for name in (slots,) if isinstance(slots, str) else slots:
            yield _canonical(getattr(thing, name, None), seen)


def _gist(step: Step) -> Hashable:
    """Return what a step leads to and does, without sentences for people."""
    did = tuple(
        (kind, value.tag, value.key) if kind == "told" else (kind, getattr(value, "line", value))
        for kind, value in step.outputs
    )
    return step.state, step.wait, step.locks, step.writing, did


# --- the host ---------------------------------------------------------------------------


class Host:
    """All states of one program that were reached, and the steps between them."""

    def __init__(self, parts: Parts) -> None:
        self.parts = parts
        self._numbers: dict[Hashable, int] = {}
        self._ways: list[tuple[Input, ...]] = []
        self._waits: list[Wait] = []
        self._steps: dict[tuple[int, Input], Step] = {}
        self.merged: list[tuple[int, tuple[Input, ...]]] = []
        self.start = self._run(())

    @property
    def states(self) -> int:
        """How many states were reached."""
        return len(self._ways)

    @property
    def steps(self) -> int:
        """How many different steps were taken."""
        return len(self._steps)

    def way(self, state: int) -> tuple[Input, ...]:
        """Return one way that leads to `state`."""
        return self._ways[state]

    def wait(self, state: int) -> Wait:
        """Return what the program waits for in `state`."""
        return self._waits[state]

    def step(self, state: int, got: Input) -> Step:
        """Return what `got` leads to in `state`."""
        key = (state, got)
        step = self._steps.get(key)
        if step is None:
            step = self._steps[key] = self._run((*self._ways[state], got))
        return step

    def audit(self, state: int, other_way: tuple[Input, ...]) -> list[str]:
        """Return in what the steps known from `state` differ when it is reached by `other_way`."""
        differences = []
        for (at, got), known in list(self._steps.items()):
            if at == state:
                again = self._run((*other_way, got), keep=False)
                if _gist(again) != _gist(known):
                    differences.append(f"state {state}, {got}: {_gist(known)} and {_gist(again)}")
        return differences

    def _run(self, way: tuple[Input, ...], keep: bool = True) -> Step:
        outside = _Outside(self.parts, way)
        outside.run()
        assert outside.reached is not None
        digest, wait = outside.reached
        number = self._numbers.setdefault(digest, len(self._numbers))
        if number == len(self._ways):
            self._ways.append(way)
            self._waits.append(wait)
        elif keep:
            self.merged.append((number, way))
        outputs = tuple(outside.done[outside.outputs_before :])
        return Step(number, outputs, wait, outside.locks, tuple(outside.writing))
