"""README.md is true: its commands and options exist, and what it shows of a session happens."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
import readme

import tuner
from tuner.cli import run
from tuner.rehearsal.faults import FAULTS

TEXT = readme.PATH.read_text(encoding="utf-8")
TABLE = [
    row.replace("\\|", "|") for row in re.findall(r"^\| `(tuner .*?)`[ ,]", TEXT, re.MULTILINE)
]
EXAMPLES = re.findall(r"(?:^|&& )(?:\.venv/bin/)?(tuner [a-z][^#\n]*)", TEXT, re.MULTILINE)
MENTIONED = re.findall(r"`(tuner [a-z][^`]*)`", TEXT)


def help_of(words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as ended:
        run([*words, "--help"])
    assert ended.value.code == 0, f"there is no command {' '.join(words)}"
    return capsys.readouterr().out


def commands(line: str) -> list[list[str]]:
    """Return the command words of `line`; `a|b` names several."""
    found: list[list[str]] = [[]]
    for word in line.split()[1:]:
        if not re.fullmatch(r"[a-z|]+", word):
            break
        found = [[*one, name] for one in found for name in word.split("|")]
    return found


@pytest.mark.parametrize("line", sorted({*TABLE, *EXAMPLES, *MENTIONED}))
def test_every_command_and_option_exists(line: str, capsys: pytest.CaptureFixture[str]) -> None:
    for words in commands(line):
        says = help_of(words, capsys)
        for option in re.findall(r"(?<!\S)\[?(--[a-z-]+)", line):
            assert re.search(rf"(?<!\S){option}(?![a-z-])", says), (words, option)


def test_every_command_stands_in_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    def below(words: list[str]) -> list[list[str]]:
        says = help_of(words, capsys)
        named = re.search(r"^  (?:COMMAND|ACTION)\n((?:    .*\n)+)", says, re.MULTILINE)
        if named is None:
            return [words]
        names = re.findall(r"^    ([a-z]+) ", named[1], re.MULTILINE)
        return [leaf for name in names for leaf in below([*words, name])]

    in_table = [words for line in TABLE for words in commands(line)]
    leaves = below([])
    assert len(leaves) >= 6
    assert [leaf for leaf in leaves if not any(one[: len(leaf)] == leaf for one in in_table)] == []


def test_every_fault_is_named() -> None:
    (named,) = re.findall(r"^Other faults for `--fault`: (.*?)\. ", TEXT, re.MULTILINE | re.DOTALL)
    assert set(re.findall(r"`([a-z-]+)`", named)) == {*FAULTS, "none"}


def test_the_session_shown_is_one_that_happens(tmp_path: Path) -> None:
    shown = readme.shown_session(TEXT)
    assert readme.SHOWN_HOME in shown
    happened = readme.folded(readme.session_lines(tmp_path))
    assert readme.without_names(shown) == readme.without_names(happened), (
        "run python tests/bench/record_readme.py and look at the diff"
    )


def test_the_screens_shown_are_those_of_a_session(tmp_path: Path) -> None:
    shown = readme.shown_screens(TEXT)
    assert len(shown) == 2
    assert shown == readme.screens(tmp_path), (
        "run python tests/bench/record_readme.py and look at the diff"
    )


@pytest.mark.parametrize("line", readme.shown_session(TEXT).splitlines())
def test_the_session_shown_is_folded(line: str) -> None:
    assert len(line) <= readme.COLUMNS
    assert re.match(r"[A-Z]+ |    \S", line)


def test_each_sentence_that_help_is_given_for_is_one_of_the_program() -> None:
    of_program = "\n".join(sentences())
    table = TEXT.partition("## When something does not work\n")[2]
    rows = re.findall(r"^\| (?!the screen says|---)(.*?) \| .* \|$", table, re.MULTILINE)
    assert len(rows) > 12
    for row in rows:
        pieces = map(re.escape, row.split("…"))
        assert re.search(".*?".join(pieces), of_program), row


def sentences() -> list[str]:
    """Return the texts of the program, with an ellipsis where one has a value in it."""
    nodes = [
        node
        for path in Path(tuner.__file__).parent.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    ]
    texts = [one.value for one in nodes if isinstance(one, ast.Constant)]
    for one in nodes:
        if isinstance(one, ast.JoinedStr):
            parts = [part.value if isinstance(part, ast.Constant) else "…" for part in one.values]
            texts.append("".join(map(str, parts)))
    return [one.replace("\n", " ") for one in texts if isinstance(one, str)]
