"""Every procedure on the rehearsal machine, interrupted at a chosen place and taken up again.

An interruption is something that the program does not know, at a step, or at a look at what is
heated; or a person's stop, at a question or while the nozzle gets hot. Wherever it comes: every
confirmed reading is kept and none invented, the machine is left with its heaters off, nothing
moves without caution and consent, an axis that moves again begins with its first small move, and
the verdict stays.
"""

from __future__ import annotations

import contextlib
import io
import tomllib
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import evidence
import pytest
from cut_off import CutOff, cut_off_at, resume, run, transcripts, without_waiting_for_the_disk
from procedures_world import likely

from tuner.card.dialect import parse_dialect
from tuner.card.read import parse_card
from tuner.commands import rehearse
from tuner.commands.live import as_asked, plan_of, simulated
from tuner.messages import Ask, Question
from tuner.rehearsal.faults import card_text
from tuner.rehearsal.hands import Hands
from tuner.rehearsal.mule import Mule
from tuner.safety.heat import WORK_LIMIT_C, HeatWatch
from tuner.session.engine import Engine, Outcome
from tuner.session.logbook import Logbook, SessionHead, Step
from tuner.session.replay import replay

_FINISHED = 0
_MOST_FIRST = 1.0  # mm or degrees of a first move
_HOUR_S = 3600.0
_COLD_C = 30.0

Read = tuple[str, int, float, float]
"""A reading: its axis, its number, where it was taken and what it said."""


@dataclass(frozen=True)
class Procedure:
    """A session to rehearse, and what is rehearsed before it in the same home.

    On the card of the machine something may stand `instead` of what usually does.
    """

    name: str
    asked: tuple[str, ...]
    before: tuple[str, ...] = ()
    instead: tuple[str, str] = ("", "")

    def __str__(self) -> str:
        return self.name

    def prepare(self, home: Path) -> None:
        """Hold the session before, whose proposal is to be checked."""
        if self.before:
            assert run(home, "rehearse", "--hands-off", *self.before) == _FINISHED

    def begin(self, home: Path) -> int:
        """Hold the session and return its exit status."""
        check = ("--check", *map(str, (home / "proposals").glob("*.toml"))) if self.before else ()
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(
                rehearse, "card_text", lambda name: card_text(name).replace(*self.instead)
            )
            return run(home, "rehearse", "--hands-off", *self.asked, *check)


_WRONG_PULLEY = ("--fault", "pulley-teeth", "--axis", "x")
_PACK = ("--machine", "pack-mule")
PROCEDURES = (
    Procedure("feeder-cold", ("--fault", "gear-teeth", "--axis", "e")),
    # What slips in the hot nozzle has the simulated person feed hot.
    Procedure("feeder-hot", ("--fault", "feeder-slip", "--axis", "e")),
    Procedure("coupled", (*_PACK, *_WRONG_PULLEY)),
    Procedure("screw", ("--fault", "screw-lead", "--axis", "z")),
    Procedure(
        "vertical",
        (*_PACK, "--fault", "step-angle", "--axis", "z"),
        instead=("motors = 2", "motors = 1"),
    ),
    Procedure("several-screws", (*_PACK, "--fault", "unlike-screws", "--axis", "z")),
    Procedure("rotary", ("--fault", "gear-teeth", "--axis", "c")),
    Procedure("lost-steps", ("--test", "lost-steps", "--fault", "torque-limit", "--axis", "x")),
    Procedure("axis-test", ("--test", "axis-test", "--fault", "play", "--axis", "x")),
    Procedure("squareness", ("--test", "squareness", "--fault", "skew", "--axis", "y")),
    Procedure("whole-machine", ()),
    Procedure("whole-pack", _PACK),
    Procedure("quick", ("--quick", *_WRONG_PULLEY)),
    Procedure("check", _WRONG_PULLEY, before=_WRONG_PULLEY),
    Procedure("mark-on-the-shaft", ("--fault", "microsteps", "--axis", "x", "--seed", "3")),
    Procedure("mark-where-it-drops", (*_PACK, "--fault", "microsteps", "--axis", "z")),
)


KINDS = ("step", "question", "look", "pressed")


@dataclass(frozen=True)
class Place:
    """Where a session is interrupted: cut off at a ``step`` or a ``look`` at what is heated, or
    stopped by a person at a ``question`` or a ``pressed`` key, that is at a look."""

    kind: str
    number: int

    def __str__(self) -> str:
        return f"{self.kind} {self.number}"


# --- who watches --------------------------------------------------------------------------


