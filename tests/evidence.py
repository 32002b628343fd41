"""Judge, from recorded conversations alone, whether every move was announced and consented to.

This is the second opinion on the program's own gate, so it shares no code with it: the
conversation format, the plain lines, the words of the wire and their number form are read
here a second time, from their descriptions. What it holds a conversation to:

1. A line that can move something leaves only after its own caution and its own MOVE line
   were shown since the group before ended, and after ``go`` to the CONFIRM of that group;
   it does what its MOVE line said; a consent covers its lines once, in order, for 30 s.
   A line that heats likewise, with a HEAT line in place of MOVE.
2. Nothing leaves that is not on the list of words below; nothing that stores a setting. A
   line may be wrapped in its number and a true checksum.
3. After a stop nothing leaves but queries, heaters off and the stop itself.

A finding is a sentence; no findings means that the conversation keeps all three.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Literal

__all__ = [
    "Record",
    "Shown",
    "check",
    "check_bytes",
    "motion_lines",
    "parse",
    "parse_shown",
    "parse_text",
]

RecordKind = Literal[">", "<", "!", "~"]

# ANSI Z535.4 / ISO 3864-2 signal words for hazards to people, seen.
_SIGNAL_WORDS = frozenset({"DANGER", "WARNING", "CAUTION"})
_CONSENT_LASTS_S = 30.0


# --- conversations ----------------------------------------------------------------------


@dataclass(frozen=True)
class Record:
    """One line of a conversation: `number` counts from 1 in the file, `at_s` in seconds."""

    number: int
    at_s: float
    kind: RecordKind
    text: str


@dataclass(frozen=True)
class Shown:
    """One plain line, ``TAG key field=value … | prose``, taken apart."""

    tag: str
    key: str
    fields: dict[str, str]
    says: str


_RECORD = re.compile(r"(?P<at>[0-9]+(?:\.[0-9]+)?) (?P<kind>[<>!~])(?: (?P<text>.*))?", re.ASCII)
_FIELD = re.compile(r"([A-Za-z][A-Za-z_]*)=(.*)", re.ASCII)
_KINDS: dict[str, RecordKind] = {">": ">", "<": "<", "!": "!", "~": "~"}


def parse_text(text: str) -> list[Record]:
    """Return the records of a conversation; ``#`` lines and empty lines are comments.

    Raises ``ValueError`` with the line number for anything else, and when time runs backwards.
    """
    records: list[Record] = []
    for number, line in enumerate(text.split("\n"), start=1):
        line = line.removesuffix("\r")
        if not line.strip() or line.startswith("#"):
            continue
        match = _RECORD.fullmatch(line)
        if match is None:
            raise ValueError(
                f"line {number}: {line!r} is not a record; expected 'seconds > sent', "
                "'seconds < received', 'seconds ! event' or 'seconds ~ TAG …'"
            )
        at_s = float(match["at"])
        if records and at_s < records[-1].at_s:
            raise ValueError(f"line {number}: {at_s} s comes before the {records[-1].at_s} s above")
        records.append(Record(number, at_s, _KINDS[match["kind"]], match["text"] or ""))
    return records


def parse(path: Path) -> list[Record]:
    """Return the records of the conversation file at `path`; see ``parse_text``."""
    return parse_text(path.read_bytes().decode("utf-8"))


def parse_shown(text: str) -> Shown:
    """Take a plain line apart.

    Values may hold spaces, a key may hold points and digits, and a line may
    have no key (``END exit=0``): only a plain name makes ``name=value`` a field.
    """
    head, _, says = text.partition(" | ")
    tag, *tokens = head.split(" ")
    tokens = [token for token in tokens if token]
    key = tokens.pop(0) if tokens and not _FIELD.fullmatch(tokens[0]) else ""
    fields: dict[str, str] = {}
    last = ""
    for token in tokens:
        if match := _FIELD.fullmatch(token):
            last, value = match.groups()
            fields[last] = value
        elif last:
            fields[last] = f"{fields[last]} {token}"
    return Shown(tag, key, fields, says)


# --- the words of the wire --------------------------------------------------------------

# NISTIR 6556 section 3.3.2.1, seen: optional sign, digits, optional point, digits, at least
# one digit, no exponent.
_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
_UNSIGNED = r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
_ZERO = r"(?:0+\.?0*|\.0+)"
# X Y Z A B C: NISTIR 6556 section 2.1.1, seen. E and the second linear axes U V W: common
# practice, no source.
_AXES = "XYZABCUVWE"

Kind = Literal["motion", "mode", "query", "wait", "heaters-off", "stop"]

# Every line that may ever leave, and where its word comes from. Upper case and at most one
# space between words: narrower than the standard, so that one line has one spelling.
_ALLOWED: tuple[tuple[Kind, str, str], ...] = (
    (
        "motion",
        rf"G1(?P<axes>(?: ?[{_AXES}]{_NUMBER})+) ?F(?P<feed>{_UNSIGNED})",
        "NISTIR 6556 3.5.2",
    ),
    (
        "motion",
        rf"G28 ?(?P<search>[{_AXES}])0?",
        "NISTIR 6556 3.5.8 has the word; one axis meaning a search is common practice, no source",
    ),
    ("mode", r"G21|G90|G91|G94", "NISTIR 6556 3.5.7, 3.5.16, 3.5.19"),
    ("mode", r"M83", "common practice, no source: the feeder counts from where it stands"),
    ("wait", rf"G4 ?P{_UNSIGNED}", "NISTIR 6556 3.5.4: P is not negative"),
    ("wait", r"M400", "common practice, no source"),
    ("query", r"M105|M114|M119", "common practice, no source"),
    ("heaters-off", rf"(?:M104|M140) ?S{_ZERO}", "common practice, no source"),
    ("stop", r"M112", "common practice, no source"),
)
# Allowed only after a consent of its own, so it is not in the table.
_HEATS = re.compile(r"(?P<word>M104|M140) S(?P<target>[1-9][0-9]{0,2})", re.ASCII)
_HEATERS = {"M104": "nozzle", "M140": "bed"}
# Number, line, exclusive or of all that stands before the star; and the line that starts the
# numbers anew, which is allowed in no other form: common practice, no source.
_FRAME = re.compile(
    r"(?P<before>N(?P<number>[0-9]{1,9}) (?P<line>[^*]+))\*(?P<sum>[0-9]{1,3})", re.ASCII
)
_STARTS_NUMBERS = "M110 N0"
_TABLE = tuple((kind, re.compile(pattern, re.ASCII)) for kind, pattern, _ in _ALLOWED)

_LONGEST_LINE = 256  # NISTIR 6556 section 3.3.1, seen
_AFTER_STOP = frozenset({"query", "heaters-off", "stop"})

# NISTIR 6556 3.3.2.2 (parameter setting), 3.5.5 G10, 3.5.8 (G28.1 and G30.1 in its
# successors), 3.5.18 G92, seen; M words from 500 on and $ lines: common practice, no source.
_STORES = re.compile(r"[#$=]|G0*10(?![0-9])|G(?:28|30)\.1|G92|M[5-9][0-9]{2}", re.ASCII)
# A word of modal group 1 or a reference return, or an axis word with a number and nothing
# before it, which repeats the motion of the line before (NISTIR 6556 3.4, seen).
_MOVES = re.compile(rf"G0*(?:[0-3]|28|30|38\.2|8[1-9])(?![0-9])|^[{_AXES}][-+.0-9]", re.ASCII)


def _kind(line: str) -> tuple[Kind, re.Match[str]] | None:
    """Return what an allowed line is, or None."""
    if len(line) > _LONGEST_LINE:
        return None
    for kind, pattern in _TABLE:
        match = pattern.fullmatch(line)
        if match is None:
            continue
        if kind == "motion" and match.groupdict().get("axes"):
            letters = [letter for letter, _ in _axis_words(match["axes"])]
            if len(set(letters)) != len(letters) or Decimal(match["feed"]) == 0:
                continue
        return kind, match
    return None


def _axis_words(text: str) -> list[tuple[str, Decimal]]:
    return [
        (letter, Decimal(number)) for letter, number in re.findall(rf"([{_AXES}])({_NUMBER})", text)
    ]


def _unwrapped(line: str) -> str:
    """Return a numbered line without its number and checksum, and any other line as it is."""
    frame = _FRAME.fullmatch(line)
    if frame is None:
        return line
    true = 0
    for byte in frame["before"].encode("ascii"):
        true ^= byte
    return frame["line"] if true == int(frame["sum"]) else line


def _starts_numbers(line: str) -> bool:
    frame = _FRAME.fullmatch(line)
    return frame is not None and int(frame["number"]) == 0 and _unwrapped(line) == _STARTS_NUMBERS


def _refusal(line: str) -> str | None:
    """Return why `line` may not be sent, or None."""
    if _starts_numbers(line) or _kind(_unwrapped(line)) is not None:
        return None
    if _STORES.search(line.upper()):
        return f"{line!r} stores or shifts something in the controller; such words are never sent"
    return f"{line!r} is not on the list of words that may be sent"


def _can_move(line: str) -> bool:
    # Spaces have no meaning in the standard, so "G 1 X5" moves as well.
    return _MOVES.search(re.sub(r"\s", "", line.upper())) is not None


# --- the rules --------------------------------------------------------------------------


@dataclass
class _Group:
    """What was shown, said and sent for the moves between two readings."""

    name: str
    of: int
    cautions: int = 0
    moves: list[Shown] = field(default_factory=list)
    consent_at_s: float | None = None
    sent: int = 0
    wait_sent: bool = False
    wait_answered: bool = False

    @property
    def complete(self) -> bool:
        return self.cautions == self.of == len(self.moves)


class _Judge:
    """Walk once through a conversation; ``findings`` grows."""

    def __init__(self) -> None:
        self.findings: list[str] = []
        self._record = Record(0, 0.0, "!", "")
        self._group: _Group | None = None
        self._ended: set[str] = set()
        self._asked: Shown | None = None
        self._absolute: bool | None = None
        self._stopped = False

    def _find(self, what: str) -> None:
        self.findings.append(f"line {self._record.number} ({self._record.at_s:g} s): {what}")

    def take(self, record: Record) -> None:
        self._record = record
        match record.kind:
            case ">":
                self._sent(record.text)
            case "<":
                if self._group and self._group.wait_sent:
                    self._group.wait_answered = True
                group = self._group
                if group and group.sent and not group.wait_sent and record.text.startswith("error"):
                    self._end_group()  # refused: nothing more of it may leave
            case "!":
                if record.text.lower().startswith("stop"):
                    self._stopped = True
            case "~":
                self._told(parse_shown(record.text))

    # What the person saw and said.

    def _told(self, shown: Shown) -> None:
        match shown.tag:
            case "CAUTION":
                self._caution(shown)
            case "MOVE" | "HEAT":
                self._move(shown)
            case "CONFIRM":
                self._confirm(shown)
            case "MOVED":
                self._moved(shown)
            case "HEATED":
                self._end_group()
            case "ANSWER":
                self._answer(shown)
            case "CHOICE" | "READING" | "TEXT":
                self._asked = shown

    def _caution(self, shown: Shown) -> None:
        name = shown.fields.get("group", "")
        line, of = shown.fields.get("line", ""), shown.fields.get("of", "")
        if not (name and line.isdecimal() and of.isdecimal()):
            self._find(f"caution {shown.key!r} does not say its group, line and of")
            return
        if shown.fields.get("word") not in _SIGNAL_WORDS:
            self._find(f"caution {shown.key!r} has no signal word")
        if not shown.says.strip():
            self._find(f"caution {shown.key!r} says nothing")
        group = self._open(name, int(of))
        if group.consent_at_s is not None:
            self._find(f"a caution of group {name} came after its consent, which is void")
            group.consent_at_s = None
        if int(of) != group.of or int(line) != group.cautions + 1:
            self._find(
                f"caution line={line} of={of} of group {name} is not the next one; "
                f"expected line={group.cautions + 1} of={group.of}"
            )
        group.cautions += 1

    def _open(self, name: str, of: int) -> _Group:
        """Return the group called `name`, beginning it where it is new.

        A group of which nothing was sent may be given up for another one.
        """
        group = self._group
        if group is not None and group.name == name:
            return group
        if group is not None and group.sent:
            self._find(f"group {name} was begun before group {group.name} had ended")
        if name in self._ended:
            self._find(f"group {name} was used before")
        self._group = _Group(name, of)
        return self._group

    def _current(self, shown: Shown) -> _Group | None:
        group = self._group
        if group is None or shown.fields.get("group") != group.name:
            self._find(
                f"{shown.tag} {shown.key!r} is for group {shown.fields.get('group', '')!r}, "
                f"and {f'group {group.name}' if group else 'no group'} has cautions shown"
            )
            return None
        return group

    def _move(self, shown: Shown) -> None:
        group = self._current(shown)
        if group is None:
            return
        if group.consent_at_s is not None:
            self._find(f"a MOVE of group {group.name} came after its consent, which is void")
            group.consent_at_s = None
        group.moves.append(shown)

    def _confirm(self, shown: Shown) -> None:
        self._asked = None
        group = self._current(shown)
        if group is None:
            return
        if group.sent:
            self._find(f"group {group.name} was put to the person again after it had begun")
        elif not group.complete:
            self._find(
                f"CONFIRM of group {group.name} with {group.cautions} cautions and "
                f"{len(group.moves)} moves shown of {group.of}"
            )
        else:
            self._asked = shown

    def _answer(self, shown: Shown) -> None:
        asked, self._asked = self._asked, None
        word = shown.says.strip().lower()
        if word == "stop":
            self._stopped = True
        elif (
            word == "go"
            and asked is not None
            and asked.tag == "CONFIRM"
            and asked.key == shown.key
            and self._group is not None
        ):
            self._group.consent_at_s = self._record.at_s

    def _moved(self, shown: Shown) -> None:
        group = self._current(shown)
        if group is None:
            return
        if group.sent != group.of:
            self._find(f"MOVED of group {group.name} with {group.sent} of {group.of} lines sent")
        elif not group.wait_answered:
            self._find(f"MOVED of group {group.name} before an answered wait proved the end")
        self._end_group()

    def _end_group(self) -> None:
        if self._group is not None:
            self._ended.add(self._group.name)
        self._group = None

    # What left.

    def _sent(self, line: str) -> None:
        line = line if _starts_numbers(line) else _unwrapped(line)
        if not self._stopped and self._may_heat(_HEATS.fullmatch(line)):
            return
        refusal = _refusal(line)
        if refusal:
            self._find(refusal)
        known = _kind(line)
        kind = known[0] if known else None
        if self._stopped and kind not in _AFTER_STOP:
            self._find(f"{line!r} was sent after a stop")
        if kind == "stop":
            self._stopped = True
        if line in ("G90", "G91"):
            self._absolute = line == "G90"
        if kind == "wait" and self._group and self._group.sent:
            self._group.wait_sent, self._group.wait_answered = True, False
        if kind == "motion" or _can_move(line):
            self._motion(line, known[1] if known else None)

    def _may_heat(self, match: re.Match[str] | None) -> bool:
        """Say whether a line heats and exactly that was announced and consented to."""
        group = self._group
        if match is None or group is None or group.consent_at_s is None or group.sent:
            return False
        announced = group.moves[0]
        group.sent += 1
        return (
            announced.tag == "HEAT"
            and announced.fields.get("heater") == _HEATERS[match["word"]]
            and announced.fields.get("target_c") == match["target"]
            and self._record.at_s - group.consent_at_s <= _CONSENT_LASTS_S
        )

    def _motion(self, line: str, match: re.Match[str] | None) -> None:
        group = self._group
        if group is None or group.consent_at_s is None:
            self._find(f"{line!r} was sent without a consent of its own")
            return
        if group.sent >= group.of:
            self._find(f"{line!r} is one line more than group {group.name} announced")
            return
        if not group.sent and self._record.at_s - group.consent_at_s > _CONSENT_LASTS_S:
            self._find(
                f"{line!r} began group {group.name} later than {_CONSENT_LASTS_S:g} s "
                "after its consent"
            )
        announced = group.moves[group.sent]
        group.sent += 1
        group.wait_sent = group.wait_answered = False
        if match is None or not self._as_announced(match, announced):
            self._find(
                f"{line!r} is not what move {group.sent} of group {group.name} announced: "
                + " ".join(f"{name}={value}" for name, value in announced.fields.items())
            )

    def _as_announced(self, match: re.Match[str], announced: Shown) -> bool:
        fields, words = announced.fields, match.groupdict()
        if words.get("search"):
            return fields.get("axis") == words["search"] and fields.get("search") in ("min", "max")
        axes = _axis_words(words.get("axes") or "")
        if (
            announced.tag != "MOVE"
            or len(axes) != 1
            or axes[0][0] != fields.get("axis")
            or "search" in fields
        ):
            return False
        if self._absolute is None:
            self._find("a move was sent before G90 or G91 said how it counts")
        where = fields.get("to_mm" if self._absolute else "by_mm", "")
        return _same(where, axes[0][1], Decimal("0.0005")) and _same(
            fields.get("feed", ""), Decimal(words["feed"]), Decimal("0.5")
        )


def _same(announced: str, sent: Decimal, most: Decimal) -> bool:
    """Whether `announced` is `sent`, rounded to the digits announced and by `most` at most."""
    if not re.fullmatch(_NUMBER, announced, re.ASCII):
        return False
    half_a_digit = Decimal(5).scaleb(-len(announced.partition(".")[2]) - 1)
    return abs(Decimal(announced) - sent) <= min(half_a_digit, most)


def check(records: Iterable[Record]) -> list[str]:
    """Return every breach of the three rules in a conversation, in order; [] is good."""
    judge = _Judge()
    for record in records:
        judge.take(record)
    return judge.findings


def motion_lines(records: Iterable[Record]) -> list[str]:
    """Return the lines sent that can move something, so that a test can see there were some."""
    return [record.text for record in records if record.kind == ">" and _can_move(record.text)]


def check_bytes(raw: bytes, *, may_heat: bool = False) -> list[str]:
    """Return every breach of the word list in bytes that arrived at a machine; [] is good.

    `may_heat` is for a session in which a person consented to heat; ``check`` looks at that.
    """
    findings: list[str] = []
    *lines, rest = raw.split(b"\n")
    for number, line in enumerate(lines, start=1):
        text = line.removesuffix(b"\r").decode("latin-1")
        heats = may_heat and _HEATS.fullmatch(_unwrapped(text))
        refusal = _refusal(text) if text and not heats else None
        if refusal:
            findings.append(f"line {number} on the wire: {refusal}")
    if rest:
        findings.append(f"the wire ends inside a line: {rest!r}")
    return findings
