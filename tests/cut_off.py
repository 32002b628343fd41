"""Sessions that are cut off at a chosen place, taken up again, and held to what was promised.

Whatever the place: every confirmed reading is kept and none invented, the verdict is the one of
the session that was never cut off, and its scale agrees within the larger uncertainty.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import evidence
import pytest

from tuner import cli
from tuner.session.logbook import Logbook, SessionLog, TakenReading

AXIS, FAULT = "x", "pulley-teeth"
BEGIN = ("rehearse", "--hands-off", "--axis", AXIS, "--fault", FAULT)


class CutOff(BaseException):
    """Comes at the chosen step and is nothing that the program knows."""


@contextmanager
def cut_off_at(step: int) -> Iterator[None]:
    """Cut off whatever is under way just before its `step`-th step from now is written."""
    left = step
    write = SessionLog.step

    def counted(self: SessionLog, *what: Any) -> None:
        nonlocal left
        left -= 1
        if left == 0:
            raise CutOff
        write(self, *what)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(SessionLog, "step", counted)
        yield


@contextmanager
def without_waiting_for_the_disk() -> Iterator[None]:
    """Nothing here takes power away, so nothing needs to have arrived on the platter."""
    begun = Logbook.__init__

    def hurried(self: Logbook, *how: Any, **more: Any) -> None:
        begun(self, *how, **more)
        self._database.execute("PRAGMA synchronous = OFF")

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(Logbook, "__init__", hurried)
        yield


def run(home: Path, *arguments: str) -> int:
    return cli.run([*arguments, "--home", str(home)])


def begin(home: Path) -> int:
    return run(home, *BEGIN)


def resume(home: Path) -> int:
    return run(home, "resume", "last", "--hands-off")


@dataclass(frozen=True)
class Kept:
    """What a home holds of its only session."""

    ended_as: str | None
    result: Any
    readings: tuple[tuple[int, float, float], ...]
    taken_s: tuple[float, ...]
    steps: int
    proposals: tuple[str, ...]

    @property
    def finding(self) -> dict[str, Any]:
        finding = self.result[AXIS]
        assert isinstance(finding, dict)
        return finding


def kept(home: Path) -> Kept:
    """Return what is kept in `home`; readings that were taken back are not."""
    logbook = Logbook(home / "logbook.db")
    try:
        (session,) = logbook.sessions()
        ended_as, result = logbook.ending(session)
        counting = [one for one in logbook.readings(session) if not one.withdrawn]
        readings = tuple(_plain(one) for one in counting)
        taken_s = tuple(one.time_s for one in counting)
        proposals = tuple(one.state for one in logbook.proposals(session))
        steps = len(logbook.steps(session))
        return Kept(ended_as, result, readings, taken_s, steps, proposals)
    finally:
        logbook.close()


def _plain(reading: TakenReading) -> tuple[int, float, float]:
    return reading.number, reading.commanded_mm, reading.reading_mm


def open_proposal(home: Path) -> dict[str, Any]:
    """Return the proposal that counts."""
    database = sqlite3.connect(home / "logbook.db")
    ((path,),) = database.execute("SELECT path FROM proposal WHERE state = 'open'").fetchall()
    database.close()
    return tomllib.loads(Path(path).read_text(encoding="utf-8"))


def written_readings(home: Path) -> tuple[tuple[int, float, float], ...]:
    """Return the readings in the proposal that counts."""
    readings = open_proposal(home)["reading"]
    return tuple((one["n"], one["commanded_mm"], one["reading_mm"]) for one in readings)


def motion_lines(transcript: Path) -> int:
    return len(evidence.motion_lines(evidence.parse(transcript)))


def transcripts(home: Path) -> list[Path]:
    """Return the transcripts of the session, run by run."""
    return sorted((home / "wire").glob("*.txt"), key=lambda path: path.stat().st_ctime_ns)


def broken_promises(
    home: Path, confirmed: Kept, whole: Kept, *, was_killed: bool = False
) -> list[str]:
    """Return what a session does not keep that had `confirmed` and should end like `whole`.

    Whoever `was_killed` leaves no machine cold; whoever goes on after that does.
    """
    now = kept(home)
    broken = []
    if now.ended_as != "finished":
        return [f"it ended as {now.ended_as}"]
    if lost := set(confirmed.readings) - set(now.readings):
        broken.append(f"readings lost: {lost}")
    if written_readings(home) != now.readings:
        broken.append("the proposal has other readings than the logbook")
    if now.finding["verdict"] != whole.finding["verdict"]:
        broken.append(f"the verdict is {now.finding['verdict']}")
    scale, expected = now.finding["scale"], whole.finding["scale"]
    if scale is None:
        return [*broken, f"nothing could be measured: {now.finding['next']}"]
    if abs(scale["value"] - expected["value"]) > max(scale["U"], expected["U"]):
        broken.append(f"the scale is {scale} and not {expected}")
    were_all = (confirmed.readings, confirmed.taken_s) == (whole.readings, whole.taken_s)
    if were_all and now.finding != whole.finding:
        broken.append("no reading was due, and the result is another")
    if now.proposals.count("open") != 1:
        broken.append(f"the proposals are {now.proposals}")
    runs = transcripts(home)
    for transcript in runs:
        broken += evidence.check(evidence.parse(transcript))
    for transcript in runs[-1:] if was_killed else runs:
        broken += _left_warm(transcript)
    return broken


def _left_warm(transcript: Path) -> list[str]:
    sent = [record.text for record in evidence.parse(transcript) if record.kind == ">"]
    off = [line for line in sent if line.startswith(("M104 S0", "M140 S0"))]
    return [] if not sent or len(off) >= 2 else [f"{transcript.name}: heaters were left"]


# --- killed -------------------------------------------------------------------------------


def killed_after(lines: int, work: Callable[[], int]) -> bool:
    """Do `work` in a process of its own, which is killed once it has printed so many lines.

    Say whether it was; False when it came to its end before. The instant is a random one: it
    goes on while the lines are read.
    """
    ours, theirs = os.pipe()
    child = os.fork()
    if not child:
        os.close(ours)
        os.dup2(theirs, 1)
        sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
        try:
            work()
        finally:
            os._exit(0)
    os.close(theirs)
    with os.fdopen(ours, "rb") as said:
        for _ in range(lines):
            if not said.readline():
                break
        os.kill(child, signal.SIGKILL)  # it is ours until it was waited for
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)