@dataclass
class Watched:
    """The machines of some sessions, what was read off at them, and what was counted there."""

    mules: list[Mule] = field(default_factory=list)
    engines: list[Engine] = field(default_factory=list)
    read: set[Read] = field(default_factory=set)
    questions: int = 0
    looks: int = 0

    def is_hot(self) -> bool:
        """Say whether a nozzle is hot now."""
        return any(mule.temperature_c("T") > WORK_LIMIT_C for mule in self.mules)

    def left_warm(self) -> list[str]:
        """Return what is still warm an hour later."""
        for mule in self.mules:
            mule.clock.advance(_HOUR_S)
        return [
            f"heater {heater} was left at {mule.temperature_c(heater):.0f} degrees"
            for mule in self.mules
            for heater in ("T", "B")
            if mule.temperature_c(heater) > _COLD_C
        ]


@contextmanager
def watched(interrupted: Place | None = None) -> Iterator[Watched]:
    """Watch whoever is at a simulated machine, and what is heated; the first that comes to the
    place at which it is to be `interrupted` is."""
    seen = Watched()
    begun, answered, looked = Hands.__init__, Hands.answer, HeatWatch.look
    ran = Engine.run

    def begin(self: Hands, mule: Mule, seed: int) -> None:
        seen.mules.append(mule)
        begun(self, mule, seed)

    def run_it(self: Engine, *what: Any) -> Outcome:
        seen.engines.append(self)
        return ran(self, *what)

    def answer(self: Hands, question: Question) -> str:
        seen.questions += 1
        typed = answered(self, question)
        if interrupted == Place("question", seen.questions):
            return "stop"
        match question.message:
            case Ask(axis=axis, n=n, at_mm=at_mm) if n and typed != "stop":
                seen.read.add((axis, n, at_mm, float(typed)))
        return typed

    def look(self: HeatWatch, *what: Any, **how: Any) -> float:
        seen.looks += 1
        if interrupted == Place("look", seen.looks):
            raise CutOff
        if interrupted == Place("pressed", seen.looks):
            seen.engines[-1].stop()
        return looked(self, *what, **how)

    step = interrupted.number if interrupted and interrupted.kind == "step" else 0
    with pytest.MonkeyPatch.context() as patched, cut_off_at(step):
        patched.setattr(Hands, "__init__", begin)
        patched.setattr(Hands, "answer", answer)
        patched.setattr(HeatWatch, "look", look)
        patched.setattr(Engine, "run", run_it)
        yield seen


# --- what is kept -------------------------------------------------------------------------


@dataclass(frozen=True)
class Held:
    """What the logbook of a home holds of its newest session; no reading that was taken back."""

    sessions: int
    head: SessionHead
    steps: tuple[Step, ...]
    ended_as: str | None
    result: Any
    readings: frozenset[Read]
    taken_s: tuple[float, ...]
    proposed: dict[str, frozenset[Read]]

    def of_axis(self, axis: str) -> frozenset[Read]:
        """Return the readings of one axis."""
        return frozenset(one for one in self.readings if one[0] == axis)


def held(home: Path) -> Held:
    """Return what is held in `home`."""
    logbook = Logbook(home / "logbook.db")
    try:
        session = logbook.sessions()[-1]
        ended_as, result = logbook.ending(session)
        counting = [one for one in logbook.readings(session) if not one.withdrawn]
        taken = frozenset(
            (one.axis, one.number, one.commanded_mm, one.reading_mm) for one in counting
        )
        taken_s = tuple(one.time_s for one in counting)
        proposed = {
            one.axis: _proposed(one.axis, Path(one.path), taken)
            for one in logbook.proposals(session)
            if one.state == "open"
        }
        head, steps = logbook.head(session), tuple(logbook.steps(session))
        return Held(
            len(logbook.sessions()), head, steps, ended_as, result, taken, taken_s, proposed
        )
    finally:
        logbook.close()


def _proposed(axis: str, path: Path, taken: Collection[Read]) -> frozenset[Read]:
    """Return the readings in a proposal; of what turns, as `taken` from the index mark."""
    readings = tomllib.loads(path.read_text(encoding="utf-8"))["reading"]
    if "commanded_deg" not in readings[0]:
        return frozenset(
            (axis, one["n"], one["commanded_mm"], one["reading_mm"]) for one in readings
        )
    at_mark_deg = {n: read for name, n, _, read in taken if name == axis}
    return frozenset(
        (axis, one["n"], one["commanded_deg"], _on_mark(one["reading_deg"], at_mark_deg[one["n"]]))
        for one in readings
    )


def _on_mark(turned_deg: float, at_mark_deg: float) -> float:
    """Return what the mark shows after turning, where that is whole turns from `at_mark_deg`."""
    over_deg = (turned_deg - at_mark_deg + 180.0) % 360.0 - 180.0
    return at_mark_deg if abs(over_deg) < 1e-6 else turned_deg


