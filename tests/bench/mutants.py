"""Change the program a little, see whether the tests notice, and print the share they do.

Run ``python tests/bench/mutants.py [--each N] [--seed N] [MODULE …]``. For every module, by
default those of ``tuner/wire``, ``tuner/safety``, ``tuner/session`` and ``tuner/text.py``, it makes
up to N mutants, drawn by seed, each with one change: a comparison, an ``and``, a sign, a number,
a word, a condition turned round, a return, a raise or a call left out. Each runs the module's own
tests until the first failure. A mutant that no test notices is printed with its line; the exit
status is 1 below 90 % noticed.

It works in a copy, so nothing here is touched. Prose is left alone: what a message says is
for people to judge.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parents[2]
LEAST = 0.9
TESTS = {
    "tuner/text.py": ["test_text.py"],
    "tuner/wire/link.py": ["test_wire_link.py", "test_wire_controller.py"],
    "tuner/wire/controller.py": ["test_wire_controller.py"],
    "tuner/wire/port.py": ["test_wire_port.py"],
    "tuner/wire/transcript.py": ["test_wire_transcript.py"],
    "tuner/wire/protocol_replay.py": ["test_wire_replay.py"],
    "tuner/safety/words.py": ["test_safety_words.py"],
    "tuner/safety/envelope.py": ["test_safety_envelope.py"],
    "tuner/safety/heat.py": ["test_safety_heat.py"],
    "tuner/safety/cautions.py": ["test_safety_cautions.py"],
    "tuner/safety/permit.py": ["test_safety_permit.py"],
    "tuner/safety/gate.py": ["test_safety_gate.py"],
    "tuner/session/engine.py": [
        "test_session_engine.py",
        "test_session_heat.py",
        "test_session_undo.py",
    ],
    "tuner/session/questions.py": ["test_session_engine.py"],
    "tuner/session/codec.py": ["test_session_replay.py"],
    "tuner/session/replay.py": ["test_session_replay.py", "test_session_undo.py"],
    "tuner/session/record.py": ["test_session_engine.py", "test_session_heat.py"],
    "tuner/session/logbook.py": ["test_session_logbook.py", "test_commands_log.py"],
    "tuner/session/schema.py": ["test_session_logbook.py"],
    "tuner/session/sealed.py": ["test_session_logbook.py"],
    "tuner/session/hold.py": ["test_session_logbook.py"],
    "tuner/session/damage.py": ["test_session_logbook.py", "test_logbook_damage.py"],
}
COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr, ast.Mod: ast.Mult, ast.Pow: ast.Mult,
}  # fmt: skip

Change = Callable[[], object]


@dataclass(frozen=True)
class Mutant:
    """A module with one change, and where it is."""

    where: str
    source: str


def _set(node: ast.AST, name: str, value: object) -> Change:
    return lambda: setattr(node, name, value)


def _replace(body: list[ast.stmt], at: int) -> Change:
    return lambda: body.__setitem__(at, ast.copy_location(ast.Pass(), body[at]))


def _of_statement(body: list[ast.stmt], at: int) -> Iterator[Change]:
    statement = body[at]
    match statement:
        case ast.Expr(value=ast.Call()) | ast.Raise() | ast.AugAssign():
            yield _replace(body, at)
        case ast.Return(value=ast.expr() as value) if ast.unparse(value) != "None":
            yield _set(statement, "value", ast.Constant(None))
        case ast.Assign(targets=[ast.Attribute()]):
            yield _replace(body, at)
        case ast.If(test=test) | ast.While(test=test):
            yield _set(statement, "test", ast.UnaryOp(ast.Not(), test))


def _of_expression(node: ast.AST) -> Iterator[Change]:
    match node:
        case ast.Compare(ops=[op, *rest]) if type(op) in COMPARISONS:
            yield _set(node, "ops", [COMPARISONS[type(op)](), *rest])
        case ast.BoolOp(op=ast.And()):
            yield _set(node, "op", ast.Or())
        case ast.BoolOp(op=ast.Or()):
            yield _set(node, "op", ast.And())
        case ast.BinOp(op=op) if type(op) in ARITHMETIC:
            yield _set(node, "op", ARITHMETIC[type(op)]())
        case ast.UnaryOp(op=ast.USub()):
            yield _set(node, "op", ast.UAdd())
        case ast.IfExp(test=test):
            yield _set(node, "test", ast.UnaryOp(ast.Not(), test))
        case ast.Constant(value=bool() as value):
            yield _set(node, "value", not value)
        case ast.Constant(value=int() | float() as value):
            yield _set(node, "value", value + 1)
        case ast.Constant(value=str() as value) if value and " " not in value:
            yield _set(node, "value", f"{value}q")


def _walk(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what is carried out; not annotations, decorators, docstrings, prose or ``__all__``."""
    match node:
        case ast.JoinedStr() | ast.arg():
            return
        case ast.Assign(targets=[ast.Name(id="__all__")]):
            return
        case ast.Expr(value=ast.Constant()):
            return
        case ast.AnnAssign(value=value):
            yield from _walk(value) if value else ()
            return
        case ast.FunctionDef(args=args, body=body):
            yield node
            for part in [*args.defaults, *filter(None, args.kw_defaults), *body]:
                yield from _walk(part)
            return
        case ast.ClassDef(body=body):
            yield node
            for part in body:
                yield from _walk(part)
            return
    yield node
    for child in ast.iter_child_nodes(node):
        yield from _walk(child)


