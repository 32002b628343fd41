"""Answers of a card that was begun and not finished: kept, listed, taken up, thrown away.

The rule it keeps: a draft is written whole or not at all, under a name that no card has.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

__all__ = ["Draft", "Kept", "drafts", "free_draft"]

_SCHEMA = 1
_STEM, _SUFFIX = "unfinished", ".json"
_MOST_DRAFTS = 9
_LARGEST_BYTES = 1_000_000  # no person answers as much


@dataclass(frozen=True)
class Kept:
    """An answer as it was typed, and what was asked: in other words it is another question."""

    key: str
    asked: str
    answer: str


@dataclass(frozen=True)
class Draft:
    """The answers in the file at `path`, in their order.

    `start_from` is the card that the setup began with, `target` the file that was asked for; empty
    without one.
    """

    path: Path
    answers: Sequence[Kept]
    start_from: str = ""
    target: str = ""

    def answer(self, key: str) -> str:
        """Return the last answer to the question `key`, empty without one."""
        return next((one.answer for one in reversed(self.answers) if one.key == key), "")

    def keep(self) -> None:
        """Write the draft in place of an earlier one of that name; raises ``OSError``."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        content = {
            "schema": _SCHEMA,
            "start_from": self.start_from,
            "target": self.target,
            "answers": [asdict(one) for one in self.answers],
        }
        descriptor, temporary = tempfile.mkstemp(dir=self.path.parent, prefix=f".{self.path.name}.")
        try:
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                json.dump(content, file, indent=1)
                file.flush()
                os.fsync(file.fileno())
            Path(temporary).replace(self.path)
        finally:
            Path(temporary).unlink(missing_ok=True)


def free_draft(folder: Path) -> Path:
    """Return where a further draft may be written in `folder`."""
    path, n = folder / f"{_STEM}{_SUFFIX}", 1
    while path.exists():
        n += 1
        path = folder / f"{_STEM}-{n}{_SUFFIX}"
    return path


def drafts(folder: Path) -> list[Draft]:
    """Return the drafts in `folder`, the newest first; what cannot be read is left alone."""
    paths = sorted(folder.glob(f"{_STEM}*{_SUFFIX}"), key=_age, reverse=True)[:_MOST_DRAFTS]
    return [draft for path in paths if (draft := _read(path)) is not None]


def _age(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def _read(path: Path) -> Draft | None:
    try:
        with path.open("rb") as file:
            content: Any = json.loads(file.read(_LARGEST_BYTES))
        if content["schema"] != _SCHEMA:
            return None
        answers = [Kept(one["key"], one["asked"], one["answer"]) for one in content["answers"]]
        draft = Draft(path, answers, content["start_from"], content["target"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    texts = [draft.start_from, draft.target]
    texts += [text for one in answers for text in (one.key, one.asked, one.answer)]
    return draft if answers and all(isinstance(text, str) for text in texts) else None
