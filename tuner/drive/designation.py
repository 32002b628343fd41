"""What is printed on a part, or typed for it: ``Tr8x8(P2)``, ``M8``, ``1/4-16``, ``XL``, ``T2.5``.

A designation is understood where a standard defines it, and explained in words, so that a
person can hold it against the part. The name of a maker's product is refused: what it
means is the maker's affair, and the pitch can be measured.

Lengths in inch become mm exactly (25.4).
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Generic, NamedTuple, TypeVar

from tuner.drive.numbers import MM_PER_INCH, plain_number
from tuner.drive.parts import Screw
from tuner.drive.tables import COMMON_PRACTICE, MODULES_MM, SCREW_LEADS_MM
from tuner.text import clipped, shown

V = TypeVar("V")

_LONGEST_SHOWN = 40


class Explained(NamedTuple, Generic[V]):
    """What a designation stands for: the value, the sentence that says so, and its source."""

    value: V
    means: str
    source: str


# --- belts --------------------------------------------------------------------------------

# Codes seen in the titles of ISO 5296; pitches seen but for XXL, which is from memory.
INCH_BELT_PITCHES_MM = {
    "MXL": Fraction("2.032"),
    "XXL": Fraction("3.175"),
    "XL": Fraction("5.08"),
    "L": Fraction("9.525"),
    "H": Fraction("12.7"),
    "XH": Fraction("22.225"),
    "XXH": Fraction("31.75"),
}
METRIC_BELT_CODES = ("T2.5", "T5", "T10", "T20", "AT5", "AT10", "AT20")
_FORTY_DP_PITCH_MM = Fraction("0.0816") * MM_PER_INCH

# Length before, width after the code, as ISO 5296 writes a whole belt: 100XL037 (from memory).
_INCH_BELT = re.compile(r"(?:[0-9]{1,5}\s*)?(MXL|XXL|XL|L|H|XH|XXH)(?:\s*[0-9.]{1,6})?", re.ASCII)
# Width before, length after: 10 T5/500 (from memory).
_METRIC_BELT = re.compile(
    r"(?:[0-9]{1,3}\s*)?(A?T)\s*([0-9]{1,2}(?:\.[0-9])?)(?:\s*[/X-]\s*[0-9]{1,6}){0,2}", re.ASCII
)
_ROUND_TOOTH_BELT = re.compile(
    r"(?:[0-9]{1,5}(?:\s*-\s*|\s+))?[GHRS]?\s*(2|3|5|8|14|20)M(?:\s*-?\s*[0-9]{1,3})?", re.ASCII
)
_BELT_FORMS = (
    f"{', '.join(INCH_BELT_PITCHES_MM)} (ISO 5296), {', '.join(METRIC_BELT_CODES)} (ISO 17396), "
    "5M, 8M, 14M (ISO 13050)"
)


def belt_pitch(text: str) -> Explained[Fraction]:
    """Return the pitch in mm of the belt designated `text`; raises ``ValueError``."""
    plain = _plain(text)
    if match := _INCH_BELT.fullmatch(plain):
        pitch = INCH_BELT_PITCHES_MM[match[1]]
        return Explained(
            pitch,
            f"{match[1]}: trapezoidal teeth, pitch {plain_number(pitch / MM_PER_INCH)} inch"
            f" = {plain_number(pitch)} mm"
            + (
                "; easily taken for a belt of 2 mm, which is 1.6 % less"
                if match[1] == "MXL"
                else ""
            ),
            "ISO 5296",
        )
    if match := _METRIC_BELT.fullmatch(plain):
        code = match[1] + match[2]
        if code in METRIC_BELT_CODES:
            pitch = Fraction(match[2])
            return Explained(
                pitch, f"{code}: trapezoidal teeth, pitch {plain_number(pitch)} mm", "ISO 17396"
            )
    if match := _ROUND_TOOTH_BELT.fullmatch(plain):
        pitch = Fraction(match[1])
        return Explained(
            pitch,
            f"{match[1]}M: round teeth, pitch {plain_number(pitch)} mm; the profile (G, H, R or S) "
            "must fit the pulley and does not change the travel",
            COMMON_PRACTICE if pitch <= 3 else "ISO 13050",
        )
    if re.fullmatch(r"40\s*D\.?P\.?", plain):
        return Explained(
            _FORTY_DP_PITCH_MM,
            f"40DP: pitch 0.0816 inch = {plain_number(_FORTY_DP_PITCH_MM)} mm; easily taken for "
            "MXL, which is 2 % less, or for 2 mm, which is 3.5 % less",
            "a timing-belt handbook, no standard",
        )
    raise _unknown(
        text,
        "a belt",
        _BELT_FORMS,
        "count eleven tooth tips, measure from the first to the last, divide by 10, and give "
        "that as --pitch; in a maker's name the figure is often the pitch in mm",
    )


# --- screws -------------------------------------------------------------------------------

# Combinations of diameter and pitch from 8 to 28 mm, as a public list gives them.
TRAPEZOIDAL_PITCHES_MM = {
    "8": ("1.5",),
    "9": ("1.5", "2"),
    "10": ("1.5", "2"),
    "11": ("2", "3"),
    "12": ("2", "3"),
    "14": ("2", "3"),
    "16": ("2", "3", "4"),
    "18": ("2", "3", "4"),
    "20": ("2", "3", "4"),
    "22": ("3", "5", "8"),
    "24": ("3", "5", "8"),
    "26": ("3", "5", "8"),
    "28": ("3", "5", "8"),
}
# Coarse pitches, M7 from memory.
COARSE_PITCHES_MM = {
    "3": "0.5",
    "3.5": "0.6",
    "4": "0.7",
    "5": "0.8",
    "6": "1",
    "7": "1",
    "8": "1.25",
    "10": "1.5",
    "12": "1.75",
    "14": "2",
    "16": "2",
    "18": "2.5",
    "20": "2.5",
    "22": "2.5",
    "24": "3",
}
# Preferred combinations of size in inch and threads per inch.
ACME_THREADS_PER_INCH = {
    "1/4": 16,
    "5/16": 14,
    "3/8": 12,
    "1/2": 10,
    "5/8": 8,
    "3/4": 6,
    "7/8": 6,
    "1": 5,
    "5/4": 5,
    "3/2": 4,
    "7/4": 4,
    "2": 4,
    "5/2": 3,
    "3": 2,
}
_LARGEST_INCH = 5

_N = r"([0-9]{1,4}(?:\.[0-9]{1,6})?)"
_TOLERANCE = r"(?:(?:\s*-\s*|\s+)[0-9][A-Z](?:[0-9][A-Z])?)?"  # 7e, 6g: how tight, not how far
_LEFT = r"(?:\s*-?\s*(LH))?"
_TRAPEZOIDAL = re.compile(
    rf"TR\s*{_N}\s*X\s*{_N}(?:\s*\(?\s*P\s*{_N}\s*\)?)?{_LEFT}{_TOLERANCE}", re.ASCII
)
# With Ph, a multi-start thread after ISO 965-1: M16xPh3P1.5 (from memory).
_METRIC = re.compile(
    rf"M\s*{_N}(?:\s*X\s*{_N}|\s*X\s*PH\s*{_N}\s*P\s*{_N})?{_TOLERANCE}{_LEFT}", re.ASCII
)
_BALL = re.compile(rf"{_N}\s*X\s*{_N}{_LEFT}", re.ASCII)
_SIZE = r"(?:([0-9])[\s-])?([0-9]{1,2}(?:/[0-9]{1,2}|\.[0-9]{1,4})?)"
_THREAD_NAME = r"(?:[\s-]*(?:ACME|UNC|UNF|UN))?(?:[\s-]+[0-9][A-Z])?"
_INCH = re.compile(rf"{_SIZE}\s*-\s*([0-9]{{1,3}}){_THREAD_NAME}{_LEFT}", re.ASCII)
# Pitch and lead in inch, as a multi-start thread is written in ASME B1.5 (from memory).
_INCH_MULTI = re.compile(
    rf"{_SIZE}\s*-\s*(0?\.[0-9]{{1,6}})P\s*-\s*(0?\.[0-9]{{1,6}}|1(?:\.[0-9]+)?)L"
    rf"{_THREAD_NAME}{_LEFT}",
    re.ASCII,
)
_SCREW_FORMS = (
    "Tr8x8(P2) (ISO 2904), M8 or M8x1 (ISO 261), 1/4-16 (ASME B1.5), "
    "16x5, diameter x lead of a ball screw (ISO 3408)"
)


def screw(text: str) -> Explained[Screw]:
    """Return the screw designated `text`; raises ``ValueError``."""
    plain = _plain(text)
    for pattern, explain in (
        (_TRAPEZOIDAL, _trapezoidal),
        (_METRIC, _metric),
        (_INCH_MULTI, _inch_multi),
        (_INCH, _inch),
        (_BALL, _ball),
    ):
        match = pattern.fullmatch(plain)
        if match:
            explained = explain(*match.groups())
            if "LH" not in match.groups():
                return explained
            left = "; LH: left-hand, it moves the other way and just as far"
            return explained._replace(means=explained.means + left)
    raise _unknown(
        text,
        "a screw",
        _SCREW_FORMS,
        "measure ten crests along the screw and divide by 10, count the thread starts at its end, "
        "and give them as --pitch and --starts",
    )


def _trapezoidal(
    diameter: str, lead: str, pitch: str | None, _left: str | None
) -> Explained[Screw]:
    name = f"Tr{diameter}x{lead}" + (f"(P{pitch})" if pitch else "")
    found = _multi_start(Fraction(lead), Fraction(pitch or lead), name)
    thread = f"{name}: trapezoidal thread, {diameter} mm"
    known = TRAPEZOIDAL_PITCHES_MM.get(plain_number(Fraction(diameter)), ())
    if pitch is None and known and Fraction(lead) >= 2 * max(map(Fraction, known)):
        return Explained(
            found,
            f"{thread}, lead {lead} mm; so long a lead has several starts, and its (P…) was left "
            "out: counted as one start, which travels the same",
            "ISO 2904",
        )
    source = "ISO 2904"
    if known and plain_number(found.pitch_mm) not in known:
        source += (
            f"; there {diameter} mm has a pitch of {' or '.join(known)} mm, "
            f"{plain_number(found.pitch_mm)} mm is {COMMON_PRACTICE}"
        )
    if pitch is None:
        return Explained(found, f"{thread}, pitch {lead} mm, one start", source)
    return Explained(
        found,
        f"{thread}, lead {lead} mm, pitch {pitch} mm: {lead} / {pitch}"
        f" = {found.starts} {_starts(found)}",
        source,
    )


def _metric(
    diameter: str, fine: str | None, lead: str | None, pitch: str | None, _left: str | None
) -> Explained[Screw]:
    name = f"M{diameter}"
    if lead and pitch:
        found = _multi_start(Fraction(lead), Fraction(pitch), f"{name}xPh{lead}P{pitch}")
        return Explained(
            found,
            f"{name}xPh{lead}P{pitch}: metric thread, {diameter} mm, lead {lead} mm, pitch "
            f"{pitch} mm: {lead} / {pitch} = {found.starts} {_starts(found)}",
            "ISO 965-1, from memory",
        )
    if fine:
        return Explained(
            Screw(Fraction(fine)),
            f"{name}x{fine}: metric thread, {diameter} mm, pitch {fine} mm, one start",
            "ISO 261",
        )
    coarse = COARSE_PITCHES_MM.get(plain_number(Fraction(diameter)))
    if coarse is None:
        raise ValueError(
            f"{name} is not among the coarse threads M3 to M24 that are listed here; expected "
            f"its pitch as well, such as {name}x2; or measure ten crests and divide by 10"
        )
    return Explained(
        Screw(Fraction(coarse)),
        f"{name}: metric coarse thread, {diameter} mm, pitch {coarse} mm, one start",
        "ISO 261",
    )


def _inches(whole: str | None, size: str) -> Fraction:
    numerator, _, denominator = size.partition("/")
    if denominator and int(denominator) == 0:
        raise ValueError(f"{size} is no size; expected one such as 1/4")
    inches = Fraction(numerator) / int(denominator or "1") + int(whole or "0")
    if not 0 < inches <= _LARGEST_INCH:
        raise ValueError(
            f"a screw of {plain_number(inches)} inch is no screw of a bench machine; expected "
            "size-threads per inch, such as 1/4-16 or 1 1/4-5"
        )
    return inches


def _inch(whole: str | None, size: str, per_inch: str, _left: str | None) -> Explained[Screw]:
    inches, threads = _inches(whole, size), int(per_inch)
    if threads == 0:
        raise ValueError(f"{size}-{per_inch}: expected threads per inch, such as 16")
    pitch = MM_PER_INCH / threads
    written = f"{whole} {size}" if whole else size
    preferred = ACME_THREADS_PER_INCH.get(str(inches))
    source = "ASME B1.5"
    if preferred is None:
        source += f"; {written} inch is not among its preferred sizes"
    elif preferred != threads:
        source += (
            f"; its preferred thread of {written} inch has {preferred} per inch, this may be "
            "another inch thread, written alike"
        )
    return Explained(
        Screw(pitch),
        f"{written}-{per_inch}: inch thread, {written} inch, {threads} threads per inch: "
        f"25.4 mm / {threads} = {plain_number(pitch)} mm pitch, one start",
        source,
    )


def _inch_multi(
    whole: str | None, size: str, pitch: str, lead: str, _left: str | None
) -> Explained[Screw]:
    _inches(whole, size)
    name = f"{whole} {size}-{pitch}P-{lead}L" if whole else f"{size}-{pitch}P-{lead}L"
    found = _multi_start(Fraction(lead) * MM_PER_INCH, Fraction(pitch) * MM_PER_INCH, name)
    return Explained(
        found,
        f"{name}: inch thread, lead {lead} inch = {plain_number(found.travel_per_rev_mm)} mm, "
        f"pitch {pitch} inch: {found.starts} {_starts(found)}",
        "ASME B1.5, multi-start form from memory",
    )


def _ball(diameter: str, lead: str, _left: str | None) -> Explained[Screw]:
    found = Screw(Fraction(lead))
    listed = SCREW_LEADS_MM.source(found) if found in SCREW_LEADS_MM else ""
    return Explained(
        found,
        f"{diameter}x{lead}: ball screw, {diameter} mm, lead {lead} mm",
        "ISO 3408-2" + ("" if "ISO 3408" in listed else f"; {lead} mm is not among its leads"),
    )


def _multi_start(lead: Fraction, pitch: Fraction, name: str) -> Screw:
    if pitch == 0 or (lead / pitch).denominator != 1:
        raise ValueError(
            f"{name}: a lead of {plain_number(lead)} mm is no whole number of pitches of "
            f"{plain_number(pitch)} mm; expected lead = starts x pitch, such as Tr8x8(P2)"
        )
    return Screw(pitch, int(lead / pitch))


def _starts(found: Screw) -> str:
    return "start" if found.starts == 1 else "starts"


# --- racks --------------------------------------------------------------------------------

_MODULE = re.compile(rf"(?:M|MODULE)\s*{_N}", re.ASCII)


def rack_module(text: str) -> Explained[Fraction]:
    """Return the module in mm of the rack designated `text`; raises ``ValueError``."""
    match = _MODULE.fullmatch(_plain(text))
    if not match:
        raise _unknown(
            text,
            "a rack",
            "m1, m1.5, m2 (ISO 54)",
            "measure ten teeth of the rack and divide by 31.416, and give that as --module",
        )
    module = Fraction(match[1])
    listed = "" if module in MODULES_MM else f"; {match[1]} mm is not among the modules listed here"
    return Explained(
        module,
        f"m{match[1]}: module {match[1]} mm, pitch pi x {match[1]} mm",
        "ISO 54" + listed,
    )


# --- all of them --------------------------------------------------------------------------


def _plain(text: str) -> str:
    """Return `text` in capitals, with x for every sign of multiplication and points for commas."""
    text = " ".join(text.upper().split())
    return text.replace("×", "X").replace("*", "X").replace(",", ".")


def _unknown(text: str, part: str, forms: str, measure: str) -> ValueError:
    return ValueError(
        f"'{clipped(shown(text), _LONGEST_SHOWN)}' is no designation of {part} in a standard that "
        f"is known here; expected one such as {forms}. Or {measure}"
    )
