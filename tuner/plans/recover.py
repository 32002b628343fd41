"""Going on after an interruption: from a machine that nobody has talked to since.

What was read is kept. What was known of places is not: the machine is connected to anew, the
caliper placed anew, and every axis that is to move again starts with its declared free travel
and the 1 mm move. Readings after that belong to another visit, with a datum of its own.
"""

from __future__ import annotations

from collections.abc import Callable

from tuner.card.dialect import Dialect
from tuner.messages import (
    Approach,
    Ask,
    Checkpoint,
    Choose,
    Confirm,
    Heat,
    Interrupted,
    Observe,
    Reference,
    Say,
    Value,
)
from tuner.plans.connect import before_connecting, connect
from tuner.plans.first_move import put_block_beside
from tuner.plans.run import AxisRun, Part, Result, hear

__all__ = ["Contact", "needs_no_machine", "recover"]

_AT_THE_MACHINE = (Approach, Ask, Heat, Observe, Reference)


class Contact:
    """Whether somebody talks to the machine: made, lost with an interruption, made again.

    `times` counts how often it was made: what was known of places is good for one of them.
    """

    def __init__(self, dialect: Dialect, *, network: bool) -> None:
        """`network` says that the port leads over a network."""
        self.dialect = dialect
        self.network = network
        self.is_made = False
        self.times = 0
        self._in_a_move = False
        self._heaters_on = False

    def through(self, part: Callable[[], Part[Result]]) -> Part[Result]:
        """Go through what `part` makes; after an interruption again from its beginning.

        So `part` has to leave behind what it must not ask or do a second time.
        """
        while True:
            try:
                return (yield from part())
            except Interrupted as cut:
                self.is_made = False
                self._in_a_move |= cut.in_a_move
                self._heaters_on |= cut.heaters_on

    def make(self, connecting: Checkpoint) -> Part[bool]:
        """Connect for the first time; the result is False where something forbids it."""
        yield from self._as_it_was_left()
        may_open = yield from before_connecting(network=self.network)
        if may_open:
            yield connecting
            yield from connect(self.dialect)
            self._is_made_now()
        return may_open

    def make_again(self) -> Part[None]:
        """Connect again in order to move; whoever cannot go on yet can stop."""
        yield Say(
            key="position-unknown",
            says="Nobody knows where the axes stand now: every position counts as unknown",
        )
        yield from self._as_it_was_left()
        while not (yield from before_connecting(network=self.network)):
            pass
        yield from connect(self.dialect)
        self._is_made_now()

    def _as_it_was_left(self) -> Part[None]:
        """Ask for what an interruption demanded of whoever was there: a still, cold machine."""
        yield from self._until_still()
        while self._heaters_on:
            since = yield from hear(
                Choose(
                    key="heaters-since",
                    options=("switched-off", "cold", "neither"),
                    says=(
                        "When this session was left, its heaters were not confirmed off. Was the "
                        "machine switched off at the mains since, or does its own display show "
                        "nozzle and bed cold? Touch neither of them"
                    ),
                )
            )
            self._heaters_on = since == "neither"
            if self._heaters_on:
                yield Say(
                    key="heaters-first",
                    says="Switch the machine off at the mains now, and on again when it is cold",
                )

    def _until_still(self) -> Part[None]:
        while self._in_a_move:
            is_still = yield from hear(
                Confirm(
                    key="is-still",
                    says=(
                        "This session was left in a move, and motion that was queued may have "
                        "run on. Hands out, look at the machine: is it still?"
                    ),
                )
            )
            self._in_a_move = not is_still
            if not is_still:
                yield Say(
                    key="still-first",
                    says="Wait until it is still; if it does not come to rest, switch it off",
                )

    def _is_made_now(self) -> None:
        self.is_made = True
        self.times += 1

    def leave(self) -> Part[None]:
        """Leave the machine cold and close; what is cut off now may have been left otherwise."""
        if not self.is_made:
            how = yield from hear(
                Choose(
                    key="leave-how",
                    options=("connect", "switched-off"),
                    says=(
                        "This session was cut off before it saw that every heater is off. Connect "
                        "once more and switch them off, or is the machine switched off at the "
                        "mains?"
                    ),
                )
            )
            if how == "switched-off":
                self._in_a_move = self._heaters_on = False
                return
            yield from self._until_still()
            while not (yield from before_connecting(network=self.network, will_move=False)):
                pass
            yield Observe(key="greeting", what="greeting")
        yield Observe(key="leaving", what="leaving")
        self._heaters_on = False


def recover(run: AxisRun, contact: Contact) -> Part[None]:
    """Get ready to climb the ladder of `run` anew; its next reading begins a new visit."""
    yield from contact.make_again()
    yield from put_block_beside(run)  # nobody knows what was taken away meanwhile
    if not run.readings:
        return
    run.visit += 1
    while not (
        yield from hear(
            Confirm(
                key=f"{run.name}.placed-again",
                says=(
                    f"{_kept(run)}. Take the caliper and what it reads from away and place both "
                    "anew, the same way round as before. Is that done?"
                ),
            )
        )
    ):
        yield Say(
            key=f"{run.name}.placed-again-first",
            says="Nothing goes on before that is so; or stop",
        )


def _kept(run: AxisRun) -> str:
    count = run.counting
    return f"{count} reading{'s are' if count != 1 else ' is'} kept of {run.letter}"


def needs_no_machine(part: Part[None]) -> Part[bool]:
    """Go through `part` unless it needs the machine; the result is whether it came to its end.

    Where it needs the machine it is given up, as if it had been cut off there. What it says on
    the way is kept back: it is going to be said again, or was said before.
    """
    try:
        message = next(part)
        while not isinstance(message, _AT_THE_MACHINE):
            reply = Value(None) if isinstance(message, Say) else (yield message)
            message = part.send(reply)
    except StopIteration:
        return True
    finally:
        part.close()
    return False
