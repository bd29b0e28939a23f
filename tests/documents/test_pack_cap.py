"""The pack as CAP 1.2: valid by the OASIS schema, and following the dive from the alarm to its end."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from service.documents.pack_cap import (
    EVERY,
    REFERENCES_MAX,
    Issue,
    NoAlertError,
    identifier,
    issues,
    name,
    to_cap,
)
from service.domain.dive import commands as do
from service.domain.handover import Moment, Person
from service.domain.plan import Diver
from tests.documents.cap_schema import faults, texts
from tests.domain.builders import Story, at, contact, diver, filed, in_water, overdue
from tests.domain.rescue_dives import FULL_PLAN, overdue_with_everything, overdue_with_nothing, pack_of

SENDER = "linetender@dive.example.org"


def message(story: Story, minutes: float) -> bytes:
    """What somebody gets who fetches so long after the start: the latest, made for when it was issued."""
    issued = issues(pack_of(story, minutes))[-1]
    return to_cap(pack_of(story, (issued.at - at()) / timedelta(minutes=1)), SENDER)


def one(document: bytes, path: str) -> str:
    """The text of the only element at a path."""
    (text,) = texts(document, path)
    return text


def closed() -> Story:
    """Stood down at +95."""
    story = overdue_with_everything()
    story.does(do.ReportSafe(contact(0, "SAFE 2"), count=2), at(95))
    return story


@pytest.mark.parametrize("minutes", [65, 67, 70, 80, 84, 92, 120, 600])
def test_every_message_of_an_alarm_is_valid(minutes: int) -> None:
    """By the OASIS schema, whatever has happened so far."""
    assert faults(message(overdue_with_everything(), minutes)) == []


def test_a_dive_of_which_hardly_anything_is_known_gives_a_valid_message() -> None:
    """Without a position the area is the name of the site alone."""
    document = message(overdue_with_nothing(), 92)

    assert faults(document) == []
    assert one(document, "info/area/areaDesc") == "Nameless gully"
    assert texts(document, "info/area/circle") == []
    assert texts(document, "incidents") == []


@pytest.mark.parametrize(
    ("minutes", "kind", "urgency", "severity", "certainty", "response"),
    [
        (65, "Alert", "Immediate", "Severe", "Possible", "Assess"),
        (67, "Update", "Immediate", "Severe", "Possible", "Assess"),
        (80, "Update", "Immediate", "Extreme", "Likely", "Assess"),
        (96, "Cancel", "Past", "Minor", "Observed", "AllClear"),
    ],
)
def test_the_message_follows_the_phase(
    minutes: int, kind: str, urgency: str, severity: str, certainty: str, response: str
) -> None:
    """Alert, then Update, then Cancel; how grave it is by the table of the docs."""
    document = message(closed(), minutes)

    assert faults(document) == []
    assert one(document, "msgType") == kind
    assert [one(document, f"info/{part}") for part in ("urgency", "severity", "certainty", "responseType")] == [
        *(urgency, severity, certainty, response)
    ]


def test_divers_who_say_that_they_are_in_trouble_are_graver_than_overdue_ones() -> None:
    """It is somebody's word, not only silence."""
    story = in_water(FULL_PLAN)
    story.does(do.RaiseNow(diver("SOS"), note="help"), at(20))

    document = message(story, 20)

    assert one(document, "info/event") == "Divers in trouble"
    assert one(document, "info/severity") == "Extreme"
    assert one(document, "info/certainty") == "Likely"


def test_it_says_who_how_many_where_and_when() -> None:
    """In the words of the pack, and as parameters for programs."""
    document = message(overdue_with_everything(), 92)

    assert one(document, "info/headline") == "Overdue divers: Anna Holt, 2 divers, Lantern Cove (LANTERN)"
    assert "2 divers: Anna Holt, Bram Vik." in one(document, "info/description")
    assert "47.12251,-20.54402" in one(document, "info/description")
    assert one(document, "info/senderName") == "Skerry Bay Divers"
    assert one(document, "info/contact").startswith("Dov Lind +44 7700 900012; Cleo Marsh +44 7700 900011; Edda Rowe")
    assert one(document, "incidents") == '"SKB 0417"'
    assert dict(
        zip(texts(document, "info/parameter/valueName"), texts(document, "info/parameter/value"), strict=True)
    ) == {"reference": "7K", "headCount": "2", "missing": "2", "phase": "distress"}


