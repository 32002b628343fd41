"""Prints the sheet of a whole job with headless Chromium, on A4 and on Letter.

Usage: python tests/bench/sheet_pages.py [FOLDER]. It needs a program called chromium; pictures
and PDF files stay in FOLDER, to be looked at. Exit 1 where a sheet takes more than two pages.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from counter import whole_job

from tuner.cli import run

_MOST_PAGES = 2
_SIZES = {"A4": "A4", "Letter": "letter"}
_BROWSER = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
_PAGE = re.compile(rb"/Type\s*/Page\b")


def pages_of(sheet: Path, size: str, folder: Path) -> int:
    """Print `sheet` as a PDF of that size into `folder`, and return how many pages it has."""
    sized = folder / f"{size}.html"
    text = sheet.read_text(encoding="utf-8")
    sized.write_text(text.replace("@page {", f"@page {{ size: {size};", 1), encoding="utf-8")
    printed = folder / f"{size}.pdf"
    arguments = [*_BROWSER, f"--print-to-pdf={printed}", sized.as_uri()]
    subprocess.run(arguments, check=True, capture_output=True)
    return len(_PAGE.findall(printed.read_bytes()))


def main(folder: Path) -> int:
    """Make the sheet, print it, and say how many pages it takes; return the exit status."""
    whole_job(folder)
    run(["sheet", "last", "--output", str(folder / "sheet.html"), "--home", str(folder)])
    picture = folder / "sheet.png"
    look = [*_BROWSER, "--window-size=900,2200", f"--screenshot={picture}"]
    subprocess.run([*look, (folder / "sheet.html").as_uri()], check=True, capture_output=True)
    print(f"to be looked at: {picture}")
    pages = {name: pages_of(folder / "sheet.html", size, folder) for name, size in _SIZES.items()}
    for name, count in pages.items():
        print(f"{name}: {count} pages, at most {_MOST_PAGES}")
    return 0 if max(pages.values()) <= _MOST_PAGES else 1


if __name__ == "__main__":
    given = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp(prefix="sheet-"))
    given.mkdir(parents=True, exist_ok=True)
    sys.exit(main(given.resolve()))
