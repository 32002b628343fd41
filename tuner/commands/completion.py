"""``tuner completion``: what a shell offers at the Tab key, out of the program's own arguments.

The rule it keeps: nothing is listed here that the argument parser knows. A shell's script only
hands over the words typed so far; what can follow is read from the parser, and from ports,
sessions, faults and cards as they are at that moment. Where nothing is offered the shell offers
files.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from tuner.card.read import read_card
from tuner.commands.choosing import sessions
from tuner.commands.proposals import LAST, open_changes
from tuner.errors import TunerError
from tuner.rehearsal.faults import FAULTS
from tuner.rehearsal.truth import HEALTHY
from tuner.session.logbook import Logbook, SessionSummary
from tuner.wire.port import list_ports

__all__ = ["SCRIPTS", "candidates", "completion", "print_candidates"]

# COMP_WORDS, words and commandline are where the shells keep what was typed; the last word is
# the one at the cursor.
SCRIPTS: Mapping[str, str] = {
    "bash": """\
_tuner() {
    local one
    COMPREPLY=()
    while IFS= read -r one; do
        COMPREPLY+=("$(printf %q "$one")")
    done < <(tuner completion words "${COMP_WORDS[@]:1:COMP_CWORD}" 2>/dev/null)
}
complete -o default -F _tuner tuner
""",
    "zsh": """\
