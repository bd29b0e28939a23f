"""A contact's page: complete for a rescue call, inert when opened, answered only with the reference of the text."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import Hear, RaiseNow, ReportFix, Start, Tick
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from service.operations.pages import dive_details
from service.operations.recording import act
from tests.web.installation import ANNA, Site

ANNA_BY_TEXT = Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", phone=ANNA, words="IN")


@dataclass
class AlarmPage:
    """An overdue dive and the page of its first contact."""

    at: Site
    client: FlaskClient
    dive: Dive
    path: str

    def answer(self, do: str, reference: str | None = None, **fields: str) -> TestResponse:
        """Press a button of the page as it is now, with the right reference unless another is given."""
        given = self.dive.reference if reference is None else reference
        data = {"do": do, "reference": given, "version": str(self.now.version), **fields}
        return self.client.post(self.path, data=data)

    @property
    def now(self) -> Dive:
        """The dive as it stands."""
        return self.at.now_of(self.dive)

    @property
    def shown(self) -> str:
        """The page as it is now."""
        return self.client.get(self.path).text


@pytest.fixture
def page(at: Site, client: FlaskClient) -> AlarmPage:
    """Two divers, twenty minutes over."""
    dive = at.filed()
    act(at.service, dive.id, Start(ANNA_BY_TEXT))
    at.clock.forward(70)
    act(at.service, dive.id, Tick())
    return AlarmPage(at, client, dive, at.alarm_path(dive))


def test_the_page_says_all_that_a_rescue_call_needs(page: AlarmPage) -> None:
    """Who, how many, where in two notations, since when, exits, access, car, numbers to call."""
    shown = page.shown

    for words in (
        "Overdue divers: Anna Holt, 2 divers",
        "Anna Holt, Bram Vik",
        "Lantern Steps",
        "47.12345,-20.54321",
        "47\N{DEGREE SIGN}07.407&#39;N 020\N{DEGREE SIGN}32.593&#39;W",
        "Plus code",
        "here the plan has them go in",
        "In 10:00, due out 10:50: overdue by 20 min.",
        "due out 20 min ago",
        "Azores time",
        "North slip",
        "Track from the chapel",
        "Green van at the gate",
        'href="tel:+447700900101"',
        'href="tel:112"',
    ):
        assert words in shown, words


def test_at_distress_the_first_step_is_to_call_rescue(page: AlarmPage) -> None:
    """The order of the calls turns round, and what to read aloud to rescue stands under the button."""
    alert = page.shown
    page.at.clock.forward(20)
    act(page.at.service, page.dive.id, Tick())

    distress = page.shown
    assert alert.index("tel:+447700900101") < alert.index("tel:112")
    assert distress.index("Call rescue now") < distress.index("tel:112") < distress.index("tel:+447700900101")
    assert "I am reporting overdue divers." not in alert
    assert distress.index("tel:112") < distress.index("I am reporting overdue divers.")


def test_last_known_position_and_last_words_are_shown(page: AlarmPage) -> None:
    """The newest fix is the position that is given; other people's words are text, with tricks made visible."""
    act(page.at.service, page.dive.id, ReportFix(ANNA_BY_TEXT, Position(47.13, -20.55)))
    act(page.at.service, page.dive.id, Hear(ANNA_BY_TEXT, "<b>near</b> the \u202e\x07ladder"))

    shown = page.shown
    facts = shown.partition('id="facts"')[2]
    assert '<span class="position">47.13000,-20.55000</span>' in facts
    assert '<span class="position">47.12345,-20.54321</span>' not in facts
    assert "By text from Anna Holt, 11:10" in facts
    assert "&lt;b&gt;near&lt;/b&gt; the [U+202E][U+0007]ladder" in shown


def test_words_of_an_alarm_are_quoted(at: Site, client: FlaskClient) -> None:
    """What the person said who raised it stands at the top."""
    dive = at.filed()
    act(at.service, dive.id, Start(ANNA_BY_TEXT))
    act(at.service, dive.id, RaiseNow(ANNA_BY_TEXT, "lost Bram at the wall"))

    assert "lost Bram at the wall" in client.get(at.alarm_path(dive)).text


