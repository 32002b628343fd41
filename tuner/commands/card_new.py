"""``tuner card new``: describe a machine, question by question, and write its card.

The rules it keeps: nothing is connected; a file that is there is never overwritten; a card is
written whole, or not at all. ``back`` plays the plan again without the last answer.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from tuner.answers import parse
from tuner.card.dialect import read_dialect
from tuner.card.read import read_card
from tuner.card.write import write_new
from tuner.commands.tune import console_for
from tuner.errors import BadAnswer, BadFile, Defect, Stopped, UsedWrongly
from tuner.messages import (
    Choose,
    Line,
    MakePlan,
    Message,
    Person,
    Question,
    Reply,
    Say,
    Text,
    Undo,
    Value,
)
from tuner.plans.asking import REFUSED, typed
from tuner.plans.card_setup import card_setup
from tuner.plans.run import Part
from tuner.session.questions import question_of
from tuner.text import shown, slug

_SUFFIX = ".toml"
_FOLDER = "cards"


def card_new(*, home: Path, target: Path | None, start_from: Path | None, plain: bool) -> int:
    """Describe a machine and write its card to `target`, or where the person says.

    The values of the card at `start_from` are what Enter takes. Return the exit status.
    Raises ``UsedWrongly`` when `target` is there already, ``BadFile`` for an earlier card that
    is wrong.
    """
    start = _as_plain_data(start_from) if start_from is not None else {}
    if target is not None:
        if taken := _taken(target):
            raise UsedWrongly(taken)
        if not target.parent.is_dir():
            raise UsedWrongly(
                f"there is no folder {shown(str(target.parent))} for the card; make it first, or "
                "name a file elsewhere"
            )
    console = console_for(plain)
    interview = Interview(console)

    def work() -> int:
        try:
            path = interview.run(lambda: _conversation(home, target, start))
        except Stopped as stopped:
            return _stopped(console, interview, stopped)
        return 1 if path is None else 0

    return console.serve(work, lambda: None)


class Interview:
    """Runs a plan that only says and asks; every answer can be taken back."""

    def __init__(self, person: Person) -> None:
        self._person = person
        self._answered: list[tuple[str, Reply]] = []

    def run(self, make_plan: MakePlan) -> Any:
        """Run the plan of `make_plan` to its end and return its result; raises ``Stopped``."""
        plan, known = make_plan(), list[Reply]()
        message = next(plan)
        while True:
            if not known:
                reply = self._hear(message)
            else:  # on the way back to a question: heard before, and not shown again
                reply = Value(None) if isinstance(message, Say) else known.pop(0)
            try:
                if isinstance(reply, Undo):
                    plan.close()
                    plan, known = make_plan(), [one for _, one in self._answered]
                    message = next(plan)
                else:
                    message = plan.send(reply)
            except StopIteration as ended:
                return ended.value

    def said(self) -> dict[str, str]:
        """Return what was answered so far, a line of text for each part of the plan."""
        groups: dict[str, dict[str, str]] = {}
        for key, reply in self._answered:
            group, _, name = key.partition(".")
            if isinstance(reply, Value):
                groups.setdefault(group, {})[name] = shown(str(reply.value))
        return {
            group: ", ".join(f"{name} {value}".lstrip() for name, value in said.items())
            for group, said in groups.items()
        }

    def _hear(self, message: Message) -> Reply:
        match message:
            case Say():
                if message.key == REFUSED:  # asked again: as if it had not been answered
                    self._answered.pop()
                line = Line(message.tag, message.key, message.fields, message.says)
                self._person.tell(line)
                return Value(None)
            case Choose() | Text():
                return self._ask(question_of(message, may_undo=True))
        raise Defect(f"{message.key}: the plan turned to a machine, and there is none here")

    def _ask(self, question: Question) -> Reply:
        key = question.line.key
        while True:
            try:
                reply = parse(question.accepts, self._person.ask(question))
            except BadAnswer as reason:
                self._refuse(str(reason))
                continue
            if not isinstance(reply, Undo):
                self._answered.append((key, reply))
                return reply
            if self._answered:
                self._answered.pop()
                return reply
            self._refuse("this is the first question; answer it, or type stop")

    def _refuse(self, reason: str) -> None:
        self._person.tell(Line("NOTE", REFUSED, (), reason))


def _conversation(home: Path, target: Path | None, start: Mapping[str, Any]) -> Part[Path | None]:
    description = yield from card_setup(start)
    if description is None:
        return None
    suggested = target or _free_place(home / _FOLDER, slug(description.name))

    def write(text: str) -> Path:
        path = Path(text)
        if reason := _taken(path):
            raise ValueError(reason)
        try:
            if path.parent == home / _FOLDER:
                path.parent.mkdir(parents=True, exist_ok=True)
            if not write_new(path, description.text.encode()):
                raise ValueError(_taken(path))
        except OSError as error:
            raise ValueError(
                f"{shown(text)} cannot be written ({shown(error.strerror or str(error))}); name a "
                "file in a folder that is there and may be written to"
            ) from None
        return path

    path = yield from typed(
        "file",
        f"Where to? Enter writes the card to {shown(str(suggested))}. No file is ever overwritten.",
        write,
        wanted="file name",
        default=str(suggested),
    )
    yield Say(key="written", fields=(("file", shown(str(path))),), says=_what_next(path))
    try:
        read_dialect(read_card(path).dialect, path)
    except BadFile as wrong:
        yield Say(key="dialect", says=f"warning: {wrong}")
    return path


def _free_place(folder: Path, stem: str) -> Path:
    path, n = folder / f"{stem}{_SUFFIX}", 1
    while path.exists():
        n += 1
        path = folder / f"{stem}-{n}{_SUFFIX}"
    return path


def _taken(path: Path) -> str:
    """Return why no card may be written to `path`, or nothing."""
    if path.is_dir():
        return f"{shown(str(path))} is a folder; name a file in it"
    if path.exists():
        return f"{shown(str(path))} is there already and stays as it is; name another file"
    return ""


def _what_next(path: Path) -> str:
    name = shown(str(path))
    return (
        f"Written to {name}, as text to read and change. Next, with the machine on: tuner ports, "
        f"then tuner tune {name} --port PORT"
    )


def _stopped(person: Person, interview: Interview, stopped: Stopped) -> int:
    person.tell(Line("NOTE", "stopped", (), str(stopped)))
    for group, said in interview.said().items():
        person.tell(Line("NOTE", f"answered.{group}", (), f"{group}: {said}"))
    person.tell(
        Line("NOTE", "not-written", (), "No file was written. The lines above are your answers")
    )
    return stopped.exit_status


def _as_plain_data(path: Path) -> dict[str, Any]:
    """Return the card at `path` with its numbers exact; raises ``BadFile`` when it is wrong."""
    text = read_card(path).text.removeprefix("\ufeff")
    plain: dict[str, Any] = _exact(tomllib.loads(text, parse_float=Decimal))
    return plain


def _exact(value: Any) -> Any:
    match value:
        case Decimal():
            return Fraction(value)
        case dict():
            return {key: _exact(one) for key, one in value.items()}
        case list():
            return [_exact(one) for one in value]
    return value
