"""The diver's page: where the dive stands, and what each button does."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import Acknowledge, NoteHanded, NoteUnreachable, RaiseNow, ReportCalled, Tick
from service.domain.people import Actor, Channel, Role, Via
from service.operations.recording import act
from service.web.dive_words import standing
from tests.web.installation import CLEO, Site

CLEO_SAYS = Actor(Role.CONTACT, "Cleo Marsh", Via.TEXT, key="contact-0", phone=CLEO, words="OK")


@dataclass
class DivePage:
    """A dive and the page of its lead."""

    at: Site
    client: FlaskClient
    dive: Dive
    path: str

    def press(self, do: str, **fields: str) -> TestResponse:
        """Press a button of the page as it is now, or as it was at the `version` that is given."""
        return self.client.post(self.path, data={"do": do, "version": str(self.now.version), **fields})

    @property
    def now(self) -> Dive:
        """The dive as it stands."""
        return self.at.now_of(self.dive)


@pytest.fixture
def page(at: Site, client: FlaskClient) -> DivePage:
    """A filed plan of two."""
    dive = at.filed()
    return DivePage(at, client, dive, at.dive_path(dive))


def test_in_starts_the_clock_and_says_to_wait_for_armed(page: DivePage) -> None:
    """The answer has due out with its zone, and the couriers are hurried."""
    before = page.at.nudges.count

    answer = page.press("in", count="2")

    assert answer.status_code == 200
    assert page.now.phase is Phase.IN_WATER
    assert "due out 10:50 (Azores time)" in answer.text
    assert "Wait for the text ARMED" in answer.text
    assert "Not armed yet" in answer.text
    assert page.at.nudges.count > before


def test_the_page_says_armed_only_once_a_contact_holds_the_plan(page: DivePage) -> None:
    """Before the start notice is handed over the page says not armed, after it the page says armed."""
    page.press("in", count="2")
    assert "Not armed yet" in page.client.get(page.path).text

    act(page.at.service, page.dive.id, NoteHanded("start_notice", "contact-0"))

    shown = page.client.get(page.path).text
    assert "Armed, in the water" in shown
    assert "Cleo Marsh" in shown


def test_the_page_says_not_armed_when_nobody_could_be_told(page: DivePage) -> None:
    """After the time for it the page says to phone somebody."""
    page.press("in", count="2")
    page.at.clock.forward(2)
    act(page.at.service, page.dive.id, Tick())

    shown = page.client.get(page.path).text
    assert "<h1>Not armed</h1>" in shown
    assert "Phone somebody ashore" in shown


def test_in_takes_the_number_that_goes_in(page: DivePage) -> None:
    """One of two stays ashore."""
    page.press("in", count="1")

    assert page.now.head_count == 1


def test_in_twice_is_refused_in_words(page: DivePage) -> None:
    """The second press says since when the clock runs, and changes nothing."""
    page.press("in", count="2")
    page.at.clock.forward(3)

    answer = page.press("in", count="2")

    assert answer.status_code == 409
    assert "The clock has run since 10:00" in answer.text


def test_out_with_all_heads_stops_the_clock(page: DivePage) -> None:
    """The dive closes by the lead's word, and the page says so."""
    page.press("in", count="2")
    page.at.clock.forward(40)

    answer = page.press("out", count="2")

    closed = page.now
    assert answer.status_code == 200
    assert closed.phase is Phase.CLOSED
    assert closed.closed_by is not None
    assert (closed.closed_by.name, closed.closed_by.words) == ("Anna Holt", "Out, 2")
    assert "The clock is stopped" in answer.text


def test_out_with_fewer_heads_leaves_the_clock_running(page: DivePage) -> None:
    """It is recorded, and the page says how many are missing."""
    page.press("in", count="2")

    answer = page.press("out", count="1")

    assert page.now.phase is Phase.IN_WATER
    assert "1 out, 1 missing" in answer.text
    assert "The clock goes on" in answer.text


@pytest.mark.parametrize("count", ["", "two", "1.5", "-1", "100", "\u0662", "2 2"])
def test_out_without_a_number_of_heads_changes_nothing(page: DivePage, count: str) -> None:
    """A finish is never guessed: what is no number in digits is asked for again."""
    page.press("in", count="2")

    answer = page.press("out", count=count)

    assert answer.status_code == 422
    assert "Count heads" in answer.text
    assert page.now.phase is Phase.IN_WATER


def test_out_with_more_heads_than_went_in_is_refused(page: DivePage) -> None:
    """More out than went in is not understood."""
    page.press("in", count="2")

    answer = page.press("out", count="3")

    assert answer.status_code == 409
    assert "3 out, but 2 went in" in answer.text
    assert page.now.live


