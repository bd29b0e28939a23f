"""The handover page and its files: opened by two kinds of links, inert but for the log, and small."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Sequence
from dataclasses import replace

import pytest
from flask.testing import FlaskClient
from lxml import etree
from sqlalchemy.exc import OperationalError
from werkzeug.test import TestResponse

from service.domain.dive import Dive
from service.domain.dive.commands import ReportCalled, ReportFix, ReportSafe, Start, Tick
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from service.domain.wording import LinkKind
from service.operations.filing import PlanFiled, file_plan
from service.operations.pages import dive_details
from service.operations.plan_reading import NamedPhone, PlanRequest
from service.operations.recording import act
from service.store.log import Entry
from service.web import handover_page
from tests.documents.cap_schema import faults, texts
from tests.web.installation import ANNA, CLEO, Site

ANNA_TEXTS = Actor(Role.DIVER, "Anna Holt", Via.TEXT, "diver-0", ANNA, "AT 47.12251 -20.54402")
CLEO_TEXTS = Actor(Role.CONTACT, "Cleo Marsh", Via.TEXT, "contact-0", CLEO, "CALLED 7K")
SMALL_BYTES = 60_000
FILES = {
    "pack.pdf": ("application/pdf", b"%PDF-"),
    "pack.xml": ("application/cap+xml", b"<?xml"),
    "pack.gpx": ("application/gpx+xml", b"<?xml"),
    "pack.geojson": ("application/geo+json", b"{"),
}


def overdue(at: Site) -> Dive:
    """A dive with a fix, whose alarm is up."""
    dive = at.filed()
    act(at.service, dive.id, Start(replace(ANNA_TEXTS, words="IN")))
    at.clock.forward(20)
    act(at.service, dive.id, ReportFix(by=ANNA_TEXTS, position=Position(47.12251, -20.54402), accuracy_m=30))
    at.clock.forward(50)
    act(at.service, dive.id, Tick())
    return at.now_of(dive)


def pack_path(at: Site, dive: Dive) -> str:
    """A link of the pack alone."""
    return at.path(dive, "contact-0", LinkKind.HANDOVER)


def words_of(answer: TestResponse) -> str:
    """What a person reads, without the marks around it."""
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def viewed(at: Site, dive: Dive) -> Sequence[Entry]:
    """The entries that say that a page was opened."""
    details = dive_details(at.service, dive.club_id, dive.id)
    assert details is not None
    return [entry for entry in details.entries if entry.kind == "page_viewed"]


@pytest.mark.parametrize("kind", [LinkKind.HANDOVER, LinkKind.ALARM])
def test_its_own_link_and_that_of_an_alarm_open_it(at: Site, client: FlaskClient, kind: LinkKind) -> None:
    """A contact on the phone to rescue needs no second link."""
    dive = overdue(at)
    path = at.path(dive, "contact-0", kind).replace("/alarm/", "/handover/")

    answer = client.get(path)

    assert answer.status_code == 200
    assert "Overdue divers: Anna Holt, 2 divers" in words_of(answer)


def test_a_contact_is_told_not_to_pass_the_own_address_on(at: Site, client: FlaskClient) -> None:
    """Whoever holds it could answer the alarm in that person's name; a link of the pack alone cannot."""
    dive = overdue(at)
    own = at.alarm_path(dive)

    answer = client.get(own.replace("/alarm/", "/handover/"))

    assert "keep it to yourself" in words_of(answer)
    assert f'href="{own}"' in answer.text
    assert "keep it to yourself" not in words_of(client.get(pack_path(at, dive)))


def test_the_names_of_a_large_party_are_whole(at: Site, client: FlaskClient) -> None:
    """Rescue counts them."""
    names = tuple(f"{number} Wilhelmina Featherstonehaugh of the very long family name" for number in range(12))
    request = PlanRequest(
        site="LANTERN",
        run_time_min=50,
        lead=NamedPhone(names[0], ANNA),
        party=tuple(NamedPhone(name, None) for name in names[1:]),
        contacts=(NamedPhone("Cleo Marsh", CLEO),),
    )
    filed = file_plan(at.service, at.club_id, request, ANNA_TEXTS)
    assert isinstance(filed, PlanFiled)

    text = words_of(client.get(pack_path(at, filed.dive)))

    assert text.count(", ".join(names)) == 2  # in the answers and in the words to read aloud
    assert "[cut]" not in text


