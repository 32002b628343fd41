"""What a shell offers at the Tab key, and that bash really offers it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from fakes import SetClock
from test_commands_log import head, read

from tuner import cli
from tuner.commands import completion as command
from tuner.commands.completion import SCRIPTS, candidates
from tuner.rehearsal.faults import FAULTS, card_text
from tuner.session.logbook import Logbook
from tuner.wire.port import PortSeen


@pytest.fixture(autouse=True)
def ports(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command, "list_ports", lambda: [PortSeen("/dev/ttyA0", "", None)])


def offered(home: Path, typed: str) -> list[str]:
    """Return what is offered after `typed`, of which the last word may be begun or empty."""
    return candidates(cli._parser(), typed.split(" "), home)


@pytest.mark.parametrize(
    ("typed", "offers"),
    [
        ("tu", ["tune"]),
        ("log ", ["export", "last"]),
        ("log e", ["export"]),
        ("log export ", ["last"]),
        ("log export --format ", ["csv", "json"]),
        ("card ", ["check", "new"]),
        ("card new", ["new"]),
        ("travel b", ["belt"]),
        ("travel belt --te", ["--teeth"]),
        ("travel belt --gears 16:80 17:50 --te", ["--teeth"]),
        ("travel belt --stored 80 steps_per_mm --js", ["--json"]),
        ("rehearse --fault step", ["step-angle"]),
        ("rehearse --axis ", ["e", "x", "y", "z"]),
        ("rehearse --axis=x --pl", ["--plain"]),
        ("tune card.toml --port ", ["/dev/ttyA0"]),
        ("tune ", []),  # a file
        ("sheet ", ["last"]),
        ("sheet last ", ["last"]),
        ("history --compare last ", ["last"]),
        ("history --machine ", []),  # no simulated one
        ("prints ", []),
        ("completion ", ["bash", "fish", "zsh"]),
        ("no-such-command ", []),
    ],
)
def test_what_can_follow(tmp_path: Path, typed: str, offers: list[str]) -> None:
    assert offered(tmp_path, typed) == offers


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A folder with a session that ended, one that did not, and a change that was proposed."""
    with closing(Logbook(tmp_path / "logbook.db")) as logbook:
        log = logbook.begin(head("s-1", params={"axes": ["x", "y"], "job": "A-17"}), SetClock())
        read(log, "x", 1, 61.5)
        log.proposal("p-x", "x", tmp_path / "p-x.toml", "0")
        log.end("finished", {"x": {"verdict": "change"}})
        log = logbook.begin(head("s-2", "Other one", params={"axes": [], "job": "B-1"}), SetClock())
        log.end("stopped", None)
    return tmp_path


@pytest.mark.parametrize(
    ("typed", "offers"),
    [
        ("log ", ["A-17", "B-1", "export", "last", "s-1", "s-2"]),
        ("sheet A", ["A-17"]),
        ("resume ", ["B-1", "last", "s-2"]),
        ("history --machine ", ["Other one", "Test slide"]),
        ("history --machine Other\\ o", ["Other one"]),
        ("tune card.toml --job ", ["A-17", "B-1"]),
        ("tune card.toml --check ", ["last", "p-x"]),
        ("rehearse --check p", ["p-x"]),
        ("log export s-1 --axis ", ["x"]),
        ("log export --format csv A-17 --axis ", ["x"]),
        ("log export none --axis ", ["e", "x", "y", "z"]),
    ],
)
def test_what_is_kept_is_offered(kept: Path, typed: str, offers: list[str]) -> None:
    words = typed.replace("\\ ", "\0").split(" ")
    words = [one.replace("\0", "\\ ") for one in words]
    assert candidates(cli._parser(), words, kept) == offers


def test_every_command_and_every_fault_is_offered(tmp_path: Path) -> None:
    usage = cli._parser().format_help()
    first = offered(tmp_path, "")
    assert len(first) > 10
    assert all(f"    {name}" in usage for name in first)
    assert offered(tmp_path, "rehearse --fault ") == sorted(FAULTS)


def test_axes_are_those_of_the_card_that_was_typed(tmp_path: Path) -> None:
    card = tmp_path / "card.toml"
    text = card_text("bench-mule")
    card.write_text(text, encoding="utf-8")
    expected = sorted(line[6:-1] for line in text.splitlines() if line.startswith("[axes."))
    assert offered(tmp_path, f"tune {card} --axis ") == expected
    card.write_text("nothing = 1\n", encoding="utf-8")
    assert offered(tmp_path, f"tune {card} --axis ") == ["e", "x", "y", "z"]


@pytest.mark.parametrize("shell", SCRIPTS)
def test_a_script_for_each_shell(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["completion", shell]) == 0
    assert "tuner completion words" in capsys.readouterr().out


