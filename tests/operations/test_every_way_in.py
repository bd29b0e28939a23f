"""One text by every way in, in every order: one effect, one answer, one entry for each gateway that brought it."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from service.operations.gateway import InboundText, Route
from service.operations.intake import Intake, drain
from service.operations.polling import poll
from service.operations.spooling import Spool
from service.store import log
from tests.operations.stage import ANNA, CLUB, OURS, Stage, plan

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
        self._stage.clock.at += timedelta(seconds=46)
        poll(self._stage.service, [self._stage.first])

    def by_another(self, text: InboundText) -> None:
        """By the second gateway, under its own id."""
        self.posted(replace(text, gateway="second", provider_id=f"other {text.provider_id}"))

    def in_use(self) -> tuple[Way, ...]:
        """All of them."""
        return self.posted, self.spooled, self.listed, self.by_another


def test_every_order_of_every_way_counts_once(stage: Stage, tmp_path: Path) -> None:
    """Two dozen positions, and as many questions of the same words: by every way, and by the first again."""
    spool = Spool(tmp_path / "spool", "s" * 40)
    spool.make()
    ways = Ways(stage, spool)
    dive = stage.dive_in(plan(run_time_min=120))
    positions: list[str] = []
    for number, order in enumerate(itertools.permutations(ways.in_use()), start=1):
        positions.append(f"AT 47.12{number:03},-20.54000")
        position = InboundText("first", f"P{number}", ANNA, OURS, positions[-1], {}, stage.clock.at)
        question = InboundText("first", f"Q{number}", ANNA, OURS, "STATUS", {}, stage.clock.at)

        for way in (*order, order[0]):
            way(position)
            way(question)
        stage.courier.carry()

        assert stage.kinds(dive).count("event:fix_reported") == number, order
        assert stage.kinds(dive).count("text_read") == 1 + 2 * number, order
        assert len([body for body in stage.to(ANNA) if "All out? Text OUT" in body]) == number, order

    entries = [one.detail or {} for one in stage.entries(chain=log.club_chain(CLUB)) if one.kind == "text_in"]
    counted = Counter(one["body"] for one in entries)
    doubles = Counter(one["body"] for one in entries if "same_as" in one)
    assert {body: counted[body] for body in positions} == dict.fromkeys(positions, 2)
    assert doubles == dict.fromkeys(positions, 1) | {"STATUS": 24}
    assert counted["STATUS"] == 48
    stage.text(ANNA, "OUT 2")