@pytest.mark.parametrize("path", ["", *(f"/{name}" for name in FILES)])
def test_the_divers_link_and_none_at_all_open_nothing(at: Site, client: FlaskClient, path: str) -> None:
    """The diver's page is the diver's, and a wrong token looks like a dead one."""
    own = at.dive_path(overdue(at)).replace("/dive/", "/handover/")

    assert client.get(f"{own}{path}").status_code == 410
    assert client.get(f"/handover/none{path}").status_code == 410
    assert client.get(f"/handover/{'x' * 400}{path}").status_code == 410


def test_the_first_screen_answers_what_is_asked_first(at: Site, client: FlaskClient) -> None:
    """What, where in each form, how known, how many, since when, last heard: before anything else."""
    text = words_of(client.get(pack_path(at, overdue(at))))

    asked = [
        "Overdue divers: Anna Holt, 2 divers",
        "Where: Lantern Steps (LANTERN)",
        "47.12251,-20.54402",
        "47°07.351'N 020°32.641'W",
        "By text from Anna Holt",
        "2 divers: Anna Holt, Bram Vik.",
        "overdue by 20 min",
        "Last heard",
        "Kit and colours",
        "Gas gone by",
        "Light until",
        "At the site",
        "Nobody has told us that rescue was called.",
        "To read aloud over the phone",
        "I am reporting overdue divers.",
    ]

    assert [text.index(words) for words in asked] == sorted(text.index(words) for words in asked)


def test_the_rest_of_the_pack_follows(at: Site, client: FlaskClient) -> None:
    """Sketch, exits, search, party with numbers to call, vehicle, what happened, cautions."""
    answer = client.get(pack_path(at, overdue(at)))
    text = words_of(answer)

    for words in (
        "Exits and vehicle access",
        "North slip",
        "Where to begin to look",
        "not an instruction",
        "Green van at the gate",
        "What happened",
        "the clock: Alerted: Cleo Marsh",
    ):
        assert words in text, words
    assert '<svg xmlns="http://www.w3.org/2000/svg"' in answer.text
    assert f'href="tel:{ANNA}"' in answer.text


@pytest.mark.parametrize("name", FILES)
def test_the_files_have_their_types_and_plain_names(at: Site, client: FlaskClient, name: str) -> None:
    """A browser saves them under the reference, which says nothing of anybody."""
    dive = overdue(at)

    answer = client.get(f"{pack_path(at, dive)}/{name}")

    assert answer.status_code == 200
    assert answer.headers["Content-Type"] == FILES[name][0]
    ending = name.partition(".")[2]
    assert answer.headers["Content-Disposition"] == f'attachment; filename="linetender-{dive.reference}.{ending}"'
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert answer.data.startswith(FILES[name][1])


def test_the_alert_is_valid_and_follows_the_dive(at: Site, client: FlaskClient) -> None:
    """Alert, Update and Cancel, each naming the ones before; the sender is this installation."""
    dive = overdue(at)
    path = f"{pack_path(at, dive)}/pack.xml"
    alerts = [client.get(path).data]
    at.clock.forward(5)
    act(at.service, dive.id, ReportCalled(CLEO_TEXTS, "SKB 0417"))
    alerts.append(client.get(path).data)
    at.clock.forward(5)
    act(at.service, dive.id, ReportSafe(replace(CLEO_TEXTS, words="SAFE 2"), count=2))
    alerts.append(client.get(path).data)

    assert [faults(alert) for alert in alerts] == [[], [], []]
    assert [texts(alert, "msgType") for alert in alerts] == [["Alert"], ["Update"], ["Cancel"]]
    assert texts(alerts[0], "sender") == ["linetender@dives.test"]
    (references,) = texts(alerts[2], "references")
    for alert in alerts[:2]:
        assert ",".join(texts(alert, part)[0] for part in ("sender", "identifier", "sent")) in references


def test_without_an_alarm_there_is_no_alert_and_the_page_offers_none(at: Site, client: FlaskClient) -> None:
    """The address says so in words."""
    dive = at.filed()
    act(at.service, dive.id, Start(replace(ANNA_TEXTS, words="IN")))
    path = pack_path(at, dive)

    answer = client.get(f"{path}/pack.xml")

    assert answer.status_code == 404
    assert "There is no alarm for this dive" in words_of(answer)
    assert "pack.xml" not in client.get(path).text
    assert "pack.gpx" in client.get(path).text


