"""How a message that asks becomes a question with the answers that count."""

from __future__ import annotations

from tuner.messages import Choose, Confirm, Length, Line, OneOf, Question, Text, Words

_YES_NO: tuple[str, ...] = ("yes", "no")


def question_of(message: Confirm | Choose | Text, *, may_undo: bool = False) -> Question:
    """Return the question of `message`; `may_undo` where an answer can be taken back.

    A ``Confirm`` is answered with ``Value("yes")`` or ``Value("no")``.
    """
    options, default = _YES_NO, ""
    also: tuple[tuple[str, str], ...] = ()
    match message:
        case Text():
            return _text(message, may_undo)
        case Choose():
            options, default, also = message.options, message.default, message.also
    fields = (("options", ",".join(options)), ("default", default))
    line = Line("CHOICE", message.key, fields, message.says)
    return Question(line, OneOf(options, default, may_undo, also), message)


def _text(message: Text, may_undo: bool) -> Question:
    fields: tuple[tuple[str, str], ...] = (("default", message.default),)
    accepts: Words | Length = Words(message.default, may_undo, message.wanted, message.suggestions)
    if message.low_mm is not None and message.high_mm is not None:
        fields = (("unit", message.unit), *fields)
        accepts = Length(
            message.low_mm,
            message.high_mm,
            may_undo=may_undo,
            default=message.default,
            unit=message.unit,
        )
    return Question(Line("TEXT", message.key, fields, message.says), accepts, message)
