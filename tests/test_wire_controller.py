"""The controller over written conversations, strict both ways, and over a real terminal.

``conversation`` takes the lines of a transcript; a line without seconds happens at the time
of the line before. A replay's clock is virtual, so nothing here waits.
"""

from __future__ import annotations

import dataclasses
import os
import re
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tuner.card.dialect import Barrier, Dialect, Stop, read_dialect
from tuner.errors import (
    BadFile,
    BenchFault,
    ControllerRestarted,
    LineNotAllowed,
    LineRefused,
    NoAnswer,
    PermitVoid,
    PortLost,
    PositionUnknown,
    Stopped,
)
from tuner.safety.heat import Heater
from tuner.safety.permit import PERMIT_LASTS_S, Permit, Warrant
from tuner.wire.controller import Controller, HeatersLeft, MoveOutcome
from tuner.wire.port import Port
from tuner.wire.transcript import Sort, Transcript, parse

PRINTER = read_dialect("printer", None)
PLAIN = read_dialect("plain", None)
MUTE = dataclasses.replace(PLAIN, heaters_off=("M104 S0",))

RESYNC = "> M114\n< X:0 Y:0 Z:0\n< ok\n"
MODES = "> G21\n< ok\n> G91\n< ok\n"
STEP = RESYNC + MODES
PLACE = RESYNC  # asked before a move, with the same words
OPENING = "0.5 < start\n< made-up controller\n" + STEP
PLAIN_STEP = "> G4 P0\n< ok\n> G21\n< ok\n> G91\n< ok\n> G94\n< ok\n"


class Bench:
    """One replayed conversation: the controller, its port, and what was written down."""

    def __init__(self, folder: Path, text: str, dialect: Dialect) -> None:
        source = folder / "conversation.txt"
        lines, seconds = [], "0"
        for line in text.splitlines():
            timed = re.match(r"([0-9.]+) ", line)
            seconds = timed[1] if timed else seconds
            lines.append(line if timed else f"{seconds} {line}")
        source.write_text("\n".join(lines), encoding="utf-8")
        self.port = Port.open(f"replay://{source}", 115200)
        self.transcript = Transcript(folder / "written.txt", self.port.clock)
        self.controller = Controller(self.port, dialect, self.transcript)

    def permit(self, *lines: str, seconds: float = 0.0) -> Permit:
        return Permit(1, lines, seconds, self.port.clock.now_s())

    def drain(self) -> None:
        """Read what is left of a conversation that has no end."""
        while self.port.read_until(self.port.clock.now_s() + 1.0):
            pass

    def written(self, sort: Sort) -> list[str]:
        return [one.text for one in parse(self.transcript.path) if one.sort is sort]


Converse = Callable[..., Bench]


@pytest.fixture
def conversation(tmp_path: Path) -> Iterator[Converse]:
    """Return a maker of benches; at the end nothing of a conversation may be left over."""
    benches: list[Bench] = []

    def made(*texts: str, dialect: Dialect = PRINTER) -> Bench:
        benches.append(Bench(tmp_path, "".join(texts), dialect))
        return benches[-1]

    yield made
    for bench in benches:
        try:
            bench.controller.close()
        finally:
            bench.transcript.close()


@pytest.fixture
def opened(conversation: Converse) -> Converse:
    """Return a maker of benches whose conversation has been opened."""

    def made(text: str, dialect: Dialect = PRINTER) -> Bench:
        opening = f"3.5 ! quiet\n{PLAIN_STEP}" if dialect.position is None else OPENING
        bench = conversation(opening, text, dialect=dialect)
        bench.controller.open_conversation()
        return bench

    return made


# --- opening ----------------------------------------------------------------------------


def test_opening_waits_for_the_greeting_gets_into_step_and_sets_the_modes(
    conversation: Converse,
) -> None:
    bench = conversation(OPENING)
    bench.controller.open_conversation()
    assert bench.controller.position_unknown
    assert bench.written(Sort.SENT) == ["M114", "G21", "G91"]
    assert bench.written(Sort.RECEIVED)[:3] == ["start", "made-up controller", "X:0 Y:0 Z:0"]


def test_whoever_opens_again_knows_no_position(conversation: Converse) -> None:
    bench = conversation(OPENING)
    bench.controller.open_conversation()
    bench.controller.position_established()
    bench.controller.open_conversation()
    assert bench.controller.position_unknown


def test_a_controller_that_does_not_restart_is_asked_after_three_seconds(
    conversation: Converse,
) -> None:
    bench = conversation(STEP)
    bench.controller.open_conversation()
    assert 3.0 <= bench.port.clock.now_s() <= 4.0


def test_what_stood_in_the_port_before_is_not_trusted(conversation: Converse) -> None:
    conversation("0 < ok\n< ok\n", OPENING).controller.open_conversation()


def test_a_late_greeting_starts_it_over(conversation: Converse) -> None:
    bench = conversation("3.4 > M114\n4.0 < start\n4.0 < ok\n", STEP)
    bench.controller.open_conversation()


def test_a_greeting_while_the_modes_are_set_starts_it_over(conversation: Converse) -> None:
    conversation("0.5 < start\n", RESYNC, "> G21\n< start\n", STEP).controller.open_conversation()


def test_a_first_line_that_is_lost_is_asked_again_later(conversation: Converse) -> None:
    bench = conversation("0.5 < start\n> M114\n6.5 > M114\n< X:0 Y:0 Z:0\n< ok\n", MODES)
    bench.controller.open_conversation()


def test_half_a_line_that_somebody_left_is_refused_once(conversation: Converse) -> None:
    bench = conversation("0.5 < start\n> M114\n< error: unknown word XM114\n< ok\n", STEP)
    bench.controller.open_conversation()


def test_a_controller_that_refuses_twice_is_not_used(conversation: Converse) -> None:
    bench = conversation("0.5 < start\n> M114\n< error: halted\n> M114\n< error: halted\n")
    with pytest.raises(LineRefused, match="'error: halted' to 'M114'"):
        bench.controller.open_conversation()


