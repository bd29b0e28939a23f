"""Long texts whose parts a gateway brings one by one: which belong together, and when there is a text to read.

A part is acknowledged once it is stored and logged. A text is put together as soon as all its parts are here, in
whichever order they come. When some stay missing for a minute, what is here is put together with a mark for each gap.
Should the missing ones come after all, within ten minutes, the whole text is put together then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.clock import Clock, clock_seconds
from service.domain.texts.incomplete import PART_MISSING
from service.operations.gateway import InboundText, TextPart
from service.operations.used_again import is_another, is_no_repeat, under_a_free_id
from service.store import inbound, inbound_parts, log
from service.store.inbound_parts import Key, Part

WAIT_S = 60.0  # real seconds for which a part waits for the others
SAME_TEXT_S = 600.0  # real seconds: parts with one reference that are further apart are of different texts
BODY_CHARACTERS_MAX = 1600

PARTS_MISSING = "linetender_parts_missing"
"""Key in the `raw` of a text under which is noted which of its parts never came."""


@dataclass(frozen=True, slots=True)
class LongText:
    """A text that was put together, and the parts that it is made of."""

    text: InboundText
    part_ids: tuple[int, ...]


def keep_part(
    session: Session, clock: Clock, text: InboundText, part: TextPart, chain: str, club_id: str | None
) -> list[LongText]:
    """Store and log one part; gives what can be put together now, mostly nothing or one text.

    Whoever asks keeps others from storing a text to this receiver until the end of the transaction.
    """
    now = clock.now()
    key = Key(text.gateway, text.sender, text.receiver, part.reference, part.of)
    part_id = _add(session, key, text, part)
    if part_id is None:
        words = (*(str(value) for value in astuple(key)), str(part.number), text.body)
        other = under_a_free_id(text, words, lambda one: _is_another(session, clock, key, one, part))
        part_id = None if other is None else _add(session, key, other, part)
    if part_id is None:
        return []
    _log_part(session, text, part, part_id, chain, club_id, now)
    new = Part(part_id, key, part.number, text.body, text.received_at, None)
    near = inbound_parts.alike(session, key, text.received_at - _same_text(clock))
    known = [one for one in near if one.id != part_id]
    twin = next((one for one in known if (one.number, one.body) == (new.number, new.body)), None)
    if twin is not None:
        # The same part under another id: it goes where the first one goes.
        if twin.inbound_id is not None:
            inbound_parts.tie(session, [part_id], twin.inbound_id)
        return []
    return _put_together(new, known)


def _add(session: Session, key: Key, text: InboundText, part: TextPart) -> int | None:
    return inbound_parts.add(
        session, key, provider_id=text.provider_id, number=part.number, body=text.body, received_at=text.received_at
    )


def _is_another(session: Session, clock: Clock, key: Key, text: InboundText, part: TextPart) -> bool:
    """Whether what the gateway brought under the same id was another part or text, also one that was erased."""
    known = inbound_parts.under(session, text.gateway, text.provider_id)
    if known is None:
        return is_another(clock, text, inbound.under(session, text.gateway, text.provider_id), None)
    same = (known.key, known.number, known.body) == (key, part.number, text.body)
    return not same or is_no_repeat(clock, text, known.received_at)


def overdue(session: Session, clock: Clock, limit: int) -> list[Key]:
    """The texts of which parts wait for others longer than they should."""
    return list(dict.fromkeys(part.key for part in inbound_parts.waiting(session, _waited_long(clock), limit)))


def with_gaps(session: Session, clock: Clock, key: Key) -> LongText | None:
    """What is here of a text that waits too long, with a mark for each gap; None when there is no such text any more.

    Whoever asks keeps others from storing a text to this receiver until the end of the transaction.
    """
    parts = inbound_parts.unjoined(session, key)
    if not parts or parts[0].received_at >= _waited_long(clock):
        return None
    until = parts[0].received_at + _same_text(clock)
    return _joined([part for part in parts if part.received_at <= until])


def _waited_long(clock: Clock) -> datetime:
    return clock.now() - timedelta(seconds=clock_seconds(clock, WAIT_S))


def _same_text(clock: Clock) -> timedelta:
    return timedelta(seconds=clock_seconds(clock, SAME_TEXT_S))


def _put_together(new: Part, known: Sequence[Part]) -> list[LongText]:
    """What the new part makes whole, and what it shows will never be."""
    waiting = [one for one in known if one.inbound_id is None]
    if any(one.number == new.number for one in waiting):
        # Another text with the same reference has begun: what still comes may be of either, so the first ends here.
        return [_joined(waiting)]
    ours = [*waiting, new]
    late = _incomplete(known)
    if not {one.number for one in late} & {one.number for one in ours}:
        ours = [*late, *ours]
    return [_joined(ours)] if len({one.number for one in ours}) == new.key.of else []


def _incomplete(known: Sequence[Part]) -> list[Part]:
    """The parts of the latest text that was put together with gaps, if it was."""
    last = max((one.inbound_id for one in known if one.inbound_id is not None), default=None)
    parts = [one for one in known if one.inbound_id == last and last is not None]
    return parts if parts and len({one.number for one in parts}) < parts[0].key.of else []


def _joined(parts: Sequence[Part]) -> LongText:
    key, last = parts[0].key, max(parts, key=lambda part: part.id)
    by_number = {part.number: part for part in reversed(parts)}
    missing = [number for number in range(1, key.of + 1) if number not in by_number]
    raw = {"part_reference": key.reference, "parts": str(key.of)}
    if missing:
        raw[PARTS_MISSING] = " ".join(str(number) for number in missing)
    text = InboundText(
        gateway=key.gateway,
        # A full stop is in no id that such a gateway may give.
        provider_id=f"parts.{last.id}",
        sender=key.sender,
        receiver=key.receiver,
        body=_body([by_number.get(number) for number in range(1, key.of + 1)]),
        raw=raw,
        received_at=last.received_at,
    )
    return LongText(text, tuple(part.id for part in parts))


def _body(parts: Sequence[Part | None]) -> str:
    """The words in their order; several missing parts in a row are one gap."""
    body = ""
    for part in parts:
        if part is not None:
            body += f" {part.body}" if body.endswith(PART_MISSING) else part.body
        elif not body.endswith(PART_MISSING):
            body = f"{body} {PART_MISSING}".lstrip()
    if len(body) <= BODY_CHARACTERS_MAX:
        return body
    room = BODY_CHARACTERS_MAX - 40
    return f"{body[:room]} [cut here: {len(body) - room} more characters]"


def _log_part(
    session: Session, text: InboundText, part: TextPart, part_id: int, chain: str, club_id: str | None, now: datetime
) -> None:
    log.append(
        session,
        chain=chain,
        at=now,
        kind="text_part_in",
        actor={"role": "gateway", "name": text.gateway},
        detail={
            "part": part_id,
            "reference": part.reference,
            "number": part.number,
            "of": part.of,
            "sender": text.sender,
            "body": text.body,
            "provider_id": text.provider_id,
        },
        club_id=club_id,
    )
