"""A permit: exactly these lines, once, within 30 seconds of the person's consent."""

from __future__ import annotations

from tuner.errors import PermitVoid

PERMIT_LASTS_S = 30.0


class Permit:
    """Leave for one group of motion lines; only the gate makes one.

    `seconds` is how long the motion is expected to take.
    """

    def __init__(
        self, group: int, lines: tuple[str, ...], seconds: float, granted_at_s: float
    ) -> None:
        self.group = group
        self.lines = lines
        self.seconds = seconds
        self._expires_at_s = granted_at_s + PERMIT_LASTS_S
        self._used = False

    def redeem(self, now_s: float) -> tuple[str, ...]:
        """Return the lines to send; raise ``PermitVoid`` the second time, or too late."""
        if self._used:
            raise PermitVoid(f"the permit of group {self.group} was used already")
        self._used = True
        if now_s > self._expires_at_s:
            raise PermitVoid(
                f"the consent to group {self.group} is older than {PERMIT_LASTS_S:.0f} s; "
                "the move must be shown and asked for again"
            )
        return self.lines
