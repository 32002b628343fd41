"""The line protocol: what is heard, in pieces of any size, and what is allowed when."""

from __future__ import annotations

import dataclasses
import unicodedata
from collections.abc import Callable
from itertools import chain, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuner.card.dialect import Dialect, read_dialect
from tuner.errors import Defect
from tuner.safety.heat import Heater
from tuner.wire.link import (
    LONGEST_LINE_BYTES,
    LONGEST_TEXT,
    NEXT,
    Acknowledged,
    Busy,
    Chatter,
    Event,
    Link,
    Position,
    Refused,
    Restarted,
    State,
    Step,
    StrayAcknowledgement,
    Switches,
    Temperatures,
)

PRINTER = read_dialect("printer", None)
PLAIN = read_dialect("plain", None)
ONLY_TEMPERATURES = dataclasses.replace(PRINTER, position=None)

T = Heater("T", 21.4, 0.0)
B = Heater("B", 21.2, 0.0)


def ready(dialect: Dialect = PRINTER) -> Link:
    link = Link(dialect)
    link.resync_query()
    link.feed(
        {"M114": b"X:0 Y:0 Z:0\nok\n", "M105": b"ok T:20 /0\n"}.get(link.resync_line, b"ok\n")
    )
    assert link.state is State.READY
    return link


def waiting(dialect: Dialect = PRINTER) -> Link:
    link = ready(dialect)
    link.send("G1 X1 F60")
    return link


# --- what is heard ----------------------------------------------------------------------

SAMPLES: list[tuple[bytes, list[Event]]] = [
    (b"ok\n", [Acknowledged()]),
    (b"ok\r\n", [Acknowledged()]),
    (b"ok\r", [Acknowledged()]),
    (b"\n\r\n\rok\n", [Acknowledged()]),
    (b"OK\n", [Acknowledged()]),
    (b"  ok  \n", [Acknowledged()]),
    (b"\0\xff\0ok\0\n", [Acknowledged()]),
    (b"\x20\x7f\x80ok\n", [Acknowledged()]),
    (b"~ok\n", [Chatter("~ok")]),
    (b"!ok\n", [Chatter("!ok")]),
    (b"ok P15 B3\n", [Acknowledged()]),
    (b"ok\nok\n", [Acknowledged(), StrayAcknowledgement()]),
    (b"okay\n", [Chatter("okay")]),
    (b"okok\n", [Chatter("okok")]),
    (b"start\n", [Restarted("start")]),
    (b"Start of something 1.0\n", [Restarted("Start of something 1.0")]),
    (b"\xfe\x00start\n", [Restarted("\\udcfe\\x00start")]),
    (b"X:12.0start\n", [Restarted("X:12.0start")]),
    (b"restarting soon\n", [Chatter("restarting soon")]),
    (b"error: unknown word Q5\n", [Refused("error: unknown word Q5")]),
    (b"Error:heater\n", [Refused("Error:heater")]),
    (b"!! hot\n", [Refused("!! hot")]),
    (b"Resend: 12\n", [Refused("Resend: 12", 12)]),
    (b"rs 12\n", [Refused("rs 12", 12)]),
    (b"rs12\n", [Chatter("rs12")]),
    (b"error: no\nok\n", [Refused("error: no"), StrayAcknowledgement()]),
    (b"busy: processing\n", [Busy()]),
    (b"// busy\n", [Busy()]),
    (b"ok T:21.4 /0.0 B:21.2 /0.0\n", [Temperatures((T, B)), Acknowledged()]),
    (b"T:21.4 /0.0 B:21.2 /0.0\nok\n", [Temperatures((T, B)), Acknowledged()]),
    (b"ok T:21.4/0.0 @:0 B:21.2/0.0 B@:0\n", [Temperatures((T, B)), Acknowledged()]),
    (b"T:21.4\n", [Temperatures((Heater("T", 21.4),))]),
    (b"T0:21.4 /0 T1:-3 /0\n", [Temperatures((Heater("T0", 21.4, 0), Heater("T1", -3, 0)))]),
    (b"T:150.5 E:0 W:?\n", [Temperatures((Heater("T", 150.5),))]),
    (b"B:60 /60\n", [Temperatures((Heater("B", 60.0, 60.0),))]),
    (b"T:nan /0.0\n", [Chatter("T:nan /0.0")]),
    (b"B:21 /0 T:inf /0\n", [Chatter("B:21 /0 T:inf /0")]),
    (b"T:1e5 /0\n", [Chatter("T:1e5 /0")]),
    (b"T:99999999 /0\n", [Chatter("T:99999999 /0")]),
    (b"T:20 /x\n", [Chatter("T:20 /x")]),
    (b"X:12.000 Y:0.000 Z:-1.5\n", [Position({"x": 12.0, "y": 0.0, "z": -1.5})]),
    (b"X:1.00Y:2.00Z:3.00\n", [Position({"x": 1.0, "y": 2.0, "z": 3.0})]),
    (b"X:1 Y:2 Count X:80 Y:160\n", [Position({"x": 1.0, "y": 2.0})]),
    (b"X:1 X:2\n", [Position({"x": 1.0})]),
    (b"ok X:1 Y:2\n", [Position({"x": 1.0, "y": 2.0}), Acknowledged()]),
    (b"X:1e5\n", [Chatter("X:1e5")]),
    (b"X:1E5\n", [Chatter("X:1E5")]),
    (b"X:nan\n", [Chatter("X:nan")]),
    (b"X:123456789\n", [Chatter("X:123456789")]),
    (b"here X:1\n", [Chatter("here X:1")]),
    (b"X:open Y:pressed\n", [Switches({"x": False, "y": True})]),
    (b"x_min: TRIGGERED\n", [Switches({"x_min": True})]),
    (b"x_min: open now\n", [Chatter("x_min: open now")]),
    (b"x_min: perhaps\n", [Chatter("x_min: perhaps")]),
    (b"\x1b[2J\x07\xff hello\n", [Chatter("\\x1b[2J\\x07\\udcff hello")]),
    ("grün\u202eü\n".encode(), [Chatter("grün\\u202eü")]),
    (b"\x00\xff\n", [Chatter("\\x00\\udcff")]),
    (b" \t \n", []),
    (b"M105\n", [Chatter("M105")]),  # an echo of what was sent
]


