"""The process itself: what a shell can do to its streams."""

from __future__ import annotations

import shlex
import subprocess
import sys
from pathlib import Path

import pytest


def shell(command: str, home: Path) -> tuple[int, str]:
    """Run `command` of the program in a shell; return its status and standard error."""
    line = f"{shlex.quote(sys.executable)} -m tuner {command}".replace("HOME", str(home))
    done = subprocess.run(["sh", "-c", line], capture_output=True, text=True, check=False)
    return done.returncode, done.stderr


@pytest.mark.parametrize(
    ("command", "status", "says"),
    [
        ("rehearse --axis y --home HOME <&-", 2, "standard input is closed"),
        ("rehearse --hands-off --axis y --home HOME >&-", 1, "standard output is closed"),
        ("ports >&-", 1, "standard output is closed"),
        ("rehearse --hands-off --axis y --home HOME | head -n 2", 0, ""),
    ],
)
def test_closed_streams_are_one_sentence(
    tmp_path: Path, command: str, status: int, says: str
) -> None:
    got, err = shell(command, tmp_path / "home")
    assert got == status
    assert says in err
    assert "Traceback" not in err
