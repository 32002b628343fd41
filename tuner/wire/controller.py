"""The controller as the engine uses it: a conversation over a port, one step at a time.

Rules it keeps:

* Every line that leaves is on the allow-list; a motion line leaves only inside ``move``, which
  takes nothing but a permit, and a line that heats only inside ``heat``, which takes nothing
  but a warrant.
* No line is ever sent a second time on a guess. A line that neither moves nor heats is sent
  once more, back in step and under a new number, when the controller itself asked for it by
  its number; a request to resend a motion leaves the position unknown.
* Where the dialect can tell, the reported position proves each move: the same before it as
  after the one before, and changed after it by what was sent, on its axis and on no other.
* What has arrived is heard before anything is sent, so a restart is noticed before the next
  line and not after it. After every way back into step the units and the distance mode are
  set anew before anything moves or heats; a question needs neither.
* A stop may come from any thread at any time. It is written under the write lock, which is
  never held while reading, waits for nothing, and after it no line leaves until the
  conversation is back in step.
* Whenever something makes the position doubtful, ``position_unknown`` is true until the one
  who finds it again says so.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from tuner.card.dialect import Dialect
from tuner.errors import (
    BenchFault,
    ControllerRestarted,
    LineNotAllowed,
    LineRefused,
    MachineFault,
    NoAnswer,
    PortLost,
    PositionUnknown,
    Stopped,
)
from tuner.safety.heat import Heater
from tuner.safety.permit import Permit, Warrant
from tuner.safety.words import Kind, check_dialect, classify
from tuner.text import shown
from tuner.wire.link import (
    Acknowledged,
    Busy,
    Event,
    Link,
    Position,
    Refused,
    Restarted,
    State,
    Switches,
    Temperatures,
)
from tuner.wire.port import Port
from tuner.wire.transcript import Transcript

__all__ = ["Controller", "HeatersLeft", "MoveOutcome"]

# Chosen for small controllers at a USB cable; common practice, no source.
_GREETING_S = 3.0  # a loader in front of the controller takes up to about 2 s
_QUIET_S = 0.3  # longer than any pause inside one report
_ANSWER_S = 5.0
_RESYNC_S = 10.0
_LONGEST_BUSY_S = 300.0  # a controller that is busy for longer than this has lost its way
# The computed duration knows neither the planner's rounding nor a slow start of the queue.
_MARGIN = 1.25
_MARGIN_S = 0.5
_SLOWED = 2.5  # a speed override of a half, set at the panel, is no silence
_EARLY = 0.5  # the computed duration is wrong by less than this
_BARRIERS = 4  # bears three acknowledgements too many in one group of moves
# Text has next to no unreadable bytes; at a wrong baud rate about half of them are.
_MOST_UNREADABLE = 0.25
_READABLE = bytes((*range(0x20, 0x7F), 0x09, 0x0A, 0x0D))
_MAINS = "switch the machine off at the mains"
# Reports have two or three decimals; both ends of a difference may be rounded.
REPORTED_WITHIN_MM = 0.01
_ROUNDING_MM = 1e-6
_FEEDER = "e"
_AXIS_WORD = re.compile(r" ([a-eh-z])([^ ]*)")  # any letter but f, the feed, and g


@dataclass(frozen=True)
class MoveOutcome:
    """How a move ended.

    `finished` is true when the controller itself said that motion has ended, false when only
    the computed duration with its margin has passed: then ask whether it is still.
    `seconds` is how long all of it took.
    """

    finished: bool
    seconds: float


@dataclass(frozen=True)
class HeatersLeft:
    """What became of the heaters: `confirmed` off as read back, or not, and a sentence."""

    confirmed: bool
    says: str


@dataclass(frozen=True)
class _Unproven:
    """A move that has ended: the reported place `before` it, and what was sent, by axis.

    None in place of mm is a search of an end switch.
    """

    before: Mapping[str, float]
    by_mm: Mapping[str, float | None]


class Controller:
    """The controller behind `port`, in the words of `dialect`.

    One thread uses it; ``stop`` alone may be called from any. Raises ``BadFile`` when the
    dialect has a line that may not be sent. Every method that talks raises ``PortLost``,
    ``ControllerRestarted``, ``LineRefused``, ``NoAnswer``, and ``Stopped`` after a stop; the
    conversation gets back into step by itself at the next call, where that is possible.
    """

    def __init__(self, port: Port, dialect: Dialect, transcript: Transcript) -> None:
        check_dialect(dialect)
        self._port = port
        self._clock = port.clock
        self._dialect = dialect
        self._transcript = transcript
        self._link = Link(dialect)
        self._modes_are_set = False
        self._is_halted = False
        self._feeder_in_use = False
        self._stands_at: Mapping[str, float] | None = None
        self._unproven: _Unproven | None = None
        self._bytes_heard = 0
        self._bytes_unreadable = 0
        self.position_unknown = True

    def position_established(self) -> None:
        """Take note that somebody has found out where the machine stands."""
        self.position_unknown = False
        self._stands_at = None

    # --- the conversation ---------------------------------------------------------------

    def open_conversation(self, timeout_s: float = 10.0) -> None:
        """Wait for the greeting, get into step, set units and distance mode.

        Opening a port restarts many controllers, so nothing from before is trusted. Raises
        ``NoAnswer`` after `timeout_s`, with the likely cause.
        """
        self.position_unknown = True
        self._transcript.event(f"opened {self._port.url} at {self._port.baud} baud")
        deadline_s = self._clock.now_s() + timeout_s
        self._await_greeting(min(deadline_s, self._clock.now_s() + _GREETING_S))
        while True:
            try:
                try:
                    self._get_into_step(deadline_s)
                except NoAnswer as silence:
                    raise self._why_no_answer() from silence
                self._set_modes()
                return
            except ControllerRestarted:
                # Another greeting after the first words is how a slow start looks.
                if self._clock.now_s() >= deadline_s:
                    raise

    def close(self) -> None:
        """End the conversation and close the port; nothing is sent."""
        with self._port.write_lock:
            self._link.close()
            self._port.close()
        self._transcript.event("closed")

    # --- motion -------------------------------------------------------------------------

    def move(self, permit: Permit) -> MoveOutcome:
        """Send the lines of `permit`, each after the answer to the one before; await the end.

        Raises ``PermitVoid`` before anything moves, and ``PositionUnknown`` when the machine
        does not stand where the move before left it. Anything raised later leaves
        ``position_unknown`` true: how far the move got is not known.
        """
        for line in permit.lines:
            self._check(line, Kind.MOTION)
        if _FEEDER in _commanded(permit.lines):
            self._speak_of_the_feeder()
        self._be_in_step()
        before = self._checked_start()
        self._set_modes()
        started_s = self._clock.now_s()
        lines = permit.redeem(started_s)
        with self._position_at_stake():
            # A full queue takes a line only when an earlier one has ended.
            patience_s = permit.seconds * _SLOWED + _ANSWER_S + self._dialect.dwell_s
            for line, share in zip(lines, _shares(lines), strict=True):
                self._ask(line, Kind.MOTION, patience_s)
                if self._dialect.stop is None or not self._dialect.stop.immediate:
                    # A controller answers when it has queued a line. What is queued no stop
                    # takes back, so the next line waits until this one has run.
                    ran_s = self._clock.now_s() + permit.seconds * share
                    self._wait_until(ran_s, "while it was moving")
            ends_s = started_s + permit.seconds * _MARGIN + _MARGIN_S
            for _ in range(_BARRIERS):
                self._ask(self._dialect.barrier.line, Kind.WAIT, patience_s)
                # An acknowledgement too many, of an earlier line, would be taken for the
                # barrier's. So an end that comes too early to be true must be said again.
                is_early = self._clock.now_s() - started_s < permit.seconds * _EARLY
                if not is_early or not self._dialect.barrier.proven:
                    break
            if not self._dialect.barrier.proven:
                self._wait_until(ends_s, "while it was moving")
        if before is not None:
            self._unproven = _Unproven(before, _commanded(lines))
        return MoveOutcome(self._dialect.barrier.proven, self._clock.now_s() - started_s)

    def check_arrival(self, within_mm: Mapping[str, float]) -> None:
        """Hold the reported position against what the latest ``move`` has sent.

        `within_mm` is how far an axis, in lower case, may be off: one step; 0.01 mm where that
        is less, or the axis is not there. Proves nothing in a dialect whose controller reports
        no commanded or planned position. Raises ``PositionUnknown``, and whatever a question
        raises; then ``position_unknown`` is true.
        """
        move, self._unproven = self._unproven, None
        if move is None:
            return
        with self._position_at_stake():
            now = self._reported_place()
            for axis in sorted({*move.before, *now, *move.by_mm}):
                by_mm = move.by_mm.get(axis, 0.0)
                if by_mm is None:
                    continue  # a search ends where its switch is
                moved_mm = _change(move.before, now, axis)
                allowed_mm = max(within_mm.get(axis, 0.0), REPORTED_WITHIN_MM)
                if not abs(moved_mm - by_mm) <= allowed_mm + _ROUNDING_MM:
                    raise PositionUnknown(_not_as_sent(axis, by_mm, moved_mm))
            self._stands_at = now

    # --- heat ---------------------------------------------------------------------------

    def heat(self, warrant: Warrant) -> None:
        """Send the line of `warrant`, once; from then on its heater has a target.

        Raises ``PermitVoid`` before anything is sent. Sent or not after anything else: the
        caller switches the heaters off.
        """
        self._check(warrant.line, Kind.HEAT)
        self._speak_of_the_feeder()
        self._be_in_step()
        self._set_modes()
        self._ask(warrant.redeem(self._clock.now_s()), Kind.HEAT)

    def listen(self, seconds: float) -> None:
        """Let `seconds` pass, hearing what the controller says meanwhile."""
        self._wait_until(self._clock.now_s() + seconds, "while it was heating")

    def stop(self) -> bool:
        """Write the dialect's stop at once and interrupt whatever waits; from any thread.

        Returns whether stop bytes left. Without a stop word no more lines are sent, and what
        has been sent runs on. Raises ``PortLost``, after all that can be done is done, when
        there is a stop word and it could not be sent.
        """
        lost: PortLost | None = None
        self.position_unknown = True
        with self._port.write_lock:
            if self._link.state is State.CLOSED:
                return False
            data = self._link.stop()
            try:
                self._port.write(data)
            except PortLost as error:
                data, lost = b"", error
            self._port.interrupt()
            if data and self._dialect.stop is not None:
                self._is_halted = self._dialect.stop.halts
            self._record_stop(bool(data))
        if lost is not None and self._dialect.stop is not None:
            raise lost
        return bool(data)

    # --- questions ----------------------------------------------------------------------

    def temperatures(self) -> tuple[Heater, ...] | None:
        """Return every heater that is reported, or None when the dialect has no such query."""
        if self._dialect.temperatures is None:
            return None
        # The last one: a report that comes unasked in front of the answer is older than it.
        for event in reversed(self._query(self._dialect.temperatures)):
            if isinstance(event, Temperatures):
                return event.heaters
        raise self._no_report(self._dialect.temperatures, "temperatures")

    def position(self) -> Mapping[str, float] | None:
        """Return axis -> mm as the controller counts them, or None when it cannot be asked.

        What the figures mean is the dialect's ``position_means``.
        """
        if self._dialect.position is None:
            return None
        for event in reversed(self._query(self._dialect.position)):
            if isinstance(event, Position):
                return event.axes
        raise self._no_report(self._dialect.position, "position")

    def switches(self) -> Mapping[str, bool] | None:
        """Return name -> pressed for every end switch, or None when it cannot be asked."""
        if self._dialect.switches is None:
            return None
        pressed: dict[str, bool] = {}
        for event in self._query(self._dialect.switches):
            if isinstance(event, Switches):
                pressed.update(event.pressed)
        if not pressed:
            raise self._no_report(self._dialect.switches, "switches")
        return pressed

    def heaters_off(self) -> HeatersLeft:
        """Turn every heater off and read the targets back; works in every state, never raises.

        The lines leave at once, whether or not the conversation is in step. Not for use after
        ``close``.
        """
        if not self._dialect.heaters_off and self._dialect.temperatures is None:
            return HeatersLeft(
                True,
                "this dialect has no words for heaters, and this program heated nothing; treat "
                "nozzle and bed as hot",
            )
        self._port.forget_interrupt()
        try:
            self._send_heaters_off()
            if self._is_halted:
                return HeatersLeft(
                    False,
                    "after the stop the controller answers nothing until it is switched off and "
                    f"on, so its heaters are not confirmed off; {_MAINS}",
                )
            # Before the next question, so that a refusal of one heater that the machine does
            # not have hides nothing: what is read back decides.
            self._get_into_step(self._clock.now_s() + _RESYNC_S)
            heaters = self.temperatures()
            if _targets_left(heaters):
                # A line can get lost, and off is off however often it is said.
                self._ask_heaters_off()
                heaters = self.temperatures()
        except (MachineFault, BenchFault, Stopped) as reason:
            return HeatersLeft(False, f"the heaters are not confirmed off: {reason}; {_MAINS}")
        if heaters is None:
            says = f"the heaters were sent off, but cannot be read back; {_MAINS}"
            return HeatersLeft(False, says)
        if left := _targets_left(heaters):
            says = f"not reported as off: {', '.join(left)}; {_MAINS}"
            return HeatersLeft(False, says)
        return HeatersLeft(True, "every heater reports that it is off")

    # --- sending ------------------------------------------------------------------------

    @staticmethod
    def _check(line: str, kind: Kind) -> None:
        found = classify(line)
        if found is not kind:
            raise LineNotAllowed(
                f"the line '{line}' {found.value}, where only a line that {kind.value} may be "
                "sent; nothing was sent"
            )

    def _send(self, line: str, kind: Kind) -> None:
        self._check(line, kind)
        with self._port.write_lock:
            self._port.heed_interrupt()
            if self._link.state is State.MUST_RESYNC:
                raise NoAnswer(
                    f"before '{line}' the controller answered more than it was asked; '{line}' was "
                    "not sent. Look at the machine and find its position again"
                )
        self._write((self._link.framed(line),), lambda: self._link.send(line))

    def _write(self, lines: Sequence[str], step: Callable[[], bytes]) -> None:
        """Record `lines`, then take `step` and write the bytes that it returns."""
        # Recorded first, so that no line that left is missing, and outside the lock, so that a
        # stop never waits for a disk.
        for line in lines:
            self._transcript.sent(line)
        try:
            with self._port.write_lock:
                self._port.heed_interrupt()
                self._port.write(step())
        except Stopped:
            self._transcript.event(f"'{', '.join(lines)}' was not sent: stopped")
            raise

    def _send_heaters_off(self) -> None:
        lines = self._dialect.heaters_off
        for line in lines:
            self._check(line, Kind.HEATERS_OFF)
        with self._port.write_lock:
            # Written before it is recorded: a full disk must not keep a heater on.
            self._port.write(b"".join(map(self._link.send_unheard, lines)))
        for line in lines:
            self._transcript.sent(line)

    def _ask_heaters_off(self) -> None:
        for line in self._dialect.heaters_off:
            # A heater that the machine does not have is refused; what is read back decides.
            with suppress(LineRefused):
                self._ask(line, Kind.HEATERS_OFF)
            self._get_into_step(self._clock.now_s() + _RESYNC_S)

    def _record_stop(self, has_left: bool) -> None:
        try:
            if has_left and self._dialect.stop is not None:
                self._transcript.sent(self._dialect.stop.line)
            else:
                self._transcript.event("stop asked for, no stop line sent")
        except BenchFault:
            # The stop has left; that it could not be written down is told at the next line.
            return

    # --- hearing ------------------------------------------------------------------------

    def _hear(self, deadline_s: float) -> list[Event]:
        """Return what arrives next, nothing at `deadline_s`; raise when it is a restart."""
        data = self._port.read_until(deadline_s)
        if not data:
            return []
        self._bytes_heard += len(data)
        self._bytes_unreadable += len(data.translate(None, _READABLE))
        with self._port.write_lock:
            events = self._link.feed(data)
            heard = self._link.heard
        for line in heard:
            self._transcript.received(line)
        # A controller that obeys a stop may refuse what was on its way: that is a stop too.
        self._port.heed_interrupt()
        for event in events:
            if isinstance(event, Restarted):
                self.position_unknown = True
                self._is_halted = False
                raise ControllerRestarted(
                    f"the controller has started anew ('{event.text}'): where the machine stands "
                    "is not known any more. Look at it and at its power, then begin again"
                )
        return events

    def _hear_what_came(self) -> None:
        """Hear what arrived while nobody listened; raise when it is a restart or a refusal."""
        self._refuse(self._hear(self._clock.now_s()), "while nothing was asked of it")

    @staticmethod
    def _refuse(events: list[Event], when: str) -> None:
        for event in events:
            if isinstance(event, Refused):
                raise LineRefused(
                    f"the controller said '{event.text}' {when}; nothing more was sent. Read its "
                    "display, remove the cause, then begin again"
                )

    def _ask(self, line: str, kind: Kind, patience_s: float = _ANSWER_S) -> list[Event]:
        """Send `line`, return what is heard until its answer.

        It is sent once more only when the controller asked for it by its number, and it
        neither moves nor heats.
        """
        try:
            return self._ask_once(line, kind, patience_s)
        except LineRefused as refusal:
            if not self._was_asked_again():
                raise
            if kind is Kind.MOTION:
                raise LineRefused(
                    f"the controller asked for '{line}' once more; a move is never sent twice on "
                    "a guess, so where the axis stands is not known. Look at the machine and the "
                    "data cable, then begin again"
                ) from refusal
            if kind is Kind.HEAT:
                raise
        self._transcript.event(f"'{line}' was asked for once more")
        self._get_into_step(self._clock.now_s() + _RESYNC_S)
        return self._ask_once(line, kind, patience_s)

    def _was_asked_again(self) -> bool:
        """Whether the controller asks for the line it has just refused; hears it out."""
        if self._dialect.checksum:
            # The request stands behind the error that it is for.
            self._await_quiet(self._clock.now_s() + _RESYNC_S)
        return self._link.asked_again

    def _ask_once(self, line: str, kind: Kind, patience_s: float) -> list[Event]:
        self._hear_what_came()
        self._send(line, kind)
        heard: list[Event] = []
        started_s = self._clock.now_s()
        deadline_s = started_s + patience_s
        while True:
            events = self._hear(deadline_s)
            self._refuse(events, f"to '{line}'")
            heard += events
            sorts = {type(event) for event in events}
            if Acknowledged in sorts:
                return heard
            now_s = self._clock.now_s()
            if Busy in sorts:
                deadline_s = min(now_s + patience_s, started_s + patience_s + _LONGEST_BUSY_S)
            if now_s >= deadline_s:
                self._give_up(f"'{line}'")
                raise NoAnswer(
                    f"the controller did not answer '{line}' within {now_s - started_s:.0f} s; it "
                    "was not sent again. Look at the machine, its power and the data cable"
                )

    def _query(self, line: str) -> list[Event]:
        with self._position_at_stake():
            self._be_in_step()
            return self._ask(line, Kind.QUERY)

    def _no_report(self, line: str, what: str) -> NoAnswer:
        self.position_unknown = True  # a part of the answer was lost, so more may be
        return NoAnswer(
            f"the controller answered '{line}' without {what} that can be read; look at the wire "
            "transcript, and at the dialect that the card names"
        )

    def _wait_until(self, then_s: float, meanwhile: str) -> None:
        while self._clock.now_s() < then_s:
            self._refuse(self._hear(then_s), meanwhile)

    def _reported_place(self) -> Mapping[str, float]:
        return self.position() or {}

    def _checked_start(self) -> Mapping[str, float] | None:
        """Return the place from which a move starts, None where that cannot be known.

        Raises ``PositionUnknown`` unless the machine stands where the move before left it.
        """
        if self._dialect.position_means not in ("commanded", "planned"):
            return None
        left_at, self._stands_at = self._stands_at, None
        now = self._reported_place()
        for axis in sorted({*left_at, *now}) if left_at is not None else ():
            moved_mm = _change(left_at or {}, now, axis)
            if not abs(moved_mm) <= REPORTED_WITHIN_MM + _ROUNDING_MM:
                self.position_unknown = True
                raise PositionUnknown(
                    f"{axis.upper()} was moved by {_in_mm(moved_mm)} since the last move of this "
                    "session, perhaps at the machine's own panel, so where the axes stand is not "
                    "known. Nothing was moved now. Leave the panel alone, and begin again"
                )
        return now

    def _give_up(self, waited_for: str) -> None:
        with self._port.write_lock:
            self._link.timed_out()
        self._transcript.event(f"no answer to {waited_for}")

    @contextmanager
    def _position_at_stake(self) -> Iterator[None]:
        try:
            yield
        except BaseException:
            self.position_unknown = True
            raise

    # --- getting into step --------------------------------------------------------------

    def _be_in_step(self) -> None:
        self._hear_what_came()
        if self._link.state in (State.WAITING, State.RESYNCING):
            # An error ended an earlier wait; its answer may still come.
            self._give_up("what was asked before")
        self._get_into_step(self._clock.now_s() + _RESYNC_S)

    def _await_greeting(self, deadline_s: float) -> None:
        try:
            while self._clock.now_s() < deadline_s:
                self._hear(deadline_s)
        except ControllerRestarted:
            return

    def _get_into_step(self, deadline_s: float) -> None:
        """Raise ``NoAnswer`` when it fails by `deadline_s`, ``LineRefused`` when refused twice."""
        refusals = 0
        while self._link.state is State.MUST_RESYNC:
            self._modes_are_set = False
            self._await_quiet(deadline_s)
            classify(self._link.resync_line)
            self._write(self._link.resync_lines, self._link.resync_query)
            try:
                self._await_report(min(deadline_s, self._clock.now_s() + _ANSWER_S))
            except LineRefused:
                # The first refusal may be of half a line that somebody else left there.
                refusals += 1
                if refusals == 2:
                    raise
            # An acknowledgement that was on its way would put it out of step again.
            self._await_quiet(deadline_s)

    def _set_modes(self) -> None:
        if not self._modes_are_set:
            feeder = self._dialect.feeder_relative if self._feeder_in_use else None
            for line in (*self._dialect.setup, *((feeder,) if feeder else ())):
                self._ask(line, Kind.MODE)
            self._modes_are_set = True

    def _speak_of_the_feeder(self) -> None:
        """From now on there is a feeder to speak of, and it counts from where it stands."""
        if not self._feeder_in_use:
            self._feeder_in_use = True
            self._modes_are_set = False

    def _await_quiet(self, deadline_s: float) -> None:
        while self._clock.now_s() < deadline_s:
            heard_before = self._bytes_heard
            self._hear(self._clock.now_s() + _QUIET_S)
            if self._bytes_heard == heard_before:
                return
        raise NoAnswer(
            f"the controller did not answer '{self._link.resync_line}' clearly, or never fell "
            "silent: it and this program are out of step. Switch it off and on, then begin again"
        )

    def _await_report(self, deadline_s: float) -> None:
        """Wait until in step, or out of it again, at the latest at `deadline_s`."""
        while self._link.state in (State.RESYNCING, State.WAITING):
            if self._clock.now_s() >= deadline_s:
                self._give_up(f"'{self._link.resync_line}'")
                return
            self._refuse(self._hear(deadline_s), f"to '{self._link.resync_line}'")

    def _why_no_answer(self) -> NoAnswer:
        where = f"the port {shown(self._port.url)} at {self._port.baud} baud"
        if not self._bytes_heard:
            return NoAnswer(
                f"nothing was heard on {where}; expected a greeting or an answer to "
                f"'{self._link.resync_line}'. Check that the machine is on, that the cable carries "
                "data and not only power, the baud rate in the card, and that no other program "
                "talks to this machine"
            )
        if self._bytes_unreadable > _MOST_UNREADABLE * self._bytes_heard:
            return NoAnswer(
                f"{self._bytes_unreadable} of {self._bytes_heard} bytes heard on {where} are "
                "unreadable; wrong baud rate? Look it up in the controller's papers and write it "
                "into the card"
            )
        return NoAnswer(
            f"something talks on {where}, but does not answer '{self._link.resync_line}' as the "
            f"dialect {shown(self._dialect.name)} expects. Check the dialect in the card, and that "
            "no other program talks to this machine"
        )


def _shares(lines: Sequence[str]) -> list[float]:
    """Return which part of the time of all `lines` each takes: its length over its feed."""
    times = []
    for line in lines:
        words = {word[0]: word[1:] for word in line.split(" ")[1:]}
        feed = float(words.pop("F", "1"))
        times.append(max(abs(float(by or 0.0)) for by in words.values()) / feed)
    whole = sum(times)
    return [time / whole for time in times] if whole else [1.0] * len(times)


def _commanded(lines: Sequence[str]) -> Mapping[str, float | None]:
    """Return what relative motion lines add up to: axis in lower case -> mm, None for a search."""
    by_mm: dict[str, float | None] = {}
    for line in lines:
        for axis, number in _AXIS_WORD.findall(line.lower()):
            so_far = by_mm.get(axis, 0.0)
            if line.startswith("G28") or so_far is None:
                by_mm[axis] = None
            else:
                by_mm[axis] = so_far + float(number)
    return by_mm


def _change(before: Mapping[str, float], now: Mapping[str, float], axis: str) -> float:
    """Return by how much the reported place of `axis` changed, in mm; nan without a report."""
    return now.get(axis, math.nan) - before.get(axis, math.nan)


def _in_mm(by_mm: float) -> str:
    return "an unknown amount" if math.isnan(by_mm) else f"{by_mm:+.3f} mm"


def _not_as_sent(axis: str, by_mm: float, moved_mm: float) -> str:
    letter = axis.upper()
    told = f"{letter} was told to go {by_mm:+.3f} mm" if by_mm else f"{letter} was to stay"
    return (
        f"{told}, and the controller reports {_in_mm(moved_mm)}: a limit set in it may have cut "
        "the move short, or something else moved the axis, such as the machine's own panel. Where "
        "the axes stand is not known. Look at its limits and its display, then begin again"
    )


def _targets_left(heaters: Sequence[Heater] | None) -> list[str]:
    """Return the names of the heaters that do not report a target of 0."""
    return [heater.name for heater in heaters or () if heater.target_c != 0]
