"""Every fault in every phase of a session, and what must come of each.

A session is a short plan through the real engine, gate, controller, link and port: it opens,
heats, reads, moves three times and leaves. ``EXPECTED`` says how it must end; what holds
however it ends is checked by ``test_wire_faults``.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from responder import Axis

from faulty.channel import Channel, Strike, Way, ways
from faulty.protocol_faulty import CHANNELS, SCHEME
from tuner.card.dialect import Dialect, parse_dialect, read_dialect
from tuner.card.read import parse_card
from tuner.messages import (
    Approach,
    Choose,
    Decided,
    Go,
    Heat,
    Limits,
    Line,
    Observe,
    Plan,
    Question,
)
from tuner.safety.gate import Gate
from tuner.session.engine import Engine, Outcome
from tuner.session.logbook import Logbook, SessionHead, Step
from tuner.session.record import LoggedTranscript, RecordedPerson
from tuner.wire.controller import Controller
from tuner.wire.port import Port

__all__ = [
    "DIALECTS",
    "EXPECTED",
    "GOES_ON",
    "OUTCOMES",
    "PHASES",
    "START_TRUE_MM",
    "WAYPOINTS_MM",
    "Session",
    "expected",
    "run",
    "table",
]

# What is hit: the line that matches the pattern once the phase has been reached, or, with
# None, what the machine says by itself.
PHASES: Mapping[str, bytes | None] = {
    "opening": rb"M114",
    "greeting": None,
    "setting a value": rb"G91",
    "reading a value": rb"M114",
    "heating": rb"M104 S45",
    "idle": None,
    "before a move": rb"M105",
    "during a move": rb"G1 ",
    "waiting for its end": rb"M400",
    "stopping": rb"M112",
    "leaving": rb"M104 S0",
}

_NUMBERED = """
checksum = true
line_number_reset = "M110 N0"
"""


def _numbered() -> Dialect:
    text = read_dialect("printer", None).text
    head = text.replace('name = "printer"', 'name = "numbered"')
    return parse_dialect(head + _NUMBERED, "dialect numbered")


DIALECTS: Mapping[str, Dialect] = {
    "printer": read_dialect("printer", None),
    "numbered": _numbered(),
}

CARD = """
schema = 1
[machine]
name = "Faulty line"
dialect = "printer"
[caliper]
range_mm = 150.0
resolution_mm = 0.01
error_limit_mm = 0.03
[axes.x]
drive = { kind = "belt", pitch_mm = 2.0, pulley_teeth = 20 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 80.0 }
range_mm = [0.0, 220.0]
[axes.e]
drive = { kind = "feeder", diameter_mm = 7.3 }
motor = { step_angle_deg = 1.8, microsteps = 16 }
stored = { steps_per_mm = 140.0 }
filament_diameter_mm = 1.75
max_feed_mm_per_s = 3.0
max_temperature_c = 240
"""
START_TRUE_MM = 100.0
# Every line goes another way, so that one sent twice stands out.
WAYPOINTS_MM = (7.0, -12.5, 31.0)
_THINKS_S = 2.0
_STOPS_AFTER_S = 0.8
_WHILE_OPENING = ("opening", "greeting", "setting a value")
_UNASKED = "T:22.0 /0.0 B:21.5 /0.0"

DECLARED = Limits(
    axis="x",
    minus_mm=-90.0,
    plus_mm=110.0,
    scale_low=1.0,
    scale_high=1.0,
    direction_seen=True,
    at_mm=0.0,
)

# code -> how the engine says it ended, exit status, what its sentence holds, what it means.
# The first one that fits counts.
OUTCOMES: Mapping[str, tuple[str, int, str, str]] = {
    "on": ("finished", 0, "", "the session goes on, and comes to its end"),
    "ends": ("finished", 1, "", "it comes to its end; only the heaters are left in doubt"),
    "silent": ("failed", 1, "did not answer", "given up: no answer to a line"),
    "mute": ("failed", 1, "nothing was heard|something talks", "given up: no conversation"),
    "rate": ("failed", 1, r"wrong baud rate\?", "given up: unreadable, is the rate right?"),
    "unread": ("failed", 1, "that can be read", "given up: an answer without its report"),
    "refused": ("failed", 1, "the controller said", "given up: the controller refused a line"),
    "again": (
        "failed",
        1,
        "once more",
        "given up: asked for a move once more, which it never gets",
    ),
    "restart": ("failed", 1, "has started anew", "given up: the controller restarted"),
    "heat": ("failed", 1, "it is switched off", "given up: a heater does not do as told"),
    "lost": ("port-lost", 1, "went away", "given up: the port is gone"),
    "place": ("position-unknown", 1, "not known", "given up: it stands elsewhere than it should"),
    "stop": ("stopped", 3, "", "stopped, as asked"),
}
GOES_ON = ("on", "ends")

# What must come of it, phase by phase in the order of PHASES; line/answer where a spoilt byte
# may travel either way. A star: the heaters are not confirmed off, and the person is sent to
# the mains.
_PRINTER = """
byte garbled         | on/on on/on place/silent   refused/on     heat/silent refused/on refused/on     place/silent refused/silent stop*/stop* on/on
byte dropped         | on/on on/on refused/silent refused/unread heat/silent refused/on refused/silent place/silent refused/silent stop*/stop* on/on
byte inserted        | on/on on/on refused/silent refused/unread heat/silent refused/on refused/silent place/silent refused/silent stop*/stop* on/on
two bytes swapped    | on/on on/on refused/silent refused/unread heat/silent refused/on refused/silent place/silent refused/silent stop*/stop* on/on
line lost            | on    on      silent  silent  silent  silent  silent  silent  silent  stop* on
answer lost          | on    on      silent  silent  silent  on      silent  silent  silent  stop* on
answer twice         | on    on      on      on      on      on      on      on      on      stop* on
answer late          | on    restart silent  silent  silent  on      silent  silent  silent  stop* on
answer out of order  | on    on      silent  silent  silent  on      silent  silent  silent  stop* on
reset, greeting      | on    on      on      restart restart restart restart restart restart stop* ends*
unplugged            | lost* lost*   lost*   lost*   lost*   lost*   lost*   lost*   lost*   stop* ends*
endless line, 1 MiB  | on    on      silent  unread  silent  unread  silent  silent  silent  stop* on
NULs                 | on    on      on      on      on      on      on      on      on      stop* on
not UTF-8            | on    on      on      on      on      on      on      on      on      stop* on
escape sequences     | on    on      on      on      on      on      on      on      on      stop* on
CR, CRLF, LF mixed   | on    on      on      on      on      on      on      on      on      stop* on
half a line          | on    on      silent  silent  silent  unread  silent  silent  silent  stop* on
chatter              | on    on      on      on      on      on      on      on      on      stop* on
resend, wrong number | on    on      refused refused refused refused refused refused refused stop* on
error, then ok       | on    on      refused refused refused refused refused refused refused stop* on
busy for ever        | mute* mute*   silent* silent* silent* silent* silent* silent* silent* stop* ends*
wrong baud rate      | mute* rate*   silent* silent* silent* silent* silent* silent* silent* stop* ends*
"""  # noqa: E501

# The same with line numbers and checksums, where it differs. A checksum that is an exclusive or
# does not notice two bytes that changed places; the read-back of the position does.
_NUMBERED_INSTEAD = """
byte garbled         | on/on on/on on/silent on/on     refused/silent on/on on/on     again/silent on/silent stop*/stop* on/on
byte dropped         | on/on on/on on/silent on/unread refused/silent on/on on/silent again/silent on/silent stop*/stop* on/on
byte inserted        | on/on on/on on/silent on/unread refused/silent on/on on/silent again/silent on/silent stop*/stop* on/on
two bytes swapped    | on/on on/on on/silent on/unread heat/silent on/on on/silent place/silent on/silent stop*/stop* on/on
wrong baud rate      | rate* rate* silent* silent* silent* silent* silent* silent* silent* stop* ends*
"""  # noqa: E501


def _cells(text: str) -> dict[tuple[str, str], str]:
    cells = {}
    for line in text.strip().splitlines():
        kind, _, row = line.partition("|")
        for phase, cell in zip(PHASES, row.split(), strict=True):
            cells[kind.strip(), phase] = cell
    return cells


EXPECTED: Mapping[str, Mapping[tuple[str, str], str]] = {
    "printer": _cells(_PRINTER),
    "numbered": _cells(_PRINTER) | _cells(_NUMBERED_INSTEAD),
}


def expected(dialect: str, kind: str, phase: str, way: Way) -> str:
    """Return the code of what must come of a fault."""
    codes = EXPECTED[dialect][kind, phase].split("/")
    return codes[ways(kind).index(way)]


def tour(phase: str, channel: Channel, stop: Callable[[], None]) -> Plan:
    """A session that comes through every phase; the fault of `phase` is aimed on the way."""

    def reached(*phases: str) -> None:
        if phase in phases:
            channel.aim(_target(phase, channel.way))

    yield Observe(key="greeting", what="greeting")
    if phase == "heating":
        reached("heating")
        yield Heat(key="warm", heater="nozzle", target_c=45)
        yield Heat(key="cool", heater="nozzle", target_c=0)
    reached("reading a value")
    yield Observe(key="where", what="position")
    yield Decided(key="x.declared", value=DECLARED)
    yield _approach(0)
    if phase == "idle":
        channel.later(_THINKS_S / 2, lambda: channel.machine.say(_UNASKED))
    reached("idle")
    yield Choose(key="x.seen", options=("yes", "no"), says="did it move?")
    yield Observe(key="switches", what="switches")
    reached("before a move", "during a move", "waiting for its end")
    yield _approach(1, over_mm=2.0)
    reached("stopping")
    if phase == "stopping":
        channel.watchers.append(_Once(b"G1 ", lambda: channel.later(_STOPS_AFTER_S, stop)))
    yield _approach(2)
    reached("leaving")
    yield Observe(key="leaving", what="leaving")


def _target(phase: str, way: Way) -> bytes | None:
    """Return what to hit; where the machine speaks by itself, a line is the next one there is."""
    target = PHASES[phase]
    return b"." if target is None and way is Way.LINE else target


def _approach(number: int, over_mm: float = 0.0) -> Approach:
    return Approach(
        key=f"x.move.{number + 1}",
        axis="x",
        to_mm=WAYPOINTS_MM[number],
        approach="plus",
        over_mm=over_mm,
        feed_mm_per_min=1200.0,
    )


class _Once:
    """Does something at the first line that holds `part`."""

    def __init__(self, part: bytes, then: Callable[[], None]) -> None:
        self._part = part
        self._then = then
        self._is_over = False

    def __call__(self, line: bytes) -> None:
        if not self._is_over and self._part in line:
            self._is_over = True
            self._then()


class _Bystander:
    """Answers what a careful person answers, after a while, and remembers all that was shown."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self.lines: list[Line] = []
        self.consents: list[int] = []
        self.told_too_early: list[Line] = []

    def tell(self, line: Line) -> None:
        self.lines.append(line)
        if line.tag == "MOVED" and self._channel.machine.moving:
            self.told_too_early.append(line)

    def discard_pending(self) -> None:
        pass

    def ask(self, question: Question) -> str:
        self.lines.append(question.line)
        self._channel.let_pass(_THINKS_S)
        if not isinstance(question.accepts, Go):
            return "yes"
        self.consents.append(len(self._channel.lines_sent))
        return "go"