@dataclass(frozen=True)
class Whole:
    """The session of a procedure that nobody interrupted, and at how many places one can be."""

    procedure: Procedure
    held: Held
    steps: int
    questions: int
    looks: int

    @cached_property
    def vertical(self) -> frozenset[str]:
        """The axes that can drop."""
        card = parse_card(self.held.head.card, "recorded card")
        return frozenset(name for name, axis in card.axes.items() if axis.vertical)

    @cached_property
    def all_read(self) -> Place:
        """The place right after the last reading was confirmed."""
        last, is_reading = 0, False
        for at, step in enumerate(self.held.steps, 1):
            if step.phase == "intent":
                is_reading = step.kind == "Ask" and step.body["n"] > 0
            elif step.phase == "reply" and is_reading:
                last = at
        return Place("step", last + 1)

    def uses_all(self, axis: str) -> bool:
        """Return whether every reading of an axis stands in its proposal."""
        return self.held.proposed.get(axis) == self.held.of_axis(axis)


def whole(procedure: Procedure, home: Path) -> Whole:
    """Hold the session in `home` from its beginning to its end."""
    with _quietly():
        procedure.prepare(home)
        with watched() as seen:
            assert procedure.begin(home) == _FINISHED
    now = held(home)
    assert now.ended_as == "finished"
    return Whole(procedure, now, len(now.steps), seen.questions, seen.looks)


@contextmanager
def _quietly() -> Iterator[io.StringIO]:
    said = io.StringIO()
    with without_waiting_for_the_disk(), contextlib.redirect_stdout(said):
        yield said


# --- interrupted --------------------------------------------------------------------------


def places(of: Whole, first: int = 1, each: int = 1) -> list[Place]:
    """Return each so many places at which the session can be interrupted, of every kind."""
    counts = zip(KINDS, (of.steps, of.questions, of.looks, of.looks), strict=True)
    return [
        Place(kind, number)
        for kind, count in counts
        for number in range(min(first, count or 1), count + 1, each)
    ]


@dataclass(frozen=True)
class Tried:
    """What came of interrupting one session: broken promises, and what was looked at.

    `kept` readings were confirmed before it went on. Of all ends of the session at a machine,
    `confirmed` had every heater report that it is off, the others sent the person to the `mains`.
    """

    broken: tuple[str, ...]
    kept: int
    confirmed: int
    mains: int


def tried(of: Whole, interrupted: Sequence[Place], home: Path) -> Tried:
    """Interrupt the session, take it up again, and say what was not as promised.

    Of several places to be `interrupted` at each is one of the run that takes it up after the
    one before.
    """
    with _quietly():
        of.procedure.prepare(home)
    before = len(transcripts(home))
    broken: list[str] = []
    left: list[str] = []
    read: set[Read] = set()
    confirmed: Held | None = None
    for number, place in enumerate((*interrupted, None)):
        status = _FINISHED
        with _quietly() as said, contextlib.suppress(CutOff), watched(place) as seen:
            status = resume(home) if number else of.procedure.begin(home)
        read |= seen.read
        was_hot = seen.is_hot()
        broken += seen.left_warm()
        lines = said.getvalue().splitlines()
        note = next((line for line in reversed(lines) if line.startswith(_HEATERS)), "")
        left += [note] if note else []
        in_doubt = bool(note) and _OFF not in note
        if in_doubt and not (_was_stopped(place) and _MAINS in note):
            broken.append(f"at the end of run {number + 1}: {note}")
        if _was_stopped(place) and status not in ((1,) if was_hot and in_doubt else (1, 3)):
            broken.append(f"stopped, run {number + 1} ended with {status}")
        now = held(home)
        if confirmed is not None and (lost := confirmed.readings - now.readings):
            broken.append(f"readings lost in run {number + 1}: {sorted(lost)}")
        if place is not None:
            confirmed = now
        elif status != _FINISHED:
            broken.append(f"taken up, it ended with {status}")
    assert confirmed is not None
    for transcript in transcripts(home)[before:]:
        records = evidence.parse(transcript)
        broken += [*evidence.check(records), *went_far_first(records, of.vertical)]
        if evidence.motion_lines(records) and not _switched_off(records):
            broken.append(f"{transcript.name}: after a move heaters were not switched off")
    broken += [*_not_kept(of, confirmed, now, read), *_not_replayed(home, now)]
    off = sum(_OFF in line for line in left)
    return Tried(tuple(broken), len(confirmed.readings), off, len(left) - off)


def _was_stopped(place: Place | None) -> bool:
    """Return whether a person stopped: a controller that obeys may fall silent."""
    return place is not None and place.kind in ("question", "pressed")


def _switched_off(records: Sequence[evidence.Record]) -> bool:
    """Return whether both heaters were sent off after the last move."""
    sent = [record.text for record in records if record.kind == ">"]
    last = max(at for at, line in enumerate(sent) if line in evidence.motion_lines(records))
    return {"M104 S0", "M140 S0"} <= {line.partition("*")[0] for line in sent[last:]}


