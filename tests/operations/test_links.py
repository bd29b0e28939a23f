"""Links: the token only as its hash, behind the text where it fits, dead a day after the close."""

from __future__ import annotations

import re

import pytest
from sqlalchemy import select

from service.domain.encoding import segments
from service.domain.people import Role
from service.domain.wording import LinkKind
from service.operations.links import hash_token
from service.operations.log_words import words_of
from service.operations.pages import dive_link, link_actor, note_view, open_link, pack_link
from service.operations.plan_reading import NamedPhone
from service.store.tables import DiveRow, LinkRow, LogEntryRow, MessageRow
from tests.operations.stage import ANNA, CLEO, DOV, FINN, Stage, plan

ADDRESS = re.compile(r" https://dive\.example/(?P<kind>dive|alarm)/(?P<token>[\w-]{22})$")


def token_to(stage: Stage, phone: str) -> str:
    """The token in the last text to a phone that has one."""
    return [found["token"] for body in stage.to(phone) if (found := ADDRESS.search(body))][-1]


def test_a_contact_opens_the_alarm_page_by_the_link_of_the_start_notice(stage: Stage) -> None:
    """The page knows whose link it is, and for which dive."""
    dive = stage.dive_in()

    view = open_link(stage.service, token_to(stage, CLEO), LinkKind.ALARM)

    assert view is not None
    assert (view.dive.id, view.person.name, view.role) == (dive.id, "Cleo Marsh", Role.CONTACT)
    stage.text(ANNA, "out 2")


def test_opening_a_link_changes_nothing(stage: Stage) -> None:
    """Previewers and scanners open links too; a view that is noted is an entry and no answer."""
    dive = stage.dive_in()
    entries = len(stage.entries(dive))
    view = open_link(stage.service, token_to(stage, CLEO), LinkKind.ALARM)
    assert view is not None
    assert len(stage.entries(dive)) == entries

    note_view(stage.service, view)

    assert stage.dive(dive.id) == dive
    [seen] = stage.entries(dive)[entries:]
    assert (seen.kind, seen.actor and seen.actor["name"]) == ("page_viewed", "Cleo Marsh")
    # Whoever reads the log must not believe that she is awake.
    assert "Their alarm page was opened, by them or by a program that looks at links." in words_of(seen, dive)


def test_a_token_is_kept_only_as_its_hash(stage: Stage) -> None:
    """Of what can be read in the tables only the text itself has the token, and the log has none."""
    stage.dive_in()
    token = token_to(stage, CLEO)

    hashes = stage.service.read(lambda session: session.execute(select(LinkRow.token_hash)).scalars().all())
    entries = stage.service.read(lambda session: session.execute(select(LogEntryRow.detail)).scalars().all())
    states = stage.service.read(lambda session: session.execute(select(DiveRow.state)).scalars().all())

    assert hash_token(token) in hashes
    assert not any(token in (text or "") for text in [*hashes, *entries, *states])


def test_every_person_has_a_token_of_their_own(stage: Stage) -> None:
    """Who pressed a button is known by the link."""
    stage.dive_in()

    assert token_to(stage, CLEO) != token_to(stage, DOV)


@pytest.mark.parametrize("kind", [LinkKind.DIVE, LinkKind.ALARM])
def test_a_link_opens_only_pages_of_its_kind(stage: Stage, kind: LinkKind) -> None:
    """A contact's token is no diver's, and the other way round."""
    dive = stage.dive_in()
    other = LinkKind.ALARM if kind is LinkKind.DIVE else LinkKind.DIVE
    person = "diver-0" if kind is LinkKind.DIVE else "contact-0"
    token = dive_link(stage.service, dive.id, person, kind).rpartition("/")[2]

    assert open_link(stage.service, token, kind) is not None
    assert open_link(stage.service, token, other) is None


@pytest.mark.parametrize("token", ["", "x", "A" * 22, "A" * 4_000, "../../etc"], ids=len)
def test_a_token_that_never_was_opens_nothing(stage: Stage, token: str) -> None:
    """Whatever is tried, there is no such page."""
    stage.dive_in()

    assert open_link(stage.service, token, LinkKind.ALARM) is None


def test_a_link_is_dead_a_day_after_the_close(stage: Stage) -> None:
    """Until then it still shows how it ended."""
    stage.dive_in()
    token = token_to(stage, CLEO)
    stage.text(ANNA, "out 2")

    stage.sleep(24 * 60 - 1)
    assert open_link(stage.service, token, LinkKind.ALARM) is not None
    stage.sleep(1)
    assert open_link(stage.service, token, LinkKind.ALARM) is None


