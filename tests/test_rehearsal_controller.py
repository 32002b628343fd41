"""Conversations with the simulated controller, both ways, to the byte."""

from __future__ import annotations

import pytest

from tuner.rehearsal.controller import Controller, Habits, Held
from tuner.rehearsal.filament import Filament
from tuner.rehearsal.mechanism import Mechanism
from tuner.rehearsal.physics import Carriage, Mechanics

FULL_GREETING = b"start\nsimulated controller, axes X Y Z\nnothing has been referenced\n"


def bench(*, stuck_in_inches: bool = False, powered: bool = True) -> Controller:
    """A controller with three healthy axes at 100, 100 and 50 mm; it has not greeted yet."""
    starts = {"x": 100.0, "y": 100.0, "z": 50.0}
    carriages = {
        axis: Carriage(
            Mechanics(
                travel_per_rev_mm=4.0 if axis == "z" else 40.0,
                full_steps=200,
                microsteps=16,
                ends_mm=(-3.0, 223.0),
                powered=powered,
            ),
            start_mm,
        )
        for axis, start_mm in starts.items()
    }
    mechanism = Mechanism(carriages, {axis: axis for axis in starts}, dict.fromkeys(starts, 0.0))
    held = {"x": Held(80.0, 220.0), "y": Held(80.0, 220.0), "z": Held(800.0, 120.0)}
    controller = Controller(mechanism, held, Habits(stuck_in_inches=stuck_in_inches))
    controller.carriages = carriages  # type: ignore[attr-defined]
    return controller


def awake(*, stuck_in_inches: bool = False, powered: bool = True) -> Controller:
    """The same at one second, its greeting read."""
    controller = bench(stuck_in_inches=stuck_in_inches, powered=powered)
    assert controller.due(1.0) == FULL_GREETING
    return controller


def true_mm(controller: Controller, axis: str) -> float:
    carriage: Carriage = controller.carriages[axis]  # type: ignore[attr-defined]
    return carriage.true_mm


def answers(controller: Controller, line: bytes, at_s: float, until_s: float) -> bytes:
    controller.receive(line, at_s)
    return controller.due(until_s)


# --- greeting ---------------------------------------------------------------------------


def test_greeting_comes_half_a_second_after_power_up() -> None:
    controller = bench()
    assert controller.next_event_s() == 0.5
    assert controller.due(0.49) == b""
    assert controller.due(0.5) == FULL_GREETING
    assert controller.next_event_s() is None


def test_what_is_sent_before_the_greeting_is_lost() -> None:
    controller = bench()
    controller.receive(b"M105\nG1 X", 0.4)
    assert controller.due(1.0) == FULL_GREETING
    assert answers(controller, b"M105\n", 1.0, 1.1) == b"ok T:21.4 /0.0 B:21.2 /0.0\n"


