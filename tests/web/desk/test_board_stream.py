"""The stream of a board: what it sends, how many there may be, and that it ends."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.domain.dive.commands import Start
from service.operations.recording import act
from service.web.desk import board as board_view
from service.web.desk.board_streams import KEPT_MAX, STREAMS_MAX, Looks, Streams
from tests.web.desk.entering import enter
from tests.web.installation import Site
from tests.web.test_every_page import BY

STREAM = "/admin/board/stream"
EVENTS = {"Accept": "text/event-stream"}


def opened(client: FlaskClient, **more: str) -> TestResponse:
    """A stream whose first words have not been read yet."""
    return client.get(STREAM, headers={**EVENTS, **more}, buffered=False)


def events(stream: TestResponse) -> Iterator[tuple[str, str]]:
    """Each event as it comes: its kind and its data."""
    for block in stream.response:
        lines = block.decode().splitlines()
        kind = next((line[7:] for line in lines if line.startswith("event: ")), "")
        if kind:
            yield kind, "\n".join(line[6:] for line in lines if line.startswith("data: "))


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stream that looks twenty times a second, so that no test waits for it."""
    monkeypatch.setattr(board_view, "LOOKS_EVERY_S", 0.05)


@pytest.mark.usefixtures("quick")
def test_a_board_comes_when_it_changes_and_only_then(at: Site, client: FlaskClient) -> None:
    """First as it is with a sign of life, then at the next event of any dive."""
    enter(client)
    stream = opened(client)
    found = events(stream)
    first = [next(found), next(found)]

    dive = at.filed()
    act(at.service, dive.id, Start(BY))
    then = next(found)
    stream.close()

    assert [kind for kind, _ in first] == ["board", "beat"]
    assert "Nobody is known to be in the water" in first[0][1]
    assert then[0] == "board"
    assert f"Dive {dive.reference}" in then[1]


@pytest.mark.usefixtures("quick")
def test_who_comes_back_is_not_sent_what_they_have(at: Site, client: FlaskClient) -> None:
    """A browser tells the id of the last event that it got."""
    at.filed()
    enter(client)
    look = client.get("/admin/board/now").json["look"]

    again = opened(client, **{"Last-Event-ID": look})
    kind, _ = next(events(again))
    again.close()

    assert kind == "beat"
    assert client.get(f"/admin/board/now?look={look}").json["html"] is None


def test_a_stream_that_finds_no_room_is_sent_to_ask_instead(at: Site, client: FlaskClient) -> None:
    """503 with when to come back; one that ends makes room, whether or not it was ever read."""
    enter(client)
    open_ones = [opened(client) for _ in range(STREAMS_MAX)]

    refused = opened(client)
    for stream in open_ones:
        stream.close()
    welcome = opened(client)
    welcome.close()

    assert {stream.status_code for stream in open_ones} == {200}
    assert (refused.status_code, refused.headers["Retry-After"]) == (503, "60")
    assert welcome.status_code == 200
    assert at.app.extensions["linetender"].streams.take()


@pytest.mark.usefixtures("quick")
def test_a_stream_ends_by_itself_and_the_browser_comes_back(
    at: Site, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that whoever was signed out is so, and a process can be replaced."""
    monkeypatch.setattr(board_view, "STREAM_LASTS_S", 0.1)
    at.filed()
    enter(client)

    stream = opened(client)

    assert stream.headers["Content-Type"] == "text/event-stream; charset=utf-8"
    assert stream.headers["Cache-Control"] == "no-store"
    assert [kind for kind, _ in events(stream)] == ["board", "beat"]


def test_streams_end_when_the_process_is_to_stop() -> None:
    """At once, and no new one begins."""
    streams = Streams(2)
    ended = threading.Event()
    waiting = threading.Thread(target=lambda: streams.wait(60) and ended.set())
    assert streams.take()
    waiting.start()

    streams.close()

    assert ended.wait(10)
    waiting.join()
    assert not streams.take()


def test_a_stream_is_for_whoever_is_signed_in(client: FlaskClient) -> None:
    """Nobody else gets a word of it, nor a thread."""
    assert opened(client).status_code == 401


def test_many_boards_look_once() -> None:
    """Whoever asks within the time gets what was found; whoever asks meanwhile waits for it and does not look too."""
    clock = [0.0]
    looks = Looks(lambda: clock[0])
    made: list[int] = []

    def make() -> int:
        made.append(1)
        return len(made)

    def ask() -> int:
        return looks.at_most_old("club", 1.0, make)

    askers = [threading.Thread(target=ask) for _ in range(8)]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    assert len(made) == 1

    clock[0] = 0.99
    assert ask() == 1
    clock[0] = 1.0
    assert ask() == 2
    assert [looks.while_same("drawn", mark, make) for mark in ("a", "a", "b")] == [3, 3, 4]


def test_what_was_looked_at_long_ago_is_let_go() -> None:
    """However many clubs there are."""
    looks = Looks()

    found = [looks.while_same(number, "same", lambda number=number: number) for number in range(KEPT_MAX + 1)]

    assert found[-1] == KEPT_MAX
    assert looks.while_same(0, "same", lambda: -1) == -1
    assert looks.while_same(KEPT_MAX, "same", lambda: -1) == KEPT_MAX