@pytest.fixture
def surroundings(tmp_path: Path) -> dict[str, str]:
    """An environment in which ``tuner`` is this program, and its home is empty."""
    program = tmp_path / "tuner"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m tuner "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    path = f"{tmp_path}:{os.environ['PATH']}"
    return {**os.environ, "PATH": path, "TUNER_HOME": str(tmp_path), "HOME": str(tmp_path)}


@pytest.mark.skipif(shutil.which("bash") is None, reason="there is no bash here")
def test_bash_completes(surroundings: dict[str, str]) -> None:
    with closing(Logbook(Path(surroundings["HOME"]) / "logbook.db")) as logbook:
        logbook.begin(head("s-1"), SetClock()).end("finished", {})
    script = """
        source <(tuner completion bash)
        offered() { COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _tuner; echo "${COMPREPLY[*]}"; }
        offered tuner tra
        offered tuner rehearse --fault step
        offered tuner tune card.toml --po
        offered tuner log ""
        offered tuner history --machine Test
        complete -p tuner
    """
    done = subprocess.run(
        ["bash", "--norc", "-c", script],
        env=surroundings,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    assert done.stdout.splitlines() == [
        "travel",
        "step-angle",
        "--port",
        "export last s-1",
        r"Test\ slide",
        "complete -o default -F _tuner tuner",
    ]


@pytest.mark.skipif(shutil.which("fish") is None, reason="there is no fish here")
@pytest.mark.parametrize(
    ("typed", "offers"),
    [
        ("tuner tra", ["travel"]),
        ("tuner rehearse --fault step", ["step-angle"]),
        ("tuner tune card.toml --po", ["--port"]),
        ("tuner completion ", ["bash", "fish", "zsh"]),
        ("tuner log ", ["export", "last"]),
        ("tuner ", ["about", "travel", "why"]),
        ("tuner tune ca", ["card.toml"]),  # a file, where nothing else is offered
    ],
)
def test_fish_completes(surroundings: dict[str, str], typed: str, offers: list[str]) -> None:
    home = Path(surroundings["HOME"])
    (home / "card.toml").touch()
    done = subprocess.run(
        ["fish", "--no-config", "-c", f"tuner completion fish | source; complete -C '{typed}'"],
        cwd=home,
        env=surroundings,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    assert set(offers) <= set(done.stdout.split())
    assert ("card.toml" in done.stdout) == (offers == ["card.toml"])


@pytest.mark.skipif(shutil.which("zsh") is None, reason="there is no zsh here")
@pytest.mark.parametrize(
    ("typed", "becomes"),
    [
        ("tuner tra", "tuner travel "),
        ("tuner rehearse --fault step", "tuner rehearse --fault step-angle "),
        ("tuner tune card.toml --po", "tuner tune card.toml --port "),
        ("tuner log e", "tuner log export "),
        ("tuner tune ca", "tuner tune card.toml "),  # a file, where nothing else is offered
    ],
)
def test_zsh_completes(surroundings: dict[str, str], typed: str, becomes: str) -> None:
    home = Path(surroundings["HOME"])
    (home / "card.toml").touch()
    (home / "setup.zsh").write_text(
        'autoload -Uz compinit; compinit -u; eval "$(tuner completion zsh)"\n'
        "show() { print -r -- \"<$BUFFER>\"; }; zle -N show; bindkey '^E' show; print ready\n",
        encoding="utf-8",
    )
    person, shells = os.openpty()
    shell = subprocess.Popen(
        ["zsh", "-f", "-i"],
        cwd=home,
        env={**surroundings, "TERM": "dumb"},
        stdin=shells,
        stdout=shells,
        stderr=shells,
        start_new_session=True,
    )

    def until(pattern: str) -> str:
        drawn = ""
        while not (found := re.search(pattern, drawn)):
            drawn += os.read(person, 65536).decode()
        return found[0]

    try:
        os.write(person, b"source setup.zsh\r")
        until("ready")
        os.write(person, f"{typed}\t\x05".encode())
        assert until("<.*>") == f"<{becomes}>"
    finally:
        shell.kill()
        shell.wait()
        os.close(person)
        os.close(shells)


def test_the_help_of_every_command_has_an_example(tmp_path: Path) -> None:
    parser = cli._parser()
    commands = command._commands_of(parser)
    commands |= command._commands_of(commands["card"], "card ")
    commands |= command._commands_of(commands.pop("travel"), "travel ")
    del commands["card"]
    assert len(commands) > 15
    for name, one in commands.items():
        assert one.description, name
        assert f"tuner {name}" in (one.epilog or ""), name