# --- one line, one answer ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("G1 X1 F600", "ok"),
        ("G1 X1 Y-2.5 Z.5 F600", "ok"),
        ("g1x1f600", "ok"),
        ("G01 X+1. F600", "ok"),
        ("G1 X1 F600 ; to the right", "ok"),
        ("G1 F600", "ok"),
        ("G1 X1", "error: no feed"),
        ("G1 X F600", "error: word X needs a number"),
        ("G1 X1 F", "error: word F needs a number"),
        ("G1 X1 F0", "error: feed must be above 0"),
        ("G1 X1 F-600", "error: feed must be above 0"),
        ("G1 X1 X2 F600", "error: word X twice"),
        ("G1 X1 F600 E2", "error: unknown word E2"),
        ("G1 X1E3 F600", "error: unknown word E3"),
        ("G1 X1 G90", "error: unknown word G90"),
        ("Q5", "error: unknown word Q5"),
        ("X5", "error: unknown word X5"),
        ("G", "error: unknown word G"),
        ("G28.1", "error: unknown word G28.1"),
        ("G92 X0", "error: unknown word G92"),
        ("M777", "error: unknown word M777"),
        ("G1 X-F600", "error: unknown word -F600"),
        ("G1 X1,5 F600", "error: unknown word ,5F600"),
        ("\x00", "error: unknown word \x00"),
        ("é", "error: unknown word \\XC3\\XA9"),
        ("?" * 96, "error: unknown word " + "?" * 24),
        ("?" * 97, "error: line longer than 96 bytes"),
        ("?" * 5000, "error: line longer than 96 bytes"),
        ("G4", "ok"),
        ("G4 P0", "ok"),
        ("G4 P-1", "error: dwell must not be below 0"),
        ("G20", "ok"),
        ("G21", "ok"),
        ("G90", "ok"),
        ("G91", "ok"),
        ("M82", "ok"),
        ("M83", "ok"),
        ("M104 S0", "ok"),
        ("M140 S0", "ok"),
        ("M104", "error: word S is missing"),
        ("M140 S301", "error: target must be 0 to 300"),
        ("M104 S-1", "error: target must be 0 to 300"),
        ("M105", "ok T:21.4 /0.0 B:21.2 /0.0"),
        ("M114", "X:0.000 Y:0.000 Z:0.000\nok"),
        ("M119", "X:open Y:open Z:open\nok"),
        ("M400", "ok"),
        ("M112", "error: halted by M112; reopen the port to start again"),
    ],
)
def test_answer_to_one_line(line: str, answer: str) -> None:
    """However the bytes are cut and whatever ends the line, the answer is the same."""
    sent, expected = line.encode(), answer.encode() + b"\n"
    for ending in (b"\n", b"\r", b"\r\n"):
        assert answers(awake(), sent + ending, 1.0, 1.1) == expected
    controller = awake()
    for byte in sent:
        assert answers(controller, bytes([byte]), 1.0, 1.05) == b""
    assert answers(controller, b"\n", 1.05, 1.1) == expected
    # Followed by more: the next line is answered too, unless it was the stop.
    after = b"error: halted\n" if line == "M112" else b"ok T:21.4 /0.0 B:21.2 /0.0\n"
    assert answers(awake(), sent + b"\nM105\n", 1.0, 1.1) == expected + after


def test_empty_lines_and_comments_have_no_answer() -> None:
    assert answers(awake(), b"\n\r\n   \n; remark\n\t\n", 1.0, 9.0) == b""


def test_an_answer_takes_a_moment() -> None:
    controller = awake()
    controller.receive(b"G90\n", 1.0)
    assert controller.due(1.0) == b""
    at_s = controller.next_event_s()
    assert at_s == pytest.approx(1.002)
    assert at_s is not None
    assert controller.due(at_s) == b"ok\n"


def test_answered_bytes_are_an_event_at_once() -> None:
    controller = awake()
    controller.receive(b"M112\n", 1.0)
    assert controller.next_event_s() == 1.0


# --- motion -----------------------------------------------------------------------------


def test_ok_comes_before_the_motion_ends_and_the_barrier_after() -> None:
    """10 mm at 10 mm/s with 500 mm/s2: 0.02 s up and down, 1.02 s in all, after 2 ms."""
    controller = awake()
    assert answers(controller, b"G1 X10 F600\n", 1.0, 1.002) == b"ok\n"
    assert controller.is_moving()
    controller.receive(b"M400\n", 1.002)
    assert controller.next_event_s() == pytest.approx(2.022)
    assert controller.due(2.01) == b""
    assert 109.0 < true_mm(controller, "x") < 110.0
    assert controller.due(2.0221) == b"ok\n"
    assert true_mm(controller, "x") == 110.0
    assert not controller.is_moving()