@pytest.mark.parametrize(("data", "events"), SAMPLES)
def test_a_sample_whole(data: bytes, events: list[Event]) -> None:
    assert waiting().feed(data) == events


@pytest.mark.parametrize(("data", "events"), SAMPLES)
def test_a_sample_byte_by_byte(data: bytes, events: list[Event]) -> None:
    link = waiting()
    heard = [link.feed(data[at : at + 1]) for at in range(len(data))]
    assert list(chain(*heard)) == events
    for at, some in enumerate(heard):
        assert not some or data[at : at + 1] in (b"\r", b"\n"), "nothing before the end of a line"


@pytest.mark.parametrize(("data", "events"), SAMPLES)
def test_a_sample_followed_by_more(data: bytes, events: list[Event]) -> None:
    link = waiting()
    assert link.feed(data + b"and more") == events
    assert link.feed(b"\n") == [Chatter("and more")]


@given(
    st.lists(st.sampled_from([data for data, _ in SAMPLES]), max_size=6),
    st.lists(st.integers(0, 300), max_size=12),
)
def test_any_split_gives_the_same(samples: list[bytes], cuts: list[int]) -> None:
    data = b"".join(samples)
    whole, split = waiting(), waiting()
    edges = [0, *sorted(cuts), len(data)]
    pieces = [data[a:b] for a, b in pairwise(edges)]
    assert list(chain(*map(split.feed, pieces))) == whole.feed(data)
    assert split.state is whole.state