def test_an_admin_who_was_told_opens_the_alarm_page(stage: Stage) -> None:
    """Whoever the hand-up went to may see what it is about."""
    dive = stage.dive_in()
    stage.wait(minutes=112)
    [told] = [message for message in stage.messages(dive.id) if message.phone == FINN]

    token = dive_link(stage.service, dive.id, told.person_key, LinkKind.ALARM).rpartition("/")[2]
    view = open_link(stage.service, token, LinkKind.ALARM)

    assert view is not None
    assert (view.person.name, view.role) == ("Finn Aske", Role.ADMIN)
    assert link_actor(view, "safe").words == "safe"
    stage.text(ANNA, "out 2")


def test_an_alarm_link_opens_the_pack_as_well_and_a_pack_link_opens_only_the_pack(stage: Stage) -> None:
    """What is passed on to rescue cannot answer the alarm; it still says whose it was."""
    dive = stage.dive_in()
    view = open_link(stage.service, token_to(stage, CLEO), LinkKind.HANDOVER, LinkKind.ALARM)
    assert view is not None
    assert view.kind is LinkKind.ALARM

    address = pack_link(stage.service, view)

    base, _, token = address.rpartition("/")
    assert base == "https://dive.example/handover"
    assert open_link(stage.service, token, LinkKind.ALARM) is None
    assert open_link(stage.service, token, LinkKind.DIVE) is None
    pack = open_link(stage.service, token, LinkKind.HANDOVER, LinkKind.ALARM)
    assert pack is not None
    assert (pack.kind, pack.person.name, pack.dive.id) == (LinkKind.HANDOVER, "Cleo Marsh", dive.id)
    made = stage.entries(dive)[-1]
    assert (made.kind, made.detail, made.actor and made.actor["name"]) == (
        "link_made",
        {"page": "handover"},
        "Cleo Marsh",
    )


def test_a_view_says_which_page_and_which_document_of_it(stage: Stage) -> None:
    """Every export is in the log."""
    dive = stage.dive_in()
    view = open_link(stage.service, token_to(stage, CLEO), LinkKind.ALARM)
    assert view is not None

    note_view(stage.service, view, LinkKind.HANDOVER)
    note_view(stage.service, view, LinkKind.HANDOVER, "pdf")

    assert [entry.detail for entry in stage.entries(dive)[-2:]] == [
        {"page": "handover"},
        {"page": "handover", "document": "pdf"},
    ]


def test_no_link_for_a_dive_that_is_not_there(stage: Stage) -> None:
    """That is an error of the caller."""
    with pytest.raises(LookupError, match="no dive nowhere"):
        dive_link(stage.service, "nowhere", "diver-0", LinkKind.DIVE)


def test_a_link_is_left_out_where_it_does_not_fit(stage: Stage) -> None:
    """It adds, it never carries: the text keeps its last word and its number of segments."""
    wordy = "x" * 60
    stage.dive_in(plan(vehicle=wordy, kit=wordy * 4, party=(NamedPhone("Bartholomew " + "B" * 48, "07700 900002"),)))
    stage.wait(minutes=66)

    rows = stage.service.read(lambda session: session.execute(select(MessageRow)).scalars().all())
    allowed = {"distress": 3, "alert": 3, "start_notice": 3, "stand_down": 2, "other": 2, "reminder": 1, "reply": 1}
    for row in rows:
        assert row.segments == len(segments(row.body).parts) <= allowed[row.kind], row.body
        assert row.body.count("https://") <= 1
    replies = [row.body for row in rows if row.kind == "reply" and "plan filed" in row.body]
    assert replies
    assert not any("https://" in body for body in replies)
    stage.text(ANNA, "out 2")


def test_with_a_public_address_too_long_for_any_text_every_text_still_goes_out(stage: Stage) -> None:
    """A link that fits nowhere is nowhere."""
    long_winded = stage.service.public_url + "/" + "a" * 400
    object.__setattr__(stage.service, "public_url", long_winded)
    stage.dive_in()
    stage.wait(minutes=66)

    assert "OVERDUE" in stage.last_to(CLEO)
    assert not any("https://" in taken.body for taken in stage.journal)
    stage.text(ANNA, "out 2")