def test_sixteen_motions_fit_and_the_next_waits_for_room() -> None:
    controller = awake()
    for n in range(16):
        line = f"G1 X{10 * (n % 2 + 1)} F600\n".encode()
        assert answers(controller, line, 1.0 + n / 100, 1.005 + n / 100) == b"ok\n"
    controller.receive(b"G1 X0 F600\n", 1.2)
    assert controller.due(2.0) == b""
    assert controller.next_event_s() == pytest.approx(2.022)
    assert controller.due(2.03) == b"ok\n"


@pytest.mark.parametrize(
    ("lines", "x", "y", "z"),
    [
        (["G1 X10 F600"], 110.0, 100.0, 50.0),
        (["G1 X10 Y-5 Z1 F600"], 110.0, 95.0, 51.0),
        (["G1 X10 F600", "G1 X10 F600"], 110.0, 100.0, 50.0),
        (["G91", "G1 X10 F600", "G1 X10 F600"], 120.0, 100.0, 50.0),
        (["G91", "G1 X10 F600", "G90", "G1 X5 F600"], 105.0, 100.0, 50.0),
        (["G20", "G1 X1 F60"], 125.4, 100.0, 50.0),
        (["G20", "G1 X1 F60", "G21", "G1 X1 F600"], 101.0, 100.0, 50.0),
        # a third of a step is never lost, over many relative moves
        (["G91", *["G1 X0.004 F600"] * 250], 101.0, 100.0, 50.0),
        (["G1 X0.001 F600"], 100.0, 100.0, 50.0),
        (["G1 X5 F600", "G1 X5 G90"], 105.0, 100.0, 50.0),
    ],
)
def test_where_lines_lead(lines: list[str], x: float, y: float, z: float) -> None:
    controller = awake()
    controller.receive("".join(f"{line}\n" for line in lines).encode(), 1.0)
    controller.due(1000.0)
    reached = [true_mm(controller, axis) for axis in ("x", "y", "z")]
    assert reached == pytest.approx([x, y, z], abs=1e-9)


def test_feed_is_kept_and_is_in_the_unit_of_its_line() -> None:
    controller = awake()
    controller.receive(b"G20\nG1 F60\nG21\nG1 X25.4\nM400\n", 1.0)
    # 60 inches a minute are 25.4 mm/s: 25.4/500 s for the ramps, 1 s for the way
    controller.due(1.02)
    assert controller.next_event_s() == pytest.approx(1.008 + 1.0 + 25.4 / 500)


def test_position_report_is_where_the_last_line_taken_in_leads() -> None:
    controller = awake()
    controller.receive(b"G1 X10 Y-0.0001 F60\nM114\n", 1.0)
    assert controller.due(1.1) == b"ok\nX:10.000 Y:0.000 Z:0.000\nok\n"
    assert answers(controller, b"G20\nM114\n", 1.1, 1.2) == b"ok\nX:0.394 Y:0.000 Z:0.000\nok\n"


def test_dwell_begins_when_motion_has_ended() -> None:
    controller = awake()
    controller.receive(b"G1 X10 F600\nG4 P500\nM105\n", 1.0)
    assert controller.due(2.5) == b"ok\n"
    assert controller.due(2.523) == b"ok\n"
    assert controller.due(2.53) == b"ok T:21.4 /0.0 B:21.2 /0.0\n"


def test_stuck_in_inches() -> None:
    controller = awake(stuck_in_inches=True)
    assert answers(controller, b"G21\nG91\nG1 X1 F60\nM114\n", 1.0, 9.0) == (
        b"ok\nok\nok\nX:1.000 Y:0.000 Z:0.000\nok\n"
    )
    assert true_mm(controller, "x") == pytest.approx(125.4)


def test_absurd_numbers_do_not_break_it() -> None:
    controller = awake()
    far = b"9" * 40
    assert answers(controller, b"G1 X" + far + b" F" + far + b"\nM105\n", 1.0, 1e30) == (
        b"ok\nok T:21.4 /0.0 B:21.2 /0.0\n"
    )
    assert true_mm(controller, "x") == 223.0


# --- referencing ------------------------------------------------------------------------