def test_medical_words_and_numbers_of_the_party_stay_in_the_pack() -> None:
    """An alert is passed from machine to machine; those belong to the co-ordinator who asks."""
    document = message(overdue_with_everything(), 92).decode()

    assert "insulin" not in document
    assert "900001" not in document


def test_the_circle_is_the_first_search_radius_about_the_datum() -> None:
    """In kilometres, for the moment at which the message was issued."""
    story = overdue_with_everything()
    (circle,) = texts(message(story, 92), "info/area/circle")
    picture = pack_of(story, 84).pictures[0]

    centre, radius_km = circle.split(" ")

    assert centre == f"{picture.datum.lat:.5f},{picture.datum.lon:.5f}"
    assert float(radius_km) == pytest.approx(picture.radius_m / 1000, abs=0.0006)


def test_a_drill_is_an_exercise_and_says_so() -> None:
    """Status, note, event and headline: no field that a person reads may look real."""
    document = message(overdue_with_everything(drill=True), 92)

    assert faults(document) == []
    assert one(document, "status") == "Exercise"
    for path in ("note", "info/event", "info/headline", "info/instruction"):
        assert one(document, path).startswith("EXERCISE"), path


def test_whoever_fetches_between_two_messages_gets_the_same_bytes() -> None:
    """An identifier names one message, so its content must not change under it."""
    story = overdue_with_everything()

    assert message(story, 85) == message(story, 100)
    assert one(message(story, 85), "identifier") == one(message(story, 113.9), "identifier")


def test_between_changes_a_message_is_issued_every_half_hour() -> None:
    """The search area grows while nothing is heard."""
    story = overdue_with_everything()

    early, later = message(story, 84), message(story, 84 + 30)

    assert one(later, "identifier") == f"{one(early, 'identifier')}.1"
    assert one(later, "sent") == "2027-06-01T11:54:00+01:00"
    assert float(one(later, "info/area/circle").split(" ")[1]) > float(one(early, "info/area/circle").split(" ")[1])


def test_references_name_every_earlier_message_as_it_was_sent() -> None:
    """As sender,identifier,sent: what another system needs to replace or cancel what it has."""
    story = closed()
    fetched = [message(story, minutes) for minutes in (65, 67, 84)]

    references = one(message(story, 96), "references").split(" ")

    for document in fetched:
        assert ",".join(one(document, part) for part in ("sender", "identifier", "sent")) in references
    assert references == list(dict.fromkeys(references))
    assert texts(fetched[0], "references") == []


def test_nothing_is_issued_after_the_end() -> None:
    """A Cancel is not repeated."""
    story = closed()

    assert issues(pack_of(story, 96)) == issues(pack_of(story, 600))


def test_an_alarm_that_goes_on_for_days_keeps_its_references_in_bounds() -> None:
    """The first message and the latest ones."""
    document = message(overdue_with_everything(), 60 * 24 * 4)

    references = one(document, "references").split(" ")

    assert len(references) == REFERENCES_MAX
    assert references[0].endswith("2027-06-01T11:05:00+01:00")
    assert faults(document) == []


def test_a_dive_that_was_raised_again_begins_with_an_alert_again() -> None:
    """What was cancelled is not updated."""
    story = closed()
    story.does(do.RaiseNow(contact(0, "RAISE"), note="one is missing"), at(100))

    assert one(message(story, 100), "msgType") == "Alert"


