"""The simulated machine behind a real terminal does what a machine does."""

from __future__ import annotations

import os
import select
import time
import tty
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Self

import pytest
from responder import Axis, Crash, Machine, Responder

SLOW = 1.0  # real time, for moves that must still be under way when a test looks
LONG = 1e4  # no move of a test takes a noticeable time
PATIENCE_S = 10.0


class Client:
    """The other end of the port: writes lines, reads lines, waits for nothing else."""

    def __init__(self, device: str) -> None:
        self._port = os.open(device, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._port)
        self._heard = b""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.close(self._port)

    def write(self, data: bytes) -> None:
        os.write(self._port, data)

    def line(self) -> str:
        while b"\n" not in self._heard:
            ready, _, _ = select.select([self._port], [], [], PATIENCE_S)
            assert ready, f"no line, only {self._heard!r}"
            data = os.read(self._port, 4096)
            assert data, "the port is gone"
            self._heard += data
        line, _, self._heard = self._heard.partition(b"\n")
        return line.decode("ascii")

    def says(self, line: str, answers: int = 1) -> str:
        """Send `line`, return its answer, of `answers` lines."""
        self.write(line.encode("ascii") + b"\n")
        return "\n".join(self.line() for _ in range(answers))

    def all(self, *lines: str) -> list[str]:
        return [self.says(line) for line in lines]


def until(true: Callable[[], bool]) -> None:
    """Wait for what the other thread is about to do."""
    give_up = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < give_up, "it never happened"
        select.select([], [], [], 0.002)


