"""An entry of the log in plain words. An entry of a kind that has no words here is told by its name and its fields."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

from service.domain.dive import Dive
from service.domain.wording import LinkKind
from service.domain.wording.timeline import what_happened
from service.operations.account_words import ACCOUNT_WORDS
from service.operations.site_words import SITE_WORDS
from service.store.codec import UnreadableError, load_event
from service.store.log import EVENT_PREFIX, Entry

ERASED: Final = "The detail was erased."
_FIELDS_SAID: Final = 6
_LONGEST: Final = 120

Detail = Mapping[str, Any]


def words_of(entry: Entry, dive: Dive | None) -> str:
    """One line for an entry; `dive` gives names and zone to events, and may be its state at any time. Total."""
    if entry.detail is None:
        return ERASED
    if entry.kind.startswith(EVENT_PREFIX):
        return _event(entry, entry.detail, dive)
    said = _WORDS.get(entry.kind)
    detail = entry.detail if dive is None else _with_names(entry.detail, dive)
    try:
        return said(detail) if said is not None else _by_its_fields(entry.kind, detail)
    except (LookupError, TypeError):  # an older or newer version wrote other fields
        return _by_its_fields(entry.kind, entry.detail)


def who(entry: Entry) -> str:
    """Whose doing it was, as the entry has it: a name, a number where there is no name, or "the clock"."""
    if entry.actor is None:
        return ""
    return str(entry.actor.get("name") or entry.actor.get("phone") or entry.actor.get("role") or "")


def kind_words(kind: str) -> str:
    """The name of a kind, as a person reads it."""
    return kind.removeprefix(EVENT_PREFIX).replace("_", " ").replace(":", ": ")


def _event(entry: Entry, detail: Detail, dive: Dive | None) -> str:
    try:
        event = load_event(entry.kind.removeprefix(EVENT_PREFIX), dict(detail))
    except UnreadableError:
        return f"This entry cannot be read ({entry.kind})."
    return _by_its_fields(entry.kind, detail) if dive is None else what_happened(dive, event)


def _with_names(detail: Detail, dive: Dive) -> Detail:
    """The same with people's names in the place of their keys, where the dive knows them."""
    known = {person.key: person.name for person in (*dive.divers, *dive.contacts)}
    changed: dict[str, Any] = {}
    if detail.get("person") in known:
        changed["person"] = known[detail["person"]]
    if isinstance(detail.get("queued"), list):
        changed["queued"] = [one | {"person": known.get(one["person"], one["person"])} for one in detail["queued"]]
    if isinstance(detail.get("opted_out"), list):
        changed["opted_out"] = [known.get(key, key) for key in detail["opted_out"]]
    return {**detail, **changed}


def _by_its_fields(kind: str, detail: Detail) -> str:
    name = kind_words(kind)
    plain = [f"{key.replace('_', ' ')} {_short(value)}" for key, value in detail.items() if not _is_empty(value)]
    more = ", ..." if len(plain) > _FIELDS_SAID else ""
    said = ", ".join(plain[:_FIELDS_SAID])
    return f"{name[:1].upper()}{name[1:]}" + (f": {said}{more}." if said else ".")


def _is_empty(value: object) -> bool:
    return value is None or value in ("", [], {})


def _short(value: object) -> str:
    if isinstance(value, dict):
        value = ", ".join(f"{key} {inner}" for key, inner in value.items())
    text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


def _quoted(words: object) -> str:
    return f"\N{LEFT DOUBLE QUOTATION MARK}{words}\N{RIGHT DOUBLE QUOTATION MARK}"


def _messages(detail: Detail) -> str:
    queued = [f"{one['kind'].replace('_', ' ').lower()} to {one['person']}" for one in detail["queued"]]
    deaf = [f"{key} has opted out" for key in detail.get("opted_out", ())]
    return f"Queued: {', '.join([*queued, *deaf]) or 'nothing'}."


def _attempt(outcome: str) -> Callable[[Detail], str]:
    def said(detail: Detail) -> str:
        why = f" ({detail['why']})" if detail.get("why") else ""
        return f"{outcome}: {detail['step']} to {detail['person']}{why}; then {detail.get('then', 'nothing more')}."

    return said


def _receipt(words: str) -> Callable[[Detail], str]:
    def said(detail: Detail) -> str:
        code = f", code {detail['code']}" if detail.get("code") else ""
        return f"{words}: {detail['step']} to {detail['person']}{code}."

    return said


def _text_read(detail: Detail) -> str:
    note = f" Note: {detail['note']}." if detail.get("note") else ""
    answer = f" Answered {_quoted(detail['answer'])}." if detail.get("answer") else " Not answered."
    return f"The text was read as {str(detail['intent']).replace('_', ' ')}.{answer}{note}"


def _viewed(detail: Detail) -> str:
    fetched = f", and {detail['document']} taken from it" if detail.get("document") else ""
    of = f" of dive {detail['dive']}" if detail.get("dive") else ""
    if detail["page"] in set(LinkKind):
        # A link: whoever it was sent to may sleep, while a program looks at what a text leads to.
        return f"Their {detail['page']} page was opened, by them or by a program that looks at links{fetched}."
    return f"Opened the {detail['page']} page{of}{fetched}."


