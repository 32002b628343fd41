"""``tuner card new``: describe a machine, question by question, and write its card.

The rules it keeps: nothing is connected; a file that is there is never overwritten; a card is
written whole, or not at all. ``back`` plays the plan again without the last answer. What was
answered is kept as a draft, after each answer and until its card is written.
"""

from __future__ import annotations

import shlex
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeGuard

from tuner.answers import parse
from tuner.card.dialect import read_dialect
from tuner.card.noted import taken_for_granted
from tuner.card.read import parse_card, read_card
from tuner.card.waiting import counted_in, waiting_axes
from tuner.card.write import write_new
from tuner.commands.cards import SUFFIX, card_file, cards_folder
from tuner.commands.drafts import Draft, Kept, drafts, free_draft
from tuner.commands.home import home_option, usual_home
from tuner.commands.tune import console_for
from tuner.errors import BadAnswer, BadFile, Defect, Stopped, UsedWrongly
from tuner.messages import (
    Again,
    Choose,
    Line,
    MakePlan,
    Message,
    Person,
    Reply,
    Say,
    Text,
    Undo,
    Value,
)
from tuner.plans.asking import REFUSED, typed
from tuner.plans.card_setup import card_setup
from tuner.plans.run import Part, hear
from tuner.session.questions import question_of
from tuner.text import clipped, shown, slug

_BEGIN_ANEW = "begin-anew"
_LONGEST_NAME = 40


def card_new(*, home: Path, target: Path | None, start_from: Path | None, plain: bool) -> int:
    """Describe a machine and write its card to `target`, or where the person says.

    The values of the card at `start_from` are what Enter takes. Return the exit status.
    Raises ``UsedWrongly`` when `target` is there already or cannot be, ``BadFile`` for an earlier
    card that is wrong.
    """
    start = {} if start_from is None else _as_plain_data(start_from)
    goes_to = None if target is None else _free_target(target)
    console = console_for(plain)
    setting_up = _SettingUp(console, home, goes_to, start_from, start)
    return console.serve(setting_up.work, lambda: None)


def _free_target(target: Path) -> Path:
    """Return where the card named `target` goes; ``UsedWrongly`` where none can be written."""
    try:
        path = card_file(target)
        reason = _taken(path)
        if not reason and not path.parent.is_dir():
            reason = (
                f"there is no folder {shown(str(path.parent))} for the card; make it first, or "
                "name a file elsewhere"
            )
    except OSError as error:
        reason = (
            f"{shown(str(target))} cannot be written ({shown(error.strerror or str(error))}); name "
            "another file"
        )
    if reason:
        raise UsedWrongly(reason)
    return path


@dataclass
class _SettingUp:
    """One setup of a card, begun anew or gone on with; its answers are kept at `kept_at`."""

    person: Person
    home: Path
    target: Path | None
    start_from: Path | None
    start: Mapping[str, Any]
    kept_at: Path | None = None

    def work(self) -> int:
        """Ask until the card is written, or keep what was answered; return the exit status."""
        begun: Draft | None = None
        interview = Interview(self.person)
        try:
            waiting = drafts(cards_folder(self.home))
            if waiting:
                begun = interview.run(lambda: _which_draft(waiting))
            if begun is not None:
                self._take_up(begun)
            interview = Interview(self.person, begun.answers if begun else (), self._keep)
            path = interview.run(lambda: _conversation(self.home, self.target, self.start))
        except Stopped as stopped:
            self._tell("stopped", str(stopped))
            self._leave(interview)
            return stopped.exit_status
        if path is None:
            self._leave(interview)
            return 1
        if self.kept_at is not None:
            with suppress(OSError):  # it is offered again then, which harms nothing
                self.kept_at.unlink(missing_ok=True)
        return 0

    def _take_up(self, begun: Draft) -> None:
        """Go on with what `begun` was started with, as far as the command line says nothing."""
        self.kept_at = begun.path
        if self.target is None and begun.target and not _taken(Path(begun.target)):
            self.target = Path(begun.target)
        if self.start_from is None and begun.start_from:
            self.start_from = Path(begun.start_from)
            try:
                self.start = _as_plain_data(self.start_from)
            except BadFile as wrong:
                self._tell("start-from", f"it goes on without the card that it began with: {wrong}")

    def _keep(self, answers: Sequence[Kept]) -> None:
        """Keep `answers` as a draft; where that cannot be, it is said when the setup is left."""
        with suppress(OSError):
            self._draft(answers).keep()

    def _draft(self, answers: Sequence[Kept]) -> Draft:
        if self.kept_at is None:
            self.kept_at = free_draft(cards_folder(self.home))
        begun_with = (self.start_from, self.target)
        return Draft(
            self.kept_at,
            answers,
            *("" if one is None else str(one.absolute()) for one in begun_with),
        )

    def _leave(self, interview: Interview) -> None:
        """Say what was answered in `interview`, and where it is kept."""
        answers = interview.answers()
        if not answers:
            self._tell("not-written", "No card was written, and nothing was changed")
            return
        for group, said in interview.said().items():
            self._tell(f"answered.{group}", f"{group}: {said}")
        draft = self._draft(answers)
        try:
            draft.keep()
        except OSError as error:
            reason = shown(error.strerror or str(error))
            self._tell(
                "not-written",
                f"No card was written, and {shown(str(draft.path))} could not be written either "
                f"({reason}). The lines above are your answers",
            )
        else:
            self._tell(
                "not-written",
                f"No card was written. Your answers are kept in {shown(str(draft.path))}: tuner "
                "card new goes on from them, and Enter takes each of them",
            )

    def _tell(self, key: str, says: str) -> None:
        self.person.tell(Line("NOTE", key, (), says))