@given(st.binary(max_size=400))
def test_no_bytes_break_it(data: bytes) -> None:
    link = waiting()
    for event in link.feed(data):
        if isinstance(event, Chatter | Refused | Restarted):
            assert not any(unicodedata.category(one).startswith("C") for one in event.text)


@pytest.mark.parametrize("piece", [1, 7, LONGEST_LINE_BYTES, LONGEST_LINE_BYTES + 1, 10**6])
def test_a_line_without_end_is_clipped_and_its_rest_is_dropped(piece: int) -> None:
    link = waiting()
    data = b"x" * (LONGEST_LINE_BYTES + 1) + b"ok" * 3000 + b"\nok\n"
    pieces = [data[at : at + piece] for at in range(0, len(data), piece)]
    assert list(chain(*map(link.feed, pieces))) == [
        Chatter("x" * (LONGEST_TEXT - 1) + "…"),
        Acknowledged(),
    ]


def test_the_longest_line_is_still_whole() -> None:
    link = waiting()
    link.feed(b"x" * LONGEST_LINE_BYTES)
    assert link.feed(b"\n") == [Chatter("x" * (LONGEST_TEXT - 1) + "…")]
    assert [len(line) for line in link.heard] == [LONGEST_LINE_BYTES]


def test_what_is_quoted_has_at_most_200_characters() -> None:
    assert Link(PRINTER).feed(b"x" * 200 + b"\n") == [Chatter("x" * 200)]
    assert Link(PRINTER).feed(b"x" * 201 + b"\n") == [Chatter("x" * 199 + "…")]


def test_heard_has_the_lines_of_the_latest_piece_as_decoded() -> None:
    link = waiting()
    link.feed("ok T:20 /0\r\ngr\xfcn\n".encode())
    assert link.heard == ("ok T:20 /0", "gr\xfcn")
    link.feed(b"half")
    assert link.heard == ()
    link.feed(b" a line\xff\n")
    assert link.heard == ("half a line\udcff",)


def test_what_is_sent_is_the_line_and_a_line_feed() -> None:
    assert ready().send("G1 X1 F60") == b"G1 X1 F60\n"
    assert ready().send_unheard("M104 S0") == b"M104 S0\n"
    assert ready().stop() == b"M112\n"
    assert Link(PRINTER).resync_query() == b"M114\n"
    assert Link(ONLY_TEMPERATURES).resync_query() == b"M105\n"
    assert Link(PLAIN).resync_query() == b"G4 P0\n"


def test_a_dialect_without_stop_sends_nothing_and_is_out_of_step() -> None:
    link = waiting(PLAIN)
    assert link.stop() == b""
    assert link.state is State.MUST_RESYNC


# --- what is allowed when ---------------------------------------------------------------


def closed() -> Link:
    link = ready()
    link.close()
    return link


def resyncing(dialect: Dialect = PRINTER) -> Link:
    link = Link(dialect)
    link.resync_query()
    return link


IN_STATE: dict[State, Callable[[Dialect], Link]] = {
    State.READY: ready,
    State.WAITING: waiting,
    State.MUST_RESYNC: Link,
    State.RESYNCING: resyncing,
    State.CLOSED: lambda _: closed(),
}

DO: dict[Step, Callable[[Link], object]] = {
    Step.SEND: lambda link: link.send("M105"),
    Step.SEND_UNHEARD: lambda link: link.send_unheard("M104 S0"),
    Step.STOP: lambda link: link.stop(),
    Step.TIME_OUT: lambda link: link.timed_out(),
    Step.RESYNC: lambda link: link.resync_query(),
    Step.CLOSE: lambda link: link.close(),
}

HEAR: dict[Step, tuple[Dialect, bytes]] = {
    Step.HEAR_ACKNOWLEDGEMENT: (PRINTER, b"ok\n"),
    Step.HEAR_LAST_ACKNOWLEDGEMENT: (PLAIN, b"ok\n"),
    Step.HEAR_REPORT: (PRINTER, b"X:0 Y:0 Z:0\n"),
    Step.HEAR_REFUSAL: (PRINTER, b"error: no\n"),
    Step.HEAR_GREETING: (PRINTER, b"start\n"),
}