@pytest.fixture
def quick() -> Iterator[tuple[Responder, Client]]:
    with (
        Responder(time_scale=LONG, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        yield machine, client


# --- conversation -----------------------------------------------------------------------


def test_opening_the_port_restarts_the_controller_each_time() -> None:
    with Responder(start_time_s=0.01) as machine:
        for _ in range(2):
            with Client(machine.device) as client:
                assert client.line() == "start"
                assert machine.in_use
                assert client.says("G91") == "ok"
            until(lambda: not machine.in_use)
        assert machine.lines == ["G91", "G91"]
        assert bytes(machine.raw) == b"G91\nG91\n"
        assert machine.received[0].at_s <= machine.received[1].at_s


def test_a_controller_without_a_greeting_answers_at_once() -> None:
    with (
        Responder(greeting="", restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        assert client.says("G21") == "ok"


def test_lines_sent_while_it_starts_are_heard_by_nobody() -> None:
    with Responder(start_time_s=0.3) as machine, Client(machine.device) as client:
        client.write(b"G90\n")
        assert client.line() == "start"
        assert client.says("M105").startswith("ok T:")
        assert machine.lines[-1] == "M105"


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("G21", "ok"), ("G20", "ok"), ("G90", "ok"), ("G91", "ok"), ("G94", "ok"), ("M400", "ok"),
        ("G1 X1 F600", "ok"), ("g1x1f600", "ok"), ("G4 P1", "ok"), ("G4 P0", "ok"), ("G4", "ok"),
        ("M105", "ok T:22.0 /0.0 B:21.5 /0.0"), ("M104 S0", "ok"), ("M140 S0", "ok"),
        ("M114", "X:0.000 Y:0.000 Z:0.000\nok"),
        ("M119", "x_min: open\ny_min: open\nz_min: open\nok"),
        ("G1 X1", "error: no feed"), ("G1 F60", "error: no such axis"),
        ("G1 X F60", "error: no number"), ("G1 U1 F60", "error: no such axis"),
        ("G28", "error: one axis at a time"), ("G28 X Y", "error: one axis at a time"),
        ("M104", "error: no temperature"), ("M777", "error: unknown"), ("G0 X1", "error: unknown"),
        ("G28.1", "error: unknown"), ("X5", "error: unknown"), ("G1 X1 X2 F60", "error: unknown"),
        ("hello", "error: unknown"), ("G1 X1e3 F60", "error: no such axis"),
        ("G1 X1 F60 ; now", "error: unknown"), ("G", "error: unknown"),
    ],
)  # fmt: skip
def test_every_word_has_its_answer(quick: tuple[Responder, Client], line: str, answer: str) -> None:
    _, client = quick
    assert client.says(line, answers=answer.count("\n") + 1) == answer
    assert client.says("G21") == "ok"


def test_bytes_may_come_in_any_pieces_and_with_any_line_end(
    quick: tuple[Responder, Client],
) -> None:
    machine, client = quick
    for one in b"M105\r\n\r\nM1":
        client.write(bytes([one]))
    client.write(b"05\nM105\n")
    assert [client.line()[:2] for _ in range(3)] == ["ok"] * 3
    assert machine.lines == ["M105"] * 3


def test_temperatures_and_targets_are_reported() -> None:
    with (
        Responder(temperatures_c=(180.0, 60.5), restarts_on_open=False, heats=False) as machine,
        Client(machine.device) as client,
    ):
        assert client.all("M104 S200", "M140 S60") == ["ok", "ok"]
        assert client.says("M105") == "ok T:180.0 /200.0 B:60.5 /60.0"
        assert client.all("M104 S0", "M140 S0") == ["ok", "ok"]
        assert client.says("M105") == "ok T:180.0 /0.0 B:60.5 /0.0"
        assert machine.targets_c == {"T": 0.0, "B": 0.0}


# --- the machine alone ------------------------------------------------------------------


class Alone:
    """A machine without a port, on a clock that a test sets."""

    def __init__(self, **switches: bool) -> None:
        self.now_s = 0.0
        self.heard = bytearray()
        self.machine = Machine(now_s=lambda: self.now_s, said=self.heard.extend, **switches)

    def says(self, *lines: str, after_s: float = 0.0) -> list[str]:
        self.now_s += after_s
        self.machine.advance()
        self.heard.clear()
        self.machine.receive("".join(f"{line}\n" for line in lines).encode())
        self.machine.advance()
        return self.heard.decode().splitlines()


def test_heaters_warm_to_their_target_and_cool_again() -> None:
    there = Alone()
    assert there.says("M104 S45") == ["ok"]
    assert there.says("M105", after_s=1.0) == ["ok T:27.0 /45.0 B:21.5 /0.0"]
    assert there.says("M105", after_s=60.0) == ["ok T:45.0 /45.0 B:21.5 /0.0"]
    there.machine.set_target("T", 0.0)
    assert there.says("M105", after_s=3.0) == ["ok T:42.0 /0.0 B:21.5 /0.0"]
    there.now_s += 100.0
    assert there.machine.temperature_c("T") == 22.0


def test_numbered_lines_must_be_whole_and_the_next() -> None:
    there = Alone(numbered=True)
    assert there.says("N0 M110 N0*125", "N1 M105*38") == ["ok", "ok T:22.0 /0.0 B:21.5 /0.0"]
    wanted = ["error: line 2 did not arrive whole", "rs 2", "ok"]
    for bad in ("N2 M105*1", "N2 M105", "N3 M105*36", "N1 M105*38", "N2 M105*", "N M105*1"):
        assert there.says(bad) == wanted, bad
    assert there.says("N2 M105*37", "M105") == ["ok T:22.0 /0.0 B:21.5 /0.0"] * 2
    assert there.says("N9 M112*40")[0] == "error: line 3 did not arrive whole"
    assert not there.machine.halted
    assert there.says("N3 M112*34") == ["error: halted"]
    assert there.machine.halted


def test_reports_wait_for_the_lines_before_them_or_not() -> None:
    place = ["X:5.000 Y:0.000 Z:0.000", "ok"]
    for at_once, now, later in ((False, [], ["ok", *place]), (True, place, ["ok"])):
        there = Alone(reports_at_once=at_once)
        assert there.says("G91", "G1 X5 F60") == ["ok", "ok"]
        assert there.says("M400", "M114") == now
        assert there.machine.moving
        there.heard.clear()
        there.now_s = 6.0
        there.machine.advance()
        assert there.heard.decode().splitlines() == later


def test_it_says_when_something_will_happen_next() -> None:
    there = Alone()
    assert there.machine.next_event_s() is None
    there.machine.begin_start()
    assert there.machine.next_event_s() == pytest.approx(0.1)
    assert there.says("G21") == []
    there.now_s = 0.1
    there.machine.advance()
    assert there.heard == b"start\n"
    there.says("G91", "G1 X1 F60")
    assert there.machine.next_event_s() == pytest.approx(1.1)
    there.machine.say("hello")
    assert there.heard.endswith(b"hello\n")


# --- motion -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("axis", "travel_mm"),
    [
        pytest.param(Axis(), 20.0, id="as described"),
        pytest.param(Axis(true_mm_per_step=0.01), 16.0, id="16 teeth for 20"),
        pytest.param(Axis(stored_steps_per_mm=100.0), 25.0, id="wrong stored number"),
        pytest.param(Axis(direction=-1), -20.0, id="reversed"),
        pytest.param(Axis(play_mm=0.3), 19.85, id="half the play from the middle"),
        pytest.param(Axis(true_mm_per_step=0.0), 0.0, id="no motor power"),
    ],
)
def test_an_axis_travels_by_what_it_is_made_of(axis: Axis, travel_mm: float) -> None:
    with (
        Responder({"X": axis}, time_scale=LONG, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        assert client.all("G21", "G91", "G1 X20 F1200", "M400") == ["ok"] * 4
        assert machine.true_position("x") - 100.0 == pytest.approx(travel_mm)
        assert machine.counted_position("X") == pytest.approx(20.0)
        (moved,) = machine.moves
        assert moved.line == "G1 X20 F1200" and moved.whole
        assert moved.by_mm["X"] == pytest.approx(20.0)
        assert moved.to_true_mm["X"] - moved.from_true_mm["X"] == pytest.approx(travel_mm)
        assert machine.crashes == []


def test_play_is_lost_at_every_reversal() -> None:
    with (
        Responder({"X": Axis(play_mm=0.3)}, time_scale=LONG, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        client.all("G91", "G1 X10 F1200", "M400")
        from_minus = machine.true_position("X")
        client.all("G1 X5 F1200", "G1 X-5 F1200", "M400")
        from_plus = machine.true_position("X")
        assert from_plus - from_minus == pytest.approx(0.3)
        client.all("G1 X-0.2 F1200", "G1 X0.2 F1200", "M400")
        assert machine.true_position("X") == pytest.approx(from_plus - 0.2), "inside the play"


def test_inches_are_inches_in_length_and_feed(quick: tuple[Responder, Client]) -> None:
    machine, client = quick
    client.all("G20", "G91", "G1 X1 F60", "M400", "G21", "G1 X1", "M400")
    assert machine.true_position("X") == pytest.approx(126.4)


def test_absolute_and_relative_moves_add_up_without_rounding(
    quick: tuple[Responder, Client],
) -> None:
    machine, client = quick
    client.all("G90", "G1 X1 Y-2 F600", "G91", *["G1 X0.003 F600"] * 100, "M400")
    assert machine.counted_position("X") == pytest.approx(1.3, abs=0.0126)
    assert machine.counted_position("Y") == pytest.approx(-2.0)
    client.all("G90", "G1 X0 Y0 F600", "M400")
    assert machine.true_position("X") == pytest.approx(100.0)
    assert client.says("M114", answers=2) == "X:0.000 Y:0.000 Z:0.000\nok"


def test_a_line_is_acknowledged_before_its_motion_ends() -> None:
    with (
        Responder(time_scale=SLOW, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        assert client.all("G91", "G1 X50 F60", "G1 X1 F60") == ["ok"] * 3
        assert machine.moving
        assert machine.moves == []
        until(lambda: machine.true_position("X") > 100.0)
        assert machine.true_position("X") < 150.0


def test_a_wait_is_acknowledged_after_the_motion() -> None:
    with (
        Responder(time_scale=50.0, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        client.write(b"G91\nG1 X10 F600\nG4 P500\nG1 X-10 F600\nM400\nM105\n")
        assert [client.line() for _ in range(5)] == ["ok"] * 5
        assert [moved.by_mm["X"] for moved in machine.moves] == pytest.approx([10.0, -10.0])
        assert not machine.moving
        assert client.line().startswith("ok T:")


def test_a_full_queue_holds_its_answers_back() -> None:
    with (
        Responder(time_scale=SLOW, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        client.write(b"G91\n" + b"G1 X1 F1\n" * 16 + b"M105\n")
        assert [client.line() for _ in range(17)] == ["ok"] * 17
        assert len(machine.lines) == 18
        client.write(b"M112\n")
        assert client.line() == "error: halted", "the query was never reached"


# --- ends and switches ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "stuck_mm", "crashes"),
    [
        ("G1 X-100 F6000", 0.0, 0),
        ("G1 X-100.1 F6000", 0.0, 1),
        ("G1 X120 F6000", 220.0, 0),
        ("G1 X500 F6000", 220.0, 1),
    ],
)
def test_a_hard_end_holds_the_carriage_and_is_a_crash(
    quick: tuple[Responder, Client], line: str, stuck_mm: float, crashes: int
) -> None:
    machine, client = quick
    client.all("G91", line, "M400")
    assert machine.true_position("X") == pytest.approx(stuck_mm)
    assert machine.crashes == [Crash("X", stuck_mm, line)] * crashes


def test_a_carriage_comes_back_from_a_crash_by_what_was_commanded(
    quick: tuple[Responder, Client],
) -> None:
    machine, client = quick
    client.all("G91", "G1 X150 F6000", "G1 X-50 F6000", "M400")
    assert machine.true_position("X") == pytest.approx(170.0)
    assert machine.counted_position("X") == pytest.approx(100.0)


@pytest.mark.parametrize("play_mm", [0.0, 0.3])
@pytest.mark.parametrize(("at", "end_mm"), [("min", 0.0), ("max", 220.0)])
def test_a_search_ends_at_the_switch_and_sets_the_count(
    at: str, end_mm: float, play_mm: float
) -> None:
    assert at in ("min", "max")
    axis = Axis(switch_at="min" if at == "min" else "max", switch_position_mm=-5.0, play_mm=play_mm)
    with (
        Responder({"X": axis}, time_scale=LONG, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        assert client.says("M119", answers=2) == f"x_{at}: open\nok"
        assert client.says("G28 X") == "ok"
        assert machine.true_position("X") == pytest.approx(end_mm, abs=0.0126)
        assert client.says("M119", answers=2) == f"x_{at}: pressed\nok"
        assert client.says("M114", answers=2) == "X:-5.000\nok"
        assert machine.crashes == []
        assert client.all("G90", "G1 X-5 F600", "M400") == ["ok"] * 3
        assert machine.true_position("X") == pytest.approx(end_mm, abs=0.0126)


@pytest.mark.parametrize("axis", [Axis(direction=-1), Axis(switch_at=None)])
def test_a_search_that_meets_no_switch_is_a_crash(axis: Axis) -> None:
    with (
        Responder({"X": axis}, time_scale=LONG, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        assert client.says("G28 X") == "error: no switch found"
        assert [crash.axis for crash in machine.crashes] == ["X"]


def test_a_switch_can_be_pressed_by_hand(quick: tuple[Responder, Client]) -> None:
    machine, client = quick
    machine.press("Y")
    assert client.says("M119", answers=4) == "x_min: open\ny_min: pressed\nz_min: open\nok"
    machine.press("Y", False)
    assert client.says("M119", answers=4) == "x_min: open\ny_min: open\nz_min: open\nok"


# --- stop, restart, faults --------------------------------------------------------------


def test_a_stop_stops_at_once_and_then_everything_is_refused() -> None:
    with (
        Responder(time_scale=SLOW, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        client.all("M104 S200", "G91", "G1 X100 F60", "G1 X50 F60")
        client.write(b"M400\n")
        until(lambda: machine.true_position("X") > 100.1)
        assert client.says("M112") == "error: halted"
        stopped_mm = machine.true_position("X")
        assert 100.0 < stopped_mm < 200.0
        assert machine.halted and not machine.moving
        assert client.all("M105", "G1 X1 F60", "G21") == ["error: halted"] * 3
        assert machine.true_position("X") == stopped_mm
        assert machine.targets_c == {"T": 0.0, "B": 0.0}
        (moved,) = machine.moves
        assert not moved.whole
        assert moved.to_true_mm["X"] == stopped_mm
        steps = (stopped_mm - 100.0) / 0.0125
        assert steps == pytest.approx(round(steps)), "a motor rests on whole steps"


def test_a_restart_ends_the_halt_and_forgets_the_position() -> None:
    with (
        Responder(time_scale=LONG, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        client.all("G91", "G1 X10 F600", "M400")
        assert client.says("M112") == "error: halted"
        machine.restart()
        assert client.line() == "start"
        assert not machine.halted
        assert client.says("M114", answers=2) == "X:0.000 Y:0.000 Z:0.000\nok"
        assert machine.true_position("X") == pytest.approx(110.0)
        client.all("G1 X5 F600", "M400")
        assert machine.true_position("X") == pytest.approx(115.0), "absolute again"


def test_a_silent_machine_hears_and_does_nothing() -> None:
    with Responder(silent=True, start_time_s=0.0) as machine, Client(machine.device) as client:
        client.write(b"G91\nG1 X10 F600\n")
        until(lambda: len(machine.lines) == 2)
        machine.silent = False
        assert client.says("M105").startswith("ok T:"), "nothing was answered before"
        assert machine.moves == [] and machine.true_position("X") == 100.0


def test_one_answer_gets_lost_after_so_many() -> None:
    with (
        Responder(drop_answer_after=2, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        client.write(b"G21\nG91\nM105\nM114\n")
        assert [client.line() for _ in range(4)] == ["ok", "ok", "X:0.000 Y:0.000 Z:0.000", "ok"]
        assert machine.lines == ["G21", "G91", "M105", "M114"]


def test_chatter_comes_before_every_answer() -> None:
    with Responder(chatter=True, start_time_s=0.0) as machine, Client(machine.device) as client:
        assert client.line() == "start"
        assert client.says("G21", answers=2) == "// the fan turns\nok"
        assert client.says("M112", answers=2) == "// the fan turns\nerror: halted"


def test_a_word_can_be_refused() -> None:
    with (
        Responder(error_on="G1", restarts_on_open=False, time_scale=LONG) as machine,
        Client(machine.device) as client,
    ):
        assert client.all("G91", "G1 X10 F600", "M400") == ["ok", "error: refused", "ok"]
        assert machine.moves == []


def test_after_an_unplug_the_port_is_gone_and_motion_runs_on() -> None:
    with (
        Responder(time_scale=SLOW, restarts_on_open=False) as machine,
        Client(machine.device) as client,
    ):
        client.all("G91", "G1 X50 F60")
        machine.unplug()
        machine.unplug()
        with pytest.raises((OSError, AssertionError)):
            client.line()
        here_mm = machine.true_position("X")
        until(lambda: machine.true_position("X") > here_mm)
        machine.restart()


def test_leaving_ends_the_thread_and_frees_the_port() -> None:
    with Responder() as machine:
        device = machine.device
        thread = machine._thread
    assert not thread.is_alive()
    with pytest.raises(OSError):
        os.close(machine._master)
    assert device.startswith("/dev/")
