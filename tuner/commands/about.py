"""``tuner about``: versions and platform, to paste into a report."""

from __future__ import annotations

import platform
import sqlite3
from importlib.metadata import version

from tuner import __version__


def about() -> int:
    """Print versions and platform; no user name, path or port in it."""
    print(f"tuner {__version__}")
    print(f"python {platform.python_version()} ({platform.python_implementation()})")
    print(f"platform {platform.system()} {platform.release()} {platform.machine()}")
    for name in ("pyserial", "prompt_toolkit", "numpy"):
        print(f"{name} {version(name)}")
    print(f"sqlite {sqlite3.sqlite_version}")
    return 0
