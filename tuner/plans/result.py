"""What was found of an axis, said in a line that a person and a program can read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tuner.drive.scale import form_words
from tuner.messages import Propose, Say
from tuner.plans.run import AxisRun, Part

_WORTH_SAYING = 0.01
_MOST_CAUSES = 5
_LIKELIER_THAN_NOT = 0.5


def say_result(run: AxisRun) -> Part[None]:
    """Say the verdict, the causes and what is proposed, and then what to do next."""
    finding = run.finding
    yield Say(
        key=run.name,
        tag="RESULT",
        fields=(("verdict", finding["verdict"]), *_odds(finding)),
        says=_result_in_words(run, finding),
    )
    yield Say(key=f"{run.name}.next", says=f"next: {finding['next']}")


def _odds(finding: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Return the likeliest causes with their odds: what the number fits, and what is wrong besides.

    They answer two questions, so each has a field of its own; none where there are no causes.
    """
    number = [one for one in finding["causes"] if one.get("about") == "number"]
    motion = [one for one in finding["causes"] if one.get("about") != "number"]
    listed = (("odds", _listed(number)), ("wrong", _listed(motion)))
    return tuple((name, causes) for name, causes in listed if causes)


def _listed(causes: Sequence[Mapping[str, Any]]) -> str:
    return ",".join(
        f"{one['name']}:{one['p']:.2f}"
        for one in causes[:_MOST_CAUSES]
        if one["p"] >= _WORTH_SAYING
    )


def _result_in_words(run: AxisRun, finding: Mapping[str, Any]) -> str:
    parts = []
    if finding["scale"]:
        scale = finding["scale"]
        who = f"motor {finding['motor']}" if finding.get("motor") else run.letter
        parts.append(f"{who} travels {scale['value']:.5f} ± {scale['U']:.5f} of what it is told")
    parts += _causes_in_words(finding)
    if finding["proposal"]:
        form = run.axis.stored.form
        number, found = finding["proposal"][form], finding["proposal"]["found"][form]
        if number is not None and number != found:
            parts.append(
                f"proposed: {number:.6g} instead of {found:.6g} {form_words(form, run.unit)}"
            )
    return "; ".join(parts) or "nothing could be measured"


def _causes_in_words(finding: Mapping[str, Any]) -> list[str]:
    """Return what the likeliest cause is, and every other that is likelier than not.

    Two of those are independent: one is about the number, one about how the axis moves. What
    must be repaired comes first.
    """
    named = [one["says"] for one in finding["causes"][:1]]
    named += [one["says"] for one in finding["causes"][1:] if one["p"] >= _LIKELIER_THAN_NOT]
    return named[::-1] if finding["verdict"] == "repair-first" else named


def proposal_of(run: AxisRun, *, draft: bool) -> Propose:
    """Return the proposal of what was found of the axis; a `draft` until its looks are done."""
    return Propose(
        key=f"{run.name}.proposal",
        axis=run.name,
        draft=draft,
        finding={
            **run.finding,
            "looked": [*run.looked.values()],
            "readings": run.readings_as_data(),
        },
    )
