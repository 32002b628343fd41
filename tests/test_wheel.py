"""The wheel is built, installed elsewhere, and runs a session from another folder."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def run(*arguments: str, cwd: Path, path: Path | None = None) -> str:
    environment = {**os.environ, "PYTHONPATH": str(path)} if path else dict(os.environ)
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=cwd, env=environment, check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip


@pytest.mark.timeout(300)
def test_the_wheel_runs_where_it_was_installed(tmp_path: Path) -> None:
    pip = ("-m", "pip", "--disable-pip-version-check")
    options = ("--no-deps", "--no-build-isolation", "--wheel-dir", str(tmp_path / "wheels"))
    run(*pip, "wheel", *options, str(ROOT), cwd=tmp_path)
    (wheel,) = (tmp_path / "wheels").glob("*.whl")
    site = tmp_path / "site"
    run(*pip, "install", "--no-deps", "--target", str(site), str(wheel), cwd=tmp_path)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    where = run("-c", "import tuner; print(tuner.__file__)", cwd=elsewhere, path=site)
    assert Path(where.strip()).is_relative_to(site)
    session = ("-m", "tuner", "rehearse", "--hands-off", "--home", str(tmp_path / "home"))
    said = run(*session, cwd=elsewhere, path=site)
    assert said.endswith("END exit=0\n")
    assert len(list((tmp_path / "home" / "proposals").glob("*.toml"))) == 3
