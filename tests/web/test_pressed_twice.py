"""The buttons of divers and contacts, pressed twice, loaded again, and pressed on a page that is older than the dive.

The same form posted again is what a browser sends that had no answer, is gone back to or loads its page again.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.domain.dive import Command, Dive, Phase
from service.domain.dive.commands import (
    Acknowledge,
    Extend,
    Finish,
    NoteHanded,
    RaiseNow,
    ReportCalled,
    ReportSafe,
    Start,
    Tick,
)
from service.domain.people import Actor, Role, Via
from service.operations.recording import act
from service.store import log, outbox
from service.store.codec import UnreadableError
from tests.web.installation import ANNA, BRAM, CLEO, Site
from tests.web.reading import Page

ANNA_TEXTS = Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", phone=ANNA, words="IN")
BRAM_TEXTS = Actor(Role.DIVER, "Bram Vik", Via.TEXT, key="diver-1", phone=BRAM, words="SOS")
CLEO_TEXTS = Actor(Role.CONTACT, "Cleo Marsh", Via.TEXT, key="contact-0", phone=CLEO, words="SAFE 2")


@dataclass
class Beach:
    """A dive of two under way, with the page of its lead and that of its first contact."""

    at: Site
    client: FlaskClient
    dive: Dive
    lead: str
    contact: str

    @property
    def now(self) -> Dive:
        """The dive as it stands."""
        return self.at.now_of(self.dive)

    def version_of(self, page: str) -> str:
        """What the forms of a page carry; all the same."""
        (version,) = {one["value"] for one in Page(page).all("input") if one.get("name") == "version"}
        return version

    def seen(self, path: str) -> str:
        """The version that a page shows which is opened now."""
        return self.version_of(self.client.get(path).text)

    def press(self, do: str, version: str, **fields: str) -> TestResponse:
        """A button of the lead's page as it was at that version."""
        return self.client.post(self.lead, data={"do": do, "version": version, **fields})

    def answer(self, do: str, version: str, **fields: str) -> TestResponse:
        """A button of the contact's page as it was at that version."""
        data = {"do": do, "version": version, "reference": self.dive.reference, **fields}
        return self.client.post(self.contact, data=data)

    def happens(self, command: Command, minutes: float = 0) -> None:
        """Something comes by another way, after some minutes."""
        self.at.clock.forward(minutes)
        act(self.at.service, self.dive.id, command)

    @property
    def counted(self) -> Counter[str]:
        """How many events of each kind there are."""
        found = self.at.service.read(lambda session: log.events(session, self.dive.id))
        return Counter(type(event).__name__ for _, event in found)

    @property
    def sent(self) -> int:
        """How many messages there are."""
        return len(self.at.service.read(lambda session: outbox.of_dive(session, self.dive.id)))


@pytest.fixture
def beach(at: Site, client: FlaskClient) -> Beach:
    """In at 10:00, due out 10:50."""
    dive = at.filed()
    act(at.service, dive.id, Start(ANNA_TEXTS))
    return Beach(at, client, dive, at.dive_path(dive), at.alarm_path(dive))


@pytest.mark.parametrize(
    ("do", "fields", "event"),
    [
        ("late", {"minutes": "20"}, "ExtensionAsked"),
        ("out", {"count": "1"}, "PartlyOut"),
        ("out", {"count": "2"}, "Closed"),
        ("sos", {"note": "Bram has cramp"}, "AlarmRaised"),
        ("position", {"position": "47.12345, -20.54321"}, "FixReported"),
        ("conditions", {"current_towards": "NE", "current_kn": "1"}, "ConditionsReported"),
    ],
)
def test_a_divers_button_that_is_sent_twice_counts_once(
    beach: Beach, do: str, fields: dict[str, str], event: str
) -> None:
    """Nobody is told twice, however much later it comes again, and the page says that it was done."""
    seen = beach.seen(beach.lead)

    first = beach.press(do, seen, **fields)
    told = beach.sent
    beach.at.clock.forward(3)
    again = beach.press(do, seen, **fields)

    assert (first.status_code, again.status_code) == (200, 200)
    assert "That is done already. A button that is pressed twice counts once." in again.text
    assert (beach.counted[event], beach.sent) == (1, told)