def test_an_acknowledgement_on_its_way_puts_it_out_of_step_again(conversation: Converse) -> None:
    bench = conversation("0.5 < start\n", RESYNC, "0.9 < ok\n", STEP)
    bench.controller.open_conversation()


def test_silence_names_rate_cable_and_other_programs(conversation: Converse) -> None:
    bench = conversation("3.4 > M114\n8.7 > M114\n")
    with pytest.raises(NoAnswer) as caught:
        bench.controller.open_conversation()
    for part in ("nothing was heard", "115200 baud", "cable", "no other program"):
        assert part in str(caught.value)
    assert bench.port.clock.now_s() <= 10.5


def test_garbage_asks_for_the_baud_rate(conversation: Converse) -> None:
    garbage = "0.5 < \\x00ÿþ\\x1cxÿþ\\x00\n"
    bench = conversation(garbage, "3.4 > M114\n8.7 > M114\n")
    with pytest.raises(NoAnswer, match="wrong baud rate"):
        bench.controller.open_conversation()


def test_a_stranger_asks_for_the_dialect(conversation: Converse) -> None:
    bench = conversation("0.5 < \\x09\\x09hello\\x09\\x09\n", "3.4 > M114\n< what?\n8.8 > M114\n")
    with pytest.raises(NoAnswer, match="dialect printer"):
        bench.controller.open_conversation()


def test_one_that_is_never_quiet_is_given_up(conversation: Converse) -> None:
    chatter = "".join(f"{tenth / 5:.1f} < noise {tenth}\n" for tenth in range(1, 53))
    bench = conversation(chatter)
    with pytest.raises(NoAnswer, match="something talks"):
        bench.controller.open_conversation()
    assert bench.port.clock.now_s() == pytest.approx(10.0, abs=0.3)
    bench.drain()


def test_one_that_restarts_for_ever_is_given_up(conversation: Converse) -> None:
    greetings = "".join(f"{tenth / 5:.1f} < start\n" for tenth in range(1, 52))
    bench = conversation(greetings)
    with pytest.raises(ControllerRestarted):
        bench.controller.open_conversation()
    assert bench.port.clock.now_s() == pytest.approx(10.0, abs=0.3)
    bench.drain()


def test_the_modes_must_be_answered(conversation: Converse) -> None:
    bench = conversation("0.5 < start\n", RESYNC, "> G21\n")
    with pytest.raises(NoAnswer, match="did not answer 'G21'"):
        bench.controller.open_conversation()


def test_a_dialect_with_a_word_of_its_own_is_refused(conversation: Converse) -> None:
    bench = conversation("")
    with pytest.raises(BadFile):
        Controller(bench.port, dataclasses.replace(PRINTER, position="G10"), bench.transcript)


# --- moving -----------------------------------------------------------------------------


def test_a_move_is_its_lines_each_answered_and_the_barrier(opened: Converse) -> None:
    bench = opened(PLACE + "> G1 X5 F600\n< ok\n> G1 X-3 F600\n< ok\n> M400\n3 < ok\n")
    bench.controller.position_established()
    outcome = bench.controller.move(bench.permit("G1 X5 F600", "G1 X-3 F600"))
    assert outcome == MoveOutcome(True, pytest.approx(3.0 - 1.1, abs=0.3))
    assert not bench.controller.position_unknown


def test_a_barrier_that_proves_nothing_waits_for_the_computed_duration(opened: Converse) -> None:
    bench = opened("> G1 X5 F600\n< ok\n> G4 P0\n< ok\n", PLAIN)
    started_s = bench.port.clock.now_s()
    outcome = bench.controller.move(bench.permit("G1 X5 F600", seconds=8.0))
    assert not outcome.finished
    assert bench.port.clock.now_s() >= started_s + 8.0 * 1.25


def test_a_late_answer_of_a_barrier_that_proves_nothing_adds_no_wait(opened: Converse) -> None:
    bench = opened("> G1 X5 F600\n< ok\n> G4 P0\n11 < ok\n", PLAIN)
    bench.controller.move(bench.permit("G1 X5 F600", seconds=4.0))
    assert bench.port.clock.now_s() == pytest.approx(11.0, abs=0.06)


def test_a_full_queue_is_waited_for(opened: Converse) -> None:
    bench = opened(PLACE + "1.5 > G1 X5 F600\n20 < ok\n> M400\n40 < ok\n")
    bench.controller.move(bench.permit("G1 X5 F600", seconds=20.0))


def test_busy_asks_for_patience(opened: Converse) -> None:
    busy = "".join(f"{at} < busy: processing\n" for at in range(3, 33, 3))
    bench = opened(PLACE + f"2 > G28 X\n< ok\n> M400\n{busy}34 < ok\n")
    assert bench.controller.move(bench.permit("G28 X")).finished


def test_patience_is_counted_from_the_last_sign_of_life(opened: Converse) -> None:
    bench = opened(PLACE + "2 > G28 X\n< ok\n> M400\n6 < busy\n")
    with pytest.raises(NoAnswer):
        bench.controller.move(bench.permit("G28 X", seconds=4.0))
    assert bench.port.clock.now_s() == pytest.approx(6.0 + 4.0 * 2.5 + 5.0, abs=0.06)


def test_patience_ends(opened: Converse) -> None:
    busy = "".join(f"{at} < busy: processing\n" for at in range(3, 309, 3))
    bench = opened(PLACE + f"2 > G28 X\n< ok\n> M400\n{busy}")
    with pytest.raises(NoAnswer, match="did not answer 'M400' within 308 s"):
        bench.controller.move(bench.permit("G28 X", seconds=1.0))


