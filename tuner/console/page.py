"""How lines look to a person: pure functions from a line and a width to styled text.

The rule it keeps: every kind of line has one place and one shape, text is wrapped at word
bounds and never wider than asked, and nothing is said by a style alone. People get the
prose; a field is shown only when the prose does not already hold it.

Text stands as (style, text) pairs, so nothing in it can be taken for markup.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from prompt_toolkit.utils import get_cwidth

from tuner.console.desk import one_line
from tuner.messages import Line

__all__ = ["Page", "Styled", "ascii_only", "in_ascii"]

Styled = list[tuple[str, str]]

_WIDEST = 100  # longer lines are hard to read, whatever the window
_NARROWEST = 20  # below this words would be cut to pieces
_MARGIN = 2

_NUMBER = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?", re.ASCII)
_UNITS = {"_mm_per_min": "mm/min", "_mm": "mm", "_s": "s", "_c": "°C"}
# For programs: how lines belong together and what the prompt says to people in its own way.
# Odds, places and residuals are drawn as pictures; temperatures stand in the row at the bottom.
_NOT_FOR_PEOPLE = frozenset(
    {"group", "line", "of", "word", "step", "options", "default", "odds", "wrong", "places"}
    | {"left_um", "band_um", "heater", "now_c", "unit"}
)
_IN_ASCII = str.maketrans(
    {
        "±": "+/-", "°": "", "…": "...", "×": "x", "·": "|", "µ": "u", "─": "-", "–": "-",
        "’": "'", "²": "2", "≤": "<=", "≥": ">=", "→": "->",
    }
)  # fmt: skip


def ascii_only(encoding: str | None, environment: Mapping[str, str]) -> bool:
    """Return whether a terminal with this `encoding` is to be sent nothing but ASCII.

    So it is where the encoding has no ruled lines, and where the first of LC_ALL, LC_CTYPE and
    LANG that is set names the locale C or POSIX.
    """
    try:
        "─".encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return True
    names = (environment.get(name) for name in ("LC_ALL", "LC_CTYPE", "LANG"))
    return next(filter(None, names), "") in ("C", "POSIX")


def in_ascii(text: str) -> str:
    """Return `text` with signs spelled in ASCII, and ``?`` for what has no such spelling."""
    return text.translate(_IN_ASCII).encode("ascii", "replace").decode("ascii")


def _wrapped(text: str, width: int) -> list[str]:
    """Return the words of `text` in lines of at most `width` columns; longer words are cut."""
    lines: list[str] = []
    current = ""
    for word in one_line(text).split():
        while True:
            candidate = f"{current} {word}" if current else word
            if get_cwidth(candidate) <= width:
                current = candidate
                break
            if current:
                lines.append(current)
                current = ""
                continue
            head = _head(word, width)
            lines.append(head)
            word = word[len(head) :]
    return [*lines, current] if current else lines


def _head(word: str, width: int) -> str:
    """Return as much of the beginning of `word` as `width` columns hold, one character at least."""
    end = 1
    while get_cwidth(word[: end + 1]) <= width:
        end += 1
    return word[:end]


def _holds(prose: str, value: str) -> bool:
    """Return whether `prose` says `value`, as a word or, sign and zeros aside, as a number.

    A number that is rounded to hundredths or finer is the same number.
    """
    if _NUMBER.fullmatch(value):
        return any(_is_said_by(one, float(value)) for one in _NUMBER.findall(prose))
    return re.search(rf"(?<!\w){re.escape(value)}(?!\w)", prose, re.IGNORECASE) is not None


def _is_said_by(number: str, value: float) -> bool:
    _, _, decimals = number.partition(".")
    off = abs(abs(float(number)) - abs(value))
    return off == 0.0 or (len(decimals) > 1 and off <= 0.5001 * 10.0 ** -len(decimals))


def _worded(name: str, value: str) -> str:
    """Return a field as words: ``by_mm=+20.000`` becomes ``by +20.000 mm``."""
    for ending, unit in _UNITS.items():
        stem = name.removesuffix(ending)
        if stem != name and not stem.endswith("_per"):
            return f"{stem.replace('_', ' ')} {value} {unit}"
    return f"{name.replace('_', ' ')} {value}"


class Page:
    """A page of `columns` (the terminal's), in ASCII where it `is_ascii`."""

    def __init__(self, columns: int, is_ascii: bool = False) -> None:
        # One column stays free: some terminals wrap when the last one is filled.
        self.width = max(_NARROWEST, min(_WIDEST, columns - 1))
        self._is_ascii = is_ascii
        self._rule = "-" if is_ascii else "─"

    def row(self, text: str, style: str = "") -> Styled:
        """Return `text` as one row that never wraps, without a line end, cut where it must be."""
        text = self._spelled(text)
        room = self.width - _MARGIN
        if get_cwidth(text) > room:
            text = _head(text, room - 3) + "..."
        return [(style, f"{' ' * _MARGIN}{text}")]

    def rule(self) -> Styled:
        """Return a ruled line without its line end."""
        return [("class:rule", self._rule * self.width)]

    def drawn(self, lines: list[str]) -> Styled:
        """Return the lines of a picture as they are."""
        return [("", "".join(f"{' ' * _MARGIN}{one}\n" for one in lines))]

    def _spelled(self, text: str) -> str:
        text = one_line(text)
        return in_ascii(text) if self._is_ascii else text

    def section(self, line: Line) -> Styled:
        """Return `line` as the section of its kind, ending with a line end."""
        fields = dict(line.fields)
        match line.tag:
            case "CAUTION":
                return self._caution(line, fields)
            case "MOVE":
                return self._move(line, fields)
            case "FIT":
                return self._fit(line, fields)
            case "READING":
                return self._reading(line, fields)
            case "STEP":
                return self._step(line, fields)
            case "RESULT" | "PROPOSAL":
                return self._block(line)
            case "NOTE" if line.key == "refused":
                return self.hanging("not taken: ", line.says)
            case _:
                return self._prose(line)

    def hanging(self, label: str, text: str, label_style: str = "") -> Styled:
        """Return `label` followed by `text`, whose further lines stand under its first."""
        label, text = self._spelled(label), self._spelled(text)
        indent = _MARGIN + get_cwidth(label)
        fits = indent + get_cwidth(text) <= self.width
        if indent > self.width // 2 and not fits:  # a label this long takes lines of its own
            return [*self.hanging("", label, ""), *self.hanging("  ", text)]
        first, *rest = _wrapped(text, self.width - indent) or [""]
        styled = [("", " " * _MARGIN), (label_style, label), ("", f"{first}\n")]
        return styled + [("", f"{' ' * indent}{one}\n") for one in rest]

    def numbered(self, options: tuple[str, ...], default: str) -> Styled:
        """Return the options one a line, with the number that chooses each."""
        styled: Styled = []
        for number, option in enumerate(options, start=1):
            mark = " (Enter)" if option == default else ""
            styled += self.hanging(f"{number:>4}  ", f"{option}{mark}")
        return styled

    def _ruled(self, styled: Styled) -> Styled:
        rule = ("class:rule", f"{self._rule * self.width}\n")
        return [rule, *styled, rule]

    def _caution(self, line: Line, fields: dict[str, str]) -> Styled:
        which = f"move {fields['line']} of {fields['of']}: " if _is_part(fields) else ""
        word = fields.get("word", "CAUTION")
        styled = self.hanging(f"{word}  ", which + line.says, "class:word")
        return self._ruled(styled) if sum(text.count("\n") for _, text in styled) > 1 else styled

    def _move(self, line: Line, fields: dict[str, str]) -> Styled:
        if not {"axis", "by_mm", "to_mm"} <= fields.keys():
            return self._prose(line)
        label = f"move {fields['line']} of {fields['of']}  " if _is_part(fields) else "move  "
        figures = f"{fields['axis']} by {fields['by_mm']} mm to {fields['to_mm']} mm"
        if "seconds" in fields:
            figures += f", {fields['seconds']} s"
        return self._figures(label, figures, ("axis", "by_mm", "to_mm", "seconds"), line, fields)

    def _fit(self, line: Line, fields: dict[str, str]) -> Styled:
        if not {"scale", "U", "n"} <= fields.keys():
            return self._prose(line)
        figures = f"{fields['scale']} ± {fields['U']} (95 %, {fields['n']} readings)"
        return self._figures("scale ", figures, ("scale", "U", "n"), line, fields)

    def _reading(self, line: Line, fields: dict[str, str]) -> Styled:
        if not {"axis", "at_mm", "n"} <= fields.keys():
            return self._prose(line)
        if fields["n"] == "0":
            return self.hanging("zero check  ", line.says)
        figures = f"{fields['axis']} at {float(fields['at_mm']):.2f} mm"
        if "approach" in fields:
            figures += f", arrived moving {fields['approach']}"
        label = f"reading {fields['n']}  "
        return self._figures(label, figures, ("axis", "at_mm"), line, fields)

    def _figures(
        self, label: str, figures: str, said: tuple[str, ...], line: Line, fields: dict[str, str]
    ) -> Styled:
        """Return the prose alone when it holds the fields `said`; else the figures above it."""
        if all(_holds(line.says, fields[name]) for name in said if name in fields):
            return self.hanging(label, line.says)
        styled = self.hanging(label, figures)
        return styled + self.hanging(" " * get_cwidth(label), line.says) if line.says else styled

    def _step(self, line: Line, fields: dict[str, str]) -> Styled:
        where = (
            f"Step {fields['step']} of {fields['of']}" if {"step", "of"} <= fields.keys() else ""
        )
        title = " - ".join(part for part in (where, line.says) if part)
        styled: Styled = [("", "\n")]
        styled += [
            ("class:heading", f"{one}\n") for one in _wrapped(self._spelled(title), self.width)
        ]
        return [*styled, ("class:rule", f"{self._rule * self.width}\n")]

    def _block(self, line: Line) -> Styled:
        of = line.key.upper() if len(line.key) == 1 else line.key  # an axis by its letter
        title = f"{line.tag.capitalize()}  {of}"
        heading = [
            ("class:heading", f"{one}\n") for one in _wrapped(self._spelled(title), self.width)
        ]
        return [("", "\n"), *self._ruled([*heading, *self._prose(line, one_a_line=True)])]

    def _prose(self, line: Line, *, one_a_line: bool = False) -> Styled:
        """Return the prose, then what only the fields say."""
        rest = [
            _worded(name, value)
            for name, value in line.fields
            if name not in _NOT_FOR_PEOPLE
            and not (line.tag == "CONFIRM" and name.endswith("_c"))
            and value
            and not _holds(line.says, value)
        ]
        styled = self.hanging("", line.says) if line.says else []
        for text in rest if one_a_line else [", ".join(rest)] if rest else []:
            styled += self.hanging("", text)
        return styled


def _is_part(fields: dict[str, str]) -> bool:
    """Return whether these are the fields of one move of several."""
    return "line" in fields and fields.get("of", "1") != "1"