def test_reference_finds_the_switch_slowly_and_counts_from_there() -> None:
    controller = awake()
    controller.receive(b"G1 X5 F600\nG28 X\nM119\nM114\nG1 X7 F600\n", 1.0)
    assert controller.due(21.0) == b"ok\n"  # 105 mm at 5 mm/s take 21 s
    assert controller.due(30.0) == (
        b"ok\nX:pressed Y:open Z:open\nok\nX:0.000 Y:0.000 Z:0.000\nok\nok\n"
    )
    assert true_mm(controller, "x") == pytest.approx(7.0)


def test_reference_on_the_switch_is_done_at_once() -> None:
    controller = awake()
    controller.receive(b"G28 X\nG28 X\nM105\n", 1.0)
    assert controller.due(21.1) == b"ok\nok\nok T:21.4 /0.0 B:21.2 /0.0\n"


def test_reference_without_an_axis_takes_all_one_after_the_other() -> None:
    controller = awake()
    assert answers(controller, b"G28\nM119\n", 1.0, 50.9) == b""
    assert controller.due(52.0) == b"ok\nX:pressed Y:pressed Z:pressed\nok\n"


def test_reference_of_a_dead_motor_ends_with_an_error() -> None:
    controller = awake(powered=False)
    controller.receive(b"G28 Z\nM105\n", 1.0)
    assert controller.due(36.0) == b""  # one and a half times 120 mm at 5 mm/s
    assert controller.due(38.0) == (b"error: switch of Z not found\nok T:21.4 /0.0 B:21.2 /0.0\n")


# --- halting ----------------------------------------------------------------------------


def test_halt_stops_in_mid_move_and_nothing_moves_again() -> None:
    controller = awake()
    controller.receive(b"G1 X10 F600\nG1 X20 F600\nM400\n", 1.0)
    assert controller.due(1.512) == b"ok\nok\n"
    controller.receive(b"M112\n", 1.512)
    assert controller.due(1.512) == b"error: halted by M112; reopen the port to start again\n"
    # 0.51 s after the start: half of the way
    assert true_mm(controller, "x") == pytest.approx(105.0)
    assert answers(controller, b"G1 X0 F600\nM105\nG28\n", 2.0, 99.0) == b"error: halted\n" * 3
    assert true_mm(controller, "x") == pytest.approx(105.0)


@pytest.mark.parametrize("running", [b"G28 X\n", b"G4 P60000\n", b"G1 X50 F60\nM400\n"])
def test_halt_does_not_queue_behind_what_runs(running: bytes) -> None:
    controller = awake()
    controller.receive(running, 1.0)
    controller.due(3.0)
    before_mm = true_mm(controller, "x")
    assert answers(controller, b"M112\n", 3.0, 3.0).startswith(b"error: halted by M112")
    assert controller.due(1000.0) == b""
    assert true_mm(controller, "x") == before_mm


def test_halt_drops_lines_that_arrived_with_it() -> None:
    controller = awake()
    assert answers(controller, b"G1 X10 F600\nM112\n", 1.0, 9.0).count(b"\n") == 1
    assert true_mm(controller, "x") == 100.0


def test_power_up_forgets_everything_but_the_place() -> None:
    controller = awake()
    controller.receive(b"G20\nG91\nG1 X1 F60\nG4 P9000\n", 1.0)
    assert controller.due(3.0) == b"ok\nok\nok\n"
    controller.receive(b"M112\nG1", 3.0)
    controller.power_up(3.0)
    assert controller.due(3.5) == FULL_GREETING
    assert answers(controller, b"M114\nG1 X1\nG1 X1 F600\n", 3.5, 9.0) == (
        b"X:0.000 Y:0.000 Z:0.000\nok\nerror: no feed\nok\n"
    )
    assert true_mm(controller, "x") == pytest.approx(126.4)