def _which_draft(waiting: Sequence[Draft]) -> Part[Draft | None]:
    """Ask with which of the drafts to go on; the result is None for none of them."""
    named = {_named(one): one for one in waiting}
    first = next(iter(named))
    chosen = yield from hear(
        Choose(
            key="draft",
            options=(*named, _BEGIN_ANEW),
            default=first,
            says="A card was begun and not finished. Go on with it? Enter takes each answer that "
            f"was given. {_BEGIN_ANEW} leaves it as it is.",
        )
    )
    return named.get(chosen)


def _named(draft: Draft) -> str:
    machine = clipped(shown(draft.answer("machine.name")), _LONGEST_NAME) or "no name yet"
    return f"{machine}: {len(draft.answers)} answers in {shown(draft.path.name)}"


class Interview:
    """Runs a plan that only says and asks; every answer can be taken back.

    After each answer that counts `keep` is told all of them, those of before among them.
    """

    def __init__(
        self,
        person: Person,
        former: Iterable[Kept] = (),
        keep: Callable[[Sequence[Kept]], None] = lambda _: None,
    ) -> None:
        self._person = person
        self._keep = keep
        self._is_kept = True
        self._answered: list[tuple[Kept, Reply]] = []
        self._former = {(one.key, one.asked): one for one in former}
        self._section: Line | None = None

    def run(self, make_plan: MakePlan) -> Any:
        """Run the plan of `make_plan` to its end and return its result; raises ``Stopped``.

        Enter takes what was answered to the same question before, if it was.
        """
        plan, known = make_plan(), list[Reply]()
        message, passed = next(plan), None
        while True:
            if known:  # on the way back to a question: heard before, and not shown again
                passed = message if _is_section(message) else passed
                reply = Value(None) if isinstance(message, Say) else known.pop(0)
            else:
                if passed is not None and not _is_section(message):
                    self._tell_section(passed)
                passed = None
                reply = self._hear(message)
            try:
                if isinstance(reply, Undo):
                    plan.close()
                    plan, known = make_plan(), [one for _, one in self._answered]
                    message = next(plan)
                else:
                    message = plan.send(reply)
            except StopIteration as ended:
                return ended.value

    def answers(self) -> list[Kept]:
        """Return all that was answered and still is of use: those of before, then those given."""
        given = [one for one, _ in self._answered]
        keys = {one.key for one in given}
        return [*(one for one in self._former.values() if one.key not in keys), *given]

    def said(self) -> dict[str, str]:
        """Return what was answered so far, a line of text for each part of the plan."""
        groups: dict[str, dict[str, str]] = {}
        for one, _ in self._answered:
            group, _, name = one.key.partition(".")
            groups.setdefault(group, {})[name] = shown(one.answer)
        return {
            group: ", ".join(f"{name} {value}".lstrip() for name, value in said.items())
            for group, said in groups.items()
        }

    def _hear(self, message: Message) -> Reply:
        if isinstance(message, Say) and message.key == REFUSED:
            self._take_as_not_answered()
        if not self._is_kept:
            self._keep(self.answers())
            self._is_kept = True
        match message:
            case Say():
                if _is_section(message):
                    self._tell_section(message)
                else:
                    self._person.tell(_line(message))
                return Value(None)
            case Choose() | Text():
                return self._ask(message)
        raise Defect(f"{message.key}: the plan turned to a machine, and there is none here")

    def _take_as_not_answered(self) -> None:
        """Drop the last answer; where it was that of before, it is not offered again either."""
        one, _ = self._answered.pop()
        self._is_kept = True
        if self._former.get((one.key, one.asked)) == one:
            del self._former[one.key, one.asked]

    def _tell_section(self, message: Say) -> None:
        """Tell the head of a section, once where it is the one that stands already."""
        line = _line(message)
        if line != self._section:
            self._person.tell(line)
        self._section = line

    def _ask(self, message: Choose | Text) -> Reply:
        former = self._former.get((message.key, message.says))
        may_be = not isinstance(message, Choose) or (former and former.answer in message.options)
        asked = replace(message, default=former.answer) if former and may_be else message
        question = question_of(asked, may_undo=bool(self._answered))
        accepts = question_of(asked, may_undo=True).accepts
        while True:
            try:
                reply = parse(accepts, self._person.ask(question))
                if isinstance(reply, Again):
                    continue
            except BadAnswer as reason:
                self._refuse(str(reason))
                continue
            if isinstance(reply, Value):
                self._answered.append((Kept(message.key, message.says, _typed(reply.value)), reply))
                self._is_kept = False
                return reply
            if self._answered:
                one, _ = self._answered.pop()
                self._former[one.key, one.asked] = one
                return reply
            self._refuse("this is the first question; answer it, or type stop")

    def _refuse(self, reason: str) -> None:
        self._person.tell(Line("NOTE", REFUSED, (), reason))