def test_an_end_that_comes_too_early_is_asked_for_again(opened: Converse) -> None:
    too_many = "> M400\n< ok\n"
    moving = PLACE + "2 > G1 X5 F600\n< ok\n"
    for text, ends_s in (
        (moving + too_many + "> M400\n6 < ok\n", 6.0),
        (moving + 3 * too_many + "> M400\n6 < ok\n", 6.0),
        (moving + "> M400\n4.01 < ok\n", 4.01),  # half of its time is not too early
        (moving + 4 * too_many, 2.0),  # said so often, it is believed
    ):
        bench = opened(text)
        bench.controller.move(bench.permit("G1 X5 F600", seconds=4.0))
        assert bench.port.clock.now_s() == pytest.approx(ends_s, abs=0.06)


def test_no_answer_is_never_followed_by_the_same_line(opened: Converse) -> None:
    bench = opened(
        PLACE + "1.5 > G1 X5 F600\n30 < ok\n> M114\n< X:5 Y:0 Z:0\n< ok\n" + "> M114\n"
        "< X:5 Y:0 Z:0\n< ok\n"
    )
    bench.controller.position_established()
    with pytest.raises(NoAnswer, match=r"did not answer 'G1 X5 F600' within 8 s; it was not sent"):
        bench.controller.move(bench.permit("G1 X5 F600", "G1 X6 F600", seconds=1.0))
    assert bench.controller.position_unknown
    bench.port.clock.advance(30.0)  # type: ignore[attr-defined]
    assert bench.controller.position() == {"x": 5.0, "y": 0.0, "z": 0.0}
    assert bench.controller.position_unknown, "only a person finds it again"
    assert bench.written(Sort.EVENT)[1:] == ["no answer to 'G1 X5 F600'"]


@pytest.mark.parametrize("line", ["G28 X", "G1 X5 F600"])
def test_a_refused_line_ends_the_move(opened: Converse, line: str) -> None:
    bench = opened(PLACE + f"> {line}\n< error: no\n")
    bench.controller.position_established()
    with pytest.raises(LineRefused, match=f"'error: no' to '{line}'"):
        bench.controller.move(bench.permit(line, "G1 X6 F600"))
    assert bench.controller.position_unknown


def test_a_request_to_resend_is_a_refusal(opened: Converse) -> None:
    bench = opened(PLACE + "> G1 X5 F600\n< Resend: 3\n< ok\n")
    with pytest.raises(LineRefused, match="Resend: 3"):
        bench.controller.move(bench.permit("G1 X5 F600"))


def test_a_refusal_while_it_moves_ends_the_wait(opened: Converse) -> None:
    bench = opened("> G1 X5 F600\n< ok\n5 < error: driver hot\n", PLAIN)
    with pytest.raises(LineRefused, match="'error: driver hot' while it was moving"):
        bench.controller.move(bench.permit("G1 X5 F600", seconds=8.0))


@pytest.mark.parametrize(
    "text",
    [
        "> G1 X5 F600\n< start\n",
        "> G1 X5 F600\n< ok\n< start\n",
        "> G1 X5 F600\n< ok\n> M400\n< X:0start\n",
    ],
)
def test_a_restart_ends_the_move(opened: Converse, text: str) -> None:
    bench = opened(PLACE + text)
    bench.controller.position_established()
    with pytest.raises(ControllerRestarted, match="not known any more"):
        bench.controller.move(bench.permit("G1 X5 F600"))
    assert bench.controller.position_unknown


def test_a_restart_while_nobody_listened_is_noticed_before_anything_is_sent(
    opened: Converse,
) -> None:
    bench = opened("60 ~ NOTE a long talk\n60 < start\n")
    permit = bench.permit("G1 X5 F600")
    with pytest.raises(ControllerRestarted):
        bench.controller.move(permit)
    assert permit.redeem(0.0), "it was not used"


def test_a_restart_between_two_lines_keeps_the_second_back(opened: Converse) -> None:
    bench = opened(PLACE + "> G1 X5 F600\n< ok\n2 ~ NOTE x\n< start\n")
    with pytest.raises(ControllerRestarted):
        bench.controller.move(bench.permit("G1 X5 F600", "G1 X6 F600"))


def test_after_a_restart_the_modes_are_set_anew(opened: Converse) -> None:
    bench = opened(
        "2 ~ NOTE x\n< start\n" + RESYNC + PLACE + MODES + "> G1 X5 F600\n< ok\n> M400\n< ok\n"
    )
    with pytest.raises(ControllerRestarted):
        bench.controller.position()
    assert bench.controller.move(bench.permit("G1 X5 F600")).finished


def test_a_refusal_while_nothing_was_asked_is_told(opened: Converse) -> None:
    bench = opened("60 ~ NOTE a long talk\n60 < error: heater\n")
    with pytest.raises(LineRefused, match="while nothing was asked"):
        bench.controller.temperatures()


def test_an_answer_too_many_stops_the_group(opened: Converse) -> None:
    bench = opened(PLACE + "> G1 X5 F600\n< ok\n< ok\n")
    with pytest.raises(NoAnswer, match="'G1 X6 F600' was not sent"):
        bench.controller.move(bench.permit("G1 X5 F600", "G1 X6 F600"))
    assert bench.controller.position_unknown


def test_a_permit_is_used_once_and_in_time(opened: Converse) -> None:
    bench = opened(PLACE + "> G1 X5 F600\n< ok\n> M400\n< ok\n" + PLACE + PLACE)
    permit = bench.permit("G1 X5 F600")
    bench.controller.move(permit)
    with pytest.raises(PermitVoid):
        bench.controller.move(permit)
    late = bench.permit("G1 X5 F600")
    bench.port.clock.advance(PERMIT_LASTS_S + 0.1)  # type: ignore[attr-defined]
    with pytest.raises(PermitVoid):
        bench.controller.move(late)


@pytest.mark.parametrize("line", ["M105", "G91", "G4 P1", "M112", "M104 S0", "G10", "G92 X0"])
def test_a_permit_for_anything_else_than_motion_sends_nothing(opened: Converse, line: str) -> None:
    bench = opened("")
    with pytest.raises(LineNotAllowed):
        bench.controller.move(bench.permit("G1 X5 F600", line))


