"""The line to a machine and what can go wrong on it, once, where a test has aimed.

The rules: the channel is faithful until it is struck, and strikes once. Time passes only in
``let_pass`` and ``wait``. A strike hits one exchange: a line to the machine, with everything it
says up to its answer; or, where nothing is asked, something that the machine says by itself.
"""

from __future__ import annotations

import heapq
import re
from collections.abc import Callable, Mapping
from enum import Enum
from itertools import count, cycle
from typing import Any

from responder import Axis, Machine

__all__ = ["KINDS", "Channel", "Gone", "Strike", "VirtualClock", "Way", "ways"]

_TRAVEL_S = 0.002  # how long a line takes to arrive
_SOON_S = 0.05
_LATE_S = 9.0  # later than the program waits for any answer of a short move
_BUSY_EVERY_S = 2.0
_PIECE = 4096  # what a terminal hands out at once at most
_ENDLESS = 1 << 20
_PIECE_S = _PIECE / 1e6  # a fast line, so that it is the length that counts
_CLOSING = re.compile(rb"(?:ok|error)", re.ASCII)
_VALUE = re.compile(rb"(?<=[XYZS])[-+]?\d", re.ASCII)
_DIGIT = re.compile(rb"\d", re.ASCII)


class Gone(Exception):
    """The port is gone."""


class Way(Enum):
    """What a fault hits: a line to the machine, or what the machine says."""

    LINE = "line"
    ANSWER = "answer"


Strike = Callable[["Channel", bytes | None], None]
"""Does one fault: has the channel, and the line that is hit, if it is one."""