def test_power_up_in_mid_move_stops_it() -> None:
    controller = awake()
    controller.receive(b"G1 X10 F600\n", 1.0)
    controller.power_up(1.512)
    controller.due(99.0)
    assert true_mm(controller, "x") == pytest.approx(105.0)


def test_heaters_warm_and_cool_at_a_steady_rate() -> None:
    controller = awake()
    assert answers(controller, b"M104 S200\nM140 S60\n", 1.0, 1.1) == b"ok\nok\n"
    reports = [
        answers(controller, b"M105\n", at_s, at_s + 0.5).decode()
        for at_s in (11.0, 51.0, 101.0, 1001.0)
    ]
    assert reports == [
        "ok T:41.4 /200.0 B:26.2 /60.0\n",
        "ok T:121.4 /200.0 B:46.2 /60.0\n",
        "ok T:200.0 /200.0 B:60.0 /60.0\n",
        "ok T:200.0 /200.0 B:60.0 /60.0\n",
    ]
    assert answers(controller, b"M104 S190\nM140 S0\n", 1002.0, 1002.5) == b"ok\nok\n"
    cooler = answers(controller, b"M105\n", 1007.0, 1008.0).decode()
    assert cooler == "ok T:195.0 /190.0 B:59.5 /0.0\n"
    later = answers(controller, b"M105\n", 9000.0, 9001.0).decode()
    assert later == "ok T:190.0 /190.0 B:21.2 /0.0\n"


@pytest.mark.parametrize(("stop", "now_c"), [(b"M112\n", 112.4), (b"", 115.4)])
def test_a_controller_that_halts_or_restarts_heats_nothing(stop: bytes, now_c: float) -> None:
    controller = awake()
    answers(controller, b"M104 S200\n", 1.0, 51.0)
    answers(controller, stop, 51.0, 52.0)
    controller.power_up(52.0)
    controller.due(60.0)
    assert answers(controller, b"M105\n", 60.0, 61.0) == b"ok T:%.1f /0.0 B:21.2 /0.0\n" % now_c


# --- other machines and other habits ----------------------------------------------------

PACK_GREETING = b"start\nsimulated controller, axes X Y Z C E\nnothing has been referenced\n"


def pack(habits: Habits | None = None, **held: Held) -> Controller:
    """Coupled belts, a screw, a table without a switch and a feeder, greeted, at one second.

    The filament hangs free; 160 microsteps per mm of it, 40 per degree of the table.
    """

    def parts(per_rev: float, ratio: float = 1.0, end: float = 1e9) -> Mechanics:
        return Mechanics(
            travel_per_rev_mm=per_rev, full_steps=200, microsteps=16, gear_ratio=ratio,
            ends_mm=(-min(end, 3.0) if end < 1e9 else -end, end),
        )  # fmt: skip

    filament = Filament(parts(20.0), (0.0, 0.0, 0.0))
    filament.is_free = True
    carriages = {
        "x": Carriage(parts(40.0, end=223.0), 100.0),
        "y": Carriage(parts(40.0, end=223.0), 100.0),
        "z": Carriage(parts(4.0, end=123.0), 50.0),
        "c": Carriage(parts(360.0, 2 / 9), 0.0),
        "e": filament,
    }
    switches_mm = dict.fromkeys(("x", "y", "z"), 0.0)
    mechanism = Mechanism(carriages, {axis: axis for axis in carriages}, switches_mm,
                          coupled_belts=True)  # fmt: skip
    usual = {
        "x": Held(80.0, 220.0), "y": Held(80.0, 220.0), "z": Held(800.0, 120.0),
        "c": Held(40.0), "e": Held(160.0),
    }  # fmt: skip
    controller = Controller(mechanism, usual | held, habits or Habits(coupled_belts=True))
    controller.carriages = carriages  # type: ignore[attr-defined]
    assert controller.due(1.0) == PACK_GREETING
    return controller


