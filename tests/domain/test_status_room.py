"""The answer to STATUS has one segment, in every language, on the longest day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from service.domain.dive.state import Phase
from service.domain.encoding import segments
from service.domain.grace import FinishNeeds
from service.domain.language import LANGUAGES
from service.domain.people import Actor, Role, Via
from service.domain.wording import general
from tests.domain.every_message import every_play

LEAD = Actor(Role.DIVER, "Anna Holt", Via.TEXT, "diver-0")
DAYS = [datetime(2027, month, 28, 23, 30, tzinfo=UTC) for month in range(1, 13)]


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize(("phase", "asked_after"), [(Phase.IN_WATER, -2), (Phase.UNCERTAINTY, 3)])
def test_the_answer_to_status_has_room_for_what_matters(language: str, phase: Phase, asked_after: int) -> None:
    """Twelve divers of a drill, not armed, with code and count to finish, asked on another day: due out stays."""
    dive = next(told.dive for play in every_play(language, drill=True) for told in play.told if told.dive.live)
    dive = replace(
        dive,
        phase=phase,
        armed_at=None,
        head_count=12,
        partly_out=2,
        grace=replace(dive.grace, finish_needs=FinishNeeds.CODE),
    )
    for day in DAYS:
        text = general.status(replace(dive, due_out_at=day), LEAD, day + timedelta(days=asked_after))

        assert len(segments(text).parts) == 1, text
        assert dive.reference in text
        assert f"OUT {dive.finish_code} 12" in text
