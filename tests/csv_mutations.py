"""Tables of readings as somebody breaks them, from a seed, and what must hold for each.

``mutated`` makes a file that a person, a spreadsheet or a bad copy might leave behind. ``held``
examines it as the program does and reads it once more, with a few lines of its own: either it is
refused in clear words, with the line where there is one, or every reading counts as written.
"""

from __future__ import annotations

import contextlib
import io
import json
import random
import re
from collections.abc import Callable, Sequence
from pathlib import Path

from hostile import TEXTS, offences

from tuner.commands.examine import examine
from tuner.errors import BadFile
from tuner.metrology.reading import Columns
from tuner.metrology.table import parse_table

_LONGEST_FINDING = 400

PLAIN = """\
# X, depth rod
commanded_mm,reading_mm,approach
0,20.04,plus
120,115.98,plus
120,116.05,minus
0,20.05,minus
40,52.00,plus
80,84.06,minus
"""
SPREADSHEET = """\
\ufeffcommanded_mm;reading_mm;approach;time_s;visit\r
-5,5;15,63;plus;0;1\r
114,5;111,58;plus;62,5;1\r
114,5;111,61;minus;130;1\r
-5,5;15,6;minus;200;1\r
-5,5;25,61;plus;600;2\r
114,5;121,59;plus;660;2\r
54,5;73,6;minus;700;2\r
14,5;41,61;minus;760;2\r
;;;;\r
"""
QUOTED = """\
"commanded_mm","reading_mm"
"0,0","20,10"
"100,0","120,13"
"40,0","60,12"

"60,0","80,08"
"""
NOTEBOOK = """\
reading_mm,commanded_mm,feed_mm_per_min
2.000000000000000000e+01,0.000000000000000000e+00,1200
1.200999999999999943e+02,1.000000000000000000e+02,1200
7.004999999999999716e+01,5.000000000000000000e+01,1200
"""
TABLES = [PLAIN, SPREADSHEET, QUOTED, NOTEBOOK]

_CELL = re.compile(r"[^,;\r\n]+")
_VALUES = [
    "", " ", "nan", "NaN", "inf", "-Infinity", "1e300", "-1e300", "1e-300", "5e-324", "1e308",
    "-0", "1_000", "1,234.5", "1.234,5", "1,5", "1.5", "12.34 mm", "0x10", "--1", "1e", "e5", ".",
    "+", "\u22125", "\u0661\u0662", "\uff11", "9" * 40, "9" * 5000, "0." + "0" * 29 + "1",
    "1000000", "1000000.1", "true", "plus", "minus", "PLUS", "+", "0.5", "2", "999999999",
    "9999999999", '"', '""', '"1"', "#", "=1+1", "\x00", "\x1b[2J", "\u202e1", "1\t2",
]  # fmt: skip
_HEADERS = [
    "commanded_mm", "reading_mm", "approach", "time_s", "visit", "commanded_deg", "COMMANDED_MM",
    " reading_mm ", "commanded", "x", "", "note",
]  # fmt: skip

Mutation = Callable[[random.Random, str], str]


def _another_cell(chance: random.Random, text: str) -> str:
    places = [*_CELL.finditer(text)]
    if not places:
        return text
    place = chance.choice(places)
    cell = chance.choice(TEXTS) if chance.random() < 0.2 else chance.choice(_VALUES)
    return text[: place.start()] + cell + text[place.end() :]


def _another_header(chance: random.Random, text: str) -> str:
    return text.replace(chance.choice(_HEADERS[:5]), chance.choice(_HEADERS), 1)


def _a_character_more(chance: random.Random, text: str) -> str:
    place = chance.randrange(len(text) + 1)
    return text[:place] + chance.choice('",;#.\n\r\t-e5 ' + "".join(TEXTS)) + text[place:]


def _a_character_less(chance: random.Random, text: str) -> str:
    place = chance.randrange(max(len(text), 1))
    return text[:place] + text[place + 1 :]


def _cut_off(chance: random.Random, text: str) -> str:
    return text[: chance.randrange(len(text) + 1)]


def _other_line_ends(chance: random.Random, text: str) -> str:
    return text.replace("\r\n", "\n").replace("\n", chance.choice(["\r\n", "\r", "\n\n", "\n#\n"]))


def _other_commas(chance: random.Random, text: str) -> str:
    return text.replace(chance.choice(",;."), chance.choice([",", ";", ".", "\t", "|"]))


def _lines(change: Callable[[random.Random, list[str]], None]) -> Mutation:
    def mutation(chance: random.Random, text: str) -> str:
        lines = text.split("\n")
        change(chance, lines)
        return "\n".join(lines)

    return mutation


def _without_one(chance: random.Random, lines: list[str]) -> None:
    del lines[chance.randrange(len(lines))]


def _without_most(chance: random.Random, lines: list[str]) -> None:
    del lines[chance.randrange(1, 4) :]


def _twice(chance: random.Random, lines: list[str]) -> None:
    lines.insert(chance.randrange(len(lines) + 1), chance.choice(lines))


