"""What must be true before the port is opened, and what comes first once it is open.

A session begins with it, and with it goes on after it was cut off: then an answer that
forbids to go on is no reason to end, and the question comes again.
"""

from __future__ import annotations

from tuner.card.dialect import Dialect
from tuner.messages import Choose, Confirm, Observe, Say
from tuner.plans.run import Part, hear

__all__ = ["before_connecting", "connect"]


def before_connecting(*, network: bool, will_move: bool = True) -> Part[bool]:
    """Ask what must be true before the port is opened; the result is False when it is not.

    Motor power is asked about only where something `will_move`.
    """
    if network:
        there = yield from hear(
            Confirm(
                key="at-the-machine",
                says="The port leads over a network. Are you at the machine, its switch in reach?",
            )
        )
        if not there:
            yield Say(
                key="not-there",
                says="Nothing moves without somebody at the machine; go there, then start again",
            )
            return False
    job = yield from hear(
        Choose(
            key="job-running",
            options=("yes", "no", "unsure"),
            says="Opening the port can restart the controller. Is a job running on the machine?",
        )
    )
    if job != "no":
        yield Say(
            key="job-first",
            says="Let the job end, or look whether one is running; then start again. Nothing was "
            "opened",
        )
        return False
    if not will_move:
        return True
    power = yield from hear(
        Choose(
            key="motor-power",
            options=("yes", "no"),
            says="Is motor power on? The controller may live on the data cable alone",
        )
    )
    if power != "yes":
        yield Say(
            key="power-first",
            says="Switch motor power on, hands out of the machine, then start again",
        )
        return False
    return True


def connect(dialect: Dialect) -> Part[None]:
    """Open the conversation, say what a stop can do, and have the power switch found."""
    yield Observe(key="greeting", what="greeting")
    yield Say(key="stopping", says=_stopping_in_words(dialect))
    while True:
        found = yield from hear(
            Confirm(
                key="power-switch",
                says=(
                    "Find the switch that cuts the machine's power and put a hand on it once: "
                    "that is the emergency stop here; a stop over a wire is only a request. Is "
                    "it in reach?"
                ),
            )
        )
        if found:
            return
        yield Say(
            key="power-switch-first",
            says="Without it nothing moves. Move yourself or the machine until you can reach it",
        )


def _stopping_in_words(dialect: Dialect) -> str:
    stop = dialect.stop
    if stop is None:
        return (
            "This dialect has no stop word: after stop no further line is sent, but the line that "
            "is running, at most 2 s long, runs on"
        )
    words = f"Stop sends {stop.line} at once; it is a request, and what is queued may run on"
    if stop.halts:
        words += ". The controller then halts and must be restarted before anything else"
    return words