# --- questions --------------------------------------------------------------------------


def test_reports(opened: Converse) -> None:
    bench = opened(
        "> M105\n< ok T:21.4 /0.0 B:60 /60\n> M114\n< X:1 Y:2\n< ok\n"
        "> M119\n< reporting:\n< x_min: open\n< y_min: TRIGGERED\n< ok\n"
    )
    assert bench.controller.temperatures() == (Heater("T", 21.4, 0.0), Heater("B", 60.0, 60.0))
    assert bench.controller.position() == {"x": 1.0, "y": 2.0}
    assert bench.controller.switches() == {"x_min": False, "y_min": True}


def test_of_two_reports_the_later_counts(opened: Converse) -> None:
    """One that comes unasked in front of the answer is older than the answer."""
    bench = opened(
        "> M105\n< T:21.0 /0.0\n< ok T:200.0 /200.0\n> M114\n< X:1 Y:0 Z:0\n< X:2 Y:0 Z:0\n< ok\n"
    )
    assert bench.controller.temperatures() == (Heater("T", 200.0, 200.0),)
    assert bench.controller.position() == {"x": 2.0, "y": 0.0, "z": 0.0}


def test_what_the_dialect_cannot_ask_is_none(opened: Converse) -> None:
    bench = opened("", PLAIN)
    assert bench.controller.temperatures() is None
    assert bench.controller.position() is None
    assert bench.controller.switches() is None


@pytest.mark.parametrize(
    ("line", "ask"),
    [
        ("M105", Controller.temperatures),
        ("M114", Controller.position),
        ("M119", Controller.switches),
    ],
)
def test_an_answer_without_report_is_no_answer(
    opened: Converse, line: str, ask: Callable[[Controller], object]
) -> None:
    bench = opened(f"> {line}\n< T:nan /0\n< ok\n")
    with pytest.raises(NoAnswer, match=f"answered '{line}' without"):
        ask(bench.controller)


def test_chatter_is_no_answer(opened: Converse) -> None:
    bench = opened("2 > M105\n< okay\n< T:20\n")
    with pytest.raises(NoAnswer, match="within 5 s"):
        bench.controller.temperatures()


# --- the reported place proves a move ---------------------------------------------------


def place(text: str) -> str:
    return f"> M114\n< {text}\n< ok\n"


MOVED = "> G1 X5 F600\n< ok\n> G1 X-1 F600\n< ok\n> M400\n< ok\n"


def moved(bench: Bench, *lines: str) -> None:
    bench.controller.position_established()
    bench.controller.move(bench.permit(*(lines or ("G1 X5 F600", "G1 X-1 F600"))))


@pytest.mark.parametrize(
    ("before", "after", "step_mm"),
    [
        ("X:0 Y:0 Z:0", "X:4 Y:0 Z:0", 0.0),
        ("X:-7.126 Y:3.5 Z:1", "X:-3.13 Y:3.5 Z:1", 0.0),  # reports of two decimals
        ("X:0 Y:0 Z:0 E:0", "X:4.010 Y:0.005 Z:-0.01 E:0", 0.0),
        ("X:0", "X:3.988", 0.0125),  # within one step
        ("X:0", "X:4.2", 0.2),
    ],
)
def test_a_place_that_changed_as_sent_proves_the_move(
    opened: Converse, before: str, after: str, step_mm: float
) -> None:
    bench = opened(place(before) + MOVED + place(after))
    moved(bench)
    bench.controller.check_arrival({"x": step_mm})
    assert not bench.controller.position_unknown


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ("X:0 Y:0", "X:3.9 Y:0", r"X was told to go \+4.000 mm, and .* reports \+3.900 mm"),
        ("X:0 Y:0", "X:4.0102 Y:0", "X was told to go"),
        ("X:0 Y:0", "X:0 Y:0", r"reports \+0.000 mm"),
        ("X:0 Y:0", "X:-4 Y:0", r"reports -4.000 mm"),
        ("X:0 Y:0", "X:4 Y:0.02", r"Y was to stay, and the controller reports \+0.020 mm"),
        ("X:0 Y:0", "X:4", "Y was to stay, and the controller reports an unknown amount"),
        ("X:0", "X:4 Y:1", "Y was to stay, and the controller reports an unknown amount"),
        ("Y:0", "Y:0", "X was told to go .* an unknown amount"),
    ],
)
def test_any_other_place_is_an_unknown_position(
    opened: Converse, before: str, after: str, says: str
) -> None:
    bench = opened(place(before) + MOVED + place(after))
    moved(bench)
    with pytest.raises(PositionUnknown, match=says):
        bench.controller.check_arrival({"y": 0.01})
    assert bench.controller.position_unknown


def test_no_report_of_a_place_is_an_unknown_position(opened: Converse) -> None:
    bench = opened(PLACE + MOVED + "> M114\n< ok\n")
    moved(bench)
    with pytest.raises(NoAnswer, match="without position"):
        bench.controller.check_arrival({})
    assert bench.controller.position_unknown


def test_a_search_ends_where_it_ends_and_moves_nothing_else(opened: Converse) -> None:
    search = "> G28 X\n< ok\n> M400\n< ok\n"
    bench = opened(place("X:50 Y:3") + search + place("X:-2 Y:3") + place("X:-2 Y:3") + search
                   + place("X:-2 Y:8"))  # fmt: skip
    moved(bench, "G28 X")
    bench.controller.check_arrival({})
    moved(bench, "G28 X")
    with pytest.raises(PositionUnknown, match="Y was to stay"):
        bench.controller.check_arrival({})


def test_a_move_between_two_moves_is_noticed_before_the_second(opened: Converse) -> None:
    bench = opened(PLACE + MOVED + place("X:4") .replace("X:4", "X:4 Y:0 Z:0")
                   + place("X:4 Y:-2.5 Z:0"))  # fmt: skip
    moved(bench)
    bench.controller.check_arrival({})
    permit = bench.permit("G1 X5 F600")
    with pytest.raises(PositionUnknown, match=r"Y was moved by -2.500 mm since .* panel"):
        bench.controller.move(permit)
    assert bench.controller.position_unknown
    assert permit.redeem(0.0), "it was not used"