@pytest.mark.parametrize("minutes", ["10", "20", "30", "45"])
def test_late_asks_for_more_and_counts_once_a_contact_holds_it(page: DivePage, minutes: str) -> None:
    """Due out stays until the new time has been handed to a contact; the page says both times."""
    page.press("in", count="2")

    answer = page.press("late", minutes=minutes)

    assert answer.status_code == 200
    assert "due out stays 10:50" in answer.text
    extension = page.now.extension
    assert extension is not None
    act(page.at.service, page.dive.id, NoteHanded(extension.step, "contact-0"))
    due_out_at = page.now.due_out_at
    assert due_out_at is not None
    assert (due_out_at - page.at.clock.now()).total_seconds() == (50 + int(minutes)) * 60


@pytest.mark.parametrize("minutes", ["", "0", "-5", "soon", "1000", "1.5"])
def test_late_without_minutes_changes_nothing(page: DivePage, minutes: str) -> None:
    """The page asks how many."""
    page.press("in", count="2")

    answer = page.press("late", minutes=minutes)

    assert answer.status_code == 422
    assert "How many minutes later" in answer.text
    assert page.now.extension is None


def test_late_past_the_cap_is_refused_with_what_would_do(page: DivePage) -> None:
    """More than an hour is too late."""
    page.press("in", count="2")

    answer = page.press("late", minutes="61")

    assert answer.status_code == 409
    assert "The latest is 11:50" in answer.text


def test_call_off_before_the_start_closes_the_plan(page: DivePage) -> None:
    """Nobody goes in, and no clock runs."""
    answer = page.press("call_off")

    assert page.now.phase is Phase.CLOSED
    assert "Called off. No clock runs." in answer.text


def test_call_off_in_mid_dive_is_refused(page: DivePage) -> None:
    """Once in the water only OUT ends it."""
    page.press("in", count="2")

    answer = page.press("call_off")

    assert answer.status_code == 409
    assert page.now.live


def test_call_off_is_offered_until_somebody_says_that_they_went_in(at: Site, client: FlaskClient) -> None:
    """A start that was only assumed may be called off; one that was said after all may not."""
    dive = at.filed(time_in_at=at.clock.now())
    page = DivePage(at, client, dive, at.dive_path(dive))
    at.clock.forward(20)
    act(at.service, dive.id, Tick())
    offered = "Not diving" in client.get(page.path).text

    page.press("in", count="2")

    assert page.now.start_said
    assert (offered, "Not diving" in client.get(page.path).text) == (True, False)


def test_sos_is_asked_once_more_and_then_raises_the_alarm(page: DivePage) -> None:
    """Without JavaScript there is a page in between; the note reaches the dive word for word."""
    page.press("in", count="2")

    asked = page.client.get(f"{page.path}/sos")
    assert "Raise the alarm?" in asked.text
    assert 'href="tel:112"' in asked.text
    assert not page.now.alarmed
    answer = page.press("sos", note="Bram  has cramp")

    assert page.now.phase is Phase.ALERT
    assert page.now.raised_note == "Bram has cramp"
    assert "Being told now: Cleo Marsh, Dov Lind" in answer.text


def test_the_large_time_is_the_one_that_matters_now(page: DivePage) -> None:
    """First due out, then when contacts are alerted, then since when the alarm is up; always with how far away."""

    def large() -> tuple[str, str, str]:
        shown = page.client.get(page.path).text.partition('class="countdown"')[2]
        found = re.findall(r'<span class="(?:label|big|left)">([^<]*)<', shown)
        return found[0], found[1], found[2]

    page.press("in", count="2")
    assert large() == ("Due out", "10:50", "in 50 min")
    page.at.clock.forward(55)
    act(page.at.service, page.dive.id, Tick())
    assert large() == ("Contacts are alerted", "11:05", "in 10 min")
    page.at.clock.forward(15)
    act(page.at.service, page.dive.id, Tick())
    assert large() == ("Alarm since", "11:05", "5 min ago")


def test_a_button_that_is_none_changes_nothing(page: DivePage) -> None:
    """Anything else posted is answered, and that is all."""
    for do in ("", "finish", "ok"):
        answer = page.press(do)
        assert answer.status_code == 422
        assert "Use one of the buttons" in answer.text
    assert page.now.phase is Phase.FILED


def test_a_closed_dive_offers_only_the_alarm(page: DivePage) -> None:
    """Its page has no buttons but SOS, and a late press is refused in words."""
    page.press("call_off")

    shown = page.client.get(page.path).text
    assert 'value="out"' not in shown
    assert 'value="in"' not in shown
    assert "/sos" in shown
    assert page.press("in", count="2").status_code == 409


