"""What README.md shows of a session, taken from a session: the lines, and how they are folded."""

from __future__ import annotations

import re
import subprocess
import sys
import textwrap
from pathlib import Path

from terminal_walk import walk

PATH = Path(__file__).parents[1] / "README.md"
SHOWN_HOME = "~/tuner-bench"
COLUMNS = 96
_INDENT = "    "
_BLOCK = re.compile(
    r"(`tuner rehearse --hands-off` \(long lines folded here\):\n\n```text\n)(.*?)(```\n)",
    re.DOTALL,
)
_SCREENS = {
    "x.near.1": re.compile(r"(before the first far move:\n\n```text\n)(.*?)(```\n)", re.DOTALL),
    "x.look.pulley-teeth.16": re.compile(
        r"(When a part is to be looked at:\n\n```text\n)(.*?)(```\n)", re.DOTALL
    ),
}
# The last move of X, what it was read to be, and everything said of X from there on.
_MOVE = {"CAUTION", "MOVE", "CONFIRM", "MOVED", "READING"}
_LATER = re.compile(r"RESULT x |NOTE x\.next |CHOICE x\.look\.|PROPOSAL x |END ")


def session_lines(home: Path) -> list[str]:
    """Return the lines of a whole hands-off rehearsal that the README shows."""
    done = subprocess.run(
        [sys.executable, "-m", "tuner", "rehearse", "--hands-off", "--home", str(home)],
        check=False,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, f"{done.stdout[-500:]}\n{done.stderr}"
    lines = done.stdout.replace(str(home), SHOWN_HOME).splitlines()
    fits = [line for line in lines if line.startswith("FIT x ")]
    return [line for line in lines if _is_picked(line) or line is fits[-1]]


def _is_picked(line: str) -> bool:
    tag, key = line.split()[:2]
    return (tag in _MOVE and key == "x.near.2") or _LATER.match(line) is not None


def folded(lines: list[str]) -> str:
    """Return `lines` with the long ones folded, as the README shows them."""
    return "".join(
        "\n".join(
            textwrap.wrap(
                line,
                COLUMNS,
                subsequent_indent=_INDENT,
                break_long_words=False,
                break_on_hyphens=False,
            )
        )
        + "\n"
        for line in lines
    )


def shown_session(text: str) -> str:
    """Return the session that the README `text` shows."""
    found = _BLOCK.search(text)
    assert found, "README.md shows no session where one is expected"
    return found[2]


def with_session(text: str, session: str) -> str:
    """Return the README `text` showing `session` instead of the one it shows."""
    return _BLOCK.sub(lambda found: found[1] + session + found[3], text)


def screens(home: Path) -> dict[str, str]:
    """Return what an emulated terminal shows at the questions that the README shows."""
    walked = walk(home, rows=24, columns=80)
    return {key: "\n".join(walked.at(key).rows) + "\n" for key in _SCREENS}


def shown_screens(text: str) -> dict[str, str]:
    """Return the screens that the README `text` shows, by the key of their question."""
    found = {key: block.search(text) for key, block in _SCREENS.items()}
    return {key: one[2] for key, one in found.items() if one}


def with_screens(text: str, screens: dict[str, str]) -> str:
    """Return the README `text` showing `screens` instead of those it shows."""
    for key, block in _SCREENS.items():
        screen = screens[key]
        text = block.sub(lambda found, screen=screen: found[1] + screen + found[3], text)
    return text


def without_names(text: str) -> str:
    """Return `text` folded anew, with the names that hold the time of day taken out."""
    unfolded = text.replace(f"\n{_INDENT}", " ")
    return folded(re.sub(r"\d{8}-\d{6}-bench-mule", "NAMED", unfolded).splitlines())
