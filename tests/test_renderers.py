"""Text from outside, on every way in and every way out: nothing in it acts, hides or turns.

The ways in are device lines, port descriptions, card names, file names and typed answers; the
ways out are the terminal (plain lines and screen), the logbook, the wire transcript, and the
proposal as TOML and as Markdown.
"""

from __future__ import annotations

import io
import json
import re
import sqlite3
import tomllib
from collections.abc import Callable, Iterator
from itertools import cycle
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from fakes import CARD_TEXT, SetClock, dialect
from hostile import CODE_POINTS, EVERY_BYTE, MARKED_UP, SEQUENCES, TEXTS, offences
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.utils import get_cwidth
from test_console_screen import Bench as ScreenBench

from tuner.__main__ import main
from tuner.answers import parse as parse_answer
from tuner.card.read import parse_card, read_card
from tuner.card.write import toml_string
from tuner.commands import live
from tuner.commands.ports import ports
from tuner.console.desk import one_line
from tuner.console.page import Page
from tuner.console.plain import HandsOff
from tuner.errors import BadAnswer, BadFile, PortUnavailable, Stopped
from tuner.handover.markdown import quoted
from tuner.messages import Accepts, Go, Length, Line, OneOf, Question, Words
from tuner.rehearsal.faults import card_text
from tuner.rehearsal.hands import Hands
from tuner.session.logbook import Logbook, SessionHead
from tuner.session.record import RecordedPerson
from tuner.text import as_it_was, covered, shown, visible
from tuner.wire import port as port_module
from tuner.wire.link import Link, Refused, Restarted
from tuner.wire.port import Port
from tuner.wire.transcript import Transcript
from tuner.wire.transcript import parse as parse_transcript

EVERYTHING = [*CODE_POINTS, *(f"a{one}z" for one in CODE_POINTS), *TEXTS]
# The same code points, many in one text, where a text costs more.
BATCHES = ["a".join(CODE_POINTS[n : n + 64]) for n in range(0, len(CODE_POINTS), 64)]
TOGETHER = [*BATCHES, *TEXTS]
NO_SURROGATE = [text for text in TOGETHER if not re.search("[\ud800-\udfff]", text)]
SENDABLE = [text.encode("utf-8", "surrogateescape") for text in NO_SURROGATE]
ASKED: list[Accepts] = [Go(), OneOf(("yes", "no")), Length(0, 150, True, True), Words()]


def test_there_is_enough_to_try() -> None:
    assert len(SEQUENCES) >= 50
    assert len(set(SEQUENCES.values())) == len(SEQUENCES)
    assert {chr(code) for code in range(0x3000)} <= set(CODE_POINTS)
    assert len(set(EVERY_BYTE)) == 256
    assert offences("\x1b[2J") == ["U+001B Cc"]
    assert all(map(offences, [*SEQUENCES.values(), "\u202e", "e\u0301\u0301\u0301", "\u3164"]))


# --- renderers ----------------------------------------------------------------------------


@pytest.mark.parametrize("render", [shown, visible, covered, one_line, toml_string, quoted])
def test_nothing_gets_through(render: Callable[[str], str]) -> None:
    for text in EVERYTHING:
        assert offences(render(text)) == [], ascii(text)


def test_toml_is_read_back_as_it_was() -> None:
    for text in TOGETHER:
        assert as_it_was(tomllib.loads(f"a = {toml_string(text)}")["a"]) == text


def test_markdown_is_one_code_span() -> None:
    for text in TOGETHER:
        match = re.fullmatch(r"(`+)([^`]|[^`].*?[^`])\1", quoted(text), re.DOTALL)
        assert match, ascii(text)
        fence, inside = match.groups()
        assert len(fence) not in map(len, re.findall("`+", inside))
        if inside.strip() and inside[0] == inside[-1] == " ":
            inside = inside[1:-1]  # CommonMark 6.1
        assert inside.strip() == shown(text).strip()