#compdef tuner
_tuner() {
    local -a found
    found=(${(f)"$(tuner completion words "${(@)words[2,CURRENT]}" 2>/dev/null)"})
    if (( $#found )); then compadd -- $found; else _files; fi
}
compdef _tuner tuner
""",
    "fish": """\
function __tuner_words
    set -l before (commandline -opc)
    set -l begun (commandline -ct)
    set -l found (tuner completion words $before[2..] "$begun" 2>/dev/null)
    if test (count $found) -gt 0
        printf '%s\n' $found
    else
        __fish_complete_path "$begun"
    end
end
complete -c tuner -f -a '(__tuner_words)'
""",
}

_USUAL_AXES = ("x", "y", "z", "e")
_RESUME, _EXPORT = "resume", "export"


def completion(shell: str) -> int:
    """Print the script for `shell`, one of ``SCRIPTS``, and return the exit status."""
    print(SCRIPTS[shell], end="")
    return 0


def print_candidates(parser: argparse.ArgumentParser, words: Sequence[str], home: Path) -> int:
    """Print what the last of `words` can become, one a line, and return the exit status."""
    for one in candidates(parser, words, home):
        print(one)
    return 0


def candidates(parser: argparse.ArgumentParser, words: Sequence[str], home: Path) -> list[str]:
    """Return what the last of `words` can become, sorted; the words before it are typed already.

    Empty where a file name is expected, or nothing that is known.
    """
    *before, current = words or [""]
    current = current.replace("\\", "")  # as bash hands over what it has quoted itself
    place = _Place.at_the_start(parser)
    for word in before:
        place = place.after(word)
    values: _Values = {
        "port": _ports,
        "session": lambda before: _sessions(home, only_open=_RESUME in before),
        "sessions": lambda _: _sessions(home),
        "compare": lambda _: _sessions(home),
        "of_machine": lambda _: [one.machine for one in sessions(home)],
        "job": lambda _: _jobs(home),
        "check": lambda _: _changes(home),
        "fault": lambda _: FAULTS,
        "machine": lambda _: HEALTHY,
        "axis": lambda before: _axes_read(home, before),
        "axes": _axes,
    }
    return sorted({one for one in place.offers(current, before, values) if one.startswith(current)})


_Values = Mapping[str, Callable[[Sequence[str]], Iterable[str]]]


@dataclass(frozen=True)
class _Place:
    """Where in the arguments the cursor stands.

    `names` are the words of the command so far, `option` what still takes `due` values (None:
    any number), `positional` how many words were none of these.
    """

    parser: argparse.ArgumentParser
    commands: Mapping[str, argparse.ArgumentParser]
    names: tuple[str, ...] = ()
    option: argparse.Action | None = None
    due: int | None = 0
    positional: int = 0

    @classmethod
    def at_the_start(cls, parser: argparse.ArgumentParser) -> _Place:
        return cls(parser, _commands_of(parser))

    def after(self, word: str) -> _Place:
        """Return the place behind `word`."""
        if word.startswith("-") and len(word) > 1:
            option = self.parser._option_string_actions.get(word.partition("=")[0])
            if option is None or option.nargs == 0 or "=" in word:
                return self._with(option=None, due=0)
            several = option.nargs in ("*", "+")
            count = option.nargs if isinstance(option.nargs, int) else 1
            return self._with(option=option, due=None if several else count)
        if self.option is not None:
            due = None if self.due is None else self.due - 1
            return self._with(option=self.option if due != 0 else None, due=due)
        names = (*self.names, word)
        command = " ".join(names)
        if command in self.commands:
            below = _commands_of(self.commands[command], f"{command} ")
            return _Place(self.commands[command], {**self.commands, **below}, names)
        return self._with(positional=self.positional + 1)

    def _with(
        self,
        *,
        option: argparse.Action | None = None,
        due: int | None = 0,
        positional: int | None = None,
    ) -> _Place:
        count = self.positional if positional is None else positional
        return _Place(self.parser, self.commands, self.names, option, due, count)

    def offers(self, current: str, before: Sequence[str], values: _Values) -> Iterator[str]:
        """Yield every word that can stand here, where `current` is begun."""
        if current.startswith("-"):
            yield from self._options()
        elif self.option is not None:
            yield from _values_of(self.option, before, values)
        else:
            depth = len(self.names)
            further = [name.split() for name in self.commands] if not self.positional else []
            yield from (
                one[depth] for one in further if len(one) > depth and (*one[:depth],) == self.names
            )
            positionals = [one for one in self.parser._actions if not one.option_strings]
            repeated = [one for one in positionals[-1:] if one.nargs in ("*", "+")]
            yield from (
                word
                for one in (positionals[self.positional :] or repeated)[:1]
                if not isinstance(one, argparse._SubParsersAction)
                for word in _values_of(one, before, values)
            )
            if not positionals:
                yield from self._options()

    def _options(self) -> Iterator[str]:
        for one in self.parser._actions:
            if one.help != argparse.SUPPRESS:
                yield from (word for word in one.option_strings if word.startswith("--"))


def _commands_of(
    parser: argparse.ArgumentParser, before: str = ""
) -> dict[str, argparse.ArgumentParser]:
    return {
        f"{before}{name}": command
        for action in parser._actions
        if isinstance(action, argparse._SubParsersAction)
        for name, command in action.choices.items()
    }


def _values_of(action: argparse.Action, before: Sequence[str], values: _Values) -> Iterator[str]:
    if action.choices is not None:
        yield from (str(one) for one in action.choices)
    elif action.dest in values:
        yield from values[action.dest](before)


def _ports(_before: Sequence[str]) -> Sequence[str]:
    return [one.device for one in list_ports()]


def _sessions(home: Path, *, only_open: bool = False) -> list[str]:
    """Return what stands for a session: its name, the number of its job, ``last``."""
    known = [one for one in sessions(home) if not only_open or one.ended_as != "finished"]
    return [LAST, *(one.id for one in known), *_numbers(known)]


def _jobs(home: Path) -> list[str]:
    return _numbers(sessions(home))


def _numbers(of: Iterable[SessionSummary]) -> list[str]:
    return [one.job for one in of if one.job]


def _changes(home: Path) -> list[str]:
    return [LAST, *(one.id for one in open_changes(home))]


def _axes_read(home: Path, before: Sequence[str]) -> Sequence[str]:
    """Return the axes that were read in the session that was typed, else the usual ones."""
    if (home / "logbook.db").exists():
        from tuner.commands.named import one_named  # with all that measures

        with closing(Logbook(home / "logbook.db")) as logbook:
            for word in before[before.index(_EXPORT) + 1 :] if _EXPORT in before else ():
                try:
                    return [one.axis for one in logbook.readings(one_named(logbook, word, ""))]
                except TunerError:
                    continue
    return _USUAL_AXES


def _axes(before: Sequence[str]) -> Sequence[str]:
    """Return the axes of the card that was typed, else those that machines usually have."""
    for word in before:
        if word.endswith(".toml"):
            try:
                return tuple(read_card(Path(word)).axes)
            except TunerError:
                continue
    return _USUAL_AXES