class VirtualClock:
    """Stands still until it is moved, and never goes back."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        """Seconds since it was made."""
        return self._now_s

    def advance_to(self, then_s: float) -> None:
        """Let time pass until `then_s`, if that is still to come."""
        self._now_s = max(self._now_s, then_s)


class Channel:
    """One line, one machine at its end, one fault to come.

    sent      : every byte that left the program
    struck_at : when the fault happened, in s; None until then
    sent_when_struck : how many lines had left by then, the line that was hit among them
    watchers  : called with every line that leaves, before the machine has it
    """

    def __init__(
        self,
        kind: str | Strike,
        way: Way,
        *,
        axes: Mapping[str, Axis],
        restarts_on_open: bool = True,
        **machine: Any,
    ) -> None:
        self.clock = VirtualClock()
        self.machine = Machine(axes, now_s=self.clock.now_s, said=self._said, **machine)
        self.sent = bytearray()
        self.lines_sent: list[bytes] = []
        self.struck_at: float | None = None
        self.sent_when_struck = 0
        self.watchers: list[Callable[[bytes], None]] = []
        self.way = way
        self._strike = KINDS[kind] if isinstance(kind, str) else kind
        self._restarts_on_open = restarts_on_open
        self._aim: re.Pattern[bytes] | None = None
        self._aims_at_what_is_said = False
        self._answered: Callable[[bytes], None] | None = None
        self._utterance = b""
        self._half_a_line = b""
        self._arrived = bytearray()
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        self._order = count()
        self._is_gone = False
        self._is_muted = False
        self._is_at_the_wrong_rate = False
        self._line_ends = cycle([b"\n"])

    # --- what a test does ---------------------------------------------------------------

    def aim(self, line: bytes | None) -> None:
        """Strike the next line that matches the pattern, or what is said next, when None."""
        self._aim = None if line is None else re.compile(line)
        self._aims_at_what_is_said = line is None

    def later(self, seconds: float, then: Callable[[], None]) -> None:
        """Call `then` in `seconds`."""
        heapq.heappush(self._due, (self.clock.now_s() + seconds, next(self._order), then))

    def let_pass(self, seconds: float) -> None:
        """Let time pass while nobody reads."""
        until_s = self.clock.now_s() + seconds
        while self.clock.now_s() < until_s:
            self.wait(until_s)

    # --- what the door does -------------------------------------------------------------

    def opened(self) -> None:
        """Take note that somebody has opened the port."""
        if self._restarts_on_open:
            self.machine.begin_start()

    def take(self, data: bytes) -> None:
        """Take what the program writes; raises ``Gone``."""
        self._must_be_there()
        self.sent += data
        *lines, self._half_a_line = (self._half_a_line + data).split(b"\n")
        for line in lines:
            for watch in self.watchers:
                watch(line)
            self.lines_sent.append(line)
            if self._aim is not None and self._aim.search(line):
                self._hit(line)
            else:
                self.pass_on(line)
        self.turn()

    def waiting(self) -> int:
        """Return how many bytes can be had without waiting; raises ``Gone``."""
        self._must_be_there()
        self.turn()
        return min(len(self._arrived), _PIECE)

    def hand_out(self, size: int) -> bytes:
        """Return up to `size` of the bytes that have arrived; raises ``Gone``."""
        self._must_be_there()
        data = bytes(self._arrived[:size])
        del self._arrived[:size]
        return data

    def wait(self, until_s: float) -> None:
        """Let time pass until something can have happened, at the latest until `until_s`."""
        events_s = [until_s, *(at_s for at_s, _, _ in self._due[:1])]
        of_machine_s = self.machine.next_event_s()
        if of_machine_s is not None:
            events_s.append(of_machine_s)
        self.clock.advance_to(min(events_s))
        self.turn()

    def turn(self) -> None:
        """Bring the machine and the line to the present."""
        self.machine.advance()
        while self._due and self._due[0][0] <= self.clock.now_s():
            heapq.heappop(self._due)[2]()
            self.machine.advance()

    def _must_be_there(self) -> None:
        if self._is_gone:
            raise Gone

    # --- what a strike does -------------------------------------------------------------

    def pass_on(self, line: bytes | None) -> None:
        """Let the machine have `line`; None is what no line has caused."""
        if line is not None:
            whole = line + b"\n"
            self.machine.receive(_at_another_rate(whole) if self._is_at_the_wrong_rate else whole)

    def on_answer(self, then: Callable[[bytes], None]) -> None:
        """Call `then` with all that is said next, up to the answer, in place of delivering it."""
        self._answered = then
        self._utterance = b""

    def deliver(self, data: bytes, after_s: float = _TRAVEL_S) -> None:
        """Let `data` arrive at the program."""
        self.later(after_s, lambda: self._arrive(data))

    def unplug(self) -> None:
        """Take the port away for good; the machine goes on."""
        self._is_gone = True

    def mute(self) -> None:
        """Keep back whatever the machine says from now on."""
        self._is_muted = True

    def change_rate(self) -> None:
        """Let every byte of both ways arrive as another one."""
        self._is_at_the_wrong_rate = True

    def change_line_ends(self) -> None:
        """Let the lines of the machine end in every way there is, by turns."""
        self._line_ends = cycle([b"\r", b"\r\n", b"\n", b"\r\r\n", b"\n\r"])

    def _arrive(self, data: bytes) -> None:
        if not self._is_gone:
            self._arrived += _at_another_rate(data) if self._is_at_the_wrong_rate else data

    def _hit(self, line: bytes | None) -> None:
        self._aim, self._aims_at_what_is_said = None, False
        self.struck_at = self.clock.now_s()
        self.sent_when_struck = len(self.lines_sent)
        self._strike(self, line)

    def _said(self, data: bytes) -> None:
        if self._is_muted:
            return
        if self._aims_at_what_is_said:
            self._hit(None)
            self._utterance = b""
            is_whole = True
        else:
            is_whole = _CLOSING.match(data.splitlines()[-1]) is not None
        if self._answered is None:
            if not self._is_muted:
                self.deliver(b"".join(line + next(self._line_ends) for line in data.splitlines()))
            return
        self._utterance += data
        if is_whole:
            then, self._answered = self._answered, None
            then(self._utterance)


# --- the kinds --------------------------------------------------------------------------


def _at_another_rate(data: bytes) -> bytes:
    """Return what a receiver at another rate makes of `data`: fewer bytes, none of them right."""
    return bytes((byte * 37 + 0x81) % 256 | 0x80 for byte in data[::2])


def _most_harmful(text: bytes) -> int:
    """Return where a spoilt byte does most harm: in a length or a temperature, else at the end."""
    found = _VALUE.search(text)
    return found.end() - 1 if found else len(text) - 1


def _garbled(text: bytes) -> bytes:
    at = _most_harmful(text)
    return text[:at] + bytes([text[at] ^ 1]) + text[at + 1 :]


def _dropped(text: bytes) -> bytes:
    at = _most_harmful(text)
    return text[:at] + text[at + 1 :]


def _inserted(text: bytes) -> bytes:
    at = _most_harmful(text)
    return text[:at] + b"1" + text[at:]


def _swapped(text: bytes) -> bytes:
    """Swap two neighbours that differ, as far behind as the most harmful place."""
    at = _most_harmful(text)
    if _VALUE.search(text) and text[at + 1 : at + 2].isdigit():
        at += 1
    while at > 1 and text[at] == text[at - 1]:
        at -= 1
    return text[: at - 1] + text[at : at + 1] + text[at - 1 : at] + text[at + 1 :]


def _first_digit(text: bytes) -> int:
    found = _DIGIT.search(text)
    return found.start() if found else 0


def _answer_garbled(text: bytes) -> bytes:
    at = _first_digit(text)
    return text[:at] + bytes([text[at] ^ 1]) + text[at + 1 :]


def _spoils(line_to: Callable[[bytes], bytes], answer_to: Callable[[bytes], bytes]) -> Strike:
    def strike(channel: Channel, line: bytes | None) -> None:
        if channel.way is Way.LINE:
            channel.pass_on(None if line is None else line_to(line))
        else:
            channel.on_answer(lambda said: channel.deliver(answer_to(said)))
            channel.pass_on(line)

    return strike


def _precedes(before: bytes) -> Strike:
    """Something comes before the answer, which then comes whole."""

    def strike(channel: Channel, line: bytes | None) -> None:
        channel.on_answer(lambda said: channel.deliver(before + said))
        channel.pass_on(line)

    return strike


def _line_lost(channel: Channel, line: bytes | None) -> None:
    del channel, line


def _answer_lost(channel: Channel, line: bytes | None) -> None:
    channel.on_answer(lambda said: None)
    channel.pass_on(line)


def _answer_twice(channel: Channel, line: bytes | None) -> None:
    def twice(said: bytes) -> None:
        channel.deliver(said)
        channel.deliver(said, _SOON_S)

    channel.on_answer(twice)
    channel.pass_on(line)


def _answer_late(channel: Channel, line: bytes | None) -> None:
    channel.on_answer(lambda said: channel.deliver(said, _LATE_S))
    channel.pass_on(line)


def _answer_out_of_order(channel: Channel, line: bytes | None) -> None:
    """It comes behind the answer to the next line, and its own lines come backwards."""

    def keep(said: bytes) -> None:
        backwards = b"".join(reversed(said.splitlines(keepends=True)))
        channel.on_answer(lambda following: channel.deliver(following + backwards))

    channel.on_answer(keep)
    channel.pass_on(line)


def _reset(channel: Channel, line: bytes | None) -> None:
    channel.pass_on(line)
    channel.mute()

    def restart() -> None:
        channel._is_muted = False
        channel.machine.restart()

    channel.later(_SOON_S, restart)


def _unplugged(channel: Channel, line: bytes | None) -> None:
    channel.pass_on(line)
    channel.mute()
    channel.later(_SOON_S, channel.unplug)


def _endless(channel: Channel, line: bytes | None) -> None:
    """A mebibyte without an end of line, and the answer drowns in it."""

    def drown(said: bytes) -> None:
        for number in range(_ENDLESS // _PIECE):
            channel.deliver(b"x" * _PIECE, _TRAVEL_S + number * _PIECE_S)
        channel.deliver(said, _TRAVEL_S + _ENDLESS // _PIECE * _PIECE_S)

    channel.on_answer(drown)
    channel.pass_on(line)


def _line_ends(channel: Channel, line: bytes | None) -> None:
    channel.change_line_ends()
    channel.pass_on(line)


def _half_a_line(channel: Channel, line: bytes | None) -> None:
    channel.on_answer(lambda said: channel.deliver(said[: len(said) // 2]))
    channel.pass_on(line)


def _resend(channel: Channel, line: bytes | None) -> None:
    """The line is thrown away, and a line that never was is asked for."""
    channel.deliver(b"rs 4711\nok\n")
    del line


def _busy_for_ever(channel: Channel, line: bytes | None) -> None:
    channel.pass_on(line)
    channel.mute()

    def busy() -> None:
        channel.deliver(b"busy: at work\n")
        channel.later(_BUSY_EVERY_S, busy)

    channel.later(_BUSY_EVERY_S, busy)


def _wrong_rate(channel: Channel, line: bytes | None) -> None:
    channel.change_rate()
    channel.pass_on(line)


_CHATTER = (
    b"// the fan turns\n"
    b"okay so far\n"
    b"T:22.0 /0.0 B:21.5 /0.0\n"
    b"G1 X10 F600\n"
    b"erratic line voltage\n"
    b"\n"
    b" . \n"
)
# Clear the screen, set the title, a bell, 8-bit controls, and a change of direction.
_ESCAPES = b"\x1b[2J\x1b]0;all well\x07\x9b31m\x08\x08\xe2\x80\xae\x1b[1;1Hok for now\n"

KINDS: Mapping[str, Strike] = {
    "byte garbled": _spoils(_garbled, _answer_garbled),
    "byte dropped": _spoils(_dropped, lambda said: said[1:]),
    "byte inserted": _spoils(_inserted, lambda said: said[:1] + b"~" + said[1:]),
    "two bytes swapped": _spoils(_swapped, lambda said: said[1::-1] + said[2:]),
    "line lost": _line_lost,
    "answer lost": _answer_lost,
    "answer twice": _answer_twice,
    "answer late": _answer_late,
    "answer out of order": _answer_out_of_order,
    "reset, greeting": _reset,
    "unplugged": _unplugged,
    "endless line, 1 MiB": _endless,
    "NULs": _precedes(b"\0" * 64),
    "not UTF-8": _precedes(b"\xff\xfe\xc3(\xed\xa0\x80\n"),
    "escape sequences": _precedes(_ESCAPES),
    "CR, CRLF, LF mixed": _line_ends,
    "half a line": _half_a_line,
    "chatter": _precedes(_CHATTER),
    "resend, wrong number": _resend,
    "error, then ok": _precedes(b"error: the driver is warm\n"),
    "busy for ever": _busy_for_ever,
    "wrong baud rate": _wrong_rate,
}


def ways(kind: str) -> tuple[Way, ...]:
    """Return what a fault of this kind can hit; a spoilt byte may travel either way."""
    if "byte" in kind:
        return (Way.LINE, Way.ANSWER)
    return (Way.LINE,) if kind == "line lost" else (Way.ANSWER,)