@dataclass(frozen=True)
class Session:
    """One session with one fault, when it is over.

    consents : how many lines had left at each ``go``
    told_too_early : every line that said that a move had ended before it had
    """

    channel: Channel
    controller: Controller
    outcome: Outcome
    shown: Sequence[Line]
    consents: Sequence[int]
    told_too_early: Sequence[Line]
    steps: Sequence[Step]
    transcript: Path

    @property
    def code(self) -> str:
        """How it ended, as ``EXPECTED`` writes it."""
        said = {line.key: line.says for line in self.shown if line.tag == "NOTE"}
        reason = said.get(self.outcome.ended_as, "")
        found = next(
            (
                code
                for code, (ended_as, status, phrase, _) in OUTCOMES.items()
                if (ended_as, status) == (self.outcome.ended_as, self.outcome.exit_status)
                and re.search(phrase, reason)
            ),
            f"{self.outcome}: {reason}",
        )
        return found + ("*" if "mains" in said.get("heaters", "") else "")


def run(
    kind: str | Strike,
    phase: str,
    way: Way,
    dialect: str,
    folder: Path,
    *,
    stays_hot: bool = False,
    **machine: bool,
) -> Session:
    """Run one session in `folder`; an exception out of it is a failure of the program.

    `stays_hot` is a machine whose heaters are on again before each report at the end; `machine`
    goes to ``responder.Machine``.
    """
    channel = Channel(
        kind,
        way,
        axes={"X": Axis(start_true_mm=START_TRUE_MM)},
        restarts_on_open=phase != "opening",
        numbered=DIALECTS[dialect].checksum,
        **machine,
    )
    # At the worst moment somebody switches the heaters on at the machine's own panel.
    channel.watchers.append(_Once(b"M104 S0", lambda: _switch_on(channel)))
    if stays_hot:
        channel.watchers.append(lambda line: _switch_on_if_at_the_end(channel, line))
    if phase in _WHILE_OPENING:
        channel.aim(_target(phase, way))
    name = "channel"
    CHANNELS[name] = channel
    logbook = Logbook(folder / "logbook.db")
    head = SessionHead(name, "", "card", "", "", "tour", 1, {}, "")
    log = logbook.begin(head, channel.clock)
    transcript = LoggedTranscript(folder / "wire" / "session.txt", channel.clock, log)
    card = parse_card(CARD, "card")
    controllers: list[Controller] = []

    def connect() -> Controller:
        port = Port.open(SCHEME + name, 115200)
        controllers.append(Controller(port, DIALECTS[dialect], transcript))
        return controllers[0]

    person = _Bystander(channel)
    engine = Engine(
        person=RecordedPerson(person, transcript, log),
        connect=connect,
        gate=Gate(card.axes, DIALECTS[dialect], channel.clock),
        log=log,
        clock=channel.clock,
        hold_time_s=card.hold_time_s,
        file_proposal=lambda axis, finding: (axis, str(finding)),
    )
    try:
        outcome = engine.run(lambda: tour(phase, channel, engine.stop))
        steps = logbook.steps(name)
    finally:
        transcript.close()
        logbook.close()
    return Session(
        channel,
        controllers[0],
        outcome,
        person.lines,
        person.consents,
        person.told_too_early,
        steps,
        transcript.path,
    )


