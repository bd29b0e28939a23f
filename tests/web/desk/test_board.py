"""The water board: who is on it, in which order and in which words, and what a look at it costs."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import event, update

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import (
    Acknowledge,
    Command,
    NoteHanded,
    NoteUnreachable,
    RaiseNow,
    ReportCalled,
    ReportFix,
    ReportOnScene,
    ReportSafe,
    Start,
    Tick,
)
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from service.operations.canary_dive import FILED_BY, NAME
from service.operations.filing import PlanFiled, file_plan
from service.operations.health import beat_heart
from service.operations.plan_reading import NamedPhone, PlanRequest
from service.operations.recording import act
from service.store import opt_outs
from service.store.tables import DiveRow, MessageRow
from service.web.context import EXTENSION
from service.web.desk.board_streams import Looks
from tests.web.desk.crowd import SAID, crowd
from tests.web.desk.entering import enter, post
from tests.web.desk.log_stage import path_of
from tests.web.installation import ANNA, CLEO, RECEIVING, Site
from tests.web.other_club import FAR_ADMIN_EMAIL, add_far_club
from tests.web.reading import Page

BY = Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", phone=ANNA, words="IN 2")
CLEO_SAYS = Actor(Role.CONTACT, "Cleo Marsh", Via.TEXT, key="contact-0", phone=CLEO, words="OK")
KB_MAX = 100_000


def dive_in(at: Site, *, minutes_ago: float = 0, by: Actor = BY) -> Dive:
    """A dive of 50 minutes whose start came so many minutes ago; the clock is where it was."""
    at.clock.forward(-minutes_ago)
    dive = at.filed()
    act(at.service, dive.id, Start(by))
    act(at.service, dive.id, NoteHanded("start_notice", "contact-0"))
    at.clock.forward(minutes_ago)
    act(at.service, dive.id, Tick())
    return dive


def board_of(client: FlaskClient) -> str:
    """The part of the page that changes, as text without tags."""
    page = client.get("/admin/board")
    assert page.status_code == 200
    return " ".join(
        re.sub(r"<[^>]+>", " ", page.text.partition('id="live"')[2].partition("This board is a help")[0]).split()
    )


def marks(client: FlaskClient) -> list[tuple[str, str]]:
    """The shape and the reference of each dive, from the top down."""
    live = client.get("/admin/board").text.partition('id="live"')[2]
    return re.findall(r'<li class="(\w+)".*?>(?:Dive )?(\d\w|\w\d)</a>', live, re.DOTALL)


def test_the_gravest_comes_first_then_whoever_is_due_out_next(at: Site, client: FlaskClient) -> None:
    """Distress, alert, overdue, then by due out, then what is planned, then what is over; each with its own shape."""
    later, soon = dive_in(at, minutes_ago=5), dive_in(at, minutes_ago=30)
    overdue, alert, distress = (dive_in(at, minutes_ago=ago) for ago in (52, 66, 85))
    planned = at.filed(time_in_at=at.clock.at + timedelta(hours=1))
    over = dive_in(at, minutes_ago=30)
    act(at.service, over.id, ReportSafe(CLEO_SAYS, 2))
    enter(client)

    expected = [
        ("distress", distress), ("alert", alert), ("uncertainty", overdue), ("in_water", soon), ("in_water", later),
        ("filed", planned), ("closed", over),
    ]  # fmt: skip
    assert marks(client) == [(mark, dive.reference) for mark, dive in expected]
    assert "2 in alarm, 1 overdue, 10 divers in the water on 5 dives." in board_of(client)


def test_of_two_alike_the_one_overdue_for_longer_comes_first(at: Site, client: FlaskClient) -> None:
    """Whenever they were filed."""
    second, first = dive_in(at, minutes_ago=66), dive_in(at, minutes_ago=70)
    enter(client)

    assert [reference for _, reference in marks(client)] == [first.reference, second.reference]


@pytest.mark.parametrize("said", [ReportCalled(CLEO_SAYS), ReportOnScene(CLEO_SAYS)], ids=["called", "on-scene"])
def test_a_contact_who_called_rescue_or_is_there_has_answered(at: Site, client: FlaskClient, said: Command) -> None:
    """Also without an OK before it, and by the first of what they said: nobody is to phone them out of bed."""
    dive = dive_in(at, minutes_ago=70)
    act(at.service, dive.id, said)
    at.clock.forward(4)
    act(at.service, dive.id, Acknowledge(CLEO_SAYS))
    enter(client)

    assert "Cleo Marsh answered 10:00" in board_of(client)


def test_a_dive_says_all_that_is_known_of_it(at: Site, client: FlaskClient) -> None:
    """Phase, how late, site, party, times, what was heard, how old the position is, who was told and who answered."""
    dive = dive_in(at, minutes_ago=70)
    act(at.service, dive.id, Acknowledge(CLEO_SAYS))
    act(at.service, dive.id, NoteUnreachable("contact-1", "refused"))
    at.clock.forward(3)
    act(at.service, dive.id, ReportFix(BY, Position(47.1234, -20.5432)))
    at.clock.forward(4)
    enter(client)

    said = board_of(client)

    for words in (
        f"Alert Dive {dive.reference} 27 min overdue Lantern Steps Anna Holt, Bram Vik (2 divers)",
        "Times in since 08:50, due out 09:40, raise-by 09:55",
        "Lead Anna Holt",
        "4 min ago, Anna Holt:",
        "Position 4 min old",
        "Cleo Marsh answered 10:00; Dov Lind: told 10:00, cannot be reached (messages fail)",
    ):
        assert words in said, words


@pytest.mark.parametrize(
    ("count", "words"),
    [
        (1, "1 diver went in; the plan names 2: Anna Holt, Bram Vik. Which of them is not known."),
        (3, "3 divers went in; the plan names only 2: Anna Holt, Bram Vik. Who else is not known."),
    ],
)
def test_where_the_plan_names_others_than_went_in_nobody_is_taken_for_in(
    at: Site, client: FlaskClient, count: int, words: str
) -> None:
    """On the board, on the page of the dive in the log, and on a contact's page that is made from the plan alone."""
    dive = at.filed()
    act(at.service, dive.id, Start(BY, count))
    enter(client)

    assert words in board_of(client)
    assert words in client.get(f"{path_of(dive)}?at=3").text


