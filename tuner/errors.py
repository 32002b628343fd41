"""Everything that can go wrong, one family, split by blame.

``Defect``        we made a mistake; nothing was sent because of it
``MachineFault``  the machine, its port or its controller did something else
``InputFault``    a person or a file gave something that cannot be used
``BenchFault``    this computer: a folder that cannot be written, a disk that is full
``Stopped``       the person's wish
``Unanswered``    the person's absence, where somebody has to be there

A message says what happened, with the value; what is expected; what to do next.
``exit_status`` is what the process ends with when nothing handles the error.
"""

from __future__ import annotations

from collections.abc import Sequence


class TunerError(Exception):
    """Something ended the work; the message says what and what to do."""

    exit_status = 1


class Defect(TunerError):
    """We made a mistake. Please report it with the wire transcript."""


class LineNotAllowed(Defect):
    """A line was about to be sent that is not on the allow-list."""


class PermitVoid(Defect):
    """A permit was used twice, too late, or for something it does not cover."""


class MachineFault(TunerError):
    """The machine did something else than it was asked."""


class PortUnavailable(MachineFault):
    """The port could not be opened."""


class PortLost(MachineFault):
    """The port went away while it was in use."""


class NoAnswer(MachineFault):
    """The controller did not answer in time."""


class ControllerRestarted(MachineFault):
    """The controller greeted again: it restarted, and its position is lost."""


class LineRefused(MachineFault):
    """The controller answered with an error."""


class TooHot(MachineFault):
    """Something is hot where the work needs it cold."""


class HeatFault(MachineFault):
    """A heater does not do what it was told, or cannot be watched."""


class PositionUnknown(MachineFault):
    """Nobody knows where the axis stands; it must be found again first."""


class InputFault(TunerError):
    """A person or a file gave something that cannot be used."""


class UsedWrongly(InputFault):
    """The command line does not make sense."""

    exit_status = 2


class BadAnswer(InputFault):
    """An answer does not fit its question; the same question is asked again."""


class BadReadings(InputFault):
    """A table of readings cannot be used."""


class OutsideEnvelope(InputFault):
    """A move would, at the worst credible scale, leave the free travel."""


class HeatRefused(InputFault):
    """Something was to be heated where it may not be."""


class BadFile(InputFault):
    """A card or dialect file is wrong; ``findings`` lists everything at once."""

    def __init__(self, findings: Sequence[str]) -> None:
        super().__init__("\n".join(findings))
        self.findings = tuple(findings)


class BenchFault(TunerError):
    """This computer cannot do what is needed."""


class Stopped(TunerError):
    """The person, or a signal, asked to stop."""

    exit_status = 3


class Unanswered(TunerError):
    """Nobody answered while something was being heated."""

    def __init__(self, waited_s: float) -> None:
        super().__init__(
            f"nobody answered for {waited_s / 60:g} minutes while something was heated, so the "
            "heaters are switched off. Start again when somebody is at the machine"
        )
