"""The fault grid: every kind of fault in every phase, through the real port, in virtual time.

How each session must end stands in ``faulty.grid``. Here stands what holds however it ends.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import evidence
import pytest
from faulty.channel import KINDS, Channel, Way, ways
from faulty.grid import (
    DIALECTS,
    EXPECTED,
    GOES_ON,
    PHASES,
    START_TRUE_MM,
    WAYPOINTS_MM,
    Session,
    expected,
    run,
    table,
)

MOVES_MM = [7.0, -21.5, 2.0, 43.5]
LONGEST_LINE = 4200  # what the link keeps of a line without end, and a little around it
LONGEST_S = 360.0  # five minutes of a busy controller, and the session around them


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder in memory where there is one: every step of a session is synchronised to it."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        yield Path(name)


def motion_lines(session: Session) -> list[tuple[int, bytes]]:
    """Return every motion line that left, with its place among all lines."""
    return [(n, line) for n, line in enumerate(session.channel.lines_sent) if b"G1 " in line]


CASES = [
    pytest.param(dialect, kind, phase, way, id=f"{dialect}-{kind}-{phase}-{way.value}")
    for dialect in DIALECTS
    for kind in KINDS
    for phase in PHASES
    for way in ways(kind)
]


def test_the_grid_is_whole() -> None:
    assert len(KINDS) * len(PHASES) == 242
    for cells in EXPECTED.values():
        assert set(cells) == {(kind, phase) for kind in KINDS for phase in PHASES}
        for (kind, _), cell in cells.items():
            assert len(cell.split("/")) == len(ways(kind))


def test_the_table_for_contributors_is_the_grid() -> None:
    text = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert table() in text, "run tests/bench/fault_table.py and put in what it prints"


@pytest.mark.parametrize(("dialect", "kind", "phase", "way"), CASES)
def test_a_fault_ends_as_it_must(
    folder: Path, dialect: str, kind: str, phase: str, way: Way
) -> None:
    session = run(kind, phase, way, dialect, folder)
    assert session.channel.struck_at is not None, "the fault never happened"
    code = expected(dialect, kind, phase, way)
    assert session.code == code, session.shown[-3:]
    check_motion(session, code.rstrip("*"))
    check_heaters(session, confirmed=not code.endswith("*"))
    check_what_was_written(session)
    assert session.channel.clock.now_s() < LONGEST_S


@pytest.mark.parametrize("phase", ["before a move", "during a move", "waiting for its end"])
@pytest.mark.parametrize("kind", ["answer twice", "answer out of order", "chatter"])
def test_an_end_is_not_announced_early_where_reports_do_not_wait(
    folder: Path, kind: str, phase: str
) -> None:
    session = run(kind, phase, Way.ANSWER, "printer", folder, reports_at_once=True)
    assert session.code == expected("printer", kind, phase, Way.ANSWER)
    check_motion(session, session.code)


@pytest.mark.parametrize("dialect", DIALECTS)
@pytest.mark.parametrize(("phase", "code"), [("leaving", "ends*"), ("reading a value", "silent*")])
def test_heaters_that_stay_on_send_the_person_to_the_mains(
    folder: Path, dialect: str, phase: str, code: str
) -> None:
    kind = "chatter" if phase == "leaving" else "line lost"
    session = run(kind, phase, ways(kind)[0], dialect, folder, stays_hot=True)
    assert session.code == code
    assert session.channel.machine.targets_c == {"T": 200.0, "B": 60.0}


@pytest.mark.parametrize("dialect", DIALECTS)
def test_no_bit_of_a_move_changes_it_unnoticed(folder: Path, dialect: str) -> None:
    """Any one bit of a move's line, on its way: noticed, or the move is the one consented to."""
    at = bit = 0
    longest = 0

    def flip(channel: Channel, line: bytes | None) -> None:
        nonlocal longest
        assert line is not None
        longest = len(line)
        channel.pass_on(line[:at] + bytes([line[at] ^ 1 << bit]) + line[at + 1 :])

    ends = Counter[str]()
    while not longest or at < longest:
        home = folder / f"{at}-{bit}"
        session = run(flip, "during a move", Way.LINE, dialect, home)
        code = session.code
        # A move at a tenth of its feed shows only in that it does not end.
        check_motion(session, code, noticed_at_once=False)
        check_what_was_written(session)
        ends[code] += 1
        at, bit = (at, bit + 1) if bit < 7 else (at + 1, 0)
    assert ends.total() == 8 * longest
    # Without a checksum another feed, or a blank that is another blank, makes the same move.
    assert dialect == "printer" or not ends["on"] + ends["place"], ends


def check_motion(session: Session, code: str, *, noticed_at_once: bool = True) -> None:
    """Nothing twice, nothing after the fault without a new consent, nothing said too early.

    A line that was spoilt on its way may show only behind the last line of its group, of two.
    """
    motion = motion_lines(session)
    words = [line.rpartition(b"G1 ")[2] for _, line in motion]
    assert len(words) == len(set(words)), "a motion line left twice"
    made = [one.line.rpartition("G1 ")[2] for one in session.channel.machine.moves]
    assert len(made) == len(set(made)), "a motion was made twice"
    assert session.told_too_early == []

    struck = session.channel.sent_when_struck
    new_consents = [at for at in session.consents if at >= struck]
    without = [
        line
        for at, line in motion
        if at >= struck and not any(consent <= at for consent in new_consents)
    ]
    if code in GOES_ON:
        by_mm = [round(one.by_mm["X"], 6) for one in session.channel.machine.moves]
        assert by_mm == MOVES_MM
        truly_mm = session.channel.machine.true_position("X") - START_TRUE_MM
        assert truly_mm == pytest.approx(WAYPOINTS_MM[-1])
        assert code == "ends" or not session.controller.position_unknown
    else:
        assert len(without) <= (1 if code == "place" or not noticed_at_once else 0)
        assert session.controller.position_unknown


def check_heaters(session: Session, *, confirmed: bool) -> None:
    """Off left on every way out; and what is confirmed is true."""
    gone = "went away" in " ".join(line.says for line in session.shown)
    if not gone:
        assert {b"M104 S0", b"M140 S0"} <= set(session.channel.lines_sent)
    if confirmed:
        assert session.channel.machine.targets_c == {"T": 0.0, "B": 0.0}


def check_what_was_written(session: Session) -> None:
    """Every rule of caution and consent kept, nothing off the list, nothing unprintable."""
    assert evidence.check(evidence.parse(session.transcript)) == []
    assert evidence.check_bytes(bytes(session.channel.sent), may_heat=True) == []
    written = session.transcript.read_text(encoding="utf-8")
    assert all(line.isprintable() and len(line) < LONGEST_LINE for line in written.split("\n"))
    assert all(line.plain().isprintable() for line in session.shown)
    assert all(str(step.body).isprintable() for step in session.steps)
