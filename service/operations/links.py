"""Links to our pages: 128 random bits, of which only the hash is kept."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.domain.encoding import septets
from service.domain.people import Channel
from service.domain.wording import Draft, LinkKind
from service.domain.wording.drafts import SEGMENTS
from service.domain.wording.placing import pack_too_long
from service.store import links
from service.store.links import Link

TOKEN_BYTES = 16
TOKEN_LENGTH = 22  # of so many bytes in unpadded base64url
PACK_SEGMENTS = 2  # here the link is all that was asked for
SINGLE_SEPTETS, PART_SEPTETS = 160, 153  # 3GPP TS 23.040 9.2.3.24.1


def hash_token(token: str) -> str:
    """What is stored of a token."""
    return hashlib.sha256(token.encode()).hexdigest()


class Minted:
    """New links, made at once and stored together by `store`."""

    def __init__(self, session: Session, public_url: str, now: datetime) -> None:
        self._session = session
        self._public_url = public_url
        self._now = now
        self._new: dict[str, Link] = {}

    def token(self, dive: Dive, person_key: str, kind: LinkKind) -> str:
        """A new token for one person and one dive; only its hash will be stored."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        self._new[hash_token(token)] = Link(dive.id, dive.club_id, person_key, kind.value, self._now)
        return token

    def with_link(self, dive: Dive, draft: Draft, person_key: str) -> str:
        """The draft's text with its link behind it, where the whole still fits: links add, they never carry.

        An e-mail has room for it, in a paragraph of its own; in a call nobody could press it.
        """
        if draft.link is None or draft.channel is Channel.CALL:
            return draft.text
        address = f" {self._public_url}/{draft.link}/"
        if draft.channel is Channel.EMAIL:
            return f"{draft.text}\n\n{address.strip()}{self.token(dive, person_key, draft.link)}"
        if not fits(draft.text, address, SEGMENTS[draft.kind]):
            return draft.text
        return f"{draft.text}{address}{self.token(dive, person_key, draft.link)}"

    def store(self) -> None:
        """Store what was made."""
        links.add_all(self._session, self._new)
        self._new.clear()


def mint(session: Session, dive: Dive, person_key: str, kind: LinkKind, now: datetime) -> str:
    """A new token for one person and one dive; gives the token, stores its hash."""
    minted = Minted(session, "", now)
    token = minted.token(dive, person_key, kind)
    minted.store()
    return token


def with_pack(session: Session, dive: Dive, words: str, person_key: str, public_url: str, now: datetime) -> str:
    """The words with a new link to the handover pack behind them; where no text has room for it, what to do instead."""
    address = f" {public_url}/{LinkKind.HANDOVER}/"
    if not any(fits(words, address, segments) for segments in range(1, PACK_SEGMENTS + 1)):
        return pack_too_long(dive)
    return f"{words}{address}{mint(session, dive, person_key, LinkKind.HANDOVER, now)}"


def fits(text: str, address: str, segments: int) -> bool:
    """Whether a text has room for an address with a token behind it, within so many segments."""
    return septets(text) + septets(address) + TOKEN_LENGTH <= _room(segments)


def _room(segments: int) -> int:
    return SINGLE_SEPTETS if segments == 1 else segments * PART_SEPTETS
