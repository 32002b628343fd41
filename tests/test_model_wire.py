"""A model check: the real program x a channel that fails x a device, every state of them.

``model.host`` runs the real engine, gate, controller and link; ``model.world`` is the device
and the bystander; ``model.explore`` follows everything that can happen. What must never be, in
any state: a motion line carried out twice; one without caution and consent; one while the
position is unknown, or from where the machine does not stand; one on the strength of a late
answer; anything but queries and heaters off after a stop; heaters told off that are on. From
every state the session ends with the heaters sent off, if nothing fails any more.

The checks of mutants are what makes the rest worth something: programs with one of these
mistakes built in, and each is caught. Here there are up to three faults of the channel, or one
of any kind and a stop at any moment; ``tests/bench/model_check.py`` has all of that together.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import cache
from typing import Any

import pytest
from model.explore import CHANNEL_FAULTS, FAULTS, Result, explore, uncounted
from model.host import Host, Parts
from model.programs import BLIND, NUMBERED, PLAIN, PRINTER, STOPLESS, heating, moving

from tuner.errors import ControllerRestarted, MachineFault, NoAnswer
from tuner.messages import Person
from tuner.safety.gate import Gate, Group
from tuner.safety.heat import Heater, Heaters
from tuner.safety.permit import Permit
from tuner.session.engine import Engine
from tuner.wire import link
from tuner.wire.controller import Controller, HeatersLeft, MoveOutcome
from tuner.wire.link import Event, State, Step


def checked(name: str, **bounds: Any) -> Result:
    """Explore the program `name`, print how much there was, and find nothing wrong."""
    result = explore(host(name), **bounds)
    print(
        f"\n{name}, {bounds['faults']} faults, {bounds['stops']} stops: {result.states} states, "
        f"{result.steps} events; {host(name).states} states of the program; {result.endings}"
    )
    assert result.breaches == {}
    assert result.stuck == 0
    return result


# What is once known of a program is shared by the tests.
PROGRAMS = {
    "printer": moving(PRINTER),
    "line numbers and checksums": moving(NUMBERED),
    "no stop word": moving(STOPLESS),
    "plain": moving(PLAIN),
    "heating": heating(PRINTER),
}


@cache
def host(name: str) -> Host:
    return Host(PROGRAMS[name])


# --- nothing is ever wrong --------------------------------------------------------------


def test_with_up_to_three_faults_of_the_channel() -> None:
    result = checked("printer", faults=3, stops=0, kinds=CHANNEL_FAULTS)
    assert result.states > 10_000
    assert set(result.endings) == {"finished", "failed", "position-unknown"}


@pytest.mark.parametrize("name", PROGRAMS)
def test_with_a_fault_of_every_kind_and_a_stop_at_any_time(name: str) -> None:
    result = checked(name, faults=1, stops=1, kinds=FAULTS)
    assert set(result.endings) >= {"finished", "failed", "stopped", "port-lost"}


def test_what_no_program_can_notice_without_a_position_report() -> None:
    """With two faults, `plain` can lose a move: its answer is another's, and nobody reports."""
    result = explore(host("plain"), faults=2, stops=1)
    assert list(result.breaches) == ["'G1 X5 F600' began a group where the machine does not stand"]
    assert result.stuck == 0