# Written out once more by hand: the table of the module must not check itself.
R, W, M, Y, C = State.READY, State.WAITING, State.MUST_RESYNC, State.RESYNCING, State.CLOSED
EXPECTED: dict[Step, dict[State, State | None]] = {
    Step.SEND: {R: W, W: None, M: None, Y: None, C: None},
    Step.SEND_UNHEARD: {R: M, W: M, M: M, Y: M, C: None},
    Step.STOP: {R: M, W: M, M: M, Y: M, C: None},
    Step.TIME_OUT: {R: None, W: M, M: M, Y: M, C: None},
    Step.RESYNC: {R: None, W: None, M: Y, Y: None, C: None},
    Step.CLOSE: {R: C, W: C, M: C, Y: C, C: C},
    Step.HEAR_ACKNOWLEDGEMENT: {R: M, W: R, M: M, Y: Y, C: C},
    Step.HEAR_LAST_ACKNOWLEDGEMENT: {Y: R},
    Step.HEAR_REPORT: {R: R, W: W, M: M, Y: W, C: C},
    Step.HEAR_REFUSAL: {R: M, W: M, M: M, Y: M, C: C},
    Step.HEAR_GREETING: {R: M, W: M, M: M, Y: M, C: C},
}


@pytest.mark.parametrize(
    ("step", "state", "following"),
    [(step, state, to) for step, row in EXPECTED.items() for state, to in row.items()],
)
def test_every_step_in_every_state(step: Step, state: State, following: State | None) -> None:
    dialect, data = HEAR.get(step, (PRINTER, b""))
    link = IN_STATE[state](dialect)
    assert link.state is state
    if step in HEAR:
        link.feed(data)
        assert link.state is following
    elif following is None:
        with pytest.raises(Defect):
            DO[step](link)
        assert link.state is state
    else:
        DO[step](link)
        assert link.state is following


def test_the_expected_table_is_complete() -> None:
    assert set(EXPECTED) == set(Step) == {*DO, *HEAR}
    assert set(NEXT) == set(State) == set(IN_STATE)


def test_the_message_of_an_impossible_step_is_made_from_the_table() -> None:
    with pytest.raises(Defect) as caught:
        waiting().send("M105")
    says = str(caught.value)
    assert "'send a line' is possible only when it is 'ready for a line'" in says
    assert "'hear an acknowledgement'" in says
    with pytest.raises(Defect, match=r"possible now: 'close'$"):
        closed().stop()


# --- a late answer is never taken for another line's ------------------------------------


def test_a_late_acknowledgement_is_not_the_next_lines() -> None:
    link = waiting()
    link.timed_out()
    assert link.feed(b"ok\n") == [StrayAcknowledgement()]
    link.resync_query()
    assert link.feed(b"ok\nok\n") == [StrayAcknowledgement()] * 2
    assert link.state is State.RESYNCING
    link.feed(b"X:0 Y:0 Z:0\n")
    assert link.state is State.WAITING
    assert link.feed(b"ok\n") == [Acknowledged()]
    assert link.state is State.READY


def test_a_report_nobody_asked_for_does_not_bring_it_back_in_step() -> None:
    link = resyncing()
    link.feed(b"T:20 /0\n")
    assert link.state is State.RESYNCING
    only_temperatures = resyncing(ONLY_TEMPERATURES)
    only_temperatures.feed(b"X:0 Y:0 Z:0\n")
    assert only_temperatures.state is State.RESYNCING
    assert only_temperatures.feed(b"ok T:20 /0\n") == [
        Temperatures((Heater("T", 20.0, 0.0),)),
        Acknowledged(),
    ]
    assert only_temperatures.state is State.READY


