"""From a site, its fixes and its search pictures to a sketch."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.place.exits import ExitChoice
from service.domain.place.fix import Fix
from service.domain.place.search_area import Picture
from service.domain.place.site import SitePlan
from service.domain.place.sketch.shapes import PAPER_WIDTH, Box, Dot, Line, Sketch, Style


def draw(
    site: SitePlan,
    last: Fix | None = None,
    fixes: Sequence[Fix] = (),
    pictures: Sequence[Picture] = (),
    choices: Sequence[ExitChoice] = (),
) -> Sketch | None:
    """The sketch of a site; None where no position at all is known.

    `pictures` and `choices` are those of search_pictures and exits_for; without them the drift, and what is closed, is
    left out.
    """
    known = [point for point in site.points if point.position is not None]
    if site.entry is None and last is None and not known:
        return None
    frame = Box(1, 1, PAPER_WIDTH - 1, PAPER_WIDTH - 1)
    border = Line((Dot(1, 1), Dot(359, 1), Dot(359, 359), Dot(1, 359), Dot(1, 1)), Style.FRAME)
    words = tuple(point.name for point in known)
    return Sketch(PAPER_WIDTH, PAPER_WIDTH, frame, (), (border,), (f"Sketch of {site.name}.", *words))
