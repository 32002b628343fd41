"""The simulated machines answer in the words of the dialects that are shipped."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tuner.card.dialect import read_dialect
from tuner.errors import ControllerRestarted, PortLost
from tuner.rehearsal.faults import BENCH_MULE, PACK_MULE
from tuner.safety.permit import Permit
from tuner.wire.controller import Controller
from tuner.wire.port import Port
from tuner.wire.transcript import Transcript


@pytest.fixture
def transcripts(tmp_path: Path) -> Iterator[list[Transcript]]:
    opened: list[Transcript] = []
    yield opened
    for transcript in opened:
        transcript.close()


def talking(
    url: str, dialect: str, folder: Path, transcripts: list[Transcript]
) -> tuple[Port, Controller]:
    port = Port.open(url, 115200)
    transcripts.append(Transcript(folder / f"{len(transcripts)}.txt", port.clock))
    controller = Controller(port, read_dialect(dialect, None), transcripts[-1])
    controller.open_conversation()
    return port, controller


def permit(port: Port, line: str, seconds: float) -> Permit:
    return Permit(1, (line,), seconds, port.clock.now_s())


@pytest.mark.parametrize(
    ("name", "letter"), [(BENCH_MULE, "X"), (BENCH_MULE, "Z"), (PACK_MULE, "Y"), (PACK_MULE, "C")]
)
def test_a_conversation_in_printer(
    name: str, letter: str, tmp_path: Path, transcripts: list[Transcript]
) -> None:
    url = f"rehearse://{name}?fault=none"
    port, controller = talking(url, "printer", tmp_path, transcripts)
    axes = "xyz" if name == BENCH_MULE else "xyzce"
    assert controller.position() == dict.fromkeys(axes, 0.0)
    assert controller.move(permit(port, f"G1 {letter}5 F300", 1.1)).finished
    assert controller.position() == dict.fromkeys(axes, 0.0) | {letter.lower(): 5.0}
    assert controller.switches() == {"x": False, "y": False, "z": False}
    assert [(one.name, one.target_c) for one in controller.temperatures() or ()] == [
        ("T", 0.0), ("B", 0.0),
    ]  # fmt: skip
    assert controller.heaters_off().confirmed
    controller.close()


def test_a_restart_and_a_cable_are_heard_as_such(
    tmp_path: Path, transcripts: list[Transcript]
) -> None:
    for fault, heard in (("restart", ControllerRestarted), ("cable-loose", PortLost)):
        url = f"rehearse://bench-mule?fault={fault}"
        port, controller = talking(url, "printer", tmp_path, transcripts)
        for by_mm in (10, -10):
            assert controller.move(permit(port, f"G1 X{by_mm} F600", 1.02)).finished
        with pytest.raises(heard):
            controller.move(permit(port, "G1 X20 F600", 2.02))


def test_a_cold_feed_is_refused_with_the_error_word_of_the_dialect() -> None:
    port = Port.open("rehearse://pack-mule?fault=cold-feed-refused", 115200)
    error_words = read_dialect("printer", None).error
    mule = port.machine
    mule.clock.advance(1.0)
    mule.controller.due(mule.clock.now_s())
    mule.controller.receive(b"M83\nG1 E1 F60\n", mule.clock.now_s())
    accepted, refused = mule.controller.due(mule.clock.now_s() + 1.0).decode().splitlines()
    assert accepted == "ok"
    assert refused.startswith(tuple(error_words))