@pytest.mark.parametrize(
    ("lines", "moved"),
    [
        (["G1 X10 F600"], {"x": 10.0}),
        (["G1 Y-5 F600"], {"y": -5.0}),
        (["G1 X10 Y-5 F600"], {"x": 10.0, "y": -5.0}),
        (["G91", "G1 X10 F600", "G1 Y10 F600", "G1 X-3 F600"], {"x": 7.0, "y": 10.0}),
        (["G1 C90 F600"], {"c": 90.0}),
        (["G1 C-720 F6000"], {"c": -720.0}),
        (["G1 E10 F60", "G1 E4 F60"], {"e": 4.0}),
        (["M83", "G1 E10 F60", "G1 E4 F60"], {"e": 14.0}),
        (["G91", "G1 E10 F60", "G1 E4 F60"], {"e": 14.0}),
        (["M83", "M82", "G1 E10 F60", "G1 E4 F60"], {"e": 4.0}),
        (["M83", "G1 E10 X5 F60", "G1 E4 X6 F60"], {"e": 14.0, "x": 6.0}),
    ],
)
def test_where_lines_lead_on_a_machine_of_everything(
    lines: list[str], moved: dict[str, float]
) -> None:
    controller = pack()
    start = {axis: true_mm(controller, axis) for axis in "xyzce"}
    controller.receive("".join(f"{line}\n" for line in lines).encode(), 1.0)
    controller.due(1000.0)
    reached = {axis: true_mm(controller, axis) - start[axis] for axis in "xyzce"}
    assert reached == pytest.approx(dict.fromkeys("xyzce", 0.0) | moved, abs=1e-9)


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("M114", "X:0.000 Y:0.000 Z:0.000 C:0.000 E:0.000\nok"),
        ("M119", "X:open Y:open Z:open\nok"),
        ("G28 C", "error: unknown word C"),
        ("G28 E", "error: unknown word E"),
        ("G1 A5 F60", "error: unknown word A5"),
    ],
)
def test_answers_of_a_machine_of_everything(line: str, answer: str) -> None:
    assert answers(pack(), line.encode() + b"\n", 1.0, 1.1) == answer.encode() + b"\n"


def test_referencing_coupled_belts_moves_one_axis_at_a_time() -> None:
    controller = pack()
    controller.receive(b"G1 Y7 F600\nG28 X\nM114\n", 1.0)
    assert controller.due(23.0).endswith(b"ok\nX:0.000 Y:7.000 Z:0.000 C:0.000 E:0.000\nok\n")
    assert (true_mm(controller, "x"), true_mm(controller, "y")) == pytest.approx((0.0, 107.0))
    controller.receive(b"G28\nG1 X3 Y4 F600\nM400\nM119\n", 23.0)
    assert controller.due(90.0) == b"ok\nok\nok\nX:open Y:open Z:pressed\nok\n"
    assert (true_mm(controller, "x"), true_mm(controller, "y")) == pytest.approx((3.0, 4.0))


def test_cold_feed_is_refused_until_the_nozzle_is_hot() -> None:
    controller = pack(Habits(coupled_belts=True, coldest_feed_c=170.0))
    refusal = b"error: too cold to feed, the nozzle is below 170 C\n"
    assert answers(controller, b"G1 E10 F60\n", 1.0, 2.0) == refusal
    assert answers(controller, b"G1 X1 E10 F60\n", 2.0, 3.0) == refusal
    assert answers(controller, b"G1 X1 F60\nM104 S200\n", 3.0, 70.0) == b"ok\nok\n"
    assert answers(controller, b"G1 E10 F60\n", 70.0, 71.0) == refusal
    assert answers(controller, b"G1 E10 F60\nM400\n", 85.0, 99.0) == b"ok\nok\n"
    assert true_mm(controller, "e") == pytest.approx(10.0)
    assert true_mm(controller, "x") == pytest.approx(101.0)