def test_what_is_left_out_of_a_state_is_without_consequence() -> None:
    printer = host("printer")
    explore(printer, faults=1, stops=1)
    ways = printer.merged[:: len(printer.merged) // 30]
    assert len(ways) >= 30
    with uncounted():
        assert [one for state, way in ways for one in printer.audit(state, way)] == []


# --- mistakes, each of which is caught --------------------------------------------------


class _SendsAgain(Controller):
    """Takes silence for a lost line."""

    def _ask_once(self, line: str, kind: Any, patience_s: float) -> list[Event]:
        try:
            return super()._ask_once(line, kind, patience_s)
        except NoAnswer:
            self._get_into_step(self._clock.now_s() + 10.0)
            return super()._ask_once(line, kind, patience_s)


class _MovesAgain(Controller):
    """Takes a fault for a move that was not made."""

    def move(self, permit: Permit) -> MoveOutcome:
        try:
            return super().move(permit)
        except MachineFault:
            permit._used = False
            return super().move(permit)


class _Shrugs(Controller):
    """Goes on without an answer."""

    def temperatures(self) -> tuple[Heater, ...] | None:
        try:
            return super().temperatures()
        except NoAnswer:
            self.position_unknown = False
            return (Heater("T", 21.0, 0.0),)


class _OverlooksGreetings(Controller):
    """Takes a restart for chatter."""

    def _hear(self, deadline_s: float) -> list[Event]:
        unknown = self.position_unknown
        try:
            return super()._hear(deadline_s)
        except ControllerRestarted:
            self.position_unknown = unknown
            return []


class _BelievesEveryMove(Controller):
    """Does not hold the reported position against what was sent."""

    def check_arrival(self, within_mm: Mapping[str, float]) -> None:
        pass

    def _checked_start(self) -> None:
        pass


class _StopsWithHalfAHeart(Controller):
    """Forgets a stop as soon as it has been written."""

    def stop(self) -> bool:
        unknown = self.position_unknown
        left = super().stop()
        self.position_unknown = unknown
        self._port.forget_interrupt()
        return left


class _SaysOff(Controller):
    """Says that heaters are off because it said so to them."""

    def heaters_off(self) -> HeatersLeft:
        self._port.forget_interrupt()
        try:
            self._send_heaters_off()
        except MachineFault as error:
            return HeatersLeft(False, f"{error}; switch the machine off at the mains")
        return HeatersLeft(True, "every heater is off")


class _LeavesHot(Engine):
    """Switches the heaters off at the end of a session that went well, and only then."""

    def _leave(self) -> HeatersLeft | None:
        if self._stopping.is_set() and self._controller is not None:
            self._controller.close()
            self._controller = None
        return super()._leave()


class _AsksNobody(Gate):
    """Shows what will move, and lets it."""

    def admit(self, group: Group, person: Person, heaters: Heaters) -> Permit:
        return super().admit(group, _Eager(person), heaters)


class _ReadsWhatWasTyped(Gate):
    """Takes a go that was typed before the caution was shown."""

    def admit(self, group: Group, person: Person, heaters: Heaters) -> Permit:
        return super().admit(group, _Forgetful(person), heaters)


class _Eager:
    def __init__(self, person: Person) -> None:
        self.tell = person.tell
        self.discard_pending = person.discard_pending

    def ask(self, question: Any) -> str:
        return "go"


class _Forgetful:
    def __init__(self, person: Person) -> None:
        self.tell = person.tell
        self.ask = person.ask

    def discard_pending(self) -> None:
        pass


class _WaitsForEver(Controller):
    """Believes that every answer comes in the end."""

    def _ask_once(self, line: str, kind: Any, patience_s: float) -> list[Event]:
        return super()._ask_once(line, kind, math.inf)


@pytest.mark.parametrize(
    ("parts", "kinds", "stops", "breach"),
    [
        pytest.param(
            moving(PRINTER, controller=_SendsAgain), ("answer late", "answer lost"), 0,
            "carried out twice|not the next line|position is unknown", id="sends a move again",
        ),
        pytest.param(
            moving(PRINTER, controller=_MovesAgain), ("answer lost",), 0,
            "position is unknown|not the next line", id="moves again",
        ),
        pytest.param(
            moving(PRINTER, controller=_OverlooksGreetings), ("restart",), 0,
            "position is unknown", id="overlooks greetings",
        ),
        pytest.param(
            moving(PRINTER, controller=_BelievesEveryMove), ("answer twice", "line lost"), 0,
            "machine does not stand", id="believes every move",
        ),
        pytest.param(
            moving(STOPLESS, controller=_StopsWithHalfAHeart), (), 1,
            "sent after a stop", id="stops with half a heart",
        ),
        pytest.param(
            moving(PRINTER, controller=_SaysOff),
            ("heater switched on at the machine", "line lost"), 0,
            "the person was told that it is off", id="says off",
        ),
        pytest.param(
            moving(PRINTER, engine=_LeavesHot), (), 1,
            "not told about the heaters", id="leaves hot",
        ),
        pytest.param(
            moving(PRINTER, gate=_AsksNobody), (), 0,
            "without caution and consent", id="asks nobody",
        ),
        pytest.param(
            moving(PRINTER, gate=_ReadsWhatWasTyped), (), 0,
            "without caution and consent", id="reads what was typed before",
        ),
    ],
)  # fmt: skip
def test_a_mistake_is_caught(parts: Parts, kinds: tuple[str, ...], stops: int, breach: str) -> None:
    result = explore(Host(parts), faults=2, stops=stops, kinds=kinds, until_breach=True)
    assert [one for one in result.breaches if re.search(breach, one)], result.breaches


def test_a_late_answer_taken_for_the_next_command_s_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    changed = {**link.NEXT, State.WAITING: {**link.NEXT[State.WAITING], Step.TIME_OUT: State.READY}}
    monkeypatch.setattr(link, "NEXT", changed)
    shrugs = Host(moving(BLIND, controller=_Shrugs))
    result = explore(shrugs, faults=1, stops=0, kinds=("answer late",))
    assert "'G1 X-1 F600' was sent on the strength of a late answer" in result.breaches


def test_a_program_that_hangs_is_caught() -> None:
    """One that waits for an answer for ever cannot reach the end."""
    result = explore(
        Host(moving(PRINTER, controller=_WaitsForEver)), faults=1, stops=0, kinds=("answer lost",)
    )
    assert result.stuck