_HEATERS, _OFF, _MAINS = "NOTE heaters ", "every heater reports that it is off", "at the mains"


def went_far_first(
    records: Sequence[evidence.Record], vertical: Collection[str] = ()
) -> Iterator[str]:
    """Say which axis began with another move than its first small one, or undeclared.

    A `vertical` one must have its block beside it as well. All that counts anew once the machine
    was off, for a mark to be drawn.
    """
    begun: set[str] = set()
    declared: set[str] = set()
    blocked: set[str] = set()
    for record in records:
        shown = evidence.parse_shown(record.text) if record.kind == "~" else None
        if shown is None:
            continue
        axis, _, asked = shown.key.partition(".")
        if shown.tag == "ANSWER" and asked in ("free-plus", "put-mark"):
            declared.add(axis)
        if shown.tag == "ANSWER" and asked == "block-beside":
            blocked.add(axis)
        if shown.tag == "ANSWER" and asked == "mark-drawn":
            for known in (begun, declared, blocked):
                known.discard(axis)
        if shown.tag == "MOVE" and axis not in begun:
            begun.add(axis)
            if axis in vertical and axis not in blocked:
                yield f"{axis} moved and no block was seen beside it"
            if axis not in declared:
                yield f"{axis} moved and its free travel was not declared"
            if asked != "first" or abs(float(shown.fields.get("by_mm", "inf"))) > _MOST_FIRST:
                yield f"{axis} began with {shown.key} by {shown.fields.get('by_mm')}"


def _not_kept(of: Whole, confirmed: Held, now: Held, read: set[Read]) -> Iterator[str]:
    if now.ended_as != "finished" or now.sessions != of.held.sessions:
        yield f"it ended as {now.ended_as}, of {now.sessions} sessions"
        return
    if invented := now.readings - read:
        yield f"readings that nobody read: {sorted(invented)}"
    for axis, proposed in now.proposed.items():
        of_axis = now.of_axis(axis)
        if not proposed <= of_axis or (of.uses_all(axis) and proposed != of_axis):
            yield f"the proposal for {axis} has other readings than the logbook"
    if now.proposed.keys() != of.held.proposed.keys():
        yield f"proposals for {sorted(now.proposed)}"
    were_all = (confirmed.readings, confirmed.taken_s) == (of.held.readings, of.held.taken_s)
    if were_all and _findings(now) != _findings(of.held):
        yield "no reading was due, and the result is another"
    for name, finding in _findings(of.held).items():
        yield from (f"{name}: {what}" for what in _differs(finding, _findings(now)[name]))


def _findings(of: Held) -> dict[str, dict[str, Any]]:
    """Return the findings of a session by axis; a check has one, and its outcome besides."""
    if "finding" in of.result:
        return {"checked": {**of.result["finding"], "outcome": of.result["outcome"]}}
    return dict(of.result)


def _differs(expected: dict[str, Any], now: dict[str, Any]) -> Iterator[str]:
    for key in ("verdict", "outcome"):
        if now.get(key) != expected.get(key):
            yield f"{key} {now.get(key)} and not {expected.get(key)}: {now['next']}"
    if likely(now) != likely(expected):
        yield f"likely is {sorted(likely(now))} and not {sorted(likely(expected))}"
    changes = [_changes(one) for one in (now, expected)]
    if changes[0] != changes[1]:
        yield f"proposed is {changes[0]} and not {changes[1]}"
    scales = [one["scale"] for one in (now, expected)]
    if None in scales:
        if scales[0] != scales[1]:
            yield f"the scale is {scales[0]} and not {scales[1]}"
    elif abs(scales[0]["value"] - scales[1]["value"]) > max(one["U"] for one in scales):
        yield f"the scale is {scales[0]['value']:.5f} and not {scales[1]['value']:.5f}"


def _changes(finding: dict[str, Any]) -> dict[str, Any]:
    """Return what is to be changed; a number that was measured is as sure as the scale is."""
    proposal = finding["proposal"] or {"basis": "parts", "changes": {}}
    changes: dict[str, Any] = proposal["changes"]
    return changes if proposal["basis"] == "parts" else dict.fromkeys(changes)


def _not_replayed(home: Path, now: Held) -> Iterator[str]:
    card = parse_card(now.head.card, "recorded card")
    dialect = parse_dialect(now.head.dialect, "recorded dialect")
    asked = now.head.params
    setup, _ = simulated(home, card, dialect, tuple(asked["axes"]), now.head.port)
    if replay(plan_of(as_asked(setup, asked)), now.steps).result != now.result:
        yield "replayed, it comes to another result"