def _is_section(message: Message) -> TypeGuard[Say]:
    return isinstance(message, Say) and message.tag == "STEP"


def _line(said: Say) -> Line:
    return Line(said.tag, said.key, said.fields, said.says)


def _typed(value: Any) -> str:
    """Return an answer as a person could type it."""
    if isinstance(value, float):
        return f"{value:.6f}".rstrip("0").rstrip(".")
    return str(value)


def _conversation(home: Path, target: Path | None, start: Mapping[str, Any]) -> Part[Path | None]:
    description = yield from card_setup(start)
    if description is None:
        return None
    suggested = target or _free_place(cards_folder(home).absolute(), slug(description.name))

    def write(text: str) -> Path:
        try:
            path = card_file(_named_as(text, suggested.parent))
            if reason := _taken(path):
                raise ValueError(reason)
            if path.parent == cards_folder(home).absolute():
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
        f"Where to? Enter writes the card to {shown(str(suggested))}; a name alone goes "
        "beside it. No file is ever overwritten.",
        write,
        wanted="file name",
        default=str(suggested),
    )
    yield Say(
        key="written",
        fields=(("file", shown(str(path))),),
        says=f"Written to {shown(str(path))}, as text to read and change. Next, in this order:",
    )
    yield from _what_next(path, home, waiting_axes(description.text))
    try:
        read_dialect(read_card(path).dialect, path)
    except BadFile as wrong:
        yield Say(key="dialect", says=f"warning: {wrong}")
    return path


def _named_as(text: str, folder: Path) -> Path:
    """Return the path that was typed; a name alone is one in `folder`."""
    return folder / text if Path(text).name == text else Path(text)


def _free_place(folder: Path, stem: str) -> Path:
    path, n = folder / f"{stem}{SUFFIX}", 1
    while path.exists():
        n += 1
        path = folder / f"{stem}-{n}{SUFFIX}"
    return path


def _taken(path: Path) -> str:
    """Return why no card may be written to `path`, or nothing."""
    if path.is_dir():
        return f"{shown(str(path))} is a folder; name a file in it"
    if path.exists():
        return f"{shown(str(path))} is there already and stays as it is; name another file"
    return ""


def _what_next(path: Path, home: Path, waiting: Sequence[str]) -> Part[None]:
    """Say what to do with the card at `path`, in order; its axes `waiting` have no number yet."""
    at = home_option(home)
    usual = cards_folder(usual_home()).absolute()
    is_found_by_name = path.parent == usual and not Path(path.name).exists()
    name = shown(shlex.quote(path.name if is_found_by_name else str(path)))
    steps = {
        "check": f"1. tuner card check {name} says whether anything on it is odd",
        "travel": f"2. tuner travel --card {name} compares its parts with the stored numbers",
        "rehearse": f"3. tuner rehearse{at} is a whole session on a simulated machine, and nothing "
        "moves",
        "tune": f"4. the machine on: tuner ports, then tuner tune {name} --port PORT{at}",
    }
    if waiting:
        letters = ", ".join(map(str.upper, waiting))
        steps["waiting"] = (
            f"5. {letters}: ask the controller for its settings, then tuner card new --from {name}"
            f"{at} takes the number, Enter the rest. Or type it into the card, where it says how"
        )
    for key, says in steps.items():
        yield Say(key=f"next.{key}", says=says)


def _as_plain_data(path: Path) -> dict[str, Any]:
    """Return the card at `path` with its numbers exact, and with the axes that wait on it.

    Its parts that were only taken for granted are by axis in ``granted``. Raises ``BadFile`` when
    it is wrong.
    """
    card = read_card(path).text
    parse_card(counted_in(card, stand_in="1"), str(path))
    text = counted_in(card).removeprefix("\ufeff")
    plain: dict[str, Any] = _exact(tomllib.loads(text, parse_float=Decimal))
    granted: dict[str, list[str]] = {}
    for axis, part in taken_for_granted(text):
        granted.setdefault(axis, []).append(part)
    return plain | {"granted": granted}


def _exact(value: Any) -> Any:
    match value:
        case Decimal():
            return Fraction(value)
        case dict():
            return {key: _exact(one) for key, one in value.items()}
        case list():
            return [_exact(one) for one in value]
    return value
