"""The stop, the worker and the net under outside text."""

from __future__ import annotations

import os
import signal
import threading

import pytest

from tuner.console.desk import StopRequest, Work, one_line, stop_failed, stop_on_signals
from tuner.errors import NoAnswer, PortLost, Stopped
from tuner.text import shown


def a_stop_request(events: list[str]) -> StopRequest:
    return StopRequest(
        stop=lambda: events.append("stop"),
        wake=lambda: events.append("wake"),
        failed=lambda error: events.append(f"failed: {error}"),
    )


def test_stops_before_it_wakes_and_is_remembered() -> None:
    events: list[str] = []
    stopping = a_stop_request(events)
    stopping.refuse_if_asked()
    stopping()
    assert events == ["stop", "wake"]
    with pytest.raises(Stopped):
        stopping.refuse_if_asked()


def test_asking_again_stops_again() -> None:
    events: list[str] = []
    stopping = a_stop_request(events)
    stopping()
    stopping()
    assert events.count("stop") == 2


def test_counts_as_asked_before_the_stop_is_carried_out() -> None:
    seen: list[bool] = []
    stopping = StopRequest(lambda: seen.append(stopping.asked), lambda: None, lambda _error: None)
    stopping()
    assert seen == [True]


def test_a_request_that_interrupts_a_stop_is_carried_out_after_it_not_inside() -> None:
    events: list[str] = []
    requests = iter([True, False])

    def stop() -> None:
        events.append("begin")
        if next(requests):
            stopping()  # as a signal handler would, in the very same thread
        events.append("end")

    stopping = StopRequest(stop, lambda: None, lambda _error: None)
    stopping()
    assert events == ["begin", "end", "begin", "end"]


def test_a_request_from_another_thread_during_a_stop_is_not_lost() -> None:
    runs: list[int] = []

    def stop() -> None:
        runs.append(1)
        if len(runs) == 1:
            other = threading.Thread(target=stopping)
            other.start()
            other.join()

    stopping = StopRequest(stop, lambda: None, lambda _error: None)
    stopping()
    assert len(runs) == 2


def test_a_stop_that_fails_is_reported_and_still_wakes() -> None:
    events: list[str] = []

    def stop() -> None:
        raise PortLost("the cable is out")

    stopping = StopRequest(
        stop,
        wake=lambda: events.append("wake"),
        failed=lambda error: events.append(str(error)),
    )
    stopping()
    assert events == ["the cable is out", "wake"]
    assert stopping.asked


def test_there_is_nothing_to_stop_after_the_work() -> None:
    events: list[str] = []
    stopping = a_stop_request(events)
    stopping.work_is_over()
    stopping()
    assert events == []


def test_the_line_of_a_failed_stop_names_the_power_switch_and_shows_the_reason_safely() -> None:
    line = stop_failed(PortLost("gone\x1b[2J"))
    assert line.tag == "CAUTION"
    assert "power switch" in line.says
    assert "gone\\x1b[2J" in line.says
    assert "ValueError" in stop_failed(ValueError()).says


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_signals_ask_for_a_stop_and_are_given_back(name: str) -> None:
    number = getattr(signal, name)
    before = signal.getsignal(number)
    events: list[str] = []
    with stop_on_signals(a_stop_request(events)):
        os.kill(os.getpid(), number)
        os.kill(os.getpid(), number)
    assert events == ["stop", "wake"] * 2
    assert signal.getsignal(number) is before


def test_work_returns_its_status_and_tells_its_end() -> None:
    ended = threading.Event()
    work = Work(lambda: 1, ended.set)
    work.start()
    work.wait()
    assert ended.is_set()
    assert (work.exit_status, work.result()) == (1, 1)


@pytest.mark.parametrize(
    ("error", "status"),
    [(Stopped("a"), 3), (NoAnswer("b"), 1), (ValueError("c"), 1), (KeyboardInterrupt(), 1)],
)
def test_what_comes_out_of_work_is_raised_by_its_result(error: BaseException, status: int) -> None:
    def fail() -> int:
        raise error

    work = Work(fail, lambda: None)
    work.start()
    work.wait()
    assert work.exit_status == status
    with pytest.raises(type(error)) as caught:
        work.result()
    assert caught.value is error


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", ""),
        ("plain ± text", "plain ± text"),
        ("two\nlines\r\nhere", "two lines  here"),
        ("a\u2028b\u0085c\x0bd\u00a0e", "a b c d e"),
        ("esc \x1b[2J bel \x07 csi \x9b", "esc \\x1b[2J bel \\x07 csi \\x9b"),
        ("turned \u202e round", "turned \\u202e round"),
        ("\ud800", "\\ud800"),
        (shown("back\\slash \x1b"), "back\\\\slash \\x1b"),  # not escaped twice
    ],
)
def test_one_line(text: str, expected: str) -> None:
    assert one_line(text) == expected