def _erased(detail: Detail) -> str:
    parts = [
        f"{detail[name]} {name}"
        for name in ("dives", "entries", "messages", "texts", "reaches", "receipts")
        if name in detail
    ]
    return f"Personal detail was erased: {', '.join(parts) or 'nothing'}, since {detail['why']}."


def _not_erased(detail: Detail) -> str:
    of = f"{detail['dives']} dives" if detail["dives"] else "what belongs to no dive"
    return f"Personal detail whose time is over could not be erased, of {of}."


def _checked(detail: Detail) -> str:
    found = detail["faults"]
    of = f"the chain of dive {detail['dive']}" if detail.get("dive") else "the chains of the club"
    return f"Checked {of}: " + ("no fault." if not found else f"{found} {'fault' if found == 1 else 'faults'}.")


_WORDS: Final[Mapping[str, Callable[[Detail], str]]] = MappingProxyType(
    {
        "messages": _messages,
        "attempt:accepted": _attempt("A gateway took it"),
        "attempt:refused": _attempt("A gateway refused it"),
        "attempt:unknown": _attempt("No gateway gave a clear answer"),
        "receipt:delivered": _receipt("A receipt says that it reached the phone"),
        "receipt:failed": _receipt("A receipt says that it did not arrive"),
        "another_way": lambda detail: f"{detail['step']} to {detail['person']} goes another way: {detail['why']}.",
        "stand_down_again": lambda detail: (
            f"{detail['person']} may have got something older after the end, so the stand-down goes once more."
        ),
        "alarm_again": lambda detail: (
            f"{detail['person']} may have got something older after the alarm, so that goes once more."
        ),
        "fault_over": lambda detail: (
            f"{detail['by']} said that the alarm after the end is over: {_quoted(detail['reason'])}."
            f" {len(detail['queued'])} were told."
        ),
        "called_again": lambda detail: (
            f"{detail['person']} may have got something older after the news that rescue was called,"
            " so that goes once more."
        ),
        "answered_anew": lambda detail: (
            f"What {detail['person']} was to be answered was no longer so, so they hear how the dive stands."
        ),
        "key_without_meaning": lambda detail: f"Key {detail['key']} was pressed in a call, which means nothing.",
        "text_in": lambda detail: f"A text came from {detail['sender']}: {_quoted(detail['body'])}.",
        "text_in_unauthentic": lambda detail: (
            f"A text that nobody signed came as from {detail['sender']}, and was put aside: {_quoted(detail['body'])}."
        ),
        "text_part_in": lambda detail: (
            f"Part {detail['number']} of {detail['of']} of a text from {detail['sender']}: {_quoted(detail['body'])}."
        ),
        "text_read": _text_read,
        "refused": lambda detail: f"{detail['command']} was refused: {detail['words']}",
        "page_viewed": _viewed,
        "link_made": lambda detail: f"Made a link to the {detail['page']} page, to be passed on.",
        "resent": lambda detail: f"Had {detail['step']} sent once more: {_quoted(detail['reason'])}.",
        "fault": lambda detail: (
            f"The rules failed on this dive, so its contacts got the plainest alarm: {detail['words']}"
        ),
        "opted_out": lambda detail: f"{detail['phone']} takes no more texts from us.",
        "contact_agreed": lambda detail: f"{detail['phone']} agreed to be a contact.",
        "contact_declined": lambda detail: f"{detail['phone']} will not be a contact.",
        "person_added": lambda detail: f"Added a person ({detail['person']}).",
        "person_changed": lambda detail: f"Changed {', '.join(detail['fields'])} of a person ({detail['person']}).",
        "person_removed": lambda detail: f"Removed a person ({detail['person']}).",
        "person_joined": lambda detail: (
            f"{'Joined' if detail['new'] else 'Joined again'} by a text from their phone ({detail['person']})."
        ),
        "contact_asked": lambda detail: f"Asked a contact of a person by text ({detail['person']}).",
        "people_merged": lambda detail: f"Merged a person ({detail['gone']}) into another ({detail['kept']}).",
        "people_exported": lambda detail: f"Took out {detail['count']} people as CSV.",
        "person_erasure_asked": lambda detail: f"Erased a person ({detail['person']}); what has to wait goes on.",
        "person_erased": lambda detail: f"The last traces of a person are erased (erasure {detail['erasure']}).",
        **ACCOUNT_WORDS,
        **SITE_WORDS,
        "details_erased": _erased,
        "not_erased": _not_erased,
        "dive_kept": lambda detail: f"Keeps dive {detail['dive']} whole: {_quoted(detail['reason'])}.",
        "dive_let_go": lambda detail: f"Keeps dive {detail['dive']} no longer.",
        "keep_days_set": lambda detail: (
            f"Detail is kept {detail['days']} days instead of {detail['before']} (0: for good)."
        ),
        "log_checked": _checked,
        "log_exported": lambda detail: f"Took out {detail['what']} as {detail['format']}.",
        "log_head_queued": lambda detail: f"The hash of checkpoint {detail['checkpoint']} goes out by e-mail.",
    }
)
