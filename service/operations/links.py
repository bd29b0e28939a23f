"""Links to our pages: 128 random bits, of which only the hash is kept."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.domain.encoding import septets
from service.domain.wording import Draft, LinkKind
from service.domain.wording.drafts import SEGMENTS
from service.store import links

TOKEN_BYTES = 16
SINGLE_SEPTETS, PART_SEPTETS = 160, 153  # 3GPP TS 23.040 9.2.3.24.1


def hash_token(token: str) -> str:
    """What is stored of a token."""
    return hashlib.sha256(token.encode()).hexdigest()


def mint(session: Session, dive: Dive, person_key: str, kind: LinkKind, now: datetime) -> str:
    """A new token for one person and one dive; gives the token, stores its hash."""
    token = secrets.token_urlsafe(TOKEN_BYTES)
    links.add(
        session,
        token_hash=hash_token(token),
        dive_id=dive.id,
        club_id=dive.club_id,
        person_key=person_key,
        kind=str(kind),
        now=now,
    )
    return token


def with_link(session: Session, dive: Dive, draft: Draft, person_key: str, public_url: str, now: datetime) -> str:
    """The draft's text with its link behind it, where the whole still fits: links add, they never carry."""
    if draft.link is None:
        return draft.text
    room = _room(SEGMENTS[draft.kind]) - septets(draft.text)
    address = f" {public_url}/{draft.link}/"
    if room < len(address) + 22:  # the length of 16 bytes in unpadded base64url
        return draft.text
    return f"{draft.text}{address}{mint(session, dive, person_key, draft.link, now)}"


def _room(segments: int) -> int:
    return SINGLE_SEPTETS if segments == 1 else segments * PART_SEPTETS
