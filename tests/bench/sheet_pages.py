"""Prints sheets of every kind with headless Chromium, with scripts and without, and counts pages.

Usage: python tests/bench/sheet_pages.py [FOLDER]. It needs a program called chromium; pictures
and PDF files stay in FOLDER, to be looked at. Exit 1 where a sheet takes more than two pages of
A4 or Letter, or is another one where the browser runs no scripts.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from counter import ANSWERS, intake, newest_proposal, quiet, rehearsed, whole_job

from tuner.cli import run
from tuner.handover.history import entries
from tuner.handover.page import as_html
from tuner.handover.recorded import Recorded, belonging, read_session
from tuner.handover.sheet import compose
from tuner.session.logbook import Logbook

_MOST_PAGES = 2
_SIZES = ("A4", "letter")
_BROWSER = ("chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer")
_PAGE = re.compile(rb"/Type\s*/Page\b")
_TIMES = re.compile(rb"/(Creation|Mod)Date \(D:[^)]*\)")
_NO_SCRIPTS = {"profile": {"default_content_setting_values": {"javascript": 2}}}
_SCRIPTED = "<!DOCTYPE html><p>still<script>document.body.textContent = 'ran'</script>"
_ALL_AXES = [word for axis in "xyzce" for word in ("--axis", axis)]
_HOSTILE = '<script>alert("1")</script> \u202eelum \'"&amp; ' + "W" * 300


def _of_fault(fault: str, home: Path) -> None:
    run(["rehearse", "--hands-off", "--home", str(home), "--fault", fault])


def _crowded(home: Path) -> None:
    """Five axes, measured in two sessions and one of them checked, and a complaint of 300 signs."""
    intake(home, (ANSWERS[0], "W " * 150, *ANSWERS[2:]), machine="pack-mule")
    mule = ["--machine", "pack-mule", "--fault", "pulley-teeth", "--job", ANSWERS[0]]
    rehearsed(home, "--quick", *mule, *_ALL_AXES)
    rehearsed(home, *mule, *_ALL_AXES)
    rehearsed(home, *mule, "--check", str(newest_proposal(home, "x")))


def _months(home: Path) -> None:
    """A machine that was here often: what was found before stands on the sheet too."""
    for _ in range(8):
        rehearsed(home, "--quick", "--axis", "x", "--axis", "y", "--axis", "z")


_SCENES: dict[str, Callable[[Path], None]] = {
    "whole-job": whole_job,
    "crowded": _crowded,
    "hostile": _crowded,
    "months": _months,
    "keep": partial(_of_fault, "none"),
    "loses-on-reversal": partial(_of_fault, "play"),
    "change": partial(_of_fault, "screw-lead"),
    "repair-first": partial(_of_fault, "lost-steps"),
    "cannot-tell": partial(_of_fault, "not-powered"),
    "feeder": partial(_of_fault, "feeder-diameter"),
    "cut-off": partial(_of_fault, "restart"),
}


def _hostile(record: Recorded) -> Recorded:
    """Return `record` with names as hostile, and as long, as a card and an intake take them."""
    asked = record.intake and {
        key: _HOSTILE[: 300 if key == "complaint" else 80] for key in record.intake
    }
    return replace(record, machine=_HOSTILE[:80], job=_HOSTILE[:40], intake=asked)


def sheet_of(scene: str, home: Path) -> str:
    """Play `scene` in the folder `home` and return the page of its last session's job."""
    with quiet():
        _SCENES[scene](home)
    logbook = Logbook(home / "logbook.db")
    names = belonging(logbook, logbook.sessions()[-1:])
    records = [read_session(logbook, one) for one in names]
    earlier = [one for one in entries(logbook, records[0].machine) if one.session not in names]
    logbook.close()
    if scene == "hostile":
        records = [*map(_hostile, records)]
    return as_html(compose(records, earlier))


class Browser:
    """Chromium with a profile of its own, in which scripts run or do not."""

    def __init__(self, folder: Path, *, scripts: bool) -> None:
        self._profile = folder / f"profile-{scripts}"
        settings = self._profile / "Default" / "Preferences"
        settings.parent.mkdir(parents=True, exist_ok=True)
        settings.write_text("{}" if scripts else json.dumps(_NO_SCRIPTS), encoding="utf-8")
        self._probe = folder / "scripted.html"
        self._probe.write_text(_SCRIPTED, encoding="utf-8")

    def run(self, page: Path, *options: str) -> bytes:
        """Open `page` with `options` and return what the browser prints."""
        profile = f"--user-data-dir={self._profile}"
        done = subprocess.run(
            [*_BROWSER, profile, *options, page.as_uri()], check=True, capture_output=True
        )
        return done.stdout

    def runs_scripts(self) -> bool:
        """Whether a script in a page of its own has any effect."""
        return b"still" not in self.run(self._probe, "--dump-dom")

    def picture(self, page: Path, to: Path) -> bytes:
        """Return the page as a PNG file, which is left at `to`."""
        self.run(page, "--window-size=900,2600", f"--screenshot={to}")
        return to.read_bytes()

    def printed(self, page: Path, to: Path) -> bytes:
        """Return the page as a PDF file without times, which is left at `to`."""
        self.run(page, f"--print-to-pdf={to}")
        return _TIMES.sub(b"", to.read_bytes())


def shown_by(browser: Browser, page: Path, folder: Path) -> list[bytes]:
    """Return the picture of `page`, and it printed on each size of paper."""
    shown = [browser.picture(page, folder / f"{page.stem}.png")]
    text = page.read_text(encoding="utf-8")
    for size in _SIZES:
        sized = folder / f"{page.stem}-{size}.html"
        sized.write_text(text.replace("@page {", f"@page {{ size: {size};", 1), encoding="utf-8")
        shown.append(browser.printed(sized, folder / f"{page.stem}-{size}.pdf"))
    return shown


def main(folder: Path) -> int:
    """Make every sheet, print it, and say how many pages it takes; return the exit status."""
    without, browser = (Browser(folder, scripts=on) for on in (False, True))
    if without.runs_scripts() or not browser.runs_scripts():
        print("scripts cannot be switched off in this browser: nothing would be proved")
        return 1
    is_fine = True
    for scene in _SCENES:
        page = folder / f"{scene}.html"
        with tempfile.TemporaryDirectory() as home:
            page.write_text(sheet_of(scene, Path(home)), encoding="utf-8")
        is_same = shown_by(without, page, folder) == (shown := shown_by(browser, page, folder))
        pages = [len(_PAGE.findall(one)) for one in shown[1:]]
        is_fine = is_fine and is_same and max(pages) <= _MOST_PAGES
        counts = ", ".join(f"{size} {count}" for size, count in zip(_SIZES, pages, strict=True))
        print(f"{scene}: pages {counts}; {'the same' if is_same else 'ANOTHER'} without scripts")
    print(f"to be looked at: {folder}/*.png and *.pdf; at most {_MOST_PAGES} pages each")
    return 0 if is_fine else 1


if __name__ == "__main__":
    given = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp(prefix="sheet-"))
    given.mkdir(parents=True, exist_ok=True)
    sys.exit(main(given.resolve()))
