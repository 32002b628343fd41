"""A plan run again on recorded replies: same messages, same result, or a clear refusal.

A plan holds no port, clock or file, so its recorded replies are all it needs. If it now
says something else than the record, the record belongs to another version of the plan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tuner.errors import InputFault
from tuner.messages import Message, Plan, Reply, fingerprint
from tuner.session.codec import reply_from_json
from tuner.session.logbook import Step


@dataclass(frozen=True)
class Replayed:
    """How far the record led: the plan's result if it ended, else what it waits for."""

    messages: int
    finished: bool
    result: Any
    waiting: Message | None


def conversation(steps: Sequence[Step]) -> list[tuple[Step, Reply | None]]:
    """Return every intent with its reply, in order; None for one that was never answered."""
    pairs: list[tuple[Step, Reply | None]] = []
    for step in steps:
        if step.phase == "intent":
            pairs.append((step, None))
        elif step.phase == "reply" and pairs:
            pairs[-1] = (pairs[-1][0], reply_from_json(step.kind, step.body))
    return pairs


def replay(plan: Plan, steps: Sequence[Step]) -> Replayed:
    """Feed `plan` the recorded replies; raise ``InputFault`` where it says something else."""
    pairs = conversation(steps)
    heard = 0
    try:
        message = next(plan)
        for intent, reply in pairs:
            said = fingerprint(message)
            if said != intent.body:
                raise _other_version(f"says {said}", intent)
            heard += 1
            if reply is None:
                break
            message = plan.send(reply)
    except StopIteration as ended:
        if heard < len(pairs):
            raise _other_version("ends", pairs[heard][0]) from None
        return Replayed(heard, True, ended.value, None)
    plan.close()
    return Replayed(heard, False, None, message)


def _other_version(now: str, intent: Step) -> InputFault:
    return InputFault(
        f"the plan now {now} where step {intent.n} recorded {intent.body}; this session belongs "
        "to another version. Its readings are kept: export and examine them, and start a new "
        "session"
    )
