"""Breadth first over everything that can happen between person, program, wire and device.

A state is (program, device, channel, keyboard, faults left, stops left, watch). From each one
every event that is possible is followed, until there is no new state. A fault costs one of a
few; what costs nothing is whatever a working wire and a person may do at any time: answers
arrive one by one or together, the person consents, says a wrong word, types ahead. A stop may
come at any wait and before any line, once.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import NamedTuple

from model.host import Host, Input, Step, Wait
from model.world import GREETING, Device, Watch, bare

CHANNEL_FAULTS = (
    "line lost",
    "answer lost",
    "answer twice",
    "answer late",
    "answers out of order",
    "restart",
)
FAULTS = (
    *CHANNEL_FAULTS,
    "line garbled",
    "line refused",
    "unplugged",
    "unasked report",
    "heater switched on at the machine",
)

Answer = tuple[bytes, bool]
"""A line from the device, and whether the program has given up waiting for it."""


class State(NamedTuple):
    """One state of everything."""

    host: int
    device: Device
    channel: tuple[Answer, ...]
    typed_ahead: bool
    faults: int
    stops: int
    watch: Watch


Followed = tuple[str, State, str]
"""An event, the state it leads to, and what it breaches, if anything."""


@dataclass
class Result:
    """What was found. `breaches` maps each thing that must never be to the shortest events that
    lead there; `endings` counts how sessions ended; `stuck` counts states from which, if nothing
    fails any more, no end of the session can be reached."""

    states: int = 0
    steps: int = 0
    breaches: dict[str, tuple[str, ...]] = field(default_factory=dict)
    endings: Counter[str] = field(default_factory=Counter)
    stuck: int = 0


class World:
    """Everything around one program."""

    def __init__(self, host: Host, kinds: tuple[str, ...] = FAULTS) -> None:
        self._host = host
        dialect = host.parts.dialect
        self._greets = bool(dialect.greeting)
        # Without a greeting nobody can notice a restart; the dialect says so by having none.
        self._kinds = frozenset(kinds) - (frozenset() if self._greets else {"restart"})
        self._heats = bool(dialect.heaters_off)
        self._numbers_lines = dialect.checksum

    def first(self, faults: int, stops: int) -> Iterator[Followed]:
        """Yield the states in which everything begins."""
        step = self._host.start
        channel: tuple[Answer, ...] = ((GREETING, False),) if self._greets else ()
        yield from self._out(
            "start", State(step.state, Device(), channel, False, faults, stops, Watch()), step
        )

    def following(self, state: State) -> Iterator[Followed]:
        """Yield everything that can happen in `state`."""
        wait = self._host.wait(state.host)
        if wait.kind == "ended":
            return
        if wait.kind == "ask":
            yield from self._person(state)
        else:
            yield from self._wire(state, wait)
            if not state.typed_ahead and not state.watch.is_stopped:
                yield "go typed ahead", state._replace(typed_ahead=True), ""
        if state.faults:
            yield from self._machine(state)

    # --- the person ---------------------------------------------------------------------

    def _person(self, state: State) -> Iterator[Followed]:
        if state.stops:
            yield from self._stop(state)
        if state.typed_ahead:
            watch = state.watch.consents(is_early=True)
            yield from self._in(
                "the go typed ahead is read",
                state._replace(typed_ahead=False, watch=watch),
                Input("says", "go"),
            )
            return
        watch = state.watch.consents(is_early=False)
        yield from self._in("go", state._replace(watch=watch), Input("says", "go"))
        yield from self._in("a wrong word", state, Input("says", "yes"))
        if self._host.wait(state.host).value:
            yield from self._in("no answer", state, Input("unanswered"))

    def _stop(self, state: State) -> Iterator[Followed]:
        yield from self._in("stop", state._replace(stops=state.stops - 1), Input("stop"))

    # --- the wire -----------------------------------------------------------------------

    def _wire(self, state: State, wait: Wait) -> Iterator[Followed]:
        if state.stops:
            yield from self._stop(state)
        channel = state.channel
        if not channel and not wait.value:
            in_vain = state._replace(watch=state.watch.waited_in_vain())
            yield from self._in("silence", in_vain, Input("quiet"))
        if channel:
            yield from self._hear(state, 1)
            if len(channel) > 1:
                yield from self._hear(state, len(channel))
            if wait.kind == "poll":
                yield from self._in("nothing there yet", state, Input("quiet"))
        if not state.faults:
            return
        less = state._replace(faults=state.faults - 1)
        if "unplugged" in self._kinds and not state.watch.is_lost:
            lost = less._replace(watch=state.watch.lost())
            yield from self._in("unplugged", lost, Input("lost"))
        if not channel:
            return
        if "answer late" in self._kinds and wait.kind == "read" and not wait.value:
            late = less._replace(watch=state.watch.waited_in_vain())
            if state.watch.unanswered:
                late = late._replace(channel=tuple((line, True) for line, _ in channel))
            yield from self._in("answer late", late, Input("quiet"))
        if "answer lost" in self._kinds:
            yield "answer lost", less._replace(channel=channel[1:]), ""
        if "answer twice" in self._kinds:
            yield "answer twice", less._replace(channel=(channel[0], *channel)), ""
        if "answers out of order" in self._kinds and len(channel) > 1:
            swapped = (channel[1], channel[0], *channel[2:])
            yield "answers out of order", less._replace(channel=swapped), ""

    def _hear(self, state: State, count: int) -> Iterator[Followed]:
        watch = state.watch
        heard = state.channel[:count]
        for line, is_late in heard:
            watch = watch.hears(line, is_late)
        piece = b"".join(line for line, _ in heard)
        yield from self._in(
            f"heard {piece!r}",
            state._replace(channel=state.channel[count:], watch=watch),
            Input("bytes", piece),
        )

    # --- the machine --------------------------------------------------------------------

    def _machine(self, state: State) -> Iterator[Followed]:
        less = state._replace(faults=state.faults - 1)
        if "restart" in self._kinds:
            yield (
                "restart",
                less._replace(
                    device=state.device.restarted(), channel=(*state.channel, (GREETING, False))
                ),
                "",
            )
        if "unasked report" in self._kinds:
            report = (state.device.temperatures(), False)
            yield "unasked report", less._replace(channel=(*state.channel, report)), ""
        if (
            "heater switched on at the machine" in self._kinds
            and not state.watch.off_sent
            and not state.device.is_heating
        ):
            yield "heater on", less._replace(device=state.device._replace(is_heating=True)), ""

    # --- the program --------------------------------------------------------------------

    def _in(self, event: str, state: State, got: Input) -> Iterator[Followed]:
        """Follow the program after `got`, and with everything that can come in between."""
        step = self._host.step(state.host, got)
        yield from self._out(event, state, step)
        for at_lock in range(step.locks):
            if state.stops:
                yield from self._out(
                    f"{event}, stop before lock {at_lock}",
                    state._replace(stops=state.stops - 1),
                    self._host.step(state.host, got._replace(meanwhile="stop", at_lock=at_lock)),
                )
            # Before a lock under which nothing is written, the port may as well go away later.
            if (
                at_lock in step.writing
                and state.faults
                and "unplugged" in self._kinds
                and not state.watch.is_lost
            ):
                yield from self._out(
                    f"{event}, unplugged before lock {at_lock}",
                    state._replace(faults=state.faults - 1, watch=state.watch.lost()),
                    self._host.step(state.host, got._replace(meanwhile="lost", at_lock=at_lock)),
                )

    def _out(self, event: str, state: State, step: Step) -> Iterator[Followed]:
        """Let what the program did reach person, watch and device."""
        reached = [(event, state._replace(host=step.state), "")]
        for kind, value in step.outputs:
            match kind:
                case "sent":
                    for line in value.decode("ascii").splitlines():
                        reached = [one for before in reached for one in self._sent(before, line)]
                case "told":
                    reached = [self._watched(one, *one[1].watch.told(value)) for one in reached]
                case "discarded":
                    reached = [
                        (e, s._replace(typed_ahead=False), breach) for e, s, breach in reached
                    ]
                case "declared":
                    reached = [
                        (
                            e,
                            s._replace(
                                watch=s.watch.declared(),
                                device=s.device._replace(truly_mm=0.0),
                            ),
                            breach,
                        )
                        for e, s, breach in reached
                    ]
                case "stop":
                    reached = [
                        (
                            e,
                            s._replace(
                                watch=s.watch.stopped(),
                                channel=tuple((line, True) for line, _ in s.channel),
                            ),
                            breach,
                        )
                        for e, s, breach in reached
                    ]
        if step.wait.kind == "ended":
            reached = [
                self._watched(
                    one, one[1].watch, one[1].watch.at_the_end(one[1].device, self._heats)
                )
                for one in reached
            ]
        yield from reached

    @staticmethod
    def _watched(followed: Followed, watch: Watch, breach: str) -> Followed:
        event, state, before = followed
        return event, state._replace(watch=watch), before or breach

    def _sent(self, followed: Followed, line: str) -> Iterator[Followed]:
        event, state, before = followed
        watch, breach = state.watch.sends(bare(line), state.device)
        breach = before or breach
        state = state._replace(watch=watch)
        device, answers = state.device.takes(line)
        if len(set(device.done)) < len(device.done):
            breach = breach or f"'{bare(line)}' was carried out twice"
        yield self._answered(event, state, device, answers, breach)
        if not state.faults:
            return
        less = state._replace(faults=state.faults - 1)
        if "line lost" in self._kinds:
            yield f"{event}; '{line}' lost", less, breach
        if "line refused" in self._kinds:
            refused = state.device.refuses()
            yield self._answered(f"{event}; '{line}' refused", less, *refused, breach)
        if "line garbled" in self._kinds and self._numbers_lines:
            again = state.device.asks_again()
            yield self._answered(f"{event}; '{line}' garbled", less, *again, breach)

    @staticmethod
    def _answered(
        event: str, state: State, device: Device, answers: tuple[bytes, ...], breach: str
    ) -> Followed:
        if state.watch.off_sent:
            device = device.as_left()
        channel = (*state.channel, *((answer, False) for answer in answers))
        return event, state._replace(device=device, channel=channel), breach


def explore(
    host: Host,
    *,
    faults: int,
    stops: int,
    kinds: tuple[str, ...] = FAULTS,
    until_breach: bool = False,
) -> Result:
    """Follow everything that can happen with up to `faults` faults of these `kinds` and up to
    `stops` stops; with `until_breach` only as far as the first breach."""
    world = World(host, kinds)
    result = Result()
    numbers: dict[State, int] = {}
    from_: list[tuple[int, str]] = []
    queue: list[State] = []
    before: list[list[int]] = []  # who leads here without a fault
    good: list[int] = []

    def reach(parent: int, followed: Followed) -> None:
        event, state, breach = followed
        result.steps += 1
        number = numbers.setdefault(state, len(numbers))
        if number == len(queue):
            queue.append(state)
            from_.append((parent, event))
            before.append([])
            if host.wait(state.host).kind == "ended":
                good.append(number)
                result.endings[host.wait(state.host).value.ended_as] += 1
        if parent >= 0 and state.faults == queue[parent].faults:
            before[number].append(parent)
        if breach and breach not in result.breaches:
            events = [event]
            while parent >= 0:
                parent, event = from_[parent]
                events.append(event)
            result.breaches[breach] = tuple(reversed(events))

    with uncounted():
        for followed in world.first(faults, stops):
            reach(-1, followed)
        at = 0
        while at < len(queue) and not (until_breach and result.breaches):
            for followed in world.following(queue[at]):
                reach(at, followed)
            at += 1
    result.states = len(queue)
    result.stuck = len(queue) - _leading_to(good, before)
    return result


@contextmanager
def uncounted() -> Iterator[None]:
    """Run without coverage, which would take twice the time to count what is counted elsewhere."""
    tracer = sys.gettrace()
    sys.settrace(None)
    try:
        yield
    finally:
        sys.settrace(tracer)


def _leading_to(good: list[int], before: list[list[int]]) -> int:
    """Return from how many states one of `good` is reached without another fault."""
    reached = set(good)
    open_ = list(good)
    while open_:
        for number in before[open_.pop()]:
            if number not in reached:
                reached.add(number)
                open_.append(number)
    return len(reached)
