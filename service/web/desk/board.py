"""The water board: a page for the desk and for a screen in the clubhouse, kept new by a stream of events.

It only looks. What it shows is drawn here; its script puts the parts in place, counts on between them, and says when
it has heard nothing for too long. Without the script the page comes anew every twenty seconds.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Final

import msgspec
from flask import Blueprint, Response, current_app, make_response, render_template, request
from flask.typing import ResponseReturnValue
from sqlalchemy.exc import SQLAlchemyError

from service.gateways.describing import described
from service.operations.board import board, glance
from service.operations.service_state import ServiceState, service_state
from service.web.context import web
from service.web.desk.board_words import drawn
from service.web.desk.sitting import at_board, board_screen, board_viewer
from service.web.speaking import span

pages = Blueprint("desk_board", __name__)

LOOKS_EVERY_S: Final = 1.0
BEATS_EVERY_S: Final = 5.0
DRAWN_ANEW_EVERY_S: Final = 30.0  # minutes go by, and receipts come that are no event of a dive
STREAM_LASTS_S: Final = 60.0
COME_BACK_AFTER_S: Final = 60
EVENTS: Final = "text/event-stream"
STREAM_BROKE: Final = "web.board_stream_broke"

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Reader:
    """Whose board it is. `opens`: its dives can be opened, as they cannot on a screen in the clubhouse."""

    club_id: str
    zone: str
    opens: bool


class BoardNow:
    """The board of one reader, drawn when it is asked for. It needs no request, so that a stream can outlast its own.

    Must be made within a request.
    """

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._parts = web()
        self._template = current_app.jinja_env.get_template("desk/board_live.html")

    def look(self) -> str:
        """A mark that is another whenever the board would say something else."""
        club_id = self._reader.club_id
        seen = self._parts.looks.at_most_old(
            ("glance", club_id), LOOKS_EVERY_S, partial(glance, self._parts.service, club_id)
        )
        return f"{seen.dives}.{seen.versions}.{int(time.time() // DRAWN_ANEW_EVERY_S)}"

    def live(self) -> str:
        """The part that changes, as it is now."""
        shown = drawn(board(self._parts.service, self._reader.club_id, self._reader.zone))
        return self._template.render(shown=shown, opens=self._reader.opens)

    def live_once(self, look: str) -> str:
        """The same, drawn once for all readers who may see as much."""
        return self._parts.looks.while_same(("live", self._reader), look, self.live)

    def beat(self) -> dict[str, object]:
        """How old the last sweep is, what is wrong with the service, and what time it is, for the page's head."""
        parts = self._parts
        state: ServiceState = parts.looks.at_most_old(
            "state", LOOKS_EVERY_S, lambda: service_state(parts.service, described(parts.gateways))
        )
        age = state.sweep_age_s
        return {
            "age_s": age,
            "age": "never" if age is None else _age(age),
            "at_s": parts.service.clock.now().timestamp(),
            "faults": list(state.faults),
        }

    def events(self, seen: str) -> Iterator[str]:
        """What a stream sends, until its time is over or the process is to stop."""
        began, beat_at = time.monotonic(), -BEATS_EVERY_S
        yield "retry: 2000\n\n"
        while True:
            try:
                look = self.look()
                if look != seen:
                    yield _event("board", self.live_once(look), look)
                    seen = look
                if time.monotonic() - beat_at >= BEATS_EVERY_S:
                    yield self.beat_event()
                    beat_at = time.monotonic()
            except SQLAlchemyError:
                # The page hears nothing and says so; the browser comes back by itself.
                _log.exception(STREAM_BROKE)
                return
            if self._parts.streams.wait(LOOKS_EVERY_S) or time.monotonic() - began >= STREAM_LASTS_S:
                return

    def events_now(self, seen: str) -> str:
        """What there is to be sent at this moment."""
        look = self.look()
        changed = "" if look == seen else _event("board", self.live_once(look), look)
        return changed + self.beat_event()

    def beat_event(self) -> str:
        """A sign of life."""
        return _event("beat", msgspec.json.encode(self.beat()).decode())


@pages.get("/admin/board")
@at_board
def show() -> ResponseReturnValue:
    """The board. `?far=1`: in type that is read across a room."""
    now = BoardNow(_reader())
    look = now.look()  # before it is drawn: what comes in between is then sent anew
    return render_template(
        "desk/board.html",
        far="far" in request.args,
        look=look,
        live=now.live(),
        beat=now.beat(),
        pace=web().settings.pace,
        viewer=board_viewer(),
        screen=board_screen(),
    )


@pages.get("/admin/board/now")
@at_board
def as_it_is() -> Response:
    """For a script that has no stream: the board where `?look=` is not what it is now, and how the service does."""
    now = BoardNow(_reader())
    look = now.look()
    html = None if request.args.get("look") == look else now.live_once(look)
    body = msgspec.json.encode({"look": look, "html": html, "beat": now.beat()})
    return Response(body, content_type="application/json")


@pages.get("/admin/board/stream")
@at_board
def stream() -> Response:
    """The board as it changes, and every few seconds a sign of life. It ends after a minute, and the browser returns.

    Whoever does not ask for a stream of events gets what there is now. When all streams are taken: 503, and the
    page asks every few seconds instead.
    """
    now = BoardNow(_reader())
    seen = request.headers.get("Last-Event-ID") or request.args.get("look", "")
    if EVENTS not in request.headers.get("Accept", "") or request.method != "GET":
        return _as_events(now.events_now(seen))
    streams = web().streams
    if not streams.take():
        response = make_response("All streams are taken; ask for /admin/board/now instead.\n", 503)
        response.headers["Retry-After"] = str(COME_BACK_AFTER_S)
        return response
    response = _as_events(now.events(seen))
    # Called however it ends, also where the first event was never sent.
    response.call_on_close(streams.give_back)
    return response


def _reader() -> Reader:
    viewer = board_viewer()
    return Reader(viewer.club_id, viewer.zone, opens=board_screen() is None)


def _as_events(body: str | Iterator[str]) -> Response:
    response = Response(body, content_type=f"{EVENTS}; charset=utf-8")
    response.headers["X-Accel-Buffering"] = "no"  # a proxy that gathers what it passes on would hold it back
    return response


def _event(kind: str, data: str, number: str | None = None) -> str:
    """One event as the HTML standard has it: https://html.spec.whatwg.org/multipage/server-sent-events.html."""
    lines = "".join(f"data: {line}\n" for line in data.splitlines())
    return f"event: {kind}\n" + (f"id: {number}\n" if number is not None else "") + lines + "\n"


def _age(seconds: float) -> str:
    return f"{max(int(seconds), 0)} s" if seconds < 100 else span(seconds)  # noqa: PLR2004 - two digits of seconds
