"""Opening the port of a session: where it is not there, the one last used is named."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from tuner.card.dialect import read_dialect
from tuner.card.read import parse_card
from tuner.commands.live import Bench, run_session
from tuner.console.plain import HandsOff
from tuner.errors import PortUnavailable
from tuner.messages import Question
from tuner.rehearsal.faults import card_text
from tuner.session.logbook import Logbook
from tuner.wire import port as port_module
from tuner.wire.port import MonotonicClock, Port

CARD = parse_card(card_text(), "the card of the bench mule")


def session(
    folder: Path, url: str, capsys: pytest.CaptureFixture[str], ports: list[tuple[str, str | None]]
) -> str:
    """Run a session whose port cannot be opened, and return what was printed."""

    def connect() -> Port:
        raise PortUnavailable(f"there is no port {url}")

    def answer(question: Question) -> str:
        return {"job-running": "no", "motor-power": "yes"}.get(question.line.key, "stop")

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(
            port_module,
            "comports",
            lambda: [SimpleNamespace(device=d, description="", serial_number=s) for d, s in ports],
        )
        off = HandsOff(answer, sys.stdout)
        setup = Bench(
            folder, CARD, read_dialect("printer", None), ("x",), url, False, MonotonicClock(),
            connect,
        )  # fmt: skip
        assert run_session(setup, off, off) == 1
    return capsys.readouterr().out


def test_a_port_under_another_name_is_named_and_never_taken_by_itself(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    there = [("/dev/one", "A1"), ("/dev/other", None)]
    assert "try --port" not in session(tmp_path, "/dev/one", capsys, there)
    moved = [("/dev/other", None), ("/dev/two", "A1")]
    says = session(tmp_path, "/dev/one", capsys, moved)
    assert (
        "there is no port /dev/one. The port last used for this machine (serial number A1) is now "
        "/dev/two: try --port /dev/two"
    ) in says
    assert "try --port" not in session(tmp_path, "/dev/one", capsys, [("/dev/other", "B2")])
    logbook = Logbook(tmp_path / "logbook.db")
    ports = [logbook.head(session).port for session in logbook.sessions()]
    logbook.close()
    assert sorted(ports) == ["/dev/one", "/dev/one", "/dev/one (serial number A1)"]
