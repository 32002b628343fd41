"""A session of one axis on a disk that fails at the k-th statement of the logbook, for every k.

Run ``python tests/bench/logbook_disk.py [EACH]``. Each session must end with status 1, with the
stop word on the wire where something moved, and with every rule of ``tests/evidence.py`` kept.
Where the machine lets it mount a small file system, one session more is run there until it is full.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import evidence
import pytest
from disks import Disk, failing
from test_logbook_disk import check_session, session_on

from tuner.errors import BenchFault
from tuner.session.logbook import Logbook

_SMALL = "size=200k"


def each_statement(folder: Path, each: int) -> int:
    """Return how many sessions broke a promise."""
    patch = pytest.MonkeyPatch()
    whole = Disk()
    with failing(patch, whole):
        session_on(folder / "whole")
    broken = moving = sessions = 0
    for k in range(1, whole.statements + 1, each):
        home = folder / str(k)
        sessions += 1
        try:
            moving += check_session(home, patch, Disk(k, for_good=bool(k % 2)))
            for transcript in home.glob("wire/*.txt"):
                assert evidence.check(evidence.parse(transcript)) == []
        except Exception as failure:
            broken += 1
            print(f"statement {k}: {type(failure).__name__}: {failure}")
    print(
        f"{sessions} sessions, one for each {each} of {whole.statements} statements: {moving} "
        f"caught while moving, {broken} broken"
    )
    return broken


@contextmanager
def small_disk(folder: Path) -> Iterator[Path | None]:
    """Yield a folder on a file system of 200 kB, or None where none may be mounted."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", _SMALL, "none", str(folder)]
    if subprocess.run(command, check=False, capture_output=True).returncode:
        yield None
        return
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def until_full(folder: Path) -> None:
    """Run sessions on a small disk until it is full, and print what is left."""
    with small_disk(folder / "small") as home:
        if home is None:
            print("no small file system may be mounted here")
            return
        status = 0
        while status == 0:
            status, said, _ = session_on(home)
        print(f"full disk: exit status {status}; {said.splitlines()[-1] if said else ''}"[:200])
        for path in [*home.glob("wire/*.txt")]:
            assert evidence.check(evidence.parse(path)) == []
            path.unlink()  # make room
        try:
            logbook = Logbook(home / "logbook.db")
        except BenchFault as fault:
            print(f"opened again: {fault}"[:200])
            return
        kept = [len(logbook.steps(session)) for session in logbook.sessions()]
        print(f"opened again: set aside {logbook.set_aside}, steps kept {kept}")
        logbook.close()


def main(each: int) -> int:
    with tempfile.TemporaryDirectory() as name:
        broken = each_statement(Path(name), each)
        until_full(Path(name))
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1))