def test_opening_is_logged_and_counts_as_nothing(page: AlarmPage) -> None:
    """A view is an entry that names the contact; the dive is not acknowledged by it."""
    page.client.get(page.path)

    details = dive_details(page.at.service, page.at.club_id, page.dive.id)
    assert details is not None
    viewed = [entry for entry in details.entries if entry.kind == "page_viewed"]
    assert [entry.actor["name"] for entry in viewed if entry.actor] == ["Cleo Marsh"]
    assert page.now.acknowledged == ()


def test_i_have_it_acknowledges(page: AlarmPage) -> None:
    """The log names the contact and the button; the page says who is acting."""
    answer = page.answer("ok")

    (told,) = page.now.acknowledged
    assert answer.status_code == 200
    assert told.key == "contact-0"
    assert "Acting on it: Cleo Marsh 11:10" in answer.text


@pytest.mark.parametrize("typed", ["{ref}", "{lower}", " {spaced} ", "#{ref}."])
def test_the_reference_is_read_however_it_is_typed(page: AlarmPage, typed: str) -> None:
    """Case, spaces and marks do not matter."""
    ref = page.dive.reference
    given = typed.format(ref=ref, lower=ref.lower(), spaced=" ".join(ref))

    assert page.answer("ok", given).status_code == 200


@pytest.mark.parametrize("typed", ["", "9", "ZZ", "other", "\u202e"])
@pytest.mark.parametrize("do", ["ok", "called", "not_called", "safe"])
def test_without_the_right_reference_nothing_changes(page: AlarmPage, do: str, typed: str) -> None:
    """A program that opens links and presses buttons does not know what is printed in the text."""
    wrong = typed if typed != "other" else ("2A" if page.dive.reference != "2A" else "3A")
    before = page.now

    answer = page.answer(do, wrong, count="2")

    assert answer.status_code == 422
    assert "not the reference in your text" in answer.text
    assert 'aria-describedby="reference-hint reference-error"' in answer.text
    assert page.now == before


@pytest.mark.parametrize("typed", ["OK {ref}", "Ref {ref}.", "SAFE 2 {ref}", "{ref} ", "# {ref}"])
def test_a_reference_that_is_copied_with_its_words_is_one(page: AlarmPage, typed: str) -> None:
    """Whoever copies the whole answer out of the text has shown that they have the text."""
    answer = page.answer("on_scene", typed.format(ref=page.dive.reference.lower()))

    assert answer.status_code == 200
    assert [told.key for told in page.now.on_scene] == ["contact-0"]


def test_a_wrong_reference_keeps_what_was_typed(page: AlarmPage) -> None:
    """The incident number and the count are still there."""
    answer = page.answer("called", "", incident="A-17 <x>", count="2")

    assert 'value="A-17 &lt;x&gt;"' in answer.text
    assert 'value="2"' in answer.text


def test_called_keeps_the_incident_number(page: AlarmPage) -> None:
    """The page names who called and under which number; the dive stays open."""
    answer = page.answer("called", incident="A-17")

    now = page.now
    assert now.called_reference == "A-17"
    assert now.called_by is not None
    assert now.called_by.name == "Cleo Marsh"
    assert now.live
    assert "incident A-17" in answer.text


def test_that_rescue_was_called_is_taken_back_with_the_reference(page: AlarmPage) -> None:
    """The button is there once somebody has said so; then the page sends its reader to call, and says what was said."""
    before = page.client.get(page.path).text
    called = page.answer("called", incident="A-17")

    answer = page.answer("not_called")

    assert 'value="not_called"' not in before
    assert 'value="not_called"' in called.text
    assert "Cleo Marsh has told us that it was." in called.text
    assert page.now.called_at is None
    assert page.now.phase is Phase.DISTRESS
    assert "Noted that rescue was not called. Everybody is told so, and asked to call." in answer.text
    assert "<h1>Call rescue now</h1>" in answer.text
    assert "Cleo Marsh said that rescue was called, and has taken that back." in answer.text
    assert "Not known to have been called: Cleo Marsh said" in answer.text
    assert "incident A-17; they took that back" in answer.text
    assert 'value="not_called"' not in answer.text


def test_another_contacts_word_that_it_was_not_is_on_the_page_of_all(page: AlarmPage) -> None:
    """With both names: they can ask each other, and call."""
    page.answer("called")
    dov = replace(page, path=page.at.alarm_path(page.dive, "contact-1"))

    answer = dov.answer("not_called")

    assert page.now.called_at is None
    assert "Cleo Marsh said that rescue was called; Dov Lind says that it was not." in answer.text
    assert "Cleo Marsh said that rescue was called; Dov Lind says" in page.client.get(page.path).text


