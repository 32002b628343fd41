"""``tuner rehearse``: a whole session on a simulated machine, or the faults it can have."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlencode

from tuner.card.read import parse_card
from tuner.card.schema import Card
from tuner.commands.live import (
    Bench,
    chosen_axes,
    dialect_of,
    run_session,
    simulated,
    with_test,
)
from tuner.commands.report import print_json, print_line, print_sentence
from tuner.commands.tune import change_of, console_for
from tuner.console.desk import Console
from tuner.console.plain import HandsOff, Plain
from tuner.drive.scale import Form
from tuner.errors import UsedWrongly
from tuner.messages import Line, Person, Question
from tuner.rehearsal.faults import BENCH_MULE, FAULTS, card_text, machine_with
from tuner.rehearsal.hands import Hands
from tuner.rehearsal.truth import HEALTHY
from tuner.text import shown

_USUAL_SEED = 1
_LOSES_STEPS = "torque-limit"


class _AtTheMule:
    """A person without a machine: is told beside a line what was done to the simulated one."""

    def __init__(self, person: Person, hands: Hands) -> None:
        self._person = person
        self._hands = hands

    def tell(self, line: Line) -> None:
        """Show `line`, and what was done to the machine that it speaks of."""
        self._person.tell(line)
        done = self._hands.was_done(line.key)
        if done:
            self._person.tell(_on_the_mule(done))


def _on_the_mule(says: str) -> Line:
    return Line("NOTE", "rehearsal", (), f"on the simulated machine, {says}")


class Coached(_AtTheMule):
    """A person without a machine: is told what there is to see before each question."""

    def discard_pending(self) -> None:
        """Forget everything typed so far."""
        self._person.discard_pending()

    def ask(self, question: Question) -> str:
        """Say what is to be seen on the simulated machine, then ask."""
        seen = self._hands.caliper_shows(question)
        if seen:
            self._person.tell(_on_the_mule(seen))
        return self._person.ask(question)


class Answering(_AtTheMule):
    """Shows what the simulated person answers, for whoever watches to learn from."""

    def discard_pending(self) -> None:
        """Nobody types here."""

    def ask(self, question: Question) -> str:
        """Ask, and show the answer."""
        answer = self._person.ask(question)
        self._person.tell(Line("NOTE", "answered", (), answer))
        return answer


def list_faults(*, as_json: bool) -> int:
    """Print every fault that can be rehearsed with its sentence and return the exit status."""
    if as_json:
        faults = [
            {
                "name": one.name,
                "says": one.says,
                "machines": {name: [*axes] for name, axes in one.on.items()},
            }
            for one in FAULTS.values()
        ]
        print_json({"faults": faults})
        return 0
    for one in FAULTS.values():
        elsewhere = "" if BENCH_MULE in one.on else " (Pack mule)"
        print_sentence(f"{one.name}: {one.says}{elsewhere}")
    print_line("tuner rehearse --fault NAME hides one of them; --axis puts it on another axis")
    return 0


def rehearse(
    *,
    home: Path,
    fault: str | None,
    machine: str | None,
    axes: Sequence[str] | None,
    seed: int,
    hands_off: bool,
    plain: bool,
    quick: bool = False,
    test: str = "",
    proposal: str | None = None,
    job: str = "",
) -> int:
    """Run a whole session on a simulated machine and return its exit status.

    A hunt for lost steps has a motor that is too weak, unless another `fault` is named. Without the
    name of a `machine` it is the one that the fault and the first axis belong to.
    `quick`, `test`, `proposal` and `job` as for ``tune``; somebody has typed the proposed number in
    then.
    """
    if machine is not None and machine not in HEALTHY:
        raise UsedWrongly(
            f"there is no simulated machine {shown(machine)}; choose one of: {', '.join(HEALTHY)}"
        )
    if test == "lost-steps" and fault is None:
        fault = _LOSES_STEPS
    path = filed = None
    if proposal is not None:
        from tuner.commands.proposals import proposal_file
        from tuner.handover.filed import read_proposal

        cards = {one: _card_of(one) for one in ([machine] if machine else HEALTHY)}
        path = proposal_file(proposal, home, [one.name for one in cards.values()])
        filed = read_proposal(path)
        of_it = (one for one, its in cards.items() if its.name == filed.machine)
        machine = next(of_it, machine)
    name = machine or machine_with(fault, axes[0] if axes else None)
    card = _card_of(name)
    # A fault sits on one axis; without a wish only that axis is tuned.
    at = axes[0] if axes and fault else None
    change = typed = None
    if path is not None and filed is not None:
        change = change_of(filed, path, card, axes)
        axes, typed = [change.axis], filed.proposed.get(Form.STEPS_PER_MM)
    elif fault is not None and fault in FAULTS and axes is None:
        axes = FAULTS[fault].on.get(name, ())[:1] or None
    wanted = chosen_axes(card, axes)
    options = {"seed": str(seed), "pace": "instant"}
    if fault is not None:
        options["fault"] = fault
    if at is not None:
        options["axis"] = at
    if change is not None and typed is not None:
        options["typed"] = f"{change.axis}:{typed:.9f}"
    console = None if hands_off else console_for(plain, port=f"rehearse://{name}")
    if console is not None and not isinstance(console, Plain):
        options["pace"] = "real"
    url = f"rehearse://{name}?{urlencode(options)}"
    if seed < 0:
        raise UsedWrongly(f"--seed {seed} is below 0; give a whole number from 0 on")
    setup, port = simulated(home, card, dialect_of(card, None), wanted, url)
    begun = ["rehearse", "--machine", name]
    begun += ["--fault", fault] if fault is not None else []
    begun += ["--axis", at] if at is not None else []
    begun += ["--seed", str(seed)] if seed != _USUAL_SEED else []
    begun += ["--hands-off"] if hands_off else []
    setup = replace(setup, quick=quick, change=change, job=job, begun=tuple(begun))
    setup = with_test(setup, test)
    return run_rehearsal(setup, Hands(port.machine, seed), console)


def _card_of(machine: str) -> Card:
    return parse_card(card_text(machine), f"the card of {machine}")


def run_rehearsal(
    setup: Bench, hands: Hands, console: Console | None, cut_off: str | None = None
) -> int:
    """Run a session on the simulated machine, or go on with one that was `cut_off`.

    Without a `console` it answers by itself. Return the exit status.
    """
    if console is None:
        off = HandsOff(hands.answer, sys.stdout)
        return run_session(setup, off, Answering(off, hands), cut_off)
    return run_session(setup, console, Coached(console, hands), cut_off)
