"""Opening the pages that a link leads to, and acting on them."""

from __future__ import annotations

from dataclasses import replace

from flask import abort

from service.domain.dive import Command
from service.domain.wording import LinkKind
from service.operations.pages import LinkView, open_link
from service.operations.recording import Applied, act
from service.web.context import web

TOKEN_LONGEST = 64


def opened(token: str, *kinds: LinkKind) -> LinkView:
    """The dive behind a link; else the answer is 410, the same for a dead link and one that never was."""
    view = open_link(web().service, token, *kinds) if len(token) <= TOKEN_LONGEST else None
    return view or abort(410)


def acted(view: LinkView, command: Command) -> tuple[LinkView, Applied]:
    """Do it; gives the page's view of the dive as it is after."""
    applied = act(web().service, view.dive.id, command) or abort(410)
    return replace(view, dive=applied.dive, now=web().service.clock.now()), applied