def test_the_link_is_dead_a_day_after_the_close(page: DivePage) -> None:
    """Till then it shows the end; afterwards it opens nothing."""
    page.press("call_off")
    page.at.clock.forward(24 * 60 - 1)
    assert page.client.get(page.path).status_code == 200

    page.at.clock.forward(2)

    answer = page.client.get(page.path)
    assert answer.status_code == 410
    assert "a day after its dive is over" in answer.text
    assert page.press("sos").status_code == 410


def test_a_divers_link_opens_no_alarm_page(page: DivePage) -> None:
    """A token is good for its own kind of page only."""
    token = page.path.rpartition("/")[2]

    assert page.client.get(f"/alarm/{token}").status_code == 410


def test_the_line_shows_what_has_been_and_what_comes(page: DivePage) -> None:
    """Each moment has its time at the site; what is ahead is said in words, not by shape alone."""
    page.press("in", count="2")

    shown = page.client.get(page.path).text

    assert shown.index("10:00</span> In ") < shown.index("10:50</span> Due out")
    assert shown.index("10:50</span> Due out") < shown.index("11:05</span> Contacts are alerted")
    assert "(still ahead)" in shown
    assert "(has been)" in shown


def says(page: DivePage) -> str:
    """The title and the words that stand at the top."""
    shown = page.client.get(page.path).text.partition('<section class="standing')[2]
    return re.sub(r"<[^>]+>", " ", shown.partition("<p class=")[0].partition(">")[2])


def test_an_overdue_page_says_that_phones_are_texted_and_what_ends_it(page: DivePage) -> None:
    """Nobody of the party is phoned by us, and an answer alone ends nothing."""
    page.press("in", count="2")
    page.at.clock.forward(55)
    act(page.at.service, page.dive.id, Tick())

    assert "phones are being texted. Unless all are said to be out, the contacts are alerted next" in says(page)


def test_in_an_alarm_the_page_says_who_acts_and_that_rescue_was_called(page: DivePage) -> None:
    """Each as far as somebody told us, and nothing of it before."""
    page.press("in", count="2")
    page.at.clock.forward(65)
    act(page.at.service, page.dive.id, Tick())
    assert "one after another. None has answered yet." in says(page)

    act(page.at.service, page.dive.id, Acknowledge(CLEO_SAYS))
    assert "Cleo Marsh acts on it. No further contact is alerted for now." in says(page)

    page.at.clock.forward(30)
    act(page.at.service, page.dive.id, Tick())
    assert "All contacts are told to call rescue now. Nobody has told us yet that they did." in says(page)

    act(page.at.service, page.dive.id, ReportCalled(CLEO_SAYS))
    assert "Alarm: rescue called" in says(page)
    assert "Cleo Marsh has told us that rescue was called." in says(page)


def test_a_call_for_help_alerts_all_contacts_at_once_and_the_page_says_so(page: DivePage) -> None:
    """Not one after another, as the clock does."""
    page.press("in", count="2")
    page.press("sos")

    assert "All shore contacts are being alerted at once." in says(page)


def test_in_a_drill_the_page_is_marked_and_sends_nobody_to_rescue(page: DivePage) -> None:
    """Title, heading and words, when in a real alarm rescue would be called."""
    page.press("in", count="2")
    page.at.clock.forward(95)
    act(page.at.service, page.dive.id, Tick())
    drilled = replace(page.now, drill=True)

    assert page.now.phase is Phase.DISTRESS
    assert standing(drilled).title == "Alarm"
    assert "Nobody is sent to call rescue" in standing(drilled).words


def test_the_page_names_no_contact_as_holding_the_plan_and_says_when_none_can_be_reached(page: DivePage) -> None:
    """Which of them was handed it the dive does not keep; once nothing reaches any, armed is no word for it."""
    page.press("in", count="2")
    act(page.at.service, page.dive.id, NoteHanded("start_notice", "contact-1"))
    assert "Armed, in the water" in says(page)
    assert "Cleo Marsh" not in says(page)

    for key in ("contact-0", "contact-1"):
        act(page.at.service, page.dive.id, NoteUnreachable(key, "refused", Channel.TEXT))

    assert "Armed" not in says(page)
    assert "nothing reaches your contacts. Phone somebody ashore." in says(page)


def test_no_word_of_the_line_turns_the_others_around(page: DivePage) -> None:
    """What cannot be seen is written out, there as everywhere."""
    page.press("in", count="2")
    act(page.at.service, page.dive.id, RaiseNow(CLEO_SAYS))
    act(page.at.service, page.dive.id, ReportCalled(CLEO_SAYS, "A\u202e7"))

    shown = page.client.get(page.at.alarm_path(page.dive)).text

    assert "incident A[U+202E]7" in shown
    assert "\u202e" not in shown
