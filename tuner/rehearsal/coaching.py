"""What somebody without a machine is told before a question that takes more than a reading.

Rule: a hint says what is so on the simulated machine, and is made from what the simulated person
answers, so the two never disagree. What is a matter of choice has a hint too: what speaks for it.
"""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["hint"]

_YES, _NO = "yes", "no"

_PLACED = "the caliper, and what it reads from, were taken away and placed anew"
_OVER = "the caliper reads {axis} with its {}, from a fixed face to the carriage"

_HINTS: Mapping[str, str | Mapping[str, str]] = {
    # before anything moves, and between
    "job-running": "no job is running",
    "motor-power": "motor power is on",
    "power-switch": "the switch that cuts the power is in reach",
    "block-beside": "a block of wood stands beside the way of {axis}",
    "block-below": "a block stands under {axis}, and nothing is beneath that could be crushed",
    "still": {_YES: "everything is still", _NO: "something still moves"},
    "holds": {_YES: "{axis} holds", _NO: "{axis} gives way"},
    "nozzle-hot": {
        _YES: "the nozzle is too hot to touch",
        _NO: "the nozzle is cool enough to touch",
    },
    "bed-hot": {_YES: "the bed is too hot to touch", _NO: "the bed is cool enough to touch"},
    "touched": "somebody may have touched the carriage",
    "no-room": "what is in the way of {axis} stays there",
    "when": "nothing stands in the way of {axis}",
    "left-out": "none of them has to be measured",
    # after an interruption
    "is-still": "everything is still",
    "heaters-since": "the machine was switched off at the mains meanwhile",
    "leave-how": "the machine is on and can be connected once more",
    # the caliper, and what is read without it
    "caliper-place": _OVER,
    "caliper-held": "the caliper is {} by hand for each reading; it can be clamped as well",
    "reading-direction": "the reading grows when {axis} moves to plus, as the card says",
    "block": "there is a block of any length, and the measuring does without",
    "block-length": "the block is as long as you say",
    "place-anew": _PLACED,
    "placed-again": _PLACED,
    "placed": _PLACED,
    "read-how": "the mark comes back to its line: {axis} can make whole turns",
    "mark-drawn": "the mark is drawn, and the machine is on",
    "radius-within": "the radius is known to {} mm",
    "circle": "the circle of the mark is as far across as that",
    # what moved, and how it was built
    "slant": {
        "less": "the move went less far aside than ahead",
        "as-far": "the move went about as far aside as ahead",
        "further": "the move went further aside than ahead",
    },
    "square": {
        "square": "somebody held a square to the guides, and they are square",
        "not-checked": "nobody ever held a square to the guides",
    },
    "motor-turn": "the shaft of the motor can be marked: a pen is at hand",
    "after-look": "the fault stays in: the same would be seen again",
    "looks-right": "nothing has changed since those looks",
    "typed-where": "typed in for another axis: {}",
    # lost steps
    "same-height": "nothing was made on it yet, so nobody knows where anything was lost",
    "same-direction": "nobody knows that either",
    "belt-tension": "the belt of {axis} is {}",
    "pulley-screws": "the screws of the pulley or coupling are {}",
    "runs-free": {_YES: "{axis} runs evenly from end to end", _NO: "{axis} binds somewhere"},
    "fastest": "the print settings go to {} at most",
    "got-there": {
        _YES: "{axis} went the whole way",
        "short": "{axis} came to rest short of it",
        "not-at-all": "{axis} did not move",
    },
    # frames and filament
    "kind": "a {} frame lies on the bench",
    "told-x": "that side was meant to be {} mm long",
    "told-y": "that side was meant to be {} mm long",
    "feed-how": {
        "free": "nothing seems wrong with the nozzle: the filament can be taken out of it",
        "hot": "nozzle or grip seem wrong, which only shows hot",
    },
    "cold-refused": "the nozzle can be heated",
}


def hint(asked: str, axis: str, answer: str) -> str | None:
    """Return one sentence with what is so where `asked` is what a key asks, ``None`` without one.

    `axis` is the letter that it is asked of, if any; `answer` is what the simulated person types.
    """
    says = _HINTS.get(asked.rpartition(".")[2])
    if isinstance(says, Mapping):
        says = says.get(answer)
    return None if says is None else says.format(answer, axis=axis.upper())