def test_a_place_that_was_declared_anew_is_not_held_against_the_one_before(
    opened: Converse,
) -> None:
    bench = opened(PLACE + MOVED + place("X:4 Y:0 Z:0") + place("X:0 Y:9 Z:0") + MOVED)
    moved(bench)
    bench.controller.check_arrival({})
    moved(bench)
    assert not bench.controller.position_unknown


@pytest.mark.parametrize("dialect", [PLAIN, dataclasses.replace(PRINTER, position_means="true")])
def test_what_proves_nothing_is_not_asked(opened: Converse, dialect: Dialect) -> None:
    text = "> G1 X5 F600\n< ok\n> " + dialect.barrier.line + "\n< ok\n"
    bench = opened(text, dialect)
    moved(bench, "G1 X5 F600")
    bench.controller.check_arrival({})
    assert not bench.controller.position_unknown


def test_a_question_that_fails_leaves_no_position(opened: Converse) -> None:
    bench = opened("2 > M105\n")
    bench.controller.position_established()
    with pytest.raises(NoAnswer):
        bench.controller.temperatures()
    assert bench.controller.position_unknown


# --- numbers and checksums --------------------------------------------------------------

CHECKED = dataclasses.replace(PRINTER, checksum=True, line_number_reset="M110 N0")


def n(number: int, line: str) -> str:
    """The numbered line: star and the exclusive or of its bytes (common practice)."""
    checksum = 0
    for byte in f"N{number} {line}".encode():
        checksum ^= byte
    return f"N{number} {line}*{checksum}"


def step_in(*more: str) -> str:
    """Getting into step with numbers, and the lines after it, each answered."""
    text = f"> {n(0, 'M110 N0')}\n> {n(1, 'M114')}\n< ok\n< X:0 Y:0 Z:0\n< ok\n"
    return text + "".join(f"> {n(at, line)}\n< ok\n" for at, line in enumerate(more, 2))


CHECKED_OPENING = "0.5 < start\n" + step_in("G21", "G91")


@pytest.fixture
def checked(conversation: Converse) -> Converse:
    """Return a maker of benches with checksums, whose conversation has been opened."""

    def made(text: str, dialect: Dialect = CHECKED) -> Bench:
        bench = conversation(CHECKED_OPENING + text, dialect=dialect)
        bench.controller.open_conversation()
        bench.controller.position_established()
        return bench

    return made


def asked_again(number: int, line: str, asked: int | None = None) -> str:
    return (
        f"> {n(number, line)}\n< Error:checksum mismatch, last line {number - 1}\n"
        f"< Resend: {number if asked is None else asked}\n< ok\n"
    )


def test_a_published_line_has_its_checksum() -> None:
    assert n(5, "G28") == "N5 G28*22"  # common practice, from memory


def test_lines_have_numbers_and_checksums_but_a_stop_has_none(checked: Converse) -> None:
    bench = checked(f"> {n(4, 'M105')}\n< ok T:20 /0\n> M112\n")
    assert bench.controller.temperatures() == (Heater("T", 20.0, 0.0),)
    assert bench.controller.stop()


def test_a_question_that_was_asked_for_again_is_sent_once_more(checked: Converse) -> None:
    again = asked_again(4, "M105") + step_in() + f"> {n(2, 'M105')}\n< ok T:20 /0\n"
    bench = checked(again)
    assert bench.controller.temperatures() == (Heater("T", 20.0, 0.0),)
    assert not bench.controller.position_unknown
    assert "'M105' was asked for once more" in bench.written(Sort.EVENT)


def test_a_mode_that_was_asked_for_again_is_set(conversation: Converse) -> None:
    text = "0.5 < start\n" + step_in("G21") + asked_again(3, "G91") + step_in("G91")
    conversation(text, dialect=CHECKED).controller.open_conversation()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (asked_again(4, "M105") + step_in() + asked_again(2, "M105"), "checksum mismatch, last"),
        (asked_again(4, "M105", 3), "checksum mismatch, last line 3"),
        (asked_again(4, "M105", 5), "checksum mismatch"),
        (f"> {n(4, 'M105')}\n< Resend:\n< ok\n", "Resend:"),
        (f"> {n(4, 'M105')}\n< error: no sensor\n< ok\n", "no sensor"),
    ],
)
def test_nothing_else_is_sent_once_more(checked: Converse, text: str, says: str) -> None:
    bench = checked(text)
    with pytest.raises(LineRefused, match=says):
        bench.controller.temperatures()
    assert bench.controller.position_unknown


def test_a_motion_that_was_asked_for_again_is_never_sent_twice(checked: Converse) -> None:
    bench = checked(f"> {n(4, 'M114')}\n< X:0 Y:0\n< ok\n" + asked_again(5, "G1 X5 F600"))
    with pytest.raises(LineRefused, match=r"for 'G1 X5 F600' once more; .* never sent twice"):
        bench.controller.move(bench.permit("G1 X5 F600"))
    assert bench.controller.position_unknown
    assert sum("G1 " in line for line in bench.written(Sort.SENT)) == 1


def test_the_barrier_may_be_sent_once_more(checked: Converse) -> None:
    moving = f"> {n(4, 'M114')}\n< X:0 Y:0\n< ok\n> {n(5, 'G1 X5 F600')}\n< ok\n"
    bench = checked(moving + asked_again(6, "M400") + step_in() + f"> {n(2, 'M400')}\n< ok\n")
    assert bench.controller.move(bench.permit("G1 X5 F600")).finished