def _changes(tree: ast.Module) -> list[tuple[int, Change]]:
    found: list[tuple[int, Change]] = []
    for node in _walk(tree):
        for name in ("body", "orelse", "finalbody"):
            body = getattr(node, name, None)
            if isinstance(body, list):
                for at, statement in enumerate(body):
                    found += [(statement.lineno, one) for one in _of_statement(body, at)]
        found += [(getattr(node, "lineno", 0), one) for one in _of_expression(node)]
    return found


def mutant(source: str, at: int) -> Mutant:
    """Return `source` with its change number `at`."""
    plain = ast.unparse(ast.parse(source)).splitlines()
    tree = ast.parse(source)
    line, change = _changes(tree)[at]
    change()
    text = ast.unparse(ast.fix_missing_locations(tree))
    lines = difflib.unified_diff(plain, text.splitlines(), n=0, lineterm="")
    changed = [f"{one[0]} {one[1:].strip()}" for one in lines if one[:3] not in ("+++", "---")]
    return Mutant(f"{line}: {'  '.join(changed[1:])[:200]}", text)


def _run(folder: Path, tests: list[str], timeout_s: float) -> bool:
    """Return whether `tests` pass in `folder`; a run that does not end does not pass."""
    arguments = ["-m", "pytest", "-x", "-q", "--no-cov", "-p", "no:cacheprovider", "-W", "error"]
    process = subprocess.Popen(
        [sys.executable, *arguments, *(f"tests/{name}" for name in tests)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        return process.wait(timeout_s) == 0
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
        return False


def try_module(folder: Path, module: str, each: int, seed: int) -> tuple[int, int]:
    """Print the survivors of `module`; return how many mutants were noticed, and made."""
    path = folder / module
    source = path.read_text(encoding="utf-8")
    started_s = time.monotonic()
    if not _run(folder, TESTS[module], 600.0):
        raise SystemExit(f"the tests of {module} fail without any change: {TESTS[module]}")
    timeout_s = 10.0 + 5.0 * (time.monotonic() - started_s)
    there_are = len(_changes(ast.parse(source)))
    numbers = random.Random(f"{seed} {module}").sample(range(there_are), min(each, there_are))
    chosen = [mutant(source, at) for at in sorted(numbers)]
    noticed = 0
    survivors = []
    for one in chosen:
        path.write_text(one.source, encoding="utf-8")
        if _run(folder, TESTS[module], timeout_s):
            survivors.append(one.where)
        else:
            noticed += 1
    path.write_text(source, encoding="utf-8")
    print(f"{module}: {noticed} of {len(chosen)} noticed, of {there_are} there are", flush=True)
    for where in survivors:
        print(f"  not noticed, line {where}", flush=True)
    return noticed, len(chosen)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("modules", nargs="*", default=list(TESTS), metavar="MODULE")
    parser.add_argument("--each", type=int, default=40, metavar="N")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("tuner", "tests"):
            shutil.copytree(HERE / part, folder / part)
        shutil.copy(HERE / "pyproject.toml", folder)
        counts = [try_module(folder, one, given.each, given.seed) for one in given.modules]
    noticed, made = (sum(column) for column in zip(*counts, strict=True))
    print(f"{noticed} of {made} mutants noticed, {100 * noticed / made:.1f} %")
    return 0 if noticed >= LEAST * made else 1


if __name__ == "__main__":
    sys.exit(main())
