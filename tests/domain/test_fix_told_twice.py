"""A position that is told twice: a page that had no answer sends it again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import commands as do
from service.domain.people import Via
from service.domain.place.fix import Source
from service.domain.place.position import Position
from tests.domain.builders import RAISE_BY, at, diver, overdue

BY = diver("Send my position", via=Via.PAGE)
FOUND = do.ReportFix(BY, Position(47.1231, -20.544), 12.0, at(RAISE_BY + 1), Source.BROWSER)


def test_the_same_position_of_the_same_moment_counts_once_and_wakes_nobody_again() -> None:
    """The contacts of an alarm hear of it once."""
    story = overdue(RAISE_BY)
    first = story.said(FOUND, at(RAISE_BY + 2))

    again = story.said(replace(FOUND, accuracy_m=12.5), at(RAISE_BY + 3))

    assert first
    assert again == []
    assert len(story.dive.fixes) == 1


@pytest.mark.parametrize(
    "other",
    [
        replace(FOUND, fix_at=at(RAISE_BY + 2)),
        replace(FOUND, position=Position(47.1232, -20.544)),
        replace(FOUND, by=diver("Send my position", index=1, via=Via.PAGE)),
        replace(FOUND, source=Source.TYPED),
    ],
    ids=["another moment", "another place", "somebody else", "known in another way"],
)
def test_what_differs_is_another_position(other: do.ReportFix) -> None:
    """Both are kept."""
    story = overdue(RAISE_BY)
    story.does(FOUND, at(RAISE_BY + 2))

    story.does(other, at(RAISE_BY + 3))

    assert len(story.dive.fixes) == 2