def test_safe_with_all_heads_stands_down(page: AlarmPage) -> None:
    """The dive closes by the contact's word, and the page has nothing more to answer."""
    answer = page.answer("safe", count="2")

    now = page.now
    assert now.phase is Phase.CLOSED
    assert now.closed_by is not None
    assert now.closed_by.key == "contact-0"
    assert "Stood down, all safe" in answer.text
    assert "Say what you know" not in answer.text


def test_safe_after_rescue_was_called_says_to_tell_them(page: AlarmPage) -> None:
    """Whoever called rescue must tell them that it is over."""
    page.answer("called")

    answer = page.answer("safe", count="2")

    assert "tell them now that it is over" in answer.text


def test_safe_with_fewer_heads_does_not_end_the_alarm(page: AlarmPage) -> None:
    """The page says how many are missing and how many are reported out."""
    answer = page.answer("safe", count="1")

    assert page.now.alarmed
    assert "1 out, 1 missing" in answer.text
    assert "1 of 2 are reported out" in answer.text


@pytest.mark.parametrize("count", ["", "all", "2.0"])
def test_safe_without_a_number_is_asked_again(page: AlarmPage, count: str) -> None:
    """The error stands at the count, and nothing changes."""
    answer = page.answer("safe", count=count)

    assert answer.status_code == 422
    assert "count-error" in answer.text
    assert page.now.alarmed


def test_a_button_that_is_none_changes_nothing(page: AlarmPage) -> None:
    """Anything else posted is answered, and that is all."""
    before = page.now

    assert page.answer("out", count="2").status_code == 422
    assert page.now == before


def test_before_any_alarm_the_page_says_what_to_do_if_nothing_is_heard(at: Site, client: FlaskClient) -> None:
    """It has the raise-by time and no button that would acknowledge an alarm."""
    dive = at.filed()
    act(at.service, dive.id, Start(ANNA_BY_TEXT))

    shown = client.get(at.alarm_path(dive)).text

    assert "There is no alarm now" in shown
    assert "11:05" in shown
    assert 'value="ok"' not in shown


def test_the_second_contact_has_a_page_of_their_own(page: AlarmPage) -> None:
    """What they answer is logged as theirs."""
    path = page.at.alarm_path(page.dive, "contact-1")

    page.client.post(path, data={"do": "ok", "reference": page.dive.reference})

    assert [told.key for told in page.now.acknowledged] == ["contact-1"]


def test_an_admin_can_stand_down_by_link(page: AlarmPage) -> None:
    """The link of a hand-up opens the page for the admin who got it."""
    path = page.at.alarm_path(page.dive, "admins")

    data = {"do": "safe", "count": "2", "reference": page.dive.reference, "version": str(page.now.version)}
    answer = page.client.post(path, data=data)

    assert answer.status_code == 200
    closed = page.now.closed_by
    assert closed is not None
    assert (closed.name, closed.role) == ("Edda Rowe", Role.ADMIN)


def test_the_page_is_shown_even_when_its_view_cannot_be_logged(
    page: AlarmPage, caplog: pytest.LogCaptureFixture
) -> None:
    """A full disk must not hide the plan from the contact who opens it."""
    with page.at.service.engine.begin() as connection:
        connection.exec_driver_sql(
            "CREATE TRIGGER full_disk BEFORE INSERT ON log_entries BEGIN SELECT RAISE(ABORT, 'disk full'); END"
        )

    answer = page.client.get(page.path)

    assert answer.status_code == 200
    assert "Lantern Steps" in answer.text
    assert "web.alarm_view_not_noted" in [record.message for record in caplog.records]


def test_a_dive_that_cannot_be_read_sends_the_contact_back_to_the_text(page: AlarmPage) -> None:
    """A fault of ours is said to be one, and the page says to act on what the contact holds already."""
    with page.at.service.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE dives SET state = 'broken'")

    answer = page.client.get(page.path)

    assert answer.status_code == 500
    assert "Act on the text itself" in answer.text
    assert "call rescue yourself" in answer.text
    assert "broken" not in answer.text