def test_without_reports_every_line_must_be_acknowledged() -> None:
    link = waiting(PLAIN)
    link.timed_out()
    link.resync_query()
    assert link.feed(b"ok\n") == [StrayAcknowledgement()], "that was the line's before"
    assert link.state is State.RESYNCING
    assert link.feed(b"ok\n") == [Acknowledged()]
    assert link.state is State.READY


def test_without_reports_a_refusal_counts_as_an_answer() -> None:
    link = waiting(PLAIN)
    link.feed(b"error: no\n")
    link.resync_query()
    link.feed(b"ok\n")
    assert link.state is State.READY


def test_without_reports_a_lost_acknowledgement_needs_a_greeting() -> None:
    greeting = dataclasses.replace(PLAIN, greeting=("hello",))
    link = waiting(greeting)
    link.timed_out()
    link.resync_query()
    link.feed(b"ok\n")
    link.timed_out()
    link.resync_query()
    link.feed(b"ok\n")
    assert link.state is State.RESYNCING
    assert link.feed(b"Hello, it is me\n") == [Restarted("Hello, it is me")]
    link.resync_query()
    link.feed(b"ok\n")
    assert link.state is State.READY


def test_nothing_is_heard_after_close() -> None:
    link = waiting()
    link.feed(b"o")
    link.close()
    assert link.feed(b"k\nstart\n") == []
    assert link.heard == ()


def test_a_dialect_without_greeting_hears_no_restart() -> None:
    assert waiting(PLAIN).feed(b"start\n") == [Chatter("start")]


# --- numbers and checksums --------------------------------------------------------------

CHECKED = dataclasses.replace(PRINTER, checksum=True, line_number_reset="M110 N0")


def test_lines_are_counted_and_summed() -> None:
    link = Link(CHECKED)
    # Sums worked out by hand: the exclusive or of all bytes before the star.
    assert link.resync_lines == ("N0 M110 N0*125", "N1 M114*38")
    assert link.resync_query() == b"N0 M110 N0*125\nN1 M114*38\n"
    link.feed(b"ok\nX:0 Y:0 Z:0\nok\n")
    assert link.framed("M105") == "N2 M105*37"
    assert link.send("M105") == b"N2 M105*37\n"
    assert link.feed(b"ok\n") == [Acknowledged()]
    assert link.send("M105") == b"N3 M105*36\n"
    link.timed_out()
    assert link.resync_query() == b"N0 M110 N0*125\nN1 M114*38\n", "counted anew"


def test_a_stop_and_what_is_not_heard_leave_without_a_number() -> None:
    link = Link(CHECKED)
    assert link.send_unheard("M104 S0") == b"M104 S0\n"
    assert link.stop() == b"M112\n"
    assert link.framed("M105") == "N1 M105*38"


@pytest.mark.parametrize(
    ("heard", "asked"),
    [
        (b"Resend: 2\n", True),
        (b"rs 2\n", True),
        (b"Error:checksum mismatch\nResend:2\nok\n", True),
        (b"Resend: 1\n", False),
        (b"Resend: 3\n", False),
        (b"Resend:\n", False),
        (b"Resend: -\n", False),
        (b"error: line 2\n", False),
        (b"ok 2\n", False),
    ],
)
def test_a_request_to_resend_is_for_the_latest_line_or_not(heard: bytes, asked: bool) -> None:
    assert not Link(CHECKED).asked_again
    link = ready(CHECKED)
    link.send("M105")
    link.feed(heard)
    assert link.asked_again is asked
    if asked:
        assert link.state is State.MUST_RESYNC
        link.resync_query()
        link.feed(b"ok\nX:0 Y:0 Z:0\nok\n")
        link.send("M105")
        assert not link.asked_again


def test_without_numbers_nothing_is_asked_for_by_number() -> None:
    link = waiting()
    assert link.feed(b"Resend: 1\n") == [Refused("Resend: 1", 1)]
    assert not link.asked_again
