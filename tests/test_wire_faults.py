"""The fault grid: every kind of fault in every phase, through the real port, in virtual time.

How each session must end stands in ``faulty.grid``. Here stands what holds however it ends.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import evidence
import pytest
from faulty.channel import KINDS, Way, ways
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


def check_motion(session: Session, code: str) -> None:
    """Nothing twice, nothing after the fault without a new consent, nothing said too early."""
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
    elif code == "place":
        # A line that was spoilt on its way shows only in where the axis stands after its group.
        assert len(without) <= 1
        assert session.controller.position_unknown
    else:
        assert without == []
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
