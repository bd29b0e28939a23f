"""One text by every way in, in every order: one effect, one answer, one entry for each gateway that brought it."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from service.operations.gateway import InboundText, Route
from service.operations.inbound import receive_text
from service.operations.intake import Intake, drain
from service.operations.polling import poll
from service.operations.spooling import Spool
from service.store import log
from tests.operations.stage import CLUB, OURS, Stage, plan_of

SECOND = timedelta(seconds=1)

Way = Callable[[InboundText], None]


class Ways:
    """The ways by which a text gets into the database."""

    def __init__(self, stage: Stage, spool: Spool) -> None:
        self._stage = stage
        self._spool = spool
        self._intake = Intake(stage.service, spool)
        self._fallback = Intake(stage.service, spool, disk_only=True)

    def posted(self, text: InboundText) -> None:
        """By the gateway, to the web."""
        inbound_id = self._intake.text(text)
        if inbound_id is not None:
            self._stage.answer(inbound_id)

    def spooled(self, text: InboundText) -> None:
        """By the gateway, to the fallback, and from the disk."""
        self._fallback.text(text)
        assert drain(self._stage.service, self._spool) == 1

    def listed(self, text: InboundText) -> None:
        """By our asking."""
        self._stage.first.route = Route(lists=True)
        self._stage.first.inbox = [text]
        self._stage.clock.at += SECOND * 46
        poll(self._stage.service, [self._stage.first])

    def by_another(self, text: InboundText) -> None:
        """By the second gateway, under its own id."""
        self.posted(replace(text, gateway="second", provider_id=f"other {text.provider_id}"))

    def in_use(self) -> tuple[Way, ...]:
        """All of them."""
        return self.posted, self.spooled, self.listed, self.by_another


def test_every_order_of_every_way_counts_once(stage: Stage, tmp_path: Path) -> None:
    """Two dozen dives, a delay asked for in each: by every way in turn, and then by every way again."""
    spool = Spool(tmp_path / "spool", "s" * 40)
    spool.make()
    ways = Ways(stage, spool)
    brought: dict[str, str] = {}
    for number, order in enumerate(itertools.permutations(ways.in_use())):
        dive = stage.dive_in(plan_of(number))
        sender = dive.lead.phone or ""
        text = InboundText("first", f"SM{number}", sender, OURS, "LATE 20", {}, stage.clock.at)
        answers = len(stage.to(sender))

        for way in (*order, *reversed(order)):
            way(text)
            stage.courier.carry()

        assert stage.kinds(dive).count("event:extension_asked") == 1, order
        assert stage.kinds(dive).count("text_read") == 2, order
        assert len(stage.to(sender)) - answers == 1, order
        brought[sender] = dive.id
        stage.text(sender, "OUT")

    entries = [one.detail or {} for one in stage.entries(chain=log.club_chain(CLUB)) if one.kind == "text_in"]
    counted = Counter(one["sender"] for one in entries if one["body"] == "LATE 20")
    doubles = Counter(one["sender"] for one in entries if "same_as" in one)
    assert counted == dict.fromkeys(brought, 2)
    assert doubles == dict.fromkeys(brought, 1)
    assert receive_text(stage.service, text, authentic=True) is None
