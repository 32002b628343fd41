"""``tuner about``: versions and platform, to paste into a report."""

from __future__ import annotations

import platform
import sqlite3
from importlib.metadata import version

from tuner import __version__
from tuner.commands.report import print_json

_LIBRARIES = ("pyserial", "prompt_toolkit", "numpy")


def about(*, as_json: bool) -> int:
    """Print versions and platform; no user name, path or port in it."""
    versions = {
        "tuner": __version__,
        "python": f"{platform.python_version()} ({platform.python_implementation()})",
        "platform": f"{platform.system()} {platform.release()} {platform.machine()}",
        **{name: version(name) for name in _LIBRARIES},
        "sqlite": sqlite3.sqlite_version,
    }
    if as_json:
        print_json(versions)
        return 0
    for name, value in versions.items():
        print(f"{name} {value}")
    return 0