def test_heat_that_was_asked_for_again_is_not_sent_twice(checked: Converse) -> None:
    text = step_again("G21", "G91", "M83") + asked_again(7, "M104 S200")
    bench = checked(text)
    with pytest.raises(LineRefused, match="checksum"):
        bench.controller.heat(Warrant(1, "M104 S200", bench.port.clock.now_s()))
    assert sum("M104" in line for line in bench.written(Sort.SENT)) == 1


def step_again(*lines: str) -> str:
    return "".join(f"> {n(at, line)}\n< ok\n" for at, line in enumerate(lines, 4))


def test_heaters_off_leaves_without_numbers_and_then_once_more_with_them(
    checked: Converse,
) -> None:
    off = "> M104 S0\n> M140 S0\n< error: no number\n< error: no number\n" + step_in()
    again = f"> {n(3, 'M104 S0')}\n< ok\n> {n(4, 'M140 S0')}\n< ok\n"
    bench = checked(
        f"{off}> {n(2, 'M105')}\n< ok T:90 /200\n{again}> {n(5, 'M105')}\n< ok T:90 /0\n"
    )
    assert bench.controller.heaters_off().confirmed


# --- heating ----------------------------------------------------------------------------


def test_heating_sets_the_feeders_own_mode_and_sends_its_line_once(opened: Converse) -> None:
    bench = opened(MODES + "> M83\n< ok\n> M104 S200\n< ok\n")
    warrant = Warrant(1, "M104 S200", bench.port.clock.now_s())
    bench.controller.heat(warrant)
    with pytest.raises(PermitVoid):
        bench.controller.heat(warrant)


def test_filament_is_fed_in_the_feeders_own_mode_and_its_place_is_checked(opened: Converse) -> None:
    place = "> M114\n< X:0 E:{}\n< ok\n"
    text = "> M114\n< X:0 E:0\n< ok\n> G21\n< ok\n> G91\n< ok\n> M83\n< ok\n"
    bench = opened(text + "> G1 E5 F60\n< ok\n> M400\n5 < ok\n" + place.format("5.00"))
    bench.controller.move(bench.permit("G1 E5 F60", seconds=5.0))
    bench.controller.check_arrival({})


def test_a_controller_without_a_feeder_mode_is_heated_all_the_same(opened: Converse) -> None:
    bench = opened(MODES + "> M140 S60\n< ok\n", dataclasses.replace(PRINTER, feeder_relative=None))
    bench.controller.heat(Warrant(1, "M140 S60", bench.port.clock.now_s()))


def test_after_a_restart_the_feeders_mode_is_set_anew(opened: Converse) -> None:
    text = MODES + "> M83\n< ok\n> M104 S200\n< ok\n5 ~ NOTE x\n< start\n" + STEP
    bench = opened(text + "> M83\n< ok\n> M104 S180\n< ok\n")
    bench.controller.heat(Warrant(1, "M104 S200", bench.port.clock.now_s()))
    bench.port.clock.advance(5.0)  # type: ignore[attr-defined]
    warrant = Warrant(1, "M104 S180", bench.port.clock.now_s())
    with pytest.raises(ControllerRestarted):
        bench.controller.heat(warrant)
    bench.controller.heat(warrant)


@pytest.mark.parametrize("line", ["G1 X5 F600", "M104 S0", "M105", "M104 S999"])
def test_a_warrant_for_anything_else_than_heat_sends_nothing(opened: Converse, line: str) -> None:
    bench = opened("")
    with pytest.raises(LineNotAllowed):
        bench.controller.heat(Warrant(1, line, bench.port.clock.now_s()))


def test_listening_hears_errors_and_restarts(opened: Converse) -> None:
    bench = opened("4 < T:30 /200\n9 < error: heater\n")
    bench.controller.listen(4.0)
    with pytest.raises(LineRefused, match="'error: heater' while it was heating"):
        bench.controller.listen(10.0)


# --- stopping ---------------------------------------------------------------------------


def test_a_stop_between_moves_is_written_at_once_and_heard_next(opened: Converse) -> None:
    bench = opened("> M112\n")
    bench.controller.position_established()
    assert bench.controller.stop()
    assert bench.controller.position_unknown
    with pytest.raises(Stopped):
        bench.controller.move(bench.permit("G1 X5 F600"))
    assert bench.written(Sort.SENT)[-1] == "M112"


def test_after_a_stop_an_old_answer_is_not_taken_for_a_new_one(opened: Converse) -> None:
    dialect = dataclasses.replace(PRINTER, stop=Stop("M112", True, False))
    late = "> M112\n< ok\n> M114\n< ok\n< X:1 Y:0 Z:0\n< ok\n"
    bench = opened(late + "> M105\n< ok T:20 /0\n", dialect)
    bench.controller.stop()
    bench.port.forget_interrupt()
    assert bench.controller.temperatures() == (Heater("T", 20.0, 0.0),)


def test_without_a_stop_word_nothing_more_is_sent(opened: Converse) -> None:
    bench = opened("", PLAIN)
    assert not bench.controller.stop()
    with pytest.raises(Stopped):
        bench.controller.move(bench.permit("G1 X5 F600"))
    assert bench.written(Sort.EVENT)[1:] == ["stop asked for, no stop line sent"]


def test_a_stop_after_close_does_nothing(opened: Converse) -> None:
    bench = opened("")
    bench.controller.close()
    assert bench.written(Sort.EVENT)[-1] == "closed"
    assert not bench.controller.stop()
    with pytest.raises(PortLost):
        bench.controller.temperatures()


def test_a_stop_over_a_lost_port_says_so_after_all_is_done(opened: Converse) -> None:
    bench = opened("")
    bench.port.close()
    with pytest.raises(PortLost):
        bench.controller.stop()
    with pytest.raises(Stopped):
        bench.controller.temperatures()
    assert "M112" not in bench.written(Sort.SENT)
    assert bench.written(Sort.EVENT)[-1] == "stop asked for, no stop line sent"


