"""Everything shown, answered, sent and heard goes into transcript and logbook on its way.

These stand between the engine and a person, and between the controller and the wire, and
change nothing: they only write down, caution and consent included.
"""

from __future__ import annotations

from pathlib import Path

from tuner.messages import Clock, Go, Line, Person, Question
from tuner.session.logbook import SessionLog
from tuner.wire.transcript import Transcript


def transcript_path(home: Path, session: str, run: int) -> Path:
    """Return where the transcript of the `run`-th run of `session` is kept, counted from 1."""
    name = session if run == 1 else f"{session}-run{run}"
    return home / "wire" / f"{name}.txt"


class LoggedTranscript(Transcript):
    """A wire transcript that also puts every line sent into the logbook."""

    def __init__(self, path: Path, clock: Clock, log: SessionLog) -> None:
        super().__init__(path, clock)
        self._log = log

    def sent(self, line: str) -> None:
        """Record a line that leaves for the controller."""
        super().sent(line)
        self._log.step("sent", "line", "", line)


class RecordedPerson:
    """A person whose every word, and every word to whom, is written down."""

    def __init__(self, person: Person, transcript: Transcript, log: SessionLog) -> None:
        self._person = person
        self._transcript = transcript
        self._log = log

    def tell(self, line: Line) -> None:
        """Record and show `line`; a caution is in the logbook before it is shown.

        What cannot be recorded is shown all the same: a full disk keeps no warning back.
        """
        try:
            self._transcript.shown(line)
            if line.tag == "CAUTION":
                self._log.step("caution", line.tag, line.key, line.plain())
        finally:
            self._person.tell(line)

    def discard_pending(self) -> None:
        """Forget everything typed so far."""
        self._person.discard_pending()

    def ask(self, question: Question) -> str:
        """Record the question and the answer as typed."""
        self._transcript.shown(question.line)
        typed = self._person.ask(question)
        self._transcript.answered(f"{question.line.key} | {typed}")
        if isinstance(question.accepts, Go):
            self._log.step("consent", "typed", question.line.key, typed)
        return typed
