"""Write the session and the screens that README.md shows anew; look at the diff before keeping it.

Usage: python tests/bench/record_readme.py
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import readme


def main() -> None:
    with tempfile.TemporaryDirectory() as home:
        session = readme.folded(readme.session_lines(Path(home)))
    text = readme.PATH.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as home:
        text = readme.with_screens(text, readme.screens(Path(home)))
    readme.PATH.write_text(readme.with_session(text, session), encoding="utf-8")
    print(session, end="")


if __name__ == "__main__":
    main()