def test_map_files_hold_the_last_known_position(at: Site, client: FlaskClient) -> None:
    """The first thing in each."""
    path = pack_path(at, overdue(at))

    waypoint = etree.fromstring(client.get(f"{path}/pack.gpx").data).find("{*}wpt")
    first = json.loads(client.get(f"{path}/pack.geojson").data)["features"][0]

    assert waypoint is not None
    assert waypoint.get("lat") == "47.122510"
    assert first["geometry"]["coordinates"] == [-20.54402, 47.12251]


def test_views_and_downloads_are_logged_by_whose_link_it_was(at: Site, client: FlaskClient) -> None:
    """A GET once each; a HEAD, which programs send, not."""
    dive = overdue(at)
    path = pack_path(at, dive)

    for name in ("", *(f"/{name}" for name in FILES)):
        client.head(f"{path}{name}")
        client.get(f"{path}{name}", buffered=True)

    entries = viewed(at, dive)
    details = [entry.detail for entry in entries]
    assert [(detail or {}).get("document") for detail in details] == [None, *FILES]
    assert all((detail or {})["page"] == "handover" for detail in details)
    assert at.now_of(dive) == dive


def test_the_pack_is_there_while_nothing_can_be_written(
    at: Site, client: FlaskClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A full disk must not keep it from rescue; the fault is in our own log."""
    path = pack_path(at, overdue(at))

    def full(*_: object) -> None:
        raise OperationalError("insert", {}, Exception("disk full"))

    monkeypatch.setattr(handover_page, "note_view", full)

    assert client.get(path).status_code == 200
    assert handover_page.VIEW_NOT_NOTED in [record.message for record in caplog.records]


def test_a_post_is_refused(at: Site, client: FlaskClient) -> None:
    """There is nothing to change here."""
    assert client.post(pack_path(at, overdue(at))).status_code == 405


def test_the_page_is_small(at: Site, client: FlaskClient) -> None:
    """With its style it loads on a slow phone."""
    page = client.get(pack_path(at, overdue(at)))
    styles = sum(len(client.get(f"/static/{name}", buffered=True).data) for name in ("slate.css", "pack.css"))

    assert len(page.data) < SMALL_BYTES
    assert len(page.data) + styles < 2 * SMALL_BYTES
    assert "<script" not in page.text


def test_a_drill_is_marked_and_sends_nobody_to_call(at: Site, client: FlaskClient) -> None:
    """EXERCISE above everything, in the page and in the alert."""
    request = PlanRequest(
        site="LANTERN",
        run_time_min=50,
        lead=NamedPhone("Anna Holt", ANNA),
        contacts=(NamedPhone("Cleo Marsh", CLEO),),
    )
    filed = file_plan(at.service, at.club_id, request, ANNA_TEXTS, drill=True)
    assert isinstance(filed, PlanFiled)
    act(at.service, filed.dive.id, Start(replace(ANNA_TEXTS, words="IN")))
    at.clock.forward(70)
    act(at.service, filed.dive.id, Tick())
    path = pack_path(at, filed.dive)

    text, alert = words_of(client.get(path)), client.get(f"{path}/pack.xml").data

    assert text.startswith("EXERCISE")
    assert "EXERCISE EXERCISE EXERCISE Nobody is in danger: call no rescue service unless" in text
    assert texts(alert, "status") == ["Exercise"]
    assert faults(alert) == []


def test_words_of_people_cannot_become_markup(at: Site, client: FlaskClient) -> None:
    """Neither on the page nor in the sketch or a file."""
    dive = at.filed()
    bold = replace(ANNA_TEXTS, words="<b>AT</b> & \u202e47.12251 -20.54402")
    act(at.service, dive.id, Start(replace(ANNA_TEXTS, words="IN")))
    act(at.service, dive.id, ReportFix(by=bold, position=Position(47.12251, -20.54402)))

    page = client.get(pack_path(at, dive)).text

    assert "<b>AT" not in page
    assert "\u202e" not in page
    assert "&lt;b&gt;AT&lt;/b&gt; &amp; [U+202E]47.12251" in page


def test_when_it_is_over_it_says_so_until_the_link_is_dead(at: Site, client: FlaskClient) -> None:
    """By whom and when; a day after, nothing opens any more."""
    dive = overdue(at)
    path = pack_path(at, dive)
    act(at.service, dive.id, ReportSafe(replace(CLEO_TEXTS, words="SAFE 2"), count=2))

    text = words_of(client.get(path))
    at.clock.forward(24 * 60 + 1)

    assert "It is over: all are safe (2 divers)" in text
    assert "said by Cleo Marsh" in text
    assert client.get(path).status_code == 410
