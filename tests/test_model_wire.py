"""A model check: the real program x a channel that fails x a device, every state of them.

``model.host`` runs the real engine, gate, controller and link; ``model.world`` is the device
and the bystander; ``model.explore`` follows everything that can happen. What must never be, in
any state: a motion line carried out twice; one without caution and consent; one while the
position is unknown, or from where the machine does not stand; one on the strength of a late
answer; anything but queries and heaters off after a stop; heaters told off that are on. From
every state the session ends with the heaters sent off, if nothing fails any more.

The checks of mutants are what makes the rest worth something: programs with one of these
mistakes built in, and each is caught. ``tests/bench/model_check.py`` goes further than there
is time for here.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import Any

import pytest
from model.explore import CHANNEL_FAULTS, FAULTS, Result, explore
from model.host import Host, Parts
from model.programs import NUMBERED, PLAIN, PRINTER, STOPLESS, heating, moving

from tuner.errors import ControllerRestarted, MachineFault, NoAnswer
from tuner.messages import Person
from tuner.safety.gate import Gate, Group
from tuner.safety.heat import Heater, Heaters
from tuner.safety.permit import Permit
from tuner.session.engine import Engine
from tuner.wire import link
from tuner.wire.controller import Controller, HeatersLeft, MoveOutcome
from tuner.wire.link import Event, State, Step


def report(what: str, host: Host, result: Result) -> None:
    print(
        f"\n{what}: {result.states} states, {result.steps} events followed, "
        f"{host.states} states and {host.steps} steps of the program; {dict(result.endings)}"
    )


def assert_nothing_is_wrong(result: Result) -> None:
    assert result.breaches == {}
    assert result.stuck == 0


@pytest.fixture(scope="module")
def printer() -> Host:
    """The program as it meets a printing machine; what is known of it is shared."""
    return Host(moving(PRINTER))


# --- nothing is ever wrong --------------------------------------------------------------


def test_with_up_to_three_faults_of_the_channel(printer: Host) -> None:
    result = explore(printer, faults=3, stops=0, kinds=CHANNEL_FAULTS)
    report("three faults", printer, result)
    assert_nothing_is_wrong(result)
    assert result.states > 10_000
    assert set(result.endings) == {"finished", "failed", "position-unknown"}


def test_with_up_to_two_faults_of_the_channel_and_a_stop_at_any_time(printer: Host) -> None:
    result = explore(printer, faults=2, stops=1, kinds=CHANNEL_FAULTS)
    report("two faults and a stop", printer, result)
    assert_nothing_is_wrong(result)
    assert result.endings["stopped"]


@pytest.mark.parametrize(
    ("parts", "faults"),
    [
        pytest.param(moving(PRINTER), 1, id="printer"),
        pytest.param(moving(NUMBERED), 1, id="line numbers and checksums"),
        pytest.param(moving(STOPLESS), 1, id="no stop word"),
        pytest.param(moving(PLAIN), 1, id="plain"),
        pytest.param(heating(PRINTER), 1, id="heating"),
    ],
)
def test_with_faults_of_every_kind_and_a_stop_at_any_time(parts: Parts, faults: int) -> None:
    host = Host(parts)
    result = explore(host, faults=faults, stops=1)
    report(f"{faults} faults of {len(FAULTS)} kinds and a stop", host, result)
    assert_nothing_is_wrong(result)
    assert set(result.endings) > {"finished", "failed", "stopped", "port-lost"}


def test_what_no_program_can_notice_without_a_position_report() -> None:
    """With two faults, `plain` can lose a move: its answer is another's, and nobody reports."""
    result = explore(Host(moving(PLAIN)), faults=2, stops=1)
    assert list(result.breaches) == ["'G1 X5 F600' began a group where the machine does not stand"]
    assert result.stuck == 0


def test_what_is_left_out_of_a_state_is_without_consequence(printer: Host) -> None:
    explore(printer, faults=1, stops=1)
    assert len(printer.merged) > 1000
    differences = [
        one
        for state, way in printer.merged[:: len(printer.merged) // 100]
        for one in printer.audit(state, way)
    ]
    assert differences == []
