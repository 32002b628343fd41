"""A plan run again on recorded replies: same messages, same result, or a clear refusal.

A plan holds no port, clock or file, so its recorded replies are all it needs. Where the session
was interrupted and taken up again, the plan is interrupted again, at the same message. What a
person took back is left out: the plan never heard it. If it now says something else than the
record, the record belongs to another version of the plan.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from tuner.errors import InputFault
from tuner.messages import Interrupted, Message, Plan, Reply, fingerprint
from tuner.session.codec import reply_from_json
from tuner.session.logbook import Step

__all__ = [
    "HEATERS_LEFT",
    "INTERRUPTED",
    "TAKEN_BACK",
    "Heard",
    "Replayed",
    "as_it_was_left",
    "follow",
    "replay",
    "what_counts",
]

INTERRUPTED = ("lost", "interrupted")
"""Phase and kind of the step that says: here the session was cut off, and is taken up again.

Its body says how the machine was left then, as ``as_it_was_left`` does.
"""

HEATERS_LEFT = ("note", "heaters-left")
"""Phase and kind of the step that says whether every heater was confirmed off when it was left."""

TAKEN_BACK = ("note", "taken-back")
"""Phase and kind of the step that says: the last answer to the question of its key is taken back,
with everything since; the question comes again."""

Heard = Callable[[Message, Reply], None]
"""Is told every recorded message with its reply."""


@dataclass(frozen=True)
class Replayed:
    """How far the record led: the plan's result if it ended, else what it waits for.

    `messages` counts the recorded ones, the last perhaps without a reply.
    """

    messages: int
    finished: bool
    result: Any
    waiting: Message | None


def as_it_was_left(steps: Sequence[Step]) -> dict[str, bool]:
    """Return how the machine was left by a session that was cut off after `steps`.

    These are the arguments of ``Interrupted``. What was said to be off but not confirmed counts as
    on, and so does what was heated where nobody was left to switch it off.
    """
    in_a_move = heaters_on = False
    moves = False
    for step in steps:
        match step.phase, step.kind:
            case "intent", kind:
                moves, in_a_move = kind in ("Approach", "Reference"), False
                heaters_on |= kind == "Heat"
            case "consent", _ if moves:
                in_a_move |= str(step.body).strip().lower() == "go"
            case "reply", _:
                in_a_move = False
            case what if what == HEATERS_LEFT:
                heaters_on = not step.body
    return {"in_a_move": in_a_move, "heaters_on": heaters_on}


def what_counts(steps: Sequence[Step]) -> list[Step]:
    """Return `steps` without answers that were taken back, and what followed from them."""
    counting: list[Step] = []
    for step in steps:
        if (step.phase, step.kind) != TAKEN_BACK:
            counting.append(step)
            continue
        while counting:
            last = counting.pop()
            if last.phase == "intent" and last.key == step.key:
                break
    return counting


def follow(plan: Plan, steps: Sequence[Step], heard: Heard = lambda *_: None) -> Replayed:
    """Feed `plan` the recorded replies and interruptions, and leave it where the record ends.

    Raises ``InputFault`` where it says something else than was recorded.
    """
    counting = what_counts(steps)
    said = 0
    asked: Step | None = None
    try:
        message = next(plan)
        for step in counting:
            if step.phase == "intent":
                if fingerprint(message) != step.body:
                    raise _other_version(f"says {fingerprint(message)}", step)
                said += 1
                asked = step
            elif step.phase == "reply" and asked is not None:
                asked = None
                reply = reply_from_json(step.kind, step.body)
                heard(message, reply)
                message = plan.send(reply)
            elif (step.phase, step.kind) == INTERRUPTED:
                asked = None
                message = plan.throw(Interrupted(**(step.body or {})))
    except StopIteration as ended:
        intents = [step for step in counting if step.phase == "intent"]
        if said < len(intents):
            raise _other_version("ends", intents[said]) from None
        return Replayed(said, True, ended.value, None)
    return Replayed(said, False, None, message)


def replay(plan: Plan, steps: Sequence[Step]) -> Replayed:
    """Follow the record as ``follow`` does, and close the plan."""
    try:
        return follow(plan, steps)
    finally:
        plan.close()


def _other_version(now: str, intent: Step) -> InputFault:
    return InputFault(
        f"the plan now {now} where step {intent.n} recorded {intent.body}; this session belongs "
        "to another version. Its readings are kept: export and examine them, and start a new "
        "session"
    )
