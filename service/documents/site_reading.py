"""What files of sites have in common: the checks of a site's points and details, and how faults are told.

Every fault of a file is collected, one entry for each bad feature, so that it can be mended in one go; a file with any
fault gives no site at all.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields

from service.documents.xml_text import legal
from service.domain.encoding import septets, to_gsm7
from service.domain.local_time import is_zone
from service.domain.place.club_site import ClubSite
from service.domain.place.conditions import ConditionsError, Current
from service.domain.place.position import Position, PositionError
from service.domain.place.site import EASIEST, HARDEST, PointKind, SitePoint
from service.domain.place.tide import TideError, TideWindow
from service.domain.plan import NAME_MAX, WORDS_MAX
from service.domain.texts.site_code import code_clash

FILE_BYTES_MAX = 1_000_000
FEATURES_MAX = 500
LINE_POSITIONS_MAX = 2_000

SHORELINE = "shoreline"
FILE = "file"
SITE = "site"

_CODE = re.compile(r"[A-Z][A-Z0-9]{1,11}")
_WINDOW_FIELDS = tuple(one.name for one in fields(TideWindow))
_CURRENT_FIELDS = tuple(one.name for one in fields(Current))


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong at one place of a file, such as "feature 3 of 9 (West steps)", and what to do about it."""

    where: str
    words: str


class SiteFileError(ValueError):
    """A file that is no site; `faults` has an entry for each bad feature."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        super().__init__("\n".join(f"{fault.where}: {fault.words}" for fault in faults))
        self.faults = tuple(faults)


@dataclass(frozen=True, slots=True)
class SiteRead:
    """The site of a file, and what of the file was left out, in sentences."""

    site: ClubSite
    left_out: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class FieldFault:
    """A fault of one field of what is at that place; `name` is empty where it is of all of it."""

    where: str
    name: str
    words: str


@dataclass(slots=True)
class Findings:
    """Collects what is wrong and what is left out, by where it is."""

    _faults: dict[str, list[FieldFault]] = field(default_factory=dict)
    _left_out: dict[str, list[str]] = field(default_factory=dict)

    def fault(self, where: str, words: str, name: str = "") -> None:
        """Note a fault, of that field where it is of one."""
        self._faults.setdefault(where, []).append(FieldFault(where, name, words))

    def has(self, where: str) -> bool:
        """Whether there is a fault at that place."""
        return where in self._faults

    def leave_out(self, where: str, words: str) -> None:
        """Note what is not taken over, and does no harm."""
        known = self._left_out.setdefault(where, [])
        if words not in known:
            known.append(words)

    @property
    def faults(self) -> tuple[Fault, ...]:
        """One entry for each place with a fault."""
        return tuple(Fault(where, " ".join(fault.words for fault in faults)) for where, faults in self._faults.items())

    @property
    def by_field(self) -> tuple[FieldFault, ...]:
        """Every fault by itself, for a form."""
        return tuple(fault for faults in self._faults.values() for fault in faults)

    @property
    def left_out(self) -> tuple[Fault, ...]:
        """One entry for each place with something left out."""
        return tuple(Fault(where, " ".join(words)) for where, words in self._left_out.items())


def refuse_size(data: bytes) -> None:
    """Raises SiteFileError for a file that is too large to be a site, before anything of it is read."""
    if len(data) > FILE_BYTES_MAX:
        raise SiteFileError([Fault(FILE, f"It has more than {FILE_BYTES_MAX // 1_000_000} MB. A site needs far less.")])


def place_in(what: str, index: int, count: int, name: object) -> str:
    """Where something is, for people: "feature 3 of 9 (West steps)"; `index` counts from nought."""
    shown = f" ({' '.join(legal(name).split())[:NAME_MAX]})" if isinstance(name, str) and name.strip() else ""
    return f"{what} {index + 1} of {count}{shown}"


def read_place(lat: float, lon: float, where: str, findings: Findings) -> Position | None:
    """A position; None with a fault."""
    try:
        return Position(lat, lon)
    except PositionError as error:
        findings.fault(where, f"Its {error}.", "position")
        return None


def read_point(
    raw: Mapping[str, object], position: Position | None, where: str, findings: Findings
) -> SitePoint | None:
    """A point from its fields, `position` being None for an unlocated one; None with a fault."""
    kind, name = _kind(raw.get("kind"), where, findings), _words(raw, "name", NAME_MAX, where, findings)
    if name is None:
        findings.fault(where, 'Give it a "name": a rescue cannot be sent to a point without one.', "name")
    ease, notes = _ease(raw.get("ease"), where, findings), _words(raw, "notes", WORDS_MAX, where, findings)
    vehicles, window = raw.get("vehicles"), _window(raw.get("window"), where, findings)
    if vehicles is not None and not isinstance(vehicles, bool):
        findings.fault(where, '"vehicles" is true where an emergency vehicle reaches it, else false.', "vehicles")
    if kind is None or name is None:
        return None
    return SitePoint(kind, name, position, ease, notes, window, vehicles is True)


def _kind(given: object, where: str, findings: Findings) -> PointKind | None:
    if isinstance(given, str) and given in list(PointKind):
        return PointKind(given)
    kinds = ", ".join(PointKind)
    shown = f'"{given[:20]}" is none of them' if isinstance(given, str) else "it has none"
    findings.fault(where, f'Give its "kind", one of {kinds}: {shown}.', "kind")
    return None


def _ease(given: object, where: str, findings: Findings) -> int | None:
    if given is None:
        return None
    if isinstance(given, bool) or not isinstance(given, int) or not HARDEST <= given <= EASIEST:
        findings.fault(where, f'"ease" is a whole number from {HARDEST}, hard, to {EASIEST}, easy.', "ease")
        return None
    return given


def _window(given: object, where: str, findings: Findings) -> TideWindow | None:
    numbers = _numbers(given, "window", _WINDOW_FIELDS, where, findings)
    if numbers is None:
        return None
    try:
        window = TideWindow(**numbers)
    except TideError as error:
        findings.fault(where, f"Its tide window: {error}.", "window")
        return None
    return None if window == TideWindow() else window


def _numbers(given: object, name: str, known: Sequence[str], where: str, findings: Findings) -> dict[str, float] | None:
    """The members of an object that may hold these numbers; None where it is not given, or with a fault."""
    if given is None:
        return None
    if not isinstance(given, Mapping) or not set(given) <= set(known):
        findings.fault(where, f'"{name}" holds nothing but numbers named {", ".join(known)}.', name)
        return None
    found = {key: value for key, value in given.items() if value is not None}
    if not all(map(is_number, found.values())):
        findings.fault(where, f'"{name}" holds nothing but numbers named {", ".join(known)}.', name)
        return None
    return found


def is_number(value: object) -> bool:
    """Whether it is an ordinary number, which true, infinity and a whole number past all floats are not."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _words(raw: Mapping[str, object], name: str, longest: int, where: str, findings: Findings) -> str | None:
    """Words with single blanks; None where there are none."""
    given = raw.get(name)
    if given is None:
        return None
    if not isinstance(given, str):
        findings.fault(where, f'"{name}" is text in quotes.', name)
        return None
    if legal(given) != given:
        findings.fault(where, f'"{name}" holds characters that no document can hold. Type it again.', name)
        return None
    words = " ".join(given.split())
    if len(words) > longest:
        findings.fault(where, f'"{name}" is longer than {longest} characters. Shorten it.', name)
    return words or None


