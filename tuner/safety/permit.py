"""Permit and warrant: exactly these lines, once, within 30 seconds of the person's consent."""

from __future__ import annotations

from tuner.errors import PermitVoid

PERMIT_LASTS_S = 30.0


class _Consent:
    """That a person has said ``go``: it counts once, and not for long."""

    def __init__(self, group: int, granted_at_s: float) -> None:
        self.group = group
        self._expires_at_s = granted_at_s + PERMIT_LASTS_S
        self._used = False

    def _redeem(self, now_s: float) -> None:
        if self._used:
            raise PermitVoid(f"the permit of group {self.group} was used already")
        self._used = True
        if now_s > self._expires_at_s:
            raise PermitVoid(
                f"the consent to group {self.group} is older than {PERMIT_LASTS_S:.0f} s; "
                "it must be shown and asked for again"
            )


class Permit(_Consent):
    """Leave for one group of motion lines; only the gate makes one.

    `seconds` is how long the motion is expected to take.
    """

    def __init__(
        self, group: int, lines: tuple[str, ...], seconds: float, granted_at_s: float
    ) -> None:
        super().__init__(group, granted_at_s)
        self.lines = lines
        self.seconds = seconds

    def redeem(self, now_s: float) -> tuple[str, ...]:
        """Return the lines to send; raise ``PermitVoid`` the second time, or too late."""
        self._redeem(now_s)
        return self.lines


class Warrant(_Consent):
    """Leave for one line that heats; only the gate makes one."""

    def __init__(self, group: int, line: str, granted_at_s: float) -> None:
        super().__init__(group, granted_at_s)
        self.line = line

    def redeem(self, now_s: float) -> str:
        """Return the line to send; raise ``PermitVoid`` the second time, or too late."""
        self._redeem(now_s)
        return self.line