@pytest.mark.parametrize(
    ("do", "fields", "event"),
    [
        ("ok", {}, "Acknowledged"),
        ("called", {"incident": "A-17"}, "RescueCalled"),
        ("safe", {"count": "1"}, "PartlyOut"),
        ("safe", {"count": "2"}, "Closed"),
        ("on_scene", {}, "OnScene"),
        ("seen", {"seen_at": "47.12345, -20.54321"}, "FixReported"),
        ("conditions", {"wind_from": "SW", "wind_kn": "12"}, "ConditionsReported"),
    ],
)
def test_a_contacts_button_that_is_sent_twice_counts_once(
    beach: Beach, do: str, fields: dict[str, str], event: str
) -> None:
    """The same for whoever answers an alarm."""
    beach.happens(Tick(), minutes=70)
    seen = beach.seen(beach.contact)

    first = beach.answer(do, seen, **fields)
    told = beach.sent
    beach.at.clock.forward(3)
    again = beach.answer(do, seen, **fields)

    assert (first.status_code, again.status_code) == (200, 200)
    assert "That is done already" in again.text
    assert (beach.counted[event], beach.sent) == (1, told)


def test_a_later_due_out_that_took_effect_is_not_added_to_by_a_page_that_is_loaded_again(beach: Beach) -> None:
    """Asked for 20 min once, due out is 20 min later, and the alarm with it."""
    seen = beach.seen(beach.lead)
    beach.press("late", seen, minutes="20")
    beach.happens(NoteHanded("extension-1", "contact-0"), minutes=1)
    assert beach.now.due_out_at == beach.at.clock.at.replace(hour=11, minute=10)

    again = beach.press("late", seen, minutes="20")

    assert "Due out is 11:10" in again.text
    assert beach.now.extension is None
    assert beach.now.due_out_at == beach.at.clock.at.replace(hour=11, minute=10)
    assert beach.counted["ExtensionAsked"] == 1


def test_more_time_is_asked_for_by_the_page_that_shows_what_is_in_force(beach: Beach) -> None:
    """Whoever sees 11:10 and presses again means 11:30."""
    beach.press("late", beach.seen(beach.lead), minutes="20")
    beach.happens(NoteHanded("extension-1", "contact-0"), minutes=1)

    answer = beach.press("late", beach.seen(beach.lead), minutes="20")

    assert "Asked for 11:30" in answer.text
    assert beach.now.extension is not None


def test_the_same_due_out_is_asked_for_once_while_it_waits(beach: Beach) -> None:
    """From the page that came of the first press too; once nobody could be told of it, it can be tried again."""
    beach.press("late", beach.seen(beach.lead), minutes="20")
    told = beach.sent

    again = beach.press("late", beach.seen(beach.lead), minutes="20")

    assert "You asked for 11:10" in again.text
    assert "due out stays 10:50" in again.text
    assert (beach.counted["ExtensionAsked"], beach.sent) == (1, told)
    beach.happens(Tick(), minutes=5)
    assert beach.counted["ExtensionNotInForce"] == 1
    assert beach.press("late", beach.seen(beach.lead), minutes="20").status_code == 200
    assert beach.counted["ExtensionAsked"] == 2


@pytest.mark.parametrize("version", ["old", "", "x", "0", "999999"])
def test_late_on_a_page_with_another_due_out_says_what_is_so_now_and_asks(beach: Beach, version: str) -> None:
    """So does a form that is none of ours. Pressed again on the page that comes, it is done."""
    seen = beach.seen(beach.lead) if version == "old" else version
    beach.happens(Extend(BRAM_TEXTS, minutes=10))
    beach.happens(NoteHanded("extension-1", "contact-0"))

    asked = beach.press("late", seen, minutes="20")

    assert asked.status_code == 409
    assert "Not done: the dive has moved on" in asked.text
    assert ("Bram Vik" in asked.text.partition('id="moved"')[2].partition("</div>")[0]) == (version == "old")
    assert ">11:00</span>" in asked.text
    assert 'value="20"' in asked.text.partition('id="say-minutes"')[2]
    assert beach.counted["ExtensionAsked"] == 1
    done = beach.press("late", beach.version_of(asked.text), minutes="20")
    assert "Asked for 11:20" in done.text