def read_site(
    raw: Mapping[str, object],
    points: Sequence[SitePoint],
    shoreline: Sequence[Position],
    position: Position | None,
    findings: Findings,
    wanted: str | None,
) -> ClubSite | None:
    """The site from its fields and what was read of its points; None with a fault.

    `wanted` is the code of the site that is meant, where that is known.
    """
    code = _code(raw, wanted, findings)
    name = _words(raw, "name", NAME_MAX, SITE, findings)
    if name is None:
        findings.fault(SITE, 'Give its "name".', "name")
    zone = _words(raw, "zone", NAME_MAX, SITE, findings)
    if zone is not None and not is_zone(zone):
        findings.fault(SITE, f'"{zone}" is no time zone. Give one like Europe/London, or leave it out.', "zone")
    current = _current(raw.get("current"), findings)
    position = position or _first_position(points)
    if position is None:
        findings.fault(SITE, "Give it a position, or an entry with one.", "position")
    details = {
        "rescue_call": _call(raw, "rescue_call", findings),
        "non_emergency_call": _call(raw, "non_emergency_call", findings),
        "access": _words(raw, "access", WORDS_MAX, SITE, findings),
        "notes": _words(raw, "notes", WORDS_MAX, SITE, findings),
    }
    aliases = _aliases(raw.get("aliases"), findings)
    if code is None or name is None or position is None:
        return None
    return ClubSite(
        code=code,
        name=name,
        position=position,
        zone=zone,
        aliases=aliases,
        current=current,
        points=tuple(points),
        shoreline=tuple(shoreline),
        **details,
    )


def code_fault(code: str) -> str | None:
    """What is wrong with a code in capitals, in words; None where divers can text it."""
    if not _CODE.fullmatch(code):
        return 'Give its "code": 2 to 12 letters and digits that divers text, a letter first.'
    return code_clash(code)


def _code(raw: Mapping[str, object], wanted: str | None, findings: Findings) -> str | None:
    given = (_words(raw, "code", NAME_MAX, SITE, findings) or wanted or "").upper()
    fault = code_fault(given)
    if fault is None and wanted is not None and given != wanted.upper():
        fault = f'It is "{given}", and {wanted.upper()} is meant. Change one of the two.'
    if fault is not None:
        findings.fault(SITE, fault, "code")
        return None
    return given


def _first_position(points: Sequence[SitePoint]) -> Position | None:
    """The first entry's, else that of the first point that has one."""
    entries = [point for point in points if point.kind is PointKind.ENTRY]
    return next((point.position for point in (*entries, *points) if point.position is not None), None)


def _call(raw: Mapping[str, object], name: str, findings: Findings) -> str | None:
    words = _words(raw, name, NAME_MAX, SITE, findings)
    # It goes whole into every alarm, in the alphabet of texts, where one letter may become several.
    if words is not None and septets(to_gsm7(words)) > NAME_MAX:
        findings.fault(
            SITE, f'"{name}" is longer than {NAME_MAX} letters and digits, as a text has them. Shorten it.', name
        )
    return words


def _current(given: object, findings: Findings) -> Current | None:
    numbers = _numbers(given, "current", _CURRENT_FIELDS, SITE, findings)
    if numbers is None:
        return None
    if set(numbers) != set(_CURRENT_FIELDS):
        findings.fault(
            SITE, '"current" needs both set_deg, where it runs to, and drift_kn, its speed in knots.', "current"
        )
        return None
    try:
        return Current(**numbers)
    except ConditionsError as error:
        findings.fault(SITE, f"Its current: {error}.", "current")
        return None


def _aliases(given: object, findings: Findings) -> tuple[str, ...]:
    if given is None:
        return ()
    if not isinstance(given, list | tuple) or not all(isinstance(one, str) for one in given):
        findings.fault(SITE, '"aliases" is a list of other names.', "aliases")
        return ()
    read = [_words({"aliases": one}, "aliases", NAME_MAX, SITE, findings) for one in given]
    return tuple(dict.fromkeys(one for one in read if one is not None))