def test_a_screen_is_never_overrun() -> None:
    page = Page(80)
    for text in TOGETHER:
        for tag in ("NOTE", "CAUTION", "MOVE", "FIT", "READING", "STEP", "RESULT", "CHOICE"):
            fields = (("word", text), ("file", text), ("line", text), ("of", text))
            drawn = "".join(piece for _, piece in page.section(Line(tag, text, fields, text)))
            assert offences(drawn, line_ends=True) == [], ascii(text)
            assert all(get_cwidth(line) <= page.width for line in drawn.split("\n"))


def test_plain_lines() -> None:
    out = io.StringIO()
    person = HandsOff(lambda _: "yes", out)
    for text in TOGETHER:
        person.tell(Line("NOTE", text, (("file", text),), text))
        person.ask(Question(Line("TEXT", "a", (("default", text),), text), Words(text)))
    assert out.getvalue().count("\n") == 2 * len(TOGETHER)
    assert offences(out.getvalue(), line_ends=True) == []


def test_a_transcript_is_read_back_as_it_was(tmp_path: Path) -> None:
    transcript = Transcript(tmp_path / "one.txt", SetClock())
    for text in TOGETHER:
        transcript.received(text)
        transcript.event(text)
        transcript.answered(text)
        transcript.shown(Line("NOTE", "a", (), text))
    transcript.close()
    assert offences(transcript.path.read_text("utf-8"), line_ends=True) == []
    plain = [Line("NOTE", "a", (), text).plain() for text in TOGETHER]
    expected = [
        (text, text, f"ANSWER {text}", line) for text, line in zip(TOGETHER, plain, strict=True)
    ]
    records = [record.text for record in parse_transcript(transcript.path)]
    assert records == [one for four in expected for one in four]


def test_a_logbook_holds_what_was_typed_and_nothing_that_acts(tmp_path: Path) -> None:
    clock = SetClock()
    logbook = Logbook(tmp_path / "logbook.db")
    head = SessionHead("s-1", "m", "card", "dialect", "none", "test", 1, {"axes": TEXTS}, "0")
    log = logbook.begin(head, clock)
    transcript = Transcript(tmp_path / "wire.txt", clock)
    typed = iter(TOGETHER)
    person = RecordedPerson(HandsOff(lambda _: next(typed), io.StringIO()), transcript, log)
    for _ in TOGETHER:
        person.ask(Question(Line("CONFIRM", "a", (), "go?"), Go()))
    for text in TEXTS:
        person.tell(Line("CAUTION", "a", (), text))
    log.end("finished", {"says": TEXTS})
    log.proposal("p-1", "x", Path("\udcff\x1b[2J\u202e"), "0")
    steps = [step.body for step in logbook.steps("s-1")]
    logbook.close()
    transcript.close()
    assert steps == [*TOGETHER, *(f"CAUTION a | {text}" for text in TEXTS)]
    assert stored_offences(tmp_path / "logbook.db") == []


def stored_offences(path: Path) -> list[str]:
    """Look at every text of a logbook; card and dialect alone are kept verbatim."""
    database = sqlite3.connect(path)
    try:
        found = []
        for table in ("session", "step", "proposal", "reading"):
            rows = database.execute(f"SELECT * FROM {table}")
            names = [column[0] for column in rows.description]
            for row in rows:
                for name, value in zip(names, row, strict=True):
                    if isinstance(value, str) and name not in ("card", "dialect"):
                        found += [f"{table}.{name}: {one}" for one in offences(value)]
        return found
    finally:
        database.close()


# --- ways in ------------------------------------------------------------------------------


def test_bytes_of_a_device_come_back_out_of_a_transcript(tmp_path: Path) -> None:
    lines = [b"a%cz" % byte for byte in range(256) if byte not in b"\r\n"]
    lines += [line for line in SENDABLE if line and not re.search(rb"[\r\n]", line)]
    link = Link(dialect())
    transcript = Transcript(tmp_path / "one.txt", SetClock())
    for line in lines:
        link.feed(line + b"\n")
        for heard in link.heard:
            transcript.received(heard)
    transcript.close()
    assert offences(transcript.path.read_text("utf-8"), line_ends=True) == []
    records = parse_transcript(transcript.path)
    assert [record.text.encode("utf-8", "surrogateescape") for record in records] == lines