def test_a_start_that_is_not_armed_is_another_shape_and_word(at: Site, client: FlaskClient) -> None:
    """Nobody ashore holds the plan, which is what somebody at the board could still do something about."""
    dive = at.filed()
    act(at.service, dive.id, Start(BY))
    enter(client)

    assert marks(client) == [("unarmed", dive.reference)]
    assert "In the water, not armed" in board_of(client)


def test_the_clock_may_lag_but_the_board_does_not(at: Site, client: FlaskClient) -> None:
    """Who is past due out stands among the overdue, though no sweep has been since."""
    dive = dive_in(at, minutes_ago=49)
    at.clock.forward(3)
    enter(client)

    assert at.now_of(dive).phase is Phase.IN_WATER
    assert marks(client) == [("uncertainty", dive.reference)]


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("queued", "Anna Holt on its way"),
        ("handed", "Anna Holt not confirmed"),
        ("delivered", "Anna Holt reached"),
        ("failed", "Anna Holt cannot be reached (messages fail)"),
    ],
)
def test_what_became_of_our_messages_says_whether_a_phone_is_reached(
    at: Site, client: FlaskClient, state: str, words: str
) -> None:
    """A receipt, none yet, or a failure."""
    dive_in(at, minutes_ago=45)
    at.service.write(lambda session: session.execute(update(MessageRow).values(state=state)))
    enter(client)

    assert words in board_of(client)


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("queued", "Cleo Marsh told 10:00, no answer, on its way"),
        ("handed", "Cleo Marsh told 10:00, no answer, not confirmed"),
        ("delivered", "Cleo Marsh told 10:00, no answer;"),
    ],
)
def test_the_receipt_of_a_start_notice_confirms_no_alarm(at: Site, client: FlaskClient, state: str, words: str) -> None:
    """It reached them an hour ago; whoever looks must not take the alarm for arrived, and not phone them."""
    dive_in(at, minutes_ago=70)
    alarms = MessageRow.kind.in_(("alert", "distress"))
    for which, stands in ((alarms, state), (~alarms, "delivered")):
        change = update(MessageRow).where(which).values(state=stands)
        at.service.write(lambda session, change=change: session.execute(change))
    enter(client)

    assert words in board_of(client)


