"""What tests of the log at the desk share: a dive that is over, entries, and the recipe of the manual."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from service.domain.dive import Dive
from service.domain.dive.commands import Acknowledge, Finish, Start, Tick
from service.domain.people import Actor, Role, Via
from service.operations.recording import act
from service.store import log
from tests.web.installation import CLEO, Site

BY_ANNA = Actor(Role.DIVER, "Anna Holt", Via.PAGE, key="diver-0", words="In")
BY_CLEO = Actor(Role.CONTACT, "Cleo Marsh", Via.TEXT, key="contact-0", phone=CLEO, words="ok")
CHAIN = "club:skerry"


def finished_dive(at: Site) -> Dive:
    """A dive that was overdue, answered, and is over."""
    filed = at.filed()
    act(at.service, filed.id, Start(BY_ANNA))
    at.clock.forward(66)
    act(at.service, filed.id, Tick())
    act(at.service, filed.id, Acknowledge(BY_CLEO))
    at.clock.forward(10)
    act(at.service, filed.id, Finish(BY_ANNA, count=2))
    return at.now_of(filed)


def path_of(dive: Dive) -> str:
    """The page of its log."""
    return f"/admin/log/dive/{dive.id}"


def append(site: Site, number: int, **changes: Any) -> None:
    """An entry in the club's chain, a minute after the last."""
    fields: dict[str, Any] = {
        "chain": CHAIN,
        "at": site.clock.now(),
        "kind": "noted",
        "actor": {"name": "Edda Rowe"},
        "detail": {"number": number},
        "club_id": "skerry",
    }
    site.clock.forward(1)
    site.service.write(lambda session: log.append(session, **(fields | changes)))


def kinds(at: Site) -> list[str]:
    """The kinds in the club's own chain."""
    return [entry.kind for entry in at.service.read(lambda session: log.entries(session, CHAIN))]


def checked_by_the_page(lines: list[dict[str, Any]]) -> str:
    """The head of a chain, reckoned from its lines by nothing but docs/log.md."""

    def canonical(value: object) -> bytes:
        return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()

    before = "0" * 64
    for line in sorted(lines, key=lambda line: line["seq"]):
        for name in ("actor", "detail"):
            if line[name] is not None:
                salted = bytes.fromhex(line["salt"]) + canonical(line[name])
                assert hashlib.sha256(salted).hexdigest() == line[f"{name}_hash"]
        leaf = [line[name] for name in ("chain", "seq", "at", "kind", "actor_hash", "detail_hash")]
        before = hashlib.sha256(b"\x00" + bytes.fromhex(before) + canonical(leaf)).hexdigest()
        assert before == line["hash"]
    return before