def test_late_on_an_older_page_counts_where_due_out_is_the_same(beach: Beach) -> None:
    """That a contact holds the plan by now takes nothing from it."""
    seen = beach.seen(beach.lead)
    beach.happens(NoteHanded("start_notice", "contact-0"), minutes=1)

    answer = beach.press("late", seen, minutes="20")

    assert "Asked for 11:10" in answer.text


def test_late_that_comes_again_in_an_alarm_is_not_passed_on_unasked(beach: Beach) -> None:
    """A page that is loaded again must not tell contacts that somebody who is missing wrote to them."""
    seen = beach.seen(beach.lead)
    beach.press("late", seen, minutes="20")
    beach.happens(Tick(), minutes=66)

    again = beach.press("late", seen, minutes="20")

    assert again.status_code == 409
    assert beach.counted["LatePassedOn"] == 0
    assert "Your contacts are told" in beach.press("late", beach.version_of(again.text), minutes="20").text


def test_an_sos_on_an_open_dive_is_raised_from_the_oldest_page(beach: Beach) -> None:
    """Whatever has happened since, whoever raised one before, and by whatever form."""
    seen = beach.seen(f"{beach.lead}/sos")
    beach.happens(Extend(BRAM_TEXTS, minutes=10), minutes=5)
    beach.happens(RaiseNow(ANNA_TEXTS), minutes=5)
    beach.happens(ReportSafe(CLEO_TEXTS, count=2), minutes=5)
    beach.happens(RaiseNow(BRAM_TEXTS), minutes=5)

    for version in (seen, "", "999999"):
        told = beach.sent
        assert "The alarm is raised" in beach.press("sos", version, note=f"help {version}").text
        assert beach.sent > told


def test_an_sos_with_more_to_say_is_another_one(beach: Beach) -> None:
    """From the same page, gone back to: it is told again, with the new words."""
    seen = beach.seen(f"{beach.lead}/sos")
    beach.press("sos", seen)

    more = beach.press("sos", seen, note="Bram does not breathe")

    assert "The alarm is raised" in more.text
    assert beach.now.raised_note == "Bram does not breathe"


def test_an_sos_that_is_sent_twice_can_be_told_again_by_one_press(beach: Beach) -> None:
    """The page says since when the alarm is up, and offers it."""
    seen = beach.seen(f"{beach.lead}/sos")
    beach.press("sos", seen)
    beach.at.clock.forward(4)

    twice = beach.press("sos", seen)
    anew = beach.press("sos", beach.version_of(twice.text))

    assert "The alarm is up since 10:00" in twice.text
    assert "Tell them again now" in twice.text
    assert "The alarm is raised" in anew.text
    assert beach.counted["AlarmRaised"] == 2


def test_an_sos_that_comes_again_after_its_alarm_was_stood_down_is_asked_about(beach: Beach) -> None:
    """No false alarm by a page that is loaded again; what was said stays, and one press raises it."""
    seen = beach.seen(f"{beach.lead}/sos")
    beach.press("sos", seen, note="Bram has cramp")
    beach.happens(ReportSafe(CLEO_TEXTS, count=2), minutes=10)
    told = beach.sent

    for _ in range(2):
        asked = beach.press("sos", seen, note="Bram has cramp")
        assert asked.status_code == 409
        assert (beach.now.phase, beach.sent) == (Phase.CLOSED, told)

    assert "No alarm was raised: the dive was over in between" in asked.text
    assert "Cleo Marsh" in asked.text.partition('id="moved"')[2].partition("</ul>")[0]
    assert 'value="Bram has cramp"' in asked.text
    raised = beach.press("sos", beach.version_of(asked.text), note="Bram has cramp")
    assert "The alarm is raised" in raised.text
    assert beach.now.phase is Phase.ALERT


