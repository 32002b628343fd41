"""The other side of the wire, as values: a controller, and a bystander who sees everything.

Rule: a state is a tuple that can be compared; nothing here remembers anything else. The
``Device`` does every line the instant it arrives and answers in words that many controllers
share (common practice, no source). The ``Watch`` sees what the person is shown and says, what
is on the wire and what the device does; it knows nothing of how the program is made, and says
what must never be.
"""

from __future__ import annotations

import re
from functools import reduce
from typing import NamedTuple

from tuner.messages import Line

GREETING = b"start\n"
_COLD_C, _HOT_C = 21, 200

_MOVE = re.compile(r"G1 X(-?[0-9.]+) F[0-9.]+")
_HEAT = re.compile(r"M104 S([1-9][0-9]*)")
_OFF = ("M104 S0", "M140 S0")
_QUERIES = ("M105", "M114", "M119")
_AFTER_STOP = (*_QUERIES, *_OFF, "M110 N0", "M112")
_WAITS = ("M400", "G4 P0")
_REFUSED = "a line that was refused"
_NUMBERED = re.compile(rb"N([0-9]+) (.*)\*([0-9]+)")


def bare(line: str) -> str:
    """Return `line` without its number and checksum."""
    match = _NUMBERED.fullmatch(line.encode("ascii"))
    return match[2].decode("ascii") if match else line


# --- the controller ---------------------------------------------------------------------


class Device(NamedTuple):
    """A controller and the machine behind it.

    `counted_mm` is where it believes X to be, `truly_mm` where X is, from where it was declared
    to stand. `done` has every motion line that was carried out, in order. `number` is the number
    of the last line that had one.
    """

    is_relative: bool = False
    counted_mm: float = 0.0
    truly_mm: float = 0.0
    is_heating: bool = False
    is_halted: bool = False
    number: int = 0
    done: tuple[str, ...] = ()

    def as_left(self) -> Device:
        """Return it as far as it matters when no motion may come any more."""
        return self._replace(counted_mm=0.0, truly_mm=0.0, done=())

    def restarted(self) -> Device:
        """Return it just after it has started anew."""
        return Device(truly_mm=self.truly_mm, done=self.done)

    def temperatures(self) -> bytes:
        """Return what it says about heat, asked or unasked."""
        heat = (_HOT_C, _HOT_C) if self.is_heating else (_COLD_C, 0)
        return b"T:%d.0 /%d.0 B:20.0 /0.0\n" % heat

    def takes(self, line: str) -> tuple[Device, tuple[bytes, ...]]:
        """Return what `line`, as it came, makes of the controller, and its answers."""
        match = _NUMBERED.fullmatch(line.encode("ascii"))
        if match is None:
            return self._does(line)
        number, words = int(match[1]), match[2].decode("ascii")
        checked = line.encode("ascii").rpartition(b"*")[0]
        if reduce(int.__xor__, checked, 0) != int(match[3]):
            raise AssertionError(f"{line} has a wrong checksum")
        if words == "M110 N0":
            return self._replace(number=0), (b"ok\n",)
        if number != self.number + 1:
            return self.asks_again()
        return self._replace(number=number)._does(words)

    def asks_again(self) -> tuple[Device, tuple[bytes, ...]]:
        """Return what it says when it could not read a line, or one before it was lost."""
        resend = b"Resend: %d\n" % (self.number + 1)
        return self, (b"error: line number or checksum\n", resend, b"ok\n")

    def refuses(self) -> tuple[Device, tuple[bytes, ...]]:
        """Return what it says when it will not carry out a line."""
        return self, (b"error: not now\n", b"ok\n")

    def _does(self, line: str) -> tuple[Device, tuple[bytes, ...]]:
        if line == "M112":
            return self._replace(is_halted=True), (b"error: halted\n",)
        if self.is_halted:
            return self, (b"error: halted\n",)
        if line == "M105":
            return self, (b"ok " + self.temperatures(),)
        if line == "M114":
            return self, (b"X:%.3f Y:0.000 Z:0.000\n" % self.counted_mm, b"ok\n")
        after = self
        if line in ("G90", "G91"):
            after = self._replace(is_relative=line == "G91")
        elif line == "M104 S0":
            after = self._replace(is_heating=False)
        elif _HEAT.fullmatch(line):
            after = self._replace(is_heating=True)
        elif match := _MOVE.fullmatch(line):
            by_mm = float(match[1]) - (0.0 if self.is_relative else self.counted_mm)
            after = self._replace(
                counted_mm=self.counted_mm + by_mm,
                truly_mm=self.truly_mm + by_mm,
                done=(*self.done, line),
            )
        return after, (b"ok\n",)


# --- who watches ------------------------------------------------------------------------