def _all_the_same(chance: random.Random, lines: list[str]) -> None:
    same = chance.choice(lines)
    lines[2:-1] = [same] * len(lines[2:-1])


def _very_often(chance: random.Random, lines: list[str]) -> None:
    lines[-1:-1] = lines[2:-1] * chance.choice([2, 30])


def _swapped(chance: random.Random, lines: list[str]) -> None:
    one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]


_MUTATIONS: Sequence[Mutation] = (
    _another_cell, _another_cell, _another_cell, _another_header, _a_character_more,
    _a_character_less, _cut_off, _other_line_ends, _other_commas, _lines(_without_one),
    _lines(_without_most), _lines(_twice), _lines(_all_the_same), _lines(_very_often),
    _lines(_swapped),
)  # fmt: skip


def mutated(seed: int) -> bytes:
    """Return the bytes of a table with one to three things done to it."""
    chance = random.Random(seed)
    text = chance.choice(TABLES)
    for _ in range(chance.choice([1, 1, 1, 2, 3])):
        text = chance.choice(_MUTATIONS)(chance, text)
    raw = text.encode("utf-8", "surrogatepass")
    if chance.random() < 0.1:
        place = chance.randrange(len(raw) + 1)
        raw = raw[:place] + chance.randbytes(chance.choice([1, 2, 40])) + raw[place:]
    return raw


# --- what must hold -----------------------------------------------------------------------


def held(raw: bytes, folder: Path, *, with_card: bool, as_json: bool) -> bool:
    """Return whether `raw` shows a scale; raises ``AssertionError`` where a promise is broken.

    `folder` has a card called ``card.toml`` with an axis x; the table is written beside it.
    """
    try:
        readings = parse_table(raw, "table.csv")
    except BadFile as refusal:
        for finding in refusal.findings:
            assert finding.startswith("table.csv: "), finding
            assert offences(finding) == [], finding
            assert len(finding) <= _LONGEST_FINDING, finding
            for line in re.findall(r"^table\.csv: line (\d+)", finding):
                assert 1 <= int(line) <= len(_lines_of(raw)), finding
        assert refusal.findings
        readings = None
    else:
        assert _written(raw) == _as_read(readings)

    path = folder / "table.csv"
    path.write_bytes(raw)
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = examine(
            files=[path],
            card_path=folder / "card.toml" if with_card else None,
            axes=["x"] if with_card else None,
            placed="outside-jaws",
            as_json=as_json,
        )
    said, complaint = out.getvalue(), err.getvalue()
    assert offences(said + complaint, line_ends=True) == []
    assert (status == 0) == (complaint == "") == (said != ""), complaint
    assert status == 0 or all(
        line.startswith(f"tuner: {path}: ") for line in complaint.splitlines()
    )
    assert status == 1 or readings is not None
    if status == 0 and as_json:
        assert readings is not None
        report = json.loads(said, parse_constant=_no_number)
        assert report["n"] == len(readings)
    return status == 0


def _no_number(name: str) -> float:
    raise AssertionError(f"{name} is in the JSON")


def _lines_of(raw: bytes) -> list[str]:
    return re.split(r"\r\n|\r|\n", raw.decode("utf-8", "replace").removeprefix("\ufeff"))


# A quoted cell may go on in the next line; the program takes such a break for a blank.
_BROKEN_CELL = re.compile(rb'(?:^|[,;])"[^"\r\n]*[\r\n][^"]*"', re.MULTILINE)


Row = tuple[float, float, float, float]


def _written(raw: bytes) -> list[Row]:
    """Return commanded, reading, side and visit of each row, by splitting lines and cells."""
    raw = _BROKEN_CELL.sub(lambda cell: re.sub(rb"[\r\n]", b" ", cell[0]), raw)
    rows = [one for one in _lines_of(raw) if one.strip() and not one.lstrip().startswith("#")]
    sign = ";" if ";" in rows[0] else ","
    names, *cells = [
        [quoted or plain.strip() for quoted, plain, _ in _cells(row, sign)] for row in rows
    ]
    names = [name.strip().lower() for name in names]
    written = []
    for row in cells:
        if not any(cell.strip() for cell in row):
            continue
        given = dict(zip(names, row, strict=True))
        side = {"plus": 1.0, "minus": -1.0}.get(given.get("approach", "").strip().lower(), 0.0)
        commanded, reading = (
            float(given[name].replace(",", ".")) for name in ("commanded_mm", "reading_mm")
        )
        written.append((commanded, reading, side, float(given.get("visit", "1"))))
    return written


def _cells(row: str, sign: str) -> list[tuple[str, str, str]]:
    """Return (quoted, plain, sign or nothing) for each cell of a row."""
    return re.findall(rf'(?:"([^"]*)"|([^{sign}"]*))({sign}|$)', row + sign)[:-1]


def _as_read(readings: Columns) -> list[Row]:
    columns = (readings.commanded_mm, readings.reading_mm, readings.side, readings.visit)
    return [*zip(*(map(float, one) for one in columns), strict=True)]