@pytest.mark.parametrize(("before", "kind"), [(b"error: ", Refused), (b"start ", Restarted)])
def test_what_a_device_says_can_bequoted(before: bytes, kind: type) -> None:
    link = Link(dialect(error=("error",), greeting=("start",)))
    for line in [*EVERY_BYTE, *SENDABLE]:
        if re.search(rb"[\r\n]", line):
            continue
        (event,) = link.feed(before + line + b"\n")
        assert isinstance(event, kind)
        assert offences(event.text) == []  # type: ignore[attr-defined]


def test_ports_describe_themselves(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    found = [SimpleNamespace(device=one, description=one, serial_number=one) for one in TOGETHER]
    monkeypatch.setattr(port_module, "comports", lambda: found)
    assert ports(as_json=False) == 0
    printed = capsys.readouterr().out
    assert offences(printed, line_ends=True) == []
    assert printed.count("\n") == len(TOGETHER)
    with pytest.raises(PortUnavailable) as refused:
        Port.open("/dev/nothing\x1b[2J", 115200)
    assert offences(str(refused.value)) == []


def test_a_card_has_a_plain_name_or_is_refused() -> None:
    accepted = 0
    for text in NO_SURROGATE:
        quoted = json.dumps(text[:80])
        if re.search(r"\\u[dD][89abAB]", quoted):
            continue  # JSON writes what is above U+FFFF as surrogates, TOML does not
        try:
            card = parse_card(
                CARD_TEXT.replace('"Test slide"', quoted.replace("\x7f", "\\u007f")), "card"
            )
        except BadFile as refused:
            assert offences("\n".join(refused.findings), line_ends=True) == []
        else:
            assert covered(card.name) == card.name == text[:80]
            accepted += 1
    assert 0 < accepted < len(NO_SURROGATE)


@pytest.mark.parametrize("text", TEXTS, ids=ascii)
def test_names_of_files_and_arguments(
    text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(BadFile) as refused:
        read_card(tmp_path / text)
    assert offences(str(refused.value), line_ends=True) == []
    for arguments in (
        ["tune", text, "--port", text],
        ["tune", "card.toml", f"--{text}"],
        ["card", "check", text],
        ["examine", text, "--card", text, "--axis", "x"],
        ["convert", text, text],
        ["travel", "--card", text],
        ["rehearse", "--seed", text],
        ["rehearse", "--hands-off", "--fault", text],
        ["rehearse", "--hands-off", f"--axis={text}"],
        [f"a{text}"],
    ):
        monkeypatch.setattr("sys.argv", ["tuner", "--home", str(tmp_path / "home"), *arguments])
        try:
            status = main()
        except SystemExit as ended:
            status = ended.code  # type: ignore[assignment]
        assert status in (1, 2), arguments
        printed = capsys.readouterr()
        assert offences(printed.out + printed.err, line_ends=True) == [], arguments


def test_cells_of_a_table_of_readings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    card = tmp_path / "card.toml"
    card.write_text(CARD_TEXT, encoding="utf-8")
    tables = []
    for number, line in enumerate(SENDABLE):
        cell = b'"' + line.replace(b'"', b'""') + b'"'
        for place, text in enumerate(
            (b"commanded_mm,reading_mm\n0,60\n%b,70\n", b"commanded_mm,%b\n0,60\n10,70\n")
        ):
            tables.append(tmp_path / f"{number}-{place}.csv")
            tables[-1].write_bytes(text % cell)
    arguments = ["examine", *map(str, tables), "--card", str(card), "--axis", "x"]
    monkeypatch.setattr("sys.argv", ["tuner", *arguments])
    assert main() == 1
    printed = capsys.readouterr()
    assert offences(printed.out + printed.err, line_ends=True) == []
    assert all(f"{table}" in printed.err + printed.out for table in tables)


def test_typed_answers_arequoted() -> None:
    for accepts in ASKED:
        for text in EVERYTHING:
            try:
                parse_answer(accepts, text)
            except BadAnswer as reason:
                assert offences(str(reason)) == []
            except Stopped:
                pytest.fail("nothing here says stop")


OWN_SEQUENCES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\r\n|\r|\n")


@pytest.fixture
def screen() -> Iterator[ScreenBench]:
    with create_pipe_input() as keys:
        yield ScreenBench(keys, 80)


@pytest.mark.parametrize(
    "text",
    [*(one for one in TEXTS if "\x1b[" not in one and "\n" not in one), SEQUENCES["SGR"]],
    ids=ascii,
)
def test_what_is_pasted_on_the_screen(screen: ScreenBench, text: str) -> None:
    question = Question(Line("TEXT", "x.job", (), "a name?"), Words())

    def paste() -> None:
        screen.type_at("text > ", f"\x1b[200~b{text}q\x1b[201~")
        screen.drawn.wait_for("q")
        screen.keys.send_text("\r")

    assert screen.serve(screen.ask(question), paste) == 0
    assert screen.answers == [f"b{text}q"]
    drawn = screen.drawn.getvalue()
    assert text == SEQUENCES["SGR"] or offences(OWN_SEQUENCES.sub("", drawn)) == []
    assert SEQUENCES["SGR"] not in drawn


# --- a whole session ----------------------------------------------------------------------


class Chatty:
    """A device that says something hostile before every answer."""

    def __init__(self, device: Any) -> None:
        self._device = device
        self._says = cycle(line for line in SENDABLE if b"\n" not in line and b"\r" not in line)
        self._said = b""

    def __getattr__(self, name: str) -> Any:
        return getattr(self._device, name)

    @property
    def in_waiting(self) -> int:
        return len(self._said) + int(self._device.in_waiting)

    def write(self, data: bytes) -> int:
        for _ in range(4):
            self._said += b"// " + next(self._says) + b"\n"
        return int(self._device.write(data))

    def read(self, size: int = 1) -> bytes:
        if not self._said:
            return bytes(self._device.read(size))
        taken, self._said = self._said[:size], self._said[size:]
        return taken


def test_a_whole_session_with_a_hostile_machine_card_and_person(tmp_path: Path) -> None:
    names = " ".join(one for one in MARKED_UP if one.isprintable() and '"' not in one)[:80]
    text = re.sub(r"name = .*", lambda _: f"name = {json.dumps(names)}", card_text(), count=1)
    card = parse_card(text, "hostile card")
    assert card.name == names
    port = Port.open("rehearse://bench-mule?seed=1&pace=instant", card.baud)
    hands = Hands(port.machine, 1)
    port._device = Chatty(port._device)  # type: ignore[assignment]
    words = cycle(TEXTS)
    in_vain: set[str] = set()

    def answer(question: Question) -> str:
        if question.line.key in in_vain or isinstance(question.accepts, Words):
            return hands.answer(question)
        in_vain.add(question.line.key)
        return next(words)

    setup = live.Bench(
        tmp_path, card, live.dialect_of(card, None), ("x",), f"{port.url}&a=\udcff\x1b[2J",
        False, port.clock, lambda: port,
    )  # fmt: skip
    out = io.StringIO()
    person = HandsOff(answer, out)
    assert live.run_session(setup, person, person) == 0
    assert len(in_vain) > 20
    assert offences(out.getvalue(), line_ends=True) == []
    files = [path for path in tmp_path.rglob("*") if path.suffix in (".txt", ".toml", ".md")]
    assert {path.suffix for path in files} == {".txt", ".toml", ".md"}
    for path in files:
        assert offences(path.read_text("utf-8"), line_ends=True) == [], path.name
        if path.suffix == ".toml":
            assert as_it_was(tomllib.loads(path.read_text("utf-8"))["machine"]) == names
        if path.suffix == ".md":
            assert path.read_text("utf-8").startswith(f"# {quoted(names)}, axis X: change\n")
    assert stored_offences(tmp_path / "logbook.db") == []
    (wire,) = tmp_path.glob("wire/*.txt")
    heard = {one.text for one in parse_transcript(wire)}
    assert sum(f"// {one}" in heard for one in NO_SURROGATE) > 100