@pytest.mark.parametrize("version", ["old", ""])
def test_a_first_sos_on_a_dive_that_closed_since_is_asked_about(beach: Beach, version: str) -> None:
    """The page showed a dive under way, or nothing that we know."""
    seen = version and beach.seen(f"{beach.lead}/sos")
    beach.happens(Finish(BRAM_TEXTS, count=2), minutes=10)

    asked = beach.press("sos", seen)

    assert asked.status_code == 409
    assert beach.now.phase is Phase.CLOSED
    assert "The alarm is raised" in beach.press("sos", beach.version_of(asked.text)).text


def test_an_sos_on_a_page_that_shows_the_end_is_raised_at_once(beach: Beach) -> None:
    """Nothing is asked twice of whoever knows that it was over."""
    beach.happens(Finish(BRAM_TEXTS, count=2), minutes=10)

    assert "The alarm is raised" in beach.press("sos", beach.seen(f"{beach.lead}/sos")).text


def test_an_sos_is_raised_where_what_happened_cannot_be_read(beach: Beach, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of ours keeps nobody from an alarm; a later due out by an old page is asked about then."""
    seen = beach.seen(beach.lead)
    beach.happens(NoteHanded("start_notice", "contact-0"))

    def unreadable(*_: object) -> None:
        raise UnreadableError("damaged")

    with monkeypatch.context() as patch:
        patch.setattr(log, "events", unreadable)
        late = beach.press("late", seen, minutes="20")
        raised = beach.press("sos", seen)

    assert late.status_code == 409
    assert "The alarm is raised" in raised.text


def test_out_counts_from_a_page_of_before_the_alarm(beach: Beach) -> None:
    """Whoever is out is out."""
    seen = beach.seen(beach.lead)
    beach.happens(Tick(), minutes=70)

    assert "The clock is stopped" in beach.press("out", seen, count="2").text
    assert beach.now.phase is Phase.CLOSED


def test_an_out_that_comes_again_ends_no_alarm_that_was_raised_after_it(beach: Beach) -> None:
    """The page that is loaded again is of another end; pressed on the page that comes, it is theirs."""
    seen = beach.seen(beach.lead)
    beach.press("out", seen, count="2")
    beach.happens(RaiseNow(BRAM_TEXTS, note="Cy went back in"), minutes=5)

    again = beach.press("out", seen, count="2")

    assert again.status_code == 409
    assert "Cy went back in" in again.text.partition('id="moved"')[2].partition("</ul>")[0]
    assert beach.now.phase is Phase.ALERT
    assert beach.press("out", beach.version_of(again.text), count="2").status_code == 200
    assert beach.now.phase is Phase.CLOSED


def test_i_have_it_counts_from_an_older_page(beach: Beach) -> None:
    """It never says that somebody is safe, so nothing is asked."""
    beach.happens(Tick(), minutes=66)
    seen = beach.seen(beach.contact)
    beach.happens(RaiseNow(BRAM_TEXTS), minutes=5)

    assert "Noted that you have it" in beach.answer("ok", seen).text
    assert beach.counted["Acknowledged"] == 1


def test_an_i_have_it_that_comes_again_keeps_nobody_from_being_told_of_the_next_alarm(beach: Beach) -> None:
    """It was said of the alarm that was over; of this one its sender may know nothing."""
    beach.happens(Tick(), minutes=66)
    seen = beach.seen(beach.contact)
    beach.answer("ok", seen)
    beach.happens(ReportSafe(CLEO_TEXTS, count=2), minutes=5)
    beach.happens(RaiseNow(BRAM_TEXTS), minutes=5)

    again = beach.answer("ok", seen)

    assert again.status_code == 409
    assert beach.now.acknowledged == ()
    assert beach.answer("ok", beach.version_of(again.text)).status_code == 200
    assert [told.key for told in beach.now.acknowledged] == ["contact-0"]


def test_rescue_is_called_once_however_often_it_is_said(beach: Beach) -> None:
    """From each page anew too; with a number, or after another alarm, it is news."""
    beach.happens(Tick(), minutes=70)
    for _ in range(3):
        assert beach.answer("called", beach.seen(beach.contact)).status_code == 200
    assert beach.counted["RescueCalled"] == 1

    beach.answer("called", beach.seen(beach.contact), incident="A-17")
    assert (beach.counted["RescueCalled"], beach.now.called_reference) == (2, "A-17")
    beach.happens(RaiseNow(BRAM_TEXTS), minutes=5)
    beach.answer("called", beach.seen(beach.contact))
    assert beach.counted["RescueCalled"] == 3


def test_called_and_not_called_are_done_again_by_no_old_page(beach: Beach) -> None:
    """A browser that sends a form once more must neither calm nor alarm anybody; pressed on what is so now it does."""
    beach.happens(Tick(), minutes=70)
    calls = beach.seen(beach.contact)
    beach.answer("called", calls)
    takes_back = beach.seen(beach.contact)
    beach.answer("not_called", takes_back)

    again = beach.answer("called", calls)
    assert (again.status_code, beach.now.called_at) == (409, None)
    assert beach.answer("called", beach.version_of(again.text)).status_code == 200

    once_more = beach.answer("not_called", takes_back)
    assert once_more.status_code == 409
    assert beach.now.called_at is not None
    assert (beach.counted["RescueCalled"], beach.counted["CalledTakenBack"]) == (2, 1)


def test_not_called_on_a_page_of_before_somebody_called_is_asked_about(beach: Beach) -> None:
    """Of whoever has said nothing themselves: it would take back a word that the page did not show."""
    beach.happens(Tick(), minutes=70)
    beach.happens(ReportCalled(Actor(Role.CONTACT, "Dov Lind", Via.TEXT, "contact-1")), minutes=1)
    seen = beach.seen(beach.contact)
    beach.happens(ReportCalled(Actor(Role.ADMIN, "Finn Gray", Via.PAGE, "admin-1")), minutes=1)

    asked = beach.answer("not_called", seen)

    assert (asked.status_code, beach.now.called_at is not None) == (409, True)
    assert beach.answer("not_called", beach.version_of(asked.text)).status_code == 200
    assert beach.now.called_at is None


def test_safe_on_a_page_of_before_an_sos_says_what_is_so_now_and_asks(beach: Beach) -> None:
    """What was typed stays, and pressed again it is done; that somebody acknowledged meanwhile asks nothing."""
    beach.happens(Tick(), minutes=66)
    seen = beach.seen(beach.contact)
    beach.happens(RaiseNow(BRAM_TEXTS, note="Anna is hurt"), minutes=2)

    asked = beach.answer("safe", seen, count="2")

    assert asked.status_code == 409
    assert "Anna is hurt" in asked.text.partition('id="moved"')[2].partition("</ul>")[0]
    assert re.search(r'id="count" name="count"[^>]* value="2"', asked.text)
    assert beach.now.phase is Phase.ALERT
    beach.happens(Acknowledge(CLEO_TEXTS))
    assert beach.answer("safe", beach.version_of(asked.text), count="2").status_code == 200
    assert beach.now.phase is Phase.CLOSED


def test_every_form_of_a_page_carries_what_it_shows(beach: Beach) -> None:
    """Also one that only an assumed start has, and the page in between of an SOS."""
    for path in (beach.lead, f"{beach.lead}/sos", beach.contact):
        page = Page(beach.client.get(path).text)
        forms = [one.get("id") for one in page.all("form") if one.get("method") == "post"]
        carried = [one.get("form") for one in page.all("input") if one.get("name") == "version"]
        assert forms
        assert set(forms) <= set(carried), path
        assert beach.seen(path) == str(beach.now.version)
    assert beach.now.due_out_at == beach.at.clock.at + timedelta(minutes=50)