class Watch(NamedTuple):
    """What a bystander knows who sees the person, the wire and the machine.

    `group`, `of`, `cautions`, `announced` are what was shown since the group before ended;
    `announced` has what moves or is heated, and how far, for every line. `is_in_doubt` is true
    whenever somebody who hears what the program hears could not be sure where X stands.
    """

    group: str = ""
    of: int = 0
    cautions: int = 0
    announced: tuple[tuple[str, float], ...] = ()
    has_consent: bool = False
    sent: int = 0
    believed_mm: float = 0.0
    is_in_doubt: bool = True
    is_stopped: bool = False
    unanswered: str = ""
    heard_late: bool = False
    has_spoken: bool = False
    off_sent: bool = False
    is_lost: bool = False
    heaters: str = ""

    # What the program does.

    def told(self, line: Line) -> tuple[Watch, str]:
        """Return the watch after the person was shown `line`, and what that breaches."""
        fields = dict(line.fields)
        match line.tag:
            case "CAUTION":
                return self._cautioned(fields["group"], int(fields["of"])), ""
            case "MOVE":
                what = (fields["axis"], float(fields["by_mm"]))
            case "HEAT":
                what = (fields["heater"], float(fields["target_c"]))
            case "MOVED" | "HEATED":
                return self._ended()
            case "NOTE" if line.key == "heaters":
                return self._replace(heaters=_heaters(line.says)), ""
            case _:
                return self, ""
        return self._replace(announced=(*self.announced, what), has_consent=False), ""

    def _cautioned(self, group: str, of: int) -> Watch:
        if group != self.group:
            fresh = self._shows_nothing()._replace(group=group, of=of)
            return fresh._replace(cautions=1)
        return self._replace(cautions=self.cautions + 1, has_consent=False)

    def _shows_nothing(self) -> Watch:
        return self._replace(
            group="", of=0, cautions=0, announced=(), has_consent=False, sent=0, heard_late=False
        )

    def _ended(self) -> tuple[Watch, str]:
        breach = ""
        if self.sent != self.of or self.unanswered:
            breach = "the end was told before all was sent and answered"
        elif self.heard_late:
            breach = "the end was told on the strength of a late answer"
        moved_mm = sum(number for what, number in self.announced if what == "X")
        return self._shows_nothing()._replace(believed_mm=self.believed_mm + moved_mm), breach

    def sends(self, line: str, device: Device) -> tuple[Watch, str]:
        """Return the watch after the bare `line` left, and what that breaches."""
        breach = ""
        if self.is_stopped and line not in _AFTER_STOP:
            breach = f"'{line}' was sent after a stop"
        watch = self._replace(unanswered=line, has_spoken=True)
        if line in _OFF:
            # Whatever was shown and consented to before is over.
            over = watch._shows_nothing()
            return over._replace(off_sent=True, is_in_doubt=True, believed_mm=0.0), breach
        if match := _MOVE.fullmatch(line):
            breach = breach or self._on_motion(line, ("X", float(match[1])), device)
        elif match := _HEAT.fullmatch(line):
            breach = breach or self._on_consented(line, ("nozzle", float(match[1])))
        else:
            return watch, breach
        return watch._replace(sent=self.sent + 1), breach

    def _on_consented(self, line: str, what: tuple[str, float]) -> str:
        if not self.has_consent:
            return f"'{line}' was sent without caution and consent"
        if self.sent >= self.of or self.announced[self.sent] != what:
            return f"'{line}' is not the next line that was announced"
        if self.unanswered:
            return f"'{line}' was sent before the line before it was answered"
        if self.heard_late:
            return f"'{line}' was sent on the strength of a late answer"
        return ""

    def _on_motion(self, line: str, what: tuple[str, float], device: Device) -> str:
        breach = self._on_consented(line, what)
        if not breach and self.is_in_doubt:
            breach = f"'{line}' was sent while the position is unknown"
        if not breach and not self.sent and device.truly_mm != self.believed_mm:
            breach = f"'{line}' began a group where the machine does not stand"
        return breach

    def declared(self) -> Watch:
        """Somebody has looked where X stands, and calls it 0."""
        return self._replace(is_in_doubt=False, believed_mm=0.0)

    # What reaches the program.

    def consents(self, is_early: bool) -> Watch:
        """``go`` was typed; `is_early` says that it was typed before the cautions were read."""
        complete = self.cautions == self.of == len(self.announced)
        return self._replace(has_consent=complete and not is_early and not self.sent)

    def hears(self, line: bytes, is_late: bool) -> Watch:
        """`line` arrived; `is_late` says that the program had given up waiting for it."""
        if line.startswith(b"ok"):
            if self.unanswered == _REFUSED:
                return self  # of the refused line, or of one before it: it says nothing any more
            # For a question it is the report that counts, not the word behind it.
            late = self.heard_late or (is_late and self._waits_for_motion)
            return self._replace(unanswered="", heard_late=late)
        if line == GREETING:
            return self._replace(is_in_doubt=True)
        if line.startswith((b"error", b"Resend")) and self.unanswered:
            doubt = self.is_in_doubt or self.unanswered.startswith("G1")
            return self._replace(is_in_doubt=doubt, unanswered=_REFUSED)
        return self

    def waited_in_vain(self) -> Watch:
        """A deadline passed."""
        return self._replace(is_in_doubt=True) if self._waits_for_motion else self

    @property
    def _waits_for_motion(self) -> bool:
        # Without a group under way, a wait is a question that brings both back in step.
        is_wait = self.sent > 0 and self.unanswered in _WAITS
        return is_wait or self.unanswered.startswith("G1")

    def stopped(self) -> Watch:
        """The person asked for a stop."""
        return self._replace(is_stopped=True, is_in_doubt=True)

    def lost(self) -> Watch:
        """The port went away."""
        return self._replace(is_lost=True, is_in_doubt=True)

    def at_the_end(self, device: Device, has_words_for_heat: bool) -> str:
        """Return what is wrong with how the session ended."""
        if not self.has_spoken:
            return ""
        if not self.heaters:
            return "the person was not told about the heaters"
        if has_words_for_heat and not self.off_sent and not self.is_lost:
            return "the heaters were never sent off"
        if self.heaters == "off" and device.is_heating:
            return "a heater is on, and the person was told that it is off"
        return ""


def _heaters(says: str) -> str:
    return "not confirmed" if "mains" in says or "treat" in says else "off"