def test_a_phone_that_opted_out_is_told_as_such(at: Site, client: FlaskClient) -> None:
    """Of the party and of the contacts, whenever it was."""
    dive_in(at, minutes_ago=10)
    for phone in (ANNA, CLEO):
        at.service.write(lambda session, phone=phone: opt_outs.opt_out(session, RECEIVING, phone, at.clock.at))
    enter(client)

    said = board_of(client)
    assert "Anna Holt cannot be reached (opted out)" in said
    assert "Cleo Marsh: cannot be reached (opted out)" in said


def test_words_from_outside_are_shown_as_they_are_and_shortened(at: Site, client: FlaskClient) -> None:
    """Markup is text, what turns text around is written out, and past 500 characters it is cut."""
    evil = f"<script>alert(1)</script> \N{RIGHT-TO-LEFT OVERRIDE}up {'x' * 600}"
    dive = dive_in(at, minutes_ago=5)
    act(at.service, dive.id, RaiseNow(Actor(Role.DIVER, "Anna Holt", Via.TEXT, "diver-0", ANNA, evil), note=evil))
    enter(client)

    page = client.get("/admin/board").text

    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt; [U+202E]up" in page
    assert "x" * 450 in page
    assert "x" * 501 not in page
    assert "[cut]" in page


def test_the_canary_dive_is_on_no_board_and_a_drill_in_a_part_of_its_own(at: Site, client: FlaskClient) -> None:
    """Nobody may take an exercise for a dive, nor look for divers that never were."""

    def drill(key: str, name: str) -> Dive:
        phone = NamedPhone(name, ANNA, ways=("text",))
        request = PlanRequest(site="LANTERN", run_time_min=50, lead=phone, contacts=(phone,))
        filed = file_plan(at.service, "skerry", request, FILED_BY, request_key=key, drill=True)
        assert isinstance(filed, PlanFiled)
        act(at.service, filed.dive.id, Start(BY))
        return filed.dive

    drill("canary dive 2027-06-01", NAME)
    exercise = drill("drill 1", "Anna Holt")
    real = dive_in(at, minutes_ago=5)
    enter(client)

    page = client.get("/admin/board").text
    assert NAME not in page
    before, _, part = page.partition('class="part drills"')
    assert f">Dive {exercise.reference}<" not in before or exercise.reference == real.reference
    assert "EXERCISE: nobody is in danger" in part
    assert "EXERCISE, in the water" in part
    assert "2 divers in the water on 1 dive." in before


def test_a_dive_that_cannot_be_read_is_at_the_top(at: Site, client: FlaskClient) -> None:
    """By its plain columns, as an alarm in itself; it hides no other."""
    good, bad = dive_in(at, minutes_ago=66), dive_in(at, minutes_ago=5)
    at.service.write(lambda session: session.execute(update(DiveRow).where(DiveRow.id == bad.id).values(state="{")))
    enter(client)

    assert marks(client) == [("unread", bad.reference), ("alert", good.reference)]
    assert "Our record of this dive is damaged" in board_of(client)


def test_plans_of_another_day_and_what_closed_long_ago_are_not_shown(at: Site, client: FlaskClient) -> None:
    """A plan of tomorrow, and a dive that was over two hours ago."""
    over = dive_in(at)
    act(at.service, over.id, ReportSafe(CLEO_SAYS, 2))
    at.filed(time_in_at=at.clock.at + timedelta(days=2))
    enter(client)
    assert [mark for mark, _ in marks(client)] == ["closed"]

    at.clock.forward(121)
    assert marks(client) == []


def test_another_club_sees_nothing_of_it(at: Site, client: FlaskClient) -> None:
    """Neither the page, nor what its script asks for, nor the stream."""
    dive_in(at, minutes_ago=66)
    add_far_club(at.service, at.clock.at)
    client.post("/admin/sign-in", data={"email": FAR_ADMIN_EMAIL, "password": "a long enough password"})

    for path in ("/admin/board", "/admin/board/now", "/admin/board/stream"):
        answer = client.get(path)
        assert answer.status_code == 200
        assert "Lantern" not in answer.text
        assert "Nobody is known to be in the water" in answer.text