def test_a_stop_leaves_even_if_it_cannot_be_written_down(
    opened: Converse, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = opened("> M112\n")
    monkeypatch.setattr(bench.transcript, "_write", disk_full)
    assert bench.controller.stop()
    bench.port.forget_interrupt()
    with pytest.raises(BenchFault):
        bench.controller.temperatures()


def test_a_stop_that_comes_just_before_a_line_leaves_keeps_it_back(
    opened: Converse, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = opened(PLACE + "> M112\n")
    really = bench.transcript.sent

    def sent(line: str) -> None:
        really(line)
        if line == "G1 X5 F600":
            bench.controller.stop()

    monkeypatch.setattr(bench.transcript, "sent", sent)
    with pytest.raises(Stopped):
        bench.controller.move(bench.permit("G1 X5 F600"))
    assert bench.written(Sort.EVENT)[1:] == ["'G1 X5 F600' was not sent: stopped"]


def test_a_refusal_that_comes_of_a_stop_is_the_stop(
    opened: Converse, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = opened("> M105\n< error: halted\n> M112\n")
    really = bench.transcript.received

    def received(line: str) -> None:
        really(line)
        bench.controller.stop()

    monkeypatch.setattr(bench.transcript, "received", received)
    with pytest.raises(Stopped):
        bench.controller.temperatures()


def disk_full(*_: object) -> None:
    raise BenchFault("the disk is full")


def test_an_answer_that_an_error_left_behind_is_not_the_next_ones(
    opened: Converse, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = "> M105\n1.6 < chatter\n> M114\n< ok T:99 /0\n< X:0 Y:0\n< ok\n"
    bench = opened(left + "> M105\n< ok T:20 /0\n")
    with monkeypatch.context() as patched:
        patched.setattr(bench.transcript, "received", disk_full)
        with pytest.raises(BenchFault):
            bench.controller.temperatures()
    assert bench.controller.temperatures() == (Heater("T", 20.0, 0.0),)


@pytest.mark.parametrize(("recording", "line"), [("sent", "G91"), ("received", "ok")])
def test_modes_that_were_not_all_set_are_set_again(
    conversation: Converse, monkeypatch: pytest.MonkeyPatch, recording: str, line: str
) -> None:
    half = "0.5 < start\n> M114\n< ok X:0 Y:0\n> G21\n< ok\n"
    bench = conversation(half, PLACE, MODES, "> G1 X5 F600\n< ok\n> M400\n< ok\n")
    really = getattr(bench.transcript, recording)

    def full_once(text: str) -> None:
        if text == line:
            monkeypatch.setattr(bench.transcript, recording, really)
            disk_full()
        really(text)

    monkeypatch.setattr(bench.transcript, recording, full_once)
    with pytest.raises(BenchFault):
        bench.controller.open_conversation()
    assert bench.controller.move(bench.permit("G1 X5 F600")).finished


# --- heaters ----------------------------------------------------------------------------

OFF = "> M104 S0\n> M140 S0\n"


def test_heaters_off_is_read_back(opened: Converse) -> None:
    bench = opened(OFF + "< ok\n< ok\n" + RESYNC + "> M105\n< ok T:200 /0 B:60 /0\n")
    assert bench.controller.heaters_off() == HeatersLeft(
        True, "every heater reports that it is off"
    )


def test_a_heater_the_machine_does_not_have_hides_nothing(opened: Converse) -> None:
    bench = opened(OFF + "< ok\n< error: no bed\n" + RESYNC + "> M105\n< ok T:20 /0\n")
    assert bench.controller.heaters_off().confirmed


@pytest.mark.parametrize(
    ("report", "left"),
    [("ok T:200 /0 B:60 /60", "B"), ("ok T:200 /210 B:60 /60", "T, B"), ("ok T:20.0", "T")],
)
def test_a_target_that_stays_or_is_not_told_is_not_off(
    opened: Converse, report: str, left: str
) -> None:
    off_again = "> M104 S0\n< ok\n> M140 S0\n< error: no bed\n" + RESYNC
    bench = opened(f"{OFF}< ok\n< ok\n{RESYNC}> M105\n< {report}\n{off_again}> M105\n< {report}\n")
    outcome = bench.controller.heaters_off()
    assert not outcome.confirmed
    assert f"not reported as off: {left};" in outcome.says
    assert "mains" in outcome.says


def test_heaters_off_leaves_in_the_middle_of_anything(opened: Converse) -> None:
    late = PLACE + "1.5 > G28 X\n8 > M104 S0\n> M140 S0\n8.1 < ok\n< ok\n< ok\n"
    bench = opened(late + RESYNC + "> M105\n< ok T:20 /0\n")
    with pytest.raises(NoAnswer):
        bench.controller.move(bench.permit("G28 X"))
    assert bench.controller.heaters_off().confirmed


def test_heaters_off_after_a_stop_that_does_not_halt_is_read_back(opened: Converse) -> None:
    dialect = dataclasses.replace(PRINTER, stop=Stop("M112", True, False))
    text = "> M112\n" + OFF + "< ok\n" * 3 + RESYNC + "> M105\n< ok T:20 /0\n"
    bench = opened(text, dialect)
    bench.controller.stop()
    assert bench.controller.heaters_off().confirmed


def test_heaters_off_after_a_stop_that_halts_does_not_wait(opened: Converse) -> None:
    bench = opened("> M112\n" + OFF)
    bench.controller.stop()
    at_s = bench.port.clock.now_s()
    outcome = bench.controller.heaters_off()
    assert not outcome.confirmed
    assert "mains" in outcome.says
    assert bench.port.clock.now_s() == at_s


def test_a_controller_that_came_back_from_its_halt_is_read_back(opened: Converse) -> None:
    off = OFF + "< ok\n" * 2 + RESYNC + "> M105\n< ok T:20 /0\n"
    bench = opened("> M112\n5 ~ NOTE x\n< start\n" + off)
    bench.controller.stop()
    with pytest.raises(Stopped):
        bench.controller.position()
    with pytest.raises(ControllerRestarted):
        bench.controller.position()
    assert bench.controller.heaters_off().confirmed


def test_heaters_off_without_answer_is_not_confirmed(opened: Converse) -> None:
    bench = opened(OFF + "> M114\n7.2 > M114\n")
    outcome = bench.controller.heaters_off()
    assert not outcome.confirmed
    assert "mains" in outcome.says


def test_heaters_off_over_a_lost_port_is_not_confirmed(opened: Converse) -> None:
    bench = opened("1.5 ! lost\n")
    outcome = bench.controller.heaters_off()
    assert not outcome.confirmed
    assert "went away" in outcome.says


def test_heaters_off_stopped_once_more_is_not_confirmed(
    opened: Converse, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = opened(OFF)

    def stopped(_: float) -> bytes:
        raise Stopped("stopped at your word")

    monkeypatch.setattr(bench.port, "read_until", stopped)
    assert not bench.controller.heaters_off().confirmed


def test_heaters_off_leaves_even_if_it_cannot_be_written_down(
    opened: Converse, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = opened(OFF)
    monkeypatch.setattr(bench.transcript, "_write", disk_full)
    assert not bench.controller.heaters_off().confirmed


def test_a_dialect_without_heaters_has_nothing_to_turn_off(opened: Converse) -> None:
    assert opened("", PLAIN).controller.heaters_off().confirmed


def test_heaters_that_cannot_be_read_back_are_not_confirmed(opened: Converse) -> None:
    bench = opened("> M104 S0\n< ok\n> G4 P0\n< ok\n", MUTE)
    outcome = bench.controller.heaters_off()
    assert not outcome.confirmed
    assert "cannot be read back" in outcome.says


# --- over a real terminal ---------------------------------------------------------------


@pytest.mark.parametrize("far_mm", [5.0, 20.0])
def test_the_simulated_machine(tmp_path: Path, far_mm: float) -> None:
    port = Port.open("rehearse://bench-mule?fault=none&seed=3", 115200)
    transcript = Transcript(tmp_path / "written.txt", port.clock)
    controller = Controller(port, PRINTER, transcript)
    controller.open_conversation()
    lines = (f"G1 X{far_mm:g} F600", "G1 X-1 F600")
    outcome = controller.move(Permit(1, lines, 0.1 * far_mm + 0.2, port.clock.now_s()))
    assert outcome.finished
    assert outcome.seconds >= (far_mm + 1.0) / 10.0
    assert controller.position() == {"x": far_mm - 1.0, "y": 0.0, "z": 0.0}
    assert controller.switches() == {"x": False, "y": False, "z": False}
    assert controller.heaters_off().confirmed
    assert controller.stop()
    assert not controller.heaters_off().confirmed
    controller.close()
    transcript.close()


class Machine:
    """A controller at the far end of a pseudo terminal: it answers, but no M400, to no end."""

    def __init__(self) -> None:
        self.far, self._near = os.openpty()
        self.name = os.ttyname(self._near)
        self.moving = threading.Event()
        self.lines: list[str] = []
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        partial = b""
        while "M112" not in self.lines:
            *lines, partial = (partial + os.read(self.far, 1000)).split(b"\n")
            for line in lines:
                self.lines.append(line.decode())
                if line == b"M400":
                    self.moving.set()
                elif line != b"M112":
                    os.write(self.far, b"X:0 Y:0 Z:0\nok\n" if line == b"M114" else b"ok\n")

    def ended(self) -> list[str]:
        self._thread.join(timeout=30)
        return self.lines

    def unplug(self) -> None:
        os.close(self._near)
        os.close(self.far)


def test_a_stop_from_another_thread_leaves_while_the_worker_waits(tmp_path: Path) -> None:
    machine = Machine()
    port = Port.open(machine.name, 115200)
    transcript = Transcript(tmp_path / "written.txt", port.clock)
    controller = Controller(port, PRINTER, transcript)
    raised: list[BaseException] = []

    def work() -> None:
        try:
            controller.move(Permit(1, ("G1 X5 F600",), 60.0, port.clock.now_s()))
        except BaseException as error:
            raised.append(error)

    worker = threading.Thread(target=work, daemon=True)
    worker.start()
    assert machine.moving.wait(timeout=30)
    assert controller.stop()
    worker.join(timeout=30)
    assert machine.ended() == ["M114", "M114", "G21", "G91", "G1 X5 F600", "M400", "M112"]
    assert [type(error) for error in raised] == [Stopped]
    assert controller.position_unknown
    machine.unplug()
    with pytest.raises(PortLost):
        controller.temperatures()
    with pytest.raises(PortLost):
        controller.stop()
    controller.close()
    transcript.close()


@pytest.mark.parametrize("proven", [True, False])
def test_a_conversation_that_was_written_down_can_be_replayed(
    opened: Converse, tmp_path: Path, proven: bool
) -> None:
    dialect = dataclasses.replace(PRINTER, barrier=Barrier("M400", proven))
    text = (
        PLACE
        + "> G1 X5 F600\n< ok\n> M400\n3 < ok\n8 ~ ANSWER 12.3\n> M105\n< ok T:20 /0\n9 > M112\n"
    )

    def talk(bench: Bench) -> None:
        bench.controller.open_conversation()
        bench.controller.move(bench.permit("G1 X5 F600"))
        bench.controller.temperatures()
        bench.controller.stop()
        bench.controller.close()
        bench.transcript.close()

    first = Bench(tmp_path, OPENING + text, dialect)
    talk(first)
    recorded = first.transcript.path.read_text(encoding="utf-8")
    first.transcript.path.unlink()
    again = Bench(tmp_path, recorded, dialect)
    talk(again)
    assert [(one.sort, one.text) for one in parse(again.transcript.path)][1:] == [
        (one.sort, one.text) for one in parse_text(tmp_path, recorded)
    ][1:]


def parse_text(folder: Path, text: str) -> list:
    path = folder / "recorded.txt"
    path.write_text(text, encoding="utf-8")
    return parse(path)
