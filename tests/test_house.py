"""The rules of the house, as tests over the source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import tuner

ROOT = Path(tuner.__file__).parent
FILES = sorted(ROOT.rglob("*.py"))

# Imports point to lower steps only; names on one step do not import each other.
STEPS = [
    {"errors", "text"},
    {"messages", "drive"},
    {"answers", "card", "metrology"},
    {"safety"},
    {"wire", "plans", "rehearsal", "notebook"},
    {"session"},
    {"handover"},
    {"console"},
    {"commands"},
    {"cli"},
    {"__main__"},
]
STEP_OF = {name: number for number, names in enumerate(STEPS) for name in names}

# What a room may see where that is less than everything below it.
NARROWER = {
    "rehearsal": {"drive", "messages", "errors"},
    "console": {"messages", "answers", "text", "errors"},
    "metrology": {"drive", "errors", "text"},
    "notebook": {"drive", "card", "metrology", "errors", "text"},
    "plans": {"drive", "card", "metrology", "messages", "errors", "text"},
}
OUTSIDE = {
    "serial": {"wire/port.py", "wire/protocol_replay.py", "rehearsal/"},
    "prompt_toolkit": {"console/"},
    "numpy": {"metrology/", "console/pictures.py"},
    "sqlite3": {"session/", "commands/about.py"},
}


def room(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def imported(path: Path) -> Iterator[tuple[str, bool]]:
    """Yield every imported module and whether the import stands inside a function."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside = {
        id(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
    }
    for node in ast.walk(tree):
        match node:
            case ast.Import(names=names):
                for one in names:
                    yield one.name, id(node) in inside
            case ast.ImportFrom(module=str(module), level=0):
                yield module, id(node) in inside


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_imports_point_down(path: Path) -> None:
    here = room(path)
    if here == "__init__":
        return
    for module, _ in imported(path):
        if not module.startswith("tuner."):
            continue
        there = module.split(".")[1]
        if there == here:
            continue
        assert STEP_OF[there] < STEP_OF[here], f"{here} may not import {module}"
        if here in NARROWER:
            assert there in NARROWER[here], f"{here} may not see {module}"


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_outside_packages_have_one_door(path: Path) -> None:
    for module, _ in imported(path):
        package = module.split(".")[0]
        if package in OUTSIDE:
            places = OUTSIDE[package]
            assert any(name_of(path).startswith(place) for place in places), module


# The first prompt does not wait for what measures, judges and draws residuals.
LOADED_LATER = {
    "plans/bench.py": "tuner.plans.axes",
    "console/figures.py": "tuner.console.pictures",
}


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_function_level_imports_only_where_a_command_is_chosen(path: Path) -> None:
    if room(path) in ("cli", "commands"):
        return
    if name_of(path) in LOADED_LATER:
        assert [one for one, inside in imported(path) if inside] == [LOADED_LATER[name_of(path)]]
        return
    assert [module for module, inside in imported(path) if inside] == []


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_only_the_port_waits_or_asks_the_time(path: Path) -> None:
    if name_of(path) in ("wire/port.py", "rehearsal/protocol_rehearse.py"):
        return
    assert not [module for module, _ in imported(path) if module == "time"]


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_every_module_says_what_it_is_for(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))


def calls(name: str) -> list[str]:
    """Return the files in which something called `name` is called."""
    found = []
    for path in FILES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = node.func
                last = (
                    called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
                )
                if last == name:
                    found.append(name_of(path))
    return found


def test_only_the_gate_makes_permits() -> None:
    assert calls("Permit") == ["safety/gate.py"]


def test_only_the_engine_moves_the_machine() -> None:
    assert calls("move") == ["session/engine.py"]
