"""Opening the pages that a link leads to, and acting on them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from http import HTTPStatus

from flask import abort

from service.domain.dive import Command
from service.domain.dive.commands import RaiseNow
from service.domain.wording import LinkKind
from service.operations.old_pages import Moved, act_on_page
from service.operations.pages import LinkView, TimelineEntry, open_link
from service.operations.recording import Applied
from service.web.context import web
from service.web.outcomes import done_before, told
from service.web.typed import UnusableError, version_seen

TOKEN_LONGEST = 64


def opened(token: str, *kinds: LinkKind) -> LinkView:
    """The dive behind a link; else the answer is 410, the same for a dead link and one that never was."""
    view = open_link(web().service, token, *kinds) if len(token) <= TOKEN_LONGEST else None
    return view or abort(410)


@dataclass(frozen=True, slots=True)
class Answer:
    """What a page says of the button that was pressed.

    `since` is what happened meanwhile, where nothing was done by a page that was too old. `asks_sos`: the button of the
    alarm is offered at once, since it was pressed and did nothing.
    """

    status: int = HTTPStatus.OK
    words: str | None = None
    went_wrong: bool = False
    error: UnusableError | None = None
    since: tuple[TimelineEntry, ...] | None = None
    asks_sos: bool = False

    @property
    def errors(self) -> dict[str, str]:
        """What is wrong with what was typed, by the name of the input."""
        return {} if self.error is None else {self.error.field: str(self.error)}


def pressed(token: str, view: LinkView, command: Command) -> tuple[LinkView, Answer]:
    """Do it, once; gives the page's view of the dive as it is after, and what to say."""
    done = act_on_page(web().service, view.dive.id, command, version_seen()) or abort(410)
    sos = isinstance(command, RaiseNow)
    if isinstance(done, Applied):
        view = replace(view, dive=done.dive, now=web().service.clock.now())
        wrong = done.refusal is not None
        return view, Answer(HTTPStatus.CONFLICT if wrong else HTTPStatus.OK, told(done, view.now), went_wrong=wrong)
    view = opened(token, view.kind)
    if isinstance(done, Moved):
        return view, Answer(HTTPStatus.CONFLICT, since=done.since, asks_sos=sos)
    return view, Answer(words=done_before(view.dive, command, view.now), asks_sos=sos)
