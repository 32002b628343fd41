"""The folder of logbook, proposals and transcripts, and how a command line names it."""

from __future__ import annotations

import os
import shlex
from pathlib import Path

__all__ = ["home_option", "usual_home"]


def usual_home() -> Path:
    """Return the folder that is used where none is named."""
    return Path(os.environ.get("TUNER_HOME") or Path.home() / "tuner-bench")


def home_option(home: Path) -> str:
    """Return what a command needs at its end to find `home`; empty where it finds it by itself."""
    return "" if home == usual_home() else f" --home {shlex.quote(str(home))}"
