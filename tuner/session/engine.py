"""The engine: the only place that makes happen what a plan says.

It shows, asks, moves through the gate, and writes everything down: the intent before a
line is sent, the reply before the next message. It adds what a plan may not know: time,
temperatures, position. What it heats it watches, and no hot heater waits more than five
minutes for an answer. Whatever way a session ends, the heaters are switched off and read
back, and the person is told in plain words where things stand and what to do.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from tuner.answers import parse
from tuner.errors import (
    BadAnswer,
    BenchFault,
    Defect,
    HeatFault,
    LineRefused,
    MachineFault,
    PortLost,
    PositionUnknown,
    Stopped,
    TunerError,
    Unanswered,
)
from tuner.messages import (
    REFUSED,
    Again,
    Approach,
    Ask,
    Checkpoint,
    Choose,
    Clock,
    Confirm,
    Decided,
    Heat,
    Interrupted,
    Length,
    Limits,
    Line,
    MakePlan,
    Message,
    Observe,
    Person,
    Plan,
    Propose,
    Question,
    Reference,
    Reply,
    Say,
    Text,
    Undo,
    Value,
    fingerprint,
)
from tuner.safety.gate import Gate
from tuner.safety.heat import (
    UNATTENDED_S,
    WORK_LIMIT_C,
    Heaters,
    HeatWatch,
    HotSurfaces,
    check_cold,
)
from tuner.session.codec import reply_to_json
from tuner.session.logbook import SessionLog, Step
from tuner.session.questions import question_of
from tuner.session.replay import (
    HEATERS_LEFT,
    INTERRUPTED,
    TAKEN_BACK,
    as_it_was_left,
    follow,
    what_counts,
)
from tuner.text import shown
from tuner.wire.controller import Controller, HeatersLeft

FileProposal = Callable[[str, dict[str, Any]], tuple[str, str]]
"""Writes the proposal for an axis with this finding; returns its identifier and its file."""

_SAME_READING_MM = 0.1
_LOOK_AT_HEAT_S = 2.0
_TELL_OF_HEAT_S = 10.0


@dataclass(frozen=True)
class Outcome:
    """How a session ended. `result` is what the plan returned, None when it did not end."""

    ended_as: str
    exit_status: int
    result: Any


class Engine:
    """Runs one plan with one person on one machine."""

    def __init__(
        self,
        *,
        person: Person,
        connect: Callable[[], Controller],
        gate: Gate,
        log: SessionLog,
        clock: Clock,
        hold_time_s: float,
        file_proposal: FileProposal,
        home_option: str = "",
        has_machine: bool = True,
    ) -> None:
        """`home_option` is what a command needs at its end to find the logbook of `log`.

        `has_machine` is False for a plan that only asks.
        """
        self._person = person
        self._connect = connect
        self._controller: Controller | None = None
        self._stopping = threading.Event()
        self._gate = gate
        self._log = log
        self._clock = clock
        self._hold_time_s = hold_time_s
        self._file_proposal = file_proposal
        self._home_option = home_option
        self._has_machine = has_machine
        self._heaters: Heaters = None
        self._reached: Checkpoint | None = None  # where a session that is taken up was cut off
        self._hot = HotSurfaces()
        self._watch: HeatWatch | None = None
        self._left: HeatersLeft | None = None
        self._moved_at_s: float | None = None
        self._readings = 0
        self._last_read_s = 0.0
        self._ahead_s = 0.0
        self._drafts: dict[str, dict[str, Any]] = {}
        self._so_far: list[Step] = []
        self._former: dict[str, str] = {}  # answers taken back, by the key of their question
        self._settled = 0  # so many of these steps can no longer be taken back
        self._has_moved = False
        self._answered: dict[type, Callable[[Any], Reply]] = {
            Say: self._say,
            Confirm: self._confirm,
            Choose: self._choose_or_text,
            Text: self._choose_or_text,
            Ask: self._ask,
            Approach: self._move,
            Reference: self._move,
            Heat: self._heat,
            Observe: self._observe,
            Decided: self._decided,
            Checkpoint: self._checkpoint,
            Propose: self._propose,
        }

    def run(self, make_plan: MakePlan, recorded: Sequence[Step] = ()) -> Outcome:
        """Run a plan to its end, to a stop or to a fault; never leaves a heater on unsaid.

        It is made anew, and hears again what still counts, when an answer is taken back. With the
        steps `recorded` of a session that was cut off, the plan hears them first and
        then goes on; nothing that they say of positions and limits reaches the gate.
        """
        try:
            result = self._converse(make_plan, recorded)
            left = self._leave()
        except TunerError as error:
            return self._ended_early(error)
        except BaseException:
            self._leave()
            self._write_drafts()
            self._log.end("defect", None)
            raise
        status = 0 if left is None or left.confirmed else 1
        self._log.end("finished", result)
        return Outcome("finished", status, result)

    def stop(self) -> None:
        """Ask the machine to stop, at once and from any thread; the plan then ends."""
        self._stopping.set()
        controller = self._controller
        if controller is not None:
            controller.stop()

    def _converse(self, make_plan: MakePlan, recorded: Sequence[Step]) -> Any:
        plan = make_plan()
        try:
            so_far = follow(plan, recorded, self._remember)
            if so_far.waiting is None:
                return so_far.result
            self._so_far = what_counts(recorded)
            message = so_far.waiting
            if recorded:
                message = self._interrupt(plan, message, recorded)
            while True:
                reply = self._answer(message)
                if self._stopping.is_set():
                    raise Stopped("stopped at your word")
                if _takes_back_an_answer(message, reply):
                    plan.close()
                    plan = make_plan()
                    message = self._question_again(plan)
                else:
                    message = plan.send(reply)
        except StopIteration as ended:
            return ended.value
        finally:
            plan.close()

    def _interrupt(self, plan: Plan, waiting: Message, recorded: Sequence[Step]) -> Message:
        """Tell `plan` that it was cut off at `waiting`, and return what it says to that."""
        self._has_moved |= isinstance(waiting, Approach | Reference)
        left = as_it_was_left(recorded)
        self._write(*INTERRUPTED, waiting.key, left)
        self._settled = len(self._so_far)
        # This clock may have started anew, and the times of readings only ever grow.
        self._ahead_s = max(0.0, self._last_read_s - self._clock.now_s())
        says = f"session {self._log.session} {_how_it_ended(recorded)} and goes on now"
        if self._has_machine:
            says += (
                ", with the card and the dialect as they were then; "
                f"{_readings(self._readings, 'is', 'are')} kept"
            )
        self._person.tell(Line("NOTE", "taken-up", (), says))
        if self._reached is not None:
            self._checkpoint(self._reached)
        return plan.throw(Interrupted(**left))

    def _remember(self, message: Message, reply: Reply) -> None:
        """Take over from the record what is needed to go on and to end well."""
        match message, reply:
            case Ask(n=n), Value(at_s=at_s) if n:
                self._readings += 1
                self._last_read_s = max(self._last_read_s, at_s or 0.0)
            case Ask(), Undo():
                self._readings -= 1
            case Approach() | Reference(), _:
                self._has_moved = True
            case Checkpoint(), _:
                self._reached = message
            case Propose(), _:
                self._keep_draft(message)

    def _answer(self, message: Message) -> Reply:
        kind = type(message).__name__
        self._write("intent", kind, message.key, fingerprint(message))
        if self._watch is not None:
            self._look_at_heat(self._watch)
        reply = self._answered[type(message)](message)
        if _takes_back_an_answer(message, reply):
            self._write(*TAKEN_BACK, self._question_before() or message.key)
            return reply
        self._write("reply", *_kind_and_body(reply, message.key))
        if not _is_only_words(message):
            self._settled = len(self._so_far)
        return reply

    def _write(self, phase: str, kind: str, key: str, body: Any = None) -> None:
        """Write a step from which the plan can be brought to where it is now."""
        self._log.step(phase, kind, key, body)
        self._so_far.append(Step(0, 0.0, phase, kind, key, body))

    # --- taking an answer back -------------------------------------------------------------

    def _question_before(self) -> str | None:
        """Return the key of the question before the open one, None where its answer must stand.

        It must when something happened since: a move, a reading, a report, limits, a file.
        """
        *before, _ = [one for one in self._so_far[self._settled :] if one.phase == "intent"]
        keys = [one.key for one in before if _is_question(one)]
        return keys[-1] if keys else None

    def _question_again(self, plan: Plan) -> Message:
        """Bring `plan`, just made, to the question whose answer was taken back."""
        key = self._so_far[-1].key
        self._former[key] = str(
            next(
                step.body["value"]
                for step in reversed(self._so_far)
                if (step.phase, step.key) == ("reply", key)
            )
        )
        self._so_far = what_counts(self._so_far)
        waiting = follow(plan, self._so_far).waiting
        if waiting is None:
            raise Defect("a plan ended before the question whose answer was taken back")
        return waiting

    # --- saying and asking ---------------------------------------------------------------

    def _say(self, message: Say) -> Reply:
        self._person.tell(Line(message.tag, message.key, message.fields, message.says))
        return Value(None)

    def _checkpoint(self, message: Checkpoint) -> Reply:
        fields = (("step", str(message.step)), ("of", str(message.of)))
        self._person.tell(Line("STEP", message.key, fields, message.says))
        return Value(None)

    def _until_it_fits(self, question: Question) -> Reply:
        while True:
            try:
                patience_s = UNATTENDED_S if self._is_heated() else None
                typed = self._person.ask(replace(question, patience_s=patience_s))
                reply = parse(question.accepts, typed)
                if isinstance(reply, Again) and not _is_reading(question.message):
                    continue  # said once more
                return reply
            except BadAnswer as reason:
                self._refuse(str(reason))

    def _refuse(self, reason: str) -> None:
        self._log.step("note", "refused", "refused", reason)
        self._person.tell(Line("NOTE", "refused", (), reason))

    def _confirm(self, message: Confirm) -> Reply:
        reply = self._choose_or_text(message)
        return reply if isinstance(reply, Undo) else Value(reply == Value("yes"))

    def _choose_or_text(self, message: Confirm | Choose | Text) -> Reply:
        may_undo = self._question_before() is not None
        if isinstance(message, Text) and message.low_mm is None:
            # Of words alone: what safety hangs on is typed anew.
            message = replace(message, default=self._former.get(message.key, message.default))
        return self._until_it_fits(question_of(message, may_undo=may_undo))

    def _ask(self, message: Ask) -> Reply:
        fields = (
            ("axis", message.axis.upper()),
            ("at_mm", f"{message.at_mm:.4f}"),
            ("approach", message.approach),
            ("n", str(message.n)),
            *((("seat", str(message.seat)),) if message.seat > 1 else ()),
            *((("block_mm", f"{message.block_mm:g}"),) if message.block_mm else ()),
            *((("replaces", str(message.replaces)),) if message.replaces else ()),
            *((("unit", message.unit),) if message.unit != "mm" else ()),
        )
        may_undo = message.may_undo or self._question_before() is not None
        choices = "again, undo, stop" if may_undo else "again, stop"
        units = "mm|in" if message.unit == "mm" else message.unit
        says = f"{message.says} Answer number [{units}], {choices}".lstrip()
        question = Question(
            Line("READING", message.key, fields, says),
            Length(message.low_mm, message.high_mm, True, may_undo, unit=message.unit),
            message,
        )
        doubted: float | None = None
        while True:
            reply = self._until_it_fits(question)
            if isinstance(reply, Undo) and message.may_undo:
                self._readings -= 1
            if not isinstance(reply, Value):
                return reply
            if message.n and self._came_late(message.axis):
                self._person.tell(
                    Line(
                        "NOTE",
                        "late",
                        (),
                        f"that took longer than {self._hold_time_s:g} s, and the controller may "
                        "have released the motor meanwhile; the place is approached again before "
                        "a reading counts",
                    )
                )
                self._log.step("note", "late", message.key, reply.value)
                return Again()
            if self._far(message, reply.value) and not _same(doubted, reply.value):
                doubted = reply.value
                before = (
                    "; if the reading before this one was misread, undo takes it back"
                    if message.may_undo
                    else ""
                )
                self._refuse(
                    f"{reply.value:.2f} {message.unit} is far from the {message.expected_mm:.2f} "
                    f"{message.unit} that this place should show; read again. If it is really so, "
                    f"type it again{before}"
                )
                continue
            if not message.n:
                return reply
            self._readings += 1
            return replace(reply, at_s=round(self._clock.now_s() + self._ahead_s, 1))

    def _far(self, message: Ask, reading_mm: float) -> bool:
        if message.expected_mm is None:
            return False
        return abs(reading_mm - message.expected_mm) > message.within_mm

    def _came_late(self, axis: str) -> bool:
        # Filament is not approached anew, and stays where it is when its motor is released.
        if self._moved_at_s is None or self._gate.is_feeder(axis):
            return False
        return self._clock.now_s() - self._moved_at_s > self._hold_time_s

    # --- the machine ---------------------------------------------------------------------

    def _observe(self, message: Observe) -> Reply:
        match message.what:
            case "greeting":
                if self._controller is None:
                    self._controller = self._connect()
                if self._stopping.is_set():
                    raise Stopped("stopped while the port was being opened")
                self._controller.open_conversation()
                check_cold(self._look_at_heaters(self._controller))
                return Value(None)
            case "temperatures":
                heaters = self._look_at_heaters(self._connected())
                return Value(
                    None
                    if heaters is None
                    else [[one.name, one.now_c, one.target_c] for one in heaters]
                )
            case "position":
                return Value(_plain_data(self._connected().position()))
            case "switches":
                return Value(_plain_data(self._connected().switches()))
        left = self._leave()
        return Value(left is None or left.confirmed)

    def _connected(self) -> Controller:
        if self._controller is None:
            raise Defect("the plan turned to the machine before it was connected to it")
        return self._controller

    def _move(self, message: Approach | Reference) -> Reply:
        for group in self._gate.plan(message):
            controller = self._connected()
            self._look_at_heaters(controller)
            if controller.position_unknown:
                self._gate.forget_positions()
                raise PositionUnknown(
                    "the conversation with the controller was out of step, so nobody knows where "
                    "the axes stand. Look at the machine, then start again"
                )
            permit = self._gate.admit(group, self._person, self._heaters)
            # A person may think for an hour before the go.
            self._look_at_heaters(controller)
            self._gate.check_heat(group.axis, self._heaters)
            self._has_moved = True
            try:
                controller.move(permit)
                controller.check_arrival(self._gate.steps_mm)
            except BaseException as error:
                if isinstance(error, BenchFault):
                    controller.stop()  # what cannot be written down must not go on
                self._gate.forget_positions()
                with suppress(BenchFault):  # said already
                    self._log.step("lost", "position", message.key, message.axis)
                if isinstance(error, LineRefused) and self._gate.is_feeder(group.axis):
                    # Many refuse to feed while the nozzle is cold. That is for the plan to answer.
                    self._refuse(str(error))
                    return Value(REFUSED)
                raise
            self._gate.arrived(group)
            self._moved_at_s = self._clock.now_s()
            where = self._gate.position_mm(group.axis)
            self._person.tell(
                Line(
                    "MOVED",
                    message.key,
                    (("group", str(group.number)),),
                    (
                        f"the controller says {group.axis.upper()} is at {where:.2f} "
                        f"{self._gate.unit_of(group.axis)}"
                    ),
                )
            )
        return Value(None)

    def _heat(self, message: Heat) -> Reply:
        controller = self._connected()
        if message.target_c == 0:
            left = controller.heaters_off()
            self._person.tell(Line("NOTE", message.key, (), left.says))
            if not left.confirmed:
                raise HeatFault(left.says)
            self._watch = None
            return Value(None)
        self._look_at_heaters(controller)
        warrant, watch = self._gate.admit_heat(message, self._person, self._heaters)
        self._watch = watch  # not later: from here on it counts as heated
        self._hot.told(self._heaters, message.heater, message.target_c)
        controller.heat(warrant)
        now_c = self._until_hot(controller, watch, message)
        fields = (("heater", message.heater), ("now_c", f"{now_c:.1f}"))
        says = f"{message.heater} is at {now_c:.0f} °C"
        self._person.tell(Line("HEATED", message.key, fields, says))
        return Value(now_c)

    def _until_hot(self, controller: Controller, watch: HeatWatch, message: Heat) -> float:
        told_at_s = -math.inf
        while not watch.has_reached(now_c := self._look_at_heat(watch)):
            if self._clock.now_s() - told_at_s >= _TELL_OF_HEAT_S:
                told_at_s = self._clock.now_s()
                says = f"{message.heater} at {now_c:.0f} °C, on its way to {message.target_c} °C"
                fields = (("heater", message.heater), ("now_c", f"{now_c:.0f}"))
                self._person.tell(Line("NOTE", "heating", fields, says))
            controller.listen(_LOOK_AT_HEAT_S)
        return now_c

    def _look_at_heat(self, watch: HeatWatch) -> float:
        """Return what the heated heater reports; ``HeatFault`` when it cannot go on."""
        return watch.look(self._look_at_heaters(self._connected()), self._clock.now_s())

    def _look_at_heaters(self, controller: Controller) -> Heaters:
        self._heaters = controller.temperatures()
        self._hot.take(self._heaters)
        return self._heaters

    def _is_heated(self) -> bool:
        has_target = any(heater.target_c for heater in self._heaters or ())
        return self._controller is not None and (self._watch is not None or has_target)

    def _decided(self, message: Decided) -> Reply:
        if isinstance(message.value, Limits):
            self._gate.learn(message.value)
            if message.value.at_mm is not None:
                self._connected().position_established()
        return Value(message.value)

    def _propose(self, message: Propose) -> Reply:
        self._keep_draft(message)
        if message.draft:
            return Value(None)
        return Value(self._write_proposal(message.axis, message.finding))

    def _keep_draft(self, message: Propose) -> None:
        """Keep what is only a draft, and forget it when the proposal itself has come."""
        self._drafts.pop(message.axis, None)
        if message.draft:
            self._drafts[message.axis] = message.finding

    def _write_proposal(self, axis: str, finding: dict[str, Any]) -> str:
        identifier, file = self._file_proposal(axis, finding)
        decide = "Read it, then decide" if finding.get("proposal") else "It proposes no change"
        self._person.tell(
            Line(
                "PROPOSAL",
                axis,
                (("file", file),),
                f"written as {identifier}; nothing was changed on the machine. {decide}",
            )
        )
        return identifier

    def _write_drafts(self) -> None:
        """Write what was found before the session ended early; looks are still to be done."""
        drafts, self._drafts = self._drafts, {}
        for axis, finding in drafts.items():
            try:
                self._write_proposal(axis, finding)
            except BenchFault as reason:
                self._tell_in_any_case(Line("NOTE", "not-written", (), str(reason)))

    # --- ways out ------------------------------------------------------------------------

    def _leave(self) -> HeatersLeft | None:
        """Switch the heaters off, read back, close; return what became of them.

        None when the session never was at a machine. Later calls repeat the first answer.
        """
        controller = self._controller
        self._watch = None
        if controller is not None:
            self._gate.forget_positions()
            try:
                self._left = controller.heaters_off()
            except Exception as error:  # whatever it is, the person must hear what to do
                self._left = HeatersLeft(
                    False,
                    f"the heaters are not confirmed off ({shown(str(error))}); switch the machine "
                    "off at the mains",
                )
            with suppress(BenchFault):  # only the transcript's last line
                controller.close()
            self._controller = None  # not before: until then a stop must reach the machine
            with suppress(BenchFault):
                self._log.step(*HEATERS_LEFT, "heaters-left", self._left.confirmed)
            self._tell_in_any_case(Line("NOTE", "heaters", (), self._left.says))
            if still_hot := self._hot.in_words():
                self._tell_in_any_case(Line("NOTE", "still-hot", (), still_hot))
        return self._left

    def _tell_in_any_case(self, line: Line) -> None:
        """Show `line` also when it cannot be written down any more."""
        with suppress(BenchFault):
            self._person.tell(line)

    def _may_be_hot(self) -> bool:
        return self._heaters is None or any(
            one.now_c > WORK_LIMIT_C or one.target_c for one in self._heaters
        )

    def _ended_early(self, error: TunerError) -> Outcome:
        if self._stopping.is_set() and isinstance(error, MachineFault):
            # A controller that obeys a stop may refuse what was on its way, or fall silent.
            error = Stopped(f"stopped at your word ({error})")
        ended_as, status = _ENDINGS.get(type(error), ("failed", error.exit_status))
        left = self._leave()
        if left is not None and not left.confirmed and self._may_be_hot():
            status = 1
        self._tell_in_any_case(Line("NOTE", ended_as, (), str(error)))
        says = f"what was answered so far is kept as {self._log.session}"
        if self._has_machine:
            says = (
                f"{_readings(self._readings, 'of this session is', 'of this session are')} in the "
                f"logbook as {self._log.session}. Nothing was changed on the machine. "
            )
        if self._has_moved:
            says += (
                "The position of every axis counts as unknown: motion already queued may still "
                "run on, so wait until it is still before you reach in. "
            )
        self._tell_in_any_case(Line("NOTE", "where-things-stand", (), says.rstrip()))
        # A line of its own: it is to be typed, and must not be cut at the length of a line.
        says = f"go on with: tuner resume {self._log.session}"
        if self._has_machine:
            says = f"go on when the machine is ready: tuner resume {self._log.session}"
        self._tell_in_any_case(Line("NOTE", "go-on", (), says + self._home_option))
        self._write_drafts()
        self._log.end(ended_as, None)
        return Outcome(ended_as, status, None)


_ENDINGS: dict[type[TunerError], tuple[str, int]] = {
    Stopped: ("stopped", Stopped.exit_status),
    PortLost: ("port-lost", MachineFault.exit_status),
    PositionUnknown: ("position-unknown", MachineFault.exit_status),
    Unanswered: ("unanswered", Unanswered.exit_status),
}


_QUESTIONS = frozenset({"Confirm", "Choose", "Text"})


def _is_only_words(message: Message) -> bool:
    """Return whether nothing happened with `message` that an answer taken back could upset."""
    if isinstance(message, Decided):
        return not isinstance(message.value, Limits)
    if isinstance(message, Ask):
        return not _is_reading(message)
    return isinstance(message, Say | Checkpoint | Confirm | Choose | Text)


def _is_reading(message: Message | None) -> bool:
    """Return whether `message` asks for a reading that counts; closed jaws do not."""
    return isinstance(message, Ask) and message.n > 0


def _is_question(intent: Step) -> bool:
    return intent.kind in _QUESTIONS or (intent.kind == "Ask" and not intent.body["n"])


def _takes_back_an_answer(message: Message, reply: Reply) -> bool:
    """Return whether `reply` undoes the question before; a plan takes its readings back itself."""
    return isinstance(reply, Undo) and not (isinstance(message, Ask) and message.may_undo)


def _kind_and_body(reply: Reply, key: str) -> tuple[str, str, Any]:
    kind, body = reply_to_json(reply)
    return kind, key, body


def _plain_data(report: Mapping[str, Any] | None) -> dict[str, Any] | None:
    return None if report is None else dict(report)


def _how_it_ended(recorded: Sequence[Step]) -> str:
    """Return whether a session was stopped by a person, or cut off, in words."""
    last = recorded[-1]
    was_stopped = last.kind == "ended" and last.body["ended_as"] == "stopped"
    return "was stopped" if was_stopped else "was cut off"


def _readings(count: int, one: str, several: str) -> str:
    return f"{count} reading {one}" if count == 1 else f"{count} readings {several}"


def _same(earlier_mm: float | None, later_mm: float) -> bool:
    return earlier_mm is not None and abs(earlier_mm - later_mm) <= _SAME_READING_MM
