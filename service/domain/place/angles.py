"""Latitude and longitude as two angles: decimal degrees, decimal minutes, or minutes and seconds.

Two plain decimals are latitude, then longitude, north and east positive. Angles with minutes need a letter or a sign:
without either nobody can know the hemisphere, and it is never guessed.

Few figures are a position that was rounded: "47.12,-20.54" may be from anywhere within 700 m of what it says.
"""

from __future__ import annotations

import re

from service.domain.place.geodesy import distance_m
from service.domain.place.position import EXACT_M, Position, PositionError, Reading, understood

DECIMAL_DEGREES = "decimal degrees"
DECIMAL_COMMA = "decimal degrees with a decimal comma"
DEGREES_MINUTES = "degrees and minutes"
DEGREES_MINUTES_SECONDS = "degrees, minutes and seconds"

_BY_SIXTIETHS = (DECIMAL_DEGREES, DEGREES_MINUTES, DEGREES_MINUTES_SECONDS)

_MOST_SIXTIETHS = 60
_POLE = 90
_DATE_LINE = 180

_SPELLED = (
    (re.compile(r"\bdeg(?:ree)?s?\b|(?<=\d)deg(?:ree)?s?\b", re.IGNORECASE), "°"),
    (re.compile(r"\bmin(?:ute)?s?\b|(?<=\d)min(?:ute)?s?\b", re.IGNORECASE), "'"),
    (re.compile(r"\bsec(?:ond)?s?\b|(?<=\d)sec(?:ond)?s?\b", re.IGNORECASE), '"'),
    (re.compile(r"\b(n)orth\b|\b(s)outh\b|\b(e)ast\b|\b(w)est\b", re.IGNORECASE), r"\1\2\3\4"),
)

_NUMBER = r"\d{1,3}(?:\.\d{1,15})?"
_SMALL = r"\d{1,2}(?:\.\d{1,15})?"
_ANGLE = (
    rf"[+-]? ?{_NUMBER} ?°?"
    rf"(?:(?: ?[-:] ?|(?<=°) ?| +){_SMALL}(?:(?: ?[':] ?| +){_SMALL})?)?"
    r" ?(?:''|['\"])?"
)
_BETWEEN = r"(?: ?[,;] ?| )"

_DECIMAL_PAIR = re.compile(rf"([+-]?\d{{1,3}}\.\d{{1,15}}){_BETWEEN}([+-]?\d{{1,3}}\.\d{{1,15}})")
_DEGREE_PAIR = re.compile(rf"(?=[^°]*°[^°]*°)({_ANGLE}){_BETWEEN}({_ANGLE})")
_LETTERS_AFTER = re.compile(rf"({_ANGLE}) ?([NSEW])(?: ?[,;] ?| ?)({_ANGLE}) ?([NSEW])", re.IGNORECASE)
_LETTERS_BEFORE = re.compile(rf"([NSEW]) ?({_ANGLE})(?: ?[,;] ?| ?)([NSEW]) ?({_ANGLE})", re.IGNORECASE)

_COMMA_IN_NUMBER = re.compile(r"(?<=\d),(?=\d)")
# Four places or more: "12,500" is as likely twelve and a half thousand, and "12,34" two whole numbers.
_COMMA_PAIR = re.compile(r"([+-]?\d{1,3},\d{4,15})(?:, | ?; ?| )([+-]?\d{1,3},\d{4,15})")
_COMMAS = re.compile(r"[+-]?\d{1,3},\d{1,15}(?:[ ,;]{1,3}[+-]?\d{1,3},\d{1,15})?")

_LOOSE = re.compile(
    rf"(?:([NSEW]) ?)?{_ANGLE}(?: ?([NSEW]))?{_BETWEEN}(?:([NSEW]) ?)?{_ANGLE}(?: ?([NSEW]))?", re.IGNORECASE
)
_ALONE = re.compile(rf"[NSEW] ?{_ANGLE}|{_ANGLE} ?[NSEW]|(?=.*[.°]){_ANGLE}", re.IGNORECASE)

_EXAMPLE = "47.12345,-20.54321 or 47 07.407N 020 32.593W"


def read_angles(typed: str) -> Reading | None:
    """Read a pair of angles; None where the text is none.

    Raises PositionError for a pair that is impossible, or of which half, the order or the hemisphere is not known.
    """
    for pattern, sign in _SPELLED:
        typed = pattern.sub(sign, typed)
    if reading := _read_pair(typed) or _read_commas(typed):
        return reading
    _refuse_o(typed)
    _refuse_halves(typed)
    return None


def _read_pair(typed: str) -> Reading | None:
    """Read two angles with decimal points."""
    if pair := _DECIMAL_PAIR.fullmatch(typed):
        return _rounded(_latitude_first(_signed(pair[1]), _signed(pair[2])), DECIMAL_DEGREES, pair[1], pair[2])
    if pair := _DEGREE_PAIR.fullmatch(typed):
        form = _form(pair[1], pair[2])
        if form != DECIMAL_DEGREES and not any(angle.startswith(("+", "-")) for angle in (pair[1], pair[2])):
            raise PositionError(f"say N or S and E or W, since {typed} could be in any of four places")
        return _rounded(Position(_signed(pair[1]), _signed(pair[2])), form, pair[1], pair[2])
    if pair := _LETTERS_AFTER.fullmatch(typed):
        return _lettered(pair[2], pair[1], pair[4], pair[3])
    if pair := _LETTERS_BEFORE.fullmatch(typed):
        return _lettered(pair[1], pair[2], pair[3], pair[4])
    return None