def _switch_on_if_at_the_end(channel: Channel, line: bytes) -> None:
    if b"M105" in line and b"M104 S0" in channel.lines_sent:
        _switch_on(channel)


def _switch_on(channel: Channel) -> None:
    channel.machine.set_target("T", 200.0)
    channel.machine.set_target("B", 60.0)


def table() -> str:
    """Return the grid as Markdown, the way it stands in DEVELOPERS.md."""
    meanings = [f"`{code}` {means}" for code, (_, _, _, means) in OUTCOMES.items()]
    legend = (
        f"{'; '.join(meanings)}. `*`: the heaters are not confirmed off, and the person is sent to "
        "the mains. Two codes: the byte was spoilt on its way to the machine / from it."
    )
    return "\n".join(
        [
            *textwrap.wrap(legend, 100),
            "",
            *_rows("printer", EXPECTED["printer"]),
            "",
            "With line numbers and checksums the same, except:",
            "",
            *_rows("numbered", _cells(_NUMBERED_INSTEAD)),
        ]
    )


def _rows(dialect: str, cells: Mapping[tuple[str, str], str]) -> Iterator[str]:
    yield f"| {dialect} | {' | '.join(PHASES)} |"
    yield "| --- " * (len(PHASES) + 1) + "|"
    for kind in dict.fromkeys(kind for kind, _ in cells):
        row = (cells[kind, phase].replace("/", " / ").replace("*", r"\*") for phase in PHASES)
        yield f"| {kind} | {' | '.join(row)} |"