def test_flow_at_the_panel_changes_what_is_fed_and_not_what_is_reported() -> None:
    controller = pack(Habits(coupled_belts=True, flow_part=0.9))
    controller.receive(b"M83\nG1 E50 F60\nG1 E50 F60\nG1 X10 F600\nM114\n", 1.0)
    assert controller.due(200.0).endswith(b"X:10.000 Y:0.000 Z:0.000 C:0.000 E:100.000\nok\n")
    assert true_mm(controller, "e") == pytest.approx(90.0)
    assert true_mm(controller, "x") == pytest.approx(110.0)


def test_speed_at_the_panel_changes_times_and_not_places() -> None:
    """10 mm at 5 instead of 10 mm/s: 2 s and 0.01 s for the ramps."""
    controller = pack(Habits(coupled_belts=True, feed_part=0.5))
    controller.receive(b"G1 X10 F600\nM400\n", 1.0)
    controller.due(1.01)
    assert controller.next_event_s() == pytest.approx(1.002 + 2.01)
    controller.due(9.0)
    assert true_mm(controller, "x") == pytest.approx(110.0)


def test_positions_are_clipped_without_a_word_and_come_back_in_step() -> None:
    controller = pack(x=Held(80.0, 220.0, (-45.0, 45.0)))
    seen = []
    for to_mm in (40, 50, 60, 44, -50):
        controller.receive(b"G1 X%d F3000\nM400\nM114\n" % to_mm, controller._now_s)
        report = controller.due(controller._now_s + 60.0)
        assert report.startswith(b"ok\nok\nX:%d.000 " % to_mm)
        seen.append(round(true_mm(controller, "x"), 9))
    assert seen == [140.0, 145.0, 145.0, 144.0, 55.0]


def test_motors_are_released_after_their_rest_and_by_a_halt() -> None:
    habits = Habits(releases_after_s=120.0)

    def heavy() -> tuple[Controller, Carriage]:
        carriage = Carriage(
            Mechanics(travel_per_rev_mm=4.0, full_steps=200, microsteps=16,
                      ends_mm=(-3.0, 123.0), sinks_mm=12.0), 50.0,
        )  # fmt: skip
        mechanism = Mechanism({"z": carriage}, {"z": "z"}, {"z": 0.0})
        controller = Controller(mechanism, {"z": Held(800.0, 120.0)}, habits)
        controller.due(1.0)
        controller.receive(b"G91\nG1 Z10 F600\n", 1.0)
        return controller, carriage

    controller, carriage = heavy()
    controller.due(122.02)
    assert carriage.true_mm == pytest.approx(60.0)
    controller.due(122.03)
    assert carriage.true_mm == pytest.approx(48.0)
    assert answers(controller, b"G1 Z1 F600\n", 122.1, 124.0) == b"ok\n"
    assert carriage.true_mm == pytest.approx(49.0)
    for stop in (lambda one: one.receive(b"M112\n", 3.0), lambda one: one.power_up(3.0)):
        controller, carriage = heavy()
        controller.due(3.0)
        stop(controller)
        controller.due(4.0)
        assert carriage.true_mm == pytest.approx(48.0)


@pytest.mark.parametrize(
    ("habits", "shown"),
    [
        (Habits(), "T:200.0"),
        (Habits(nozzle_has_wire=False), "T:21.4"),
        (Habits(nozzle_sensor="loose"), "T:-40.0"),
        (Habits(nozzle_sensor="out"), "T:26.8"),
    ],
)
def test_what_a_faulty_heater_reports(habits: Habits, shown: str) -> None:
    controller = Controller(Mechanism({}, {}, {}), {}, habits)
    controller.due(1.0)
    answers(controller, b"M104 S200\n", 1.0, 200.0)
    report = answers(controller, b"M105\n", 200.0, 201.0).decode()
    assert report == f"ok {shown} /200.0 B:21.2 /0.0\n"
    is_hot = habits.nozzle_has_wire
    assert controller.temperature_c("T", 201.0) == (200.0 if is_hot else 21.4)