def test_the_age_of_the_last_sweep_stands_in_large_digits(at: Site, client: FlaskClient) -> None:
    """Beside a line that says how the service does."""
    beat_heart(at.service, "sweep")
    at.clock.forward(7 / 60)
    enter(client)

    page = client.get("/admin/board").text

    assert '<span class="age" id="age">7 s</span>' in page
    assert "The service works." in page


def test_a_board_whose_clocks_nobody_looks_after_says_so(at: Site, client: FlaskClient) -> None:
    """A board whose service is dead must not look calm."""
    beat_heart(at.service, "sweep")
    at.clock.forward(3)
    enter(client)

    page = client.get("/admin/board").text

    assert '<span class="age" id="age">3 min</span>' in page
    assert "No clock is being looked after: alarms will be late. Watch the times yourself." in page


@pytest.mark.parametrize(
    ("does", "cries"),
    [
        ((), True),
        ((Acknowledge(CLEO_SAYS),), False),
        ((ReportCalled(CLEO_SAYS),), True),
    ],
    ids=["nobody", "answered", "called in distress"],
)
def test_an_alarm_cries_until_somebody_has_answered(
    at: Site, client: FlaskClient, does: tuple[Command, ...], *, cries: bool
) -> None:
    """The page's script sounds for those; that rescue was called brings distress, which cries until it was called."""
    dive = dive_in(at, minutes_ago=66)
    for command in does:
        act(at.service, dive.id, command)
    enter(client)

    called = any(isinstance(command, ReportCalled) for command in does)
    assert ("data-cry=" in client.get("/admin/board").text) is (cries and not called)


def test_a_screen_in_the_clubhouse_shows_the_same_and_opens_nothing(at: Site, client: FlaskClient) -> None:
    """Its board has no button of the desk, no link to a dive, and its own mark for each alarm all the same."""
    alarms = [dive_in(at, minutes_ago=66), dive_in(at, minutes_ago=67)]
    enter(client)
    made = post(client, "/admin/screens", name="Kit room")
    link = re.search(r"http://dives\.test(/admin/board/screen/[\w-]{22})<", made.text)
    assert link is not None
    screen = at.app.test_client()
    screen.post(link[1])

    page = screen.get("/admin/board", headers={"Accept": "text/html"}).text

    assert "Screen Kit room" in page
    assert "Sign out" not in page
    assert "/admin/dives/" not in page + screen.get("/admin/board/now").text + screen.get("/admin/board/stream").text
    assert [f"Dive {dive.reference}" in page for dive in alarms] == [True, True]
    assert len(set(re.findall(r'data-cry="([^"]+)"', page))) == 2
    assert screen.get(f"/admin/dives/{alarms[0].id}").status_code == 303
    assert "/admin/dives/" in client.get("/admin/board").text


@pytest.mark.parametrize("overdue", [False, True], ids=["in the water", "in alert"])
def test_three_hundred_dives_take_no_more_statements_and_less_than_100_kb(
    at: Site, client: FlaskClient, *, overdue: bool
) -> None:
    """As many statements as for three, each dive is there, and the page comes through a thin line."""
    enter(client)
    crowd(at.service, "skerry", 3, overdue=overdue)
    few = statements(at, client)
    crowd(at.service, "skerry", 300, overdue=overdue, first=3)

    many = statements(at, client)
    page = client.get("/admin/board")

    assert many == few
    assert len(page.data) < KB_MAX
    assert len(client.get("/admin/board/now").data) < KB_MAX
    assert len(marks(client)) == 303
    assert Page(page.text).open_tags == []
    assert SAID in page.text


def statements(at: Site, client: FlaskClient) -> int:
    """How many a new page takes, with nothing that was looked at a moment ago."""
    at.app.extensions[EXTENSION] = replace(at.app.extensions[EXTENSION], looks=Looks())
    seen: list[str] = []

    def note(_c: object, _r: object, statement: str, *_: object) -> None:
        seen.append(statement)

    event.listen(at.service.engine, "before_cursor_execute", note)
    try:
        client.get("/admin/board")
    finally:
        event.remove(at.service.engine, "before_cursor_execute", note)
    return len(seen)
