"""Record ``transcripts_fake/`` anew from the rehearsal machine; look at the diff before keeping it.

Usage: python tests/bench/record_transcripts.py
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

FOLDER = Path(__file__).parents[2] / "transcripts_fake"
SCENES = {
    "wrong-pulley": ("x", ["--axis", "x"]),
    "healthy-with-play": ("y", ["--axis", "y"]),
    "wrong-screw": ("z", ["--axis", "z"]),
    "half-the-travel": ("x", ["--fault", "step-angle"]),
    "wrong-way": ("x", ["--fault", "wrong-way"]),
    "not-powered": ("x", ["--fault", "not-powered"]),
    "inches": ("x", ["--fault", "inch-units"]),
    "plugs-exchanged": ("x", ["--fault", "swapped-plugs"]),
}


def main() -> None:
    for name, (axis, arguments) in SCENES.items():
        with tempfile.TemporaryDirectory() as home:
            subprocess.run(
                [
                    sys.executable,
                    "-m",
                    "tuner",
                    "rehearse",
                    "--hands-off",
                    "--home",
                    home,
                    *arguments,
                ],
                check=True,
                stdout=subprocess.DEVNULL,
            )
            (wire,) = (Path(home) / "wire").glob("*.txt")
            conversation = wire.read_text(encoding="utf-8").replace(home, "HOME")
        head = f"# made up: the Bench mule, axis {axis}, {' '.join(arguments)}\n"
        (FOLDER / f"{name}.txt").write_text(head + conversation, encoding="utf-8")
        print(name)


if __name__ == "__main__":
    main()