@pytest.mark.parametrize("story", [filed(FULL_PLAN), overdue(51, FULL_PLAN)], ids=["filed", "uncertainty"])
def test_without_an_alarm_there_is_no_message(story: Story) -> None:
    """Nobody may read of an alert that no contact has had."""
    assert issues(pack_of(story, 55)) == ()
    with pytest.raises(NoAlertError, match=re.escape("It appears with the alarm.")):
        to_cap(pack_of(story, 55), SENDER)


def test_without_a_timeline_there_is_the_one_message_of_the_alarm() -> None:
    """Total: what is not known of the past is left out."""
    made = replace(pack_of(overdue_with_everything(), 66), timeline=())

    assert [(issue.repeat, issue.at) for issue in issues(made)] == [(0, at(65))]
    assert faults(to_cap(made, SENDER)) == []


def test_of_events_at_one_instant_the_last_is_the_message() -> None:
    """They were one change; what lay between could never be fetched."""
    made = pack_of(overdue_with_everything(), 66)
    twice = (Moment(at(65), "one"), Moment(at(65), "two"))

    assert [issue.version for issue in issues(replace(made, timeline=twice))] == [2]


@pytest.mark.parametrize(
    ("given", "taken"),
    [
        ("linetender@dive.example.org", "linetender@dive.example.org"),
        ("a b,c<d&e", "a-b-c-d-e"),
        (" , ", "linetender"),
    ],
)
def test_identifiers_and_senders_have_no_forbidden_characters(given: str, taken: str) -> None:
    """No blanks, commas, < or & (OASIS CAP 1.2, 3.2.1; from memory)."""
    assert name(given) == taken
    assert not re.search(r"[\s,<&]", identifier(pack_of(overdue_with_everything(), 92), Issue(3, 0, at(65))))


def test_two_contacts_of_one_name_are_two_to_ask() -> None:
    """Two called Mum, or plain Anna: rescue must not be given only the number of the last."""
    contacts = (Person("Mum", "+447700900011"), Person("Mum", "+447700900012"))
    made = replace(pack_of(overdue_with_everything(), 84), contacts=contacts, on_scene=contacts[1:])

    document = to_cap(made, SENDER)

    assert one(document, "info/contact") == "Mum +44 7700 900012; Mum +44 7700 900011"


def test_without_anybody_to_ask_there_is_no_contact() -> None:
    """An empty element would be a promise."""
    made = replace(pack_of(overdue_with_everything(), 84), contacts=(), on_scene=())

    document = to_cap(made, SENDER)

    assert faults(document) == []
    assert texts(document, "info/contact") == []


def test_an_incident_of_one_word_needs_no_quotes() -> None:
    """And quotes inside one are left out, for they would end it."""
    story = overdue(84, FULL_PLAN)
    story.does(do.ReportCalled(contact(0), 'SKB-"0417"'), at(84))

    assert one(message(story, 85), "incidents") == "SKB-0417"


def test_characters_that_xml_forbids_are_left_out() -> None:
    """A control character in a text must not make the whole alert unreadable."""
    plan = replace(FULL_PLAN, kit="black\x00 <suit>\x0b & \ud800fins\ufffe")

    document = message(overdue_with_everything(plan), 92)

    assert faults(document) == []
    assert "black <suit> & fins" in one(document, "info/description")


def test_a_long_headline_is_cut_to_what_the_standard_advises() -> None:
    """160 characters; the description has everything."""
    plan = replace(FULL_PLAN, party=(Diver("A" * 60, FULL_PLAN.party[0].phone), *FULL_PLAN.party[1:]))
    longer = replace(plan, site=replace(plan.site, name="B" * 60))

    headline = one(message(overdue_with_everything(longer, drill=True), 92), "info/headline")

    assert len(headline) == 160
    assert headline.endswith("...")


def test_a_message_lasts_a_day_beyond_what_follows_it() -> None:
    """An open alarm must not fall off a screen by itself."""
    document = message(overdue_with_everything(), 92)

    assert one(document, "info/expires") == "2027-06-02T11:24:00+01:00"
    assert timedelta(0) < EVERY < timedelta(hours=1)