def _read_commas(typed: str) -> Reading | None:
    """Read two angles with decimal commas, where they cannot mean anything else."""
    if "." in typed:
        return None
    if pair := _COMMA_PAIR.fullmatch(typed):
        lat, lon = (float(number.replace(",", ".")) for number in pair.groups())
        return understood(_latitude_first(lat, lon), DECIMAL_COMMA)
    if _COMMAS.fullmatch(typed):
        raise PositionError(f"the commas of {typed} can be read in two ways: write decimal points, as in {_EXAMPLE}")
    # With letters or degree signs a comma between two digits cannot stand between latitude and longitude.
    return _read_pair(_COMMA_IN_NUMBER.sub(".", typed))


def _latitude_first(lat: float, lon: float) -> Position:
    """The position of two numbers without letters; says so where the other order would have been possible."""
    if abs(lat) > _POLE >= abs(lon):
        raise PositionError(
            f"latitude {lat:g} is impossible: it goes from 90 south to 90 north; latitude comes first, so look"
            " whether the two numbers are swapped"
        )
    return Position(lat, lon)


def _refuse_o(typed: str) -> None:
    """Raise PositionError for O as a hemisphere: Ost is east, and Ouest, Oeste and Ovest are west."""
    as_west = _COMMA_IN_NUMBER.sub(".", typed).replace("o", "W").replace("O", "W")
    if "o" in typed.lower() and (_LETTERS_AFTER.fullmatch(as_west) or _LETTERS_BEFORE.fullmatch(as_west)):
        raise PositionError(f"O is east in German and west in other languages: write {typed} with E or W")


def _refuse_halves(typed: str) -> None:
    """Raise PositionError for what is nearly a position, with what is missing."""
    if _ALONE.fullmatch(typed):
        raise PositionError(f"{typed} is one number: give latitude and longitude, as in {_EXAMPLE}")
    pair = _LOOSE.fullmatch(typed)
    letters = [letter for letter in pair.groups() if letter] if pair else []
    if len(letters) == 1:
        raise PositionError(f"only one number of {typed} has a letter: give both, as in {_EXAMPLE}")
    if letters:
        raise PositionError(f"put each letter of {typed} after its number, as in {_EXAMPLE}")
    if pair and "." in typed:
        raise PositionError(f"the hemispheres of {typed} are not known: write it as {_EXAMPLE}")


def _lettered(first_letter: str, first: str, second_letter: str, second: str) -> Reading:
    """Put two angles with hemisphere letters together, in whichever order they came."""
    angles = {first_letter.upper(): first, second_letter.upper(): second}
    north_south = [letter for letter in angles if letter in "NS"]
    east_west = [letter for letter in angles if letter in "EW"]
    if len(north_south) != 1 or len(east_west) != 1:
        message = "a position needs one N or S and one E or W"
        raise PositionError(message)
    if any(angle.lstrip().startswith(("+", "-")) for angle in angles.values()):
        message = "use a sign or a letter for the hemisphere, not both"
        raise PositionError(message)
    lat = _signed(angles[north_south[0]]) * (-1 if north_south == ["S"] else 1)
    lon = _signed(angles[east_west[0]]) * (-1 if east_west == ["W"] else 1)
    return _rounded(Position(lat, lon), _form(first, second), angles[north_south[0]], angles[east_west[0]])


def _rounded(position: Position, form: str, latitude: str, longitude: str) -> Reading:
    """A reading with how far the figures may be off, where that is too far to look at one point."""
    return understood(position, form, accuracy_m=rounded_off_m(position, _half_unit(latitude), _half_unit(longitude)))


def rounded_off_m(position: Position, north: float, east: float) -> float | None:
    """How far a position may be off whose figures are so many degrees; None where one looks there all the same."""
    lat, lon = abs(position.lat), abs(position.lon)
    corner = Position(lat - north if lat > north else lat + north, min(lon + east, _DATE_LINE))
    off_m = distance_m(Position(lat, min(lon, _DATE_LINE - east)), corner)
    return off_m if off_m > EXACT_M else None


def _half_unit(angle: str) -> float:
    """Half of what one step of the last figure of an angle is worth, in degrees."""
    numbers = _numbers(angle)
    places = len(numbers[-1].partition(".")[2])
    return 0.5 / (60.0 ** (len(numbers) - 1) * 10.0**places)


def _numbers(angle: str) -> list[str]:
    """The degrees of an angle, and its minutes and seconds where it has them."""
    return re.findall(r"\d+(?:\.\d+)?", angle)


def _form(first: str, second: str) -> str:
    """The name of the form of two angles, by the finer one."""
    return _BY_SIXTIETHS[max(len(_numbers(first)), len(_numbers(second))) - 1]


def _signed(angle: str) -> float:
    """Turn degrees, or degrees and minutes, or degrees, minutes and seconds into signed degrees."""
    degrees, *sixtieths = _numbers(angle)
    total = float(degrees)
    last = len(sixtieths) - 1
    if sixtieths and "." in degrees:
        message = f"degrees with a decimal point cannot have minutes: {angle.strip()}"
        raise PositionError(message)
    for place, number in enumerate(sixtieths):
        if float(number) >= _MOST_SIXTIETHS:
            message = f"minutes and seconds go up to 59, not {number}, in {angle.strip()}"
            raise PositionError(message)
        if "." in number and place != last:
            message = f"minutes with a decimal point cannot have seconds: {angle.strip()}"
            raise PositionError(message)
        total += float(number) / 60.0 ** (place + 1)
    return -total if angle.lstrip().startswith("-") else total
