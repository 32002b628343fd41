"""Record ``transcripts_fake/`` anew from the rehearsal machine; look at the diff before keeping it.

Usage: python tests/bench/record_transcripts.py [SCENE …]. Without names all are recorded: every
conversation, and ``counter-job``, a whole job at the counter as it is seen in the terminal.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from counter import CAPTURE, captured

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


def main(wanted: Sequence[str]) -> None:
    for name, (axis, arguments) in SCENES.items():
        if wanted and name not in wanted:
            continue
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
    if not wanted or CAPTURE.stem in wanted:
        with tempfile.TemporaryDirectory() as home:
            CAPTURE.write_text(captured(Path(home)), encoding="utf-8")
        print(CAPTURE.stem)


if __name__ == "__main__":
    main(sys.argv[1:])
