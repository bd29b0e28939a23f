"""The messages of a club at its desk: failed first, one from cause to receipt, sent again for a reason."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, replace

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

from service.domain.dive import Dive
from service.domain.dive.commands import Finish, Start
from service.domain.people import Actor, Role, Via
from service.operations.admin_roles import AdminRole
from service.operations.carrying import Courier
from service.operations.gateway import Blame
from service.operations.recording import act
from service.store import club_messages, clubs, log, opt_outs, outbox
from service.store.codec import dump_dive
from service.store.outbox import Message
from service.store.tables import DiveRow
from service.web.message_words import why
from tests.operations.stage import Behaviour, HandMovedClock, ScriptedGateway, accept, refuse, time_out
from tests.web.desk.entering import enter, form_token, sign_in
from tests.web.installation import ANNA, CLEO, DOV, PUBLIC_URL, Site
from tests.web.other_club import FAR_ADMIN_EMAIL, add_far_club

BY_ANNA = Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", phone=ANNA, words="IN")
REFUSED = refuse(Blame.NUMBER)


@dataclass
class Desk:
    """A signed-in admin of a club with one dive under way."""

    at: Site
    client: FlaskClient
    dive: Dive

    def messages(self) -> list[Message]:
        """Those of the dive."""
        return self.at.service.read(lambda session: outbox.of_dive(session, self.dive.id))

    def notice(self) -> Message:
        """The start notice to the first contact."""
        return next(one for one in self.messages() if one.kind == "start_notice" and one.phone == CLEO)

    def carried(self, *told: Behaviour, dov: Behaviour = accept) -> None:
        """Let a courier carry all that waits, once for each of what the gateway says to Cleo's number."""
        for cleo in told:
            gateway = ScriptedGateway("shore", HandMovedClock(self.at.clock.now()), itertools.count(1))
            gateway.numbers |= {CLEO: cleo, DOV: dov}
            courier = Courier(self.at.service, [gateway])
            courier.carry()
            courier.close()
            self.at.clock.forward(1)

    def again(self, message: Message, reason: str = "Cleo rang: nothing came", times: int = 0) -> TestResponse:
        """Press the button on the page of a message."""
        fields = {"desk": form_token(self.client), "reason": reason, "times": str(times)}
        return self.client.post(f"/admin/messages/{message.id}", data=fields)


@pytest.fixture
def desk(at: Site, client: FlaskClient) -> Desk:
    """Two divers are in the water."""
    dive = at.filed()
    act(at.service, dive.id, Start(BY_ANNA))
    enter(client)
    return Desk(at, client, dive)


def test_what_failed_comes_first_then_what_is_not_known(desk: Desk) -> None:
    """Whoever looks sees first what needs somebody."""
    desk.carried(REFUSED, dov=time_out)

    shown = desk.client.get("/admin/messages").text

    ranks = [f'class="message {word}"' for word in ("failed", "unknown", "handed")]
    places = [shown.index(words) for words in ranks]
    assert places == sorted(places)
    assert "Failed: refused 21000" in shown


def test_one_message_is_told_from_its_cause_to_its_end(desk: Desk) -> None:
    """Who caused it, which gateway was asked, what it said, and what became of it."""
    notice = desk.notice()
    desk.carried(time_out, REFUSED)

    shown = desk.client.get(f"/admin/messages/{notice.id}").text

    told = [
        shown.index(words)
        for words in ("Cause: started", "by Anna Holt", "gave no clear answer", "shore refused it", "Given up")
    ]
    assert told == sorted(told)
    assert "Please keep" in shown or "please keep" in shown


@pytest.mark.parametrize("role", list(AdminRole))
def test_nobody_at_the_desk_reads_the_token_of_a_link(desk: Desk, role: AdminRole) -> None:
    """Whoever had it could act as the contact, and the log would name the contact; a viewer may not act at all."""
    client = desk.at.app.test_client()
    enter(client, role)

    shown = client.get(f"/admin/messages/{desk.notice().id}").text

    assert f"{PUBLIC_URL}/alarm/..." in shown
    assert re.findall(r"/(?:alarm|dive)/[\w-]{20,}", shown) == []


@pytest.mark.parametrize(
    ("query", "seen"),
    [("standing=failed", True), ("standing=delivered", False), ("standing=nonsense", True)],
)
def test_the_list_can_be_narrowed(desk: Desk, query: str, seen: bool) -> None:  # noqa: FBT001 - a parameter of pytest
    """By how messages stand and by the reference of a dive; nonsense narrows nothing."""
    notice = desk.notice()
    desk.carried(REFUSED)

    shown = desk.client.get(f"/admin/messages?{query}").text

    assert (notice.id in shown) is seen


@pytest.mark.parametrize(
    ("cleo", "standing"), [(REFUSED, "failed"), (time_out, "unknown"), (accept, "handed"), (None, "waiting")]
)
def test_every_standing_can_be_asked_for(desk: Desk, cleo: Behaviour | None, standing: str) -> None:
    """A message is in the list of what it is, and in no other one."""
    if cleo is not None:
        desk.carried(cleo)
    notice, standings = desk.notice(), {"failed", "unknown", "handed", "waiting", "delivered", "expired"}

    shown = {word: desk.client.get(f"/admin/messages?standing={word}").text for word in standings}

    assert [word for word in standings if notice.id in shown[word]] == [standing]


def test_what_is_asked_for_is_found_behind_whatever_came_later(desk: Desk) -> None:
    """The list has room for so many, and those that stand otherwise take none of it."""
    notice = desk.notice()
    desk.carried(REFUSED)

    found = desk.at.service.read(
        lambda session: club_messages.latest(session, "skerry", None, 1, states=[outbox.FAILED])
    )

    assert len(desk.messages()) > 1
    assert [one.message.id for one in found] == [notice.id]


def test_the_list_can_be_of_one_dive(desk: Desk) -> None:
    """By the reference that is printed in its texts; what is no reference is said to be none."""
    notice, reference = desk.notice(), desk.dive.reference
    other = "8K" if reference == "9K" else "9K"

    shown = [desk.client.get(f"/admin/messages?dive={given}").text for given in (reference.lower(), other, "nonsense")]

    assert [notice.id in page for page in shown] == [True, False, True]
    assert "is no reference" in shown[2]


def test_an_old_dive_that_had_the_same_reference_is_named_and_not_mixed_in(desk: Desk) -> None:
    """Its failed alarms stood first, above those of the dive that is under way."""
    old, notice = desk.dive, desk.notice()
    act(desk.at.service, old.id, Finish(replace(BY_ANNA, words="OUT 2"), count=2))
    new = desk.at.filed()
    renamed = replace(new, reference=old.reference)
    values = {"reference": old.reference, "state": dump_dive(renamed)}
    desk.at.service.write(lambda session: session.execute(update(DiveRow).where(DiveRow.id == new.id).values(**values)))
    plan = desk.at.service.read(lambda session: outbox.of_dive(session, new.id))[0]

    by_reference = desk.client.get(f"/admin/messages?dive={old.reference}").text
    by_id = desk.client.get(f"/admin/messages?dive={old.id}").text

    assert (plan.id in by_reference, notice.id in by_reference) == (True, False)
    assert f'Others had the same reference: <a href="/admin/messages?dive={old.id}">' in by_reference
    assert (plan.id in by_id, notice.id in by_id) == (False, True)
    assert f'<a href="/admin/messages?dive={new.id}">' in by_id
    assert f"/admin/messages?dive={old.id}" in desk.client.get(f"/admin/messages/{notice.id}").text


def test_sent_again_it_is_a_message_of_its_own_and_the_reason_is_in_the_log(desk: Desk) -> None:
    """The copy says of which it is one."""
    notice = desk.notice()
    desk.carried(REFUSED)

    pressed = desk.again(notice)
    copy = next(one for one in desk.messages() if one.step.endswith("+1"))
    entries = desk.at.service.read(lambda session: log.entries(session, log.dive_chain(desk.dive.id)))

    assert pressed.status_code == 303
    assert (copy.phone, copy.body, copy.state) == (notice.phone, notice.body, "queued")
    assert entries[-1].kind == "resent"
    assert (entries[-1].detail or {})["reason"] == "Cleo rang: nothing came"
    assert "This is a copy, by Edda Rowe" in desk.client.get(f"/admin/messages/{copy.id}").text


def test_a_made_up_link_says_nothing_was_sent(desk: Desk) -> None:
    """Only what is in the log of the message is shown as done."""
    notice = desk.notice()
    desk.carried(REFUSED)

    done = desk.client.get(desk.again(notice).headers["Location"]).text
    made_up = desk.client.get(f"/admin/messages/{notice.id}?again=somewhere").text

    assert "queued once more" in done
    assert "queued once more" not in made_up


def test_pressed_twice_it_goes_once(desk: Desk) -> None:
    """A double tap on one page."""
    notice = desk.notice()
    desk.carried(REFUSED)

    desk.again(notice)
    second = desk.again(notice)

    assert second.status_code == 422
    assert "already" in second.text
    assert sum("+" in one.step for one in desk.messages()) == 1


def test_seen_again_it_may_go_again_up_to_a_bound(desk: Desk) -> None:
    """Five times are enough."""
    notice = desk.notice()
    desk.carried(REFUSED)

    pressed = [desk.again(notice, times=times).status_code for times in range(6)]

    assert pressed == [303, 303, 303, 303, 303, 422]


@pytest.mark.parametrize("reason", ["", "  ", "x", "y" * 301])
def test_without_a_reason_nothing_goes(desk: Desk, reason: str) -> None:
    """And what was typed is still there."""
    notice = desk.notice()
    desk.carried(REFUSED)

    pressed = desk.again(notice, reason)

    assert pressed.status_code == 422
    assert "stays in the log" in pressed.text
    assert not any("+" in one.step for one in desk.messages())


def test_what_is_still_being_carried_is_not_doubled(desk: Desk) -> None:
    """The courier is at it."""
    pressed = desk.again(desk.notice())

    assert pressed.status_code == 422
    assert "still being carried" in pressed.text


def test_words_that_would_mislead_by_now_stay_here(desk: Desk) -> None:
    """The divers are out: a start notice would start it all again."""
    notice = desk.notice()
    desk.carried(REFUSED)
    act(desk.at.service, desk.dive.id, Finish(BY_ANNA, count=2))

    pressed = desk.again(notice)

    assert pressed.status_code == 422
    assert "would now mislead" in pressed.text


def test_a_phone_that_opted_out_gets_nothing(desk: Desk) -> None:
    """Not by an admin's hand either."""
    notice = desk.notice()
    desk.carried(REFUSED)
    number = desk.at.service.read(lambda session: _receiving_number(session, desk.dive))
    desk.at.service.write(lambda session: opt_outs.opt_out(session, number, CLEO, desk.at.clock.now()))

    pressed = desk.again(notice)

    assert pressed.status_code == 422
    assert "opted out" in pressed.text


def _receiving_number(session: Session, dive: Dive) -> str:
    club = clubs.get(session, dive.club_id)
    assert club is not None
    return club.receiving_number


def test_another_club_sees_and_sends_nothing_of_ours(desk: Desk) -> None:
    """Neither in its list, nor by the id, nor by pressing."""
    notice = desk.notice()
    desk.carried(REFUSED)
    add_far_club(desk.at.service, desk.at.clock.now())
    theirs = desk.at.app.test_client()
    sign_in(theirs, FAR_ADMIN_EMAIL)

    listed = theirs.get("/admin/messages")
    token = re.search(r'name="desk" value="([0-9a-f]+)"', listed.text)
    assert token is not None
    pressed = theirs.post(
        f"/admin/messages/{notice.id}", data={"desk": token.group(1), "reason": "because", "times": "0"}
    )

    assert listed.status_code == 200
    assert notice.id not in listed.text
    assert theirs.get(f"/admin/messages/{notice.id}").status_code == 404
    assert pressed.status_code == 404
    assert not any("+" in one.step for one in desk.messages())


def test_nobody_who_is_not_signed_in_sees_or_sends_anything(desk: Desk) -> None:
    """A stranger is asked to sign in."""
    stranger = desk.at.app.test_client()
    notice = desk.notice()

    answers = [
        stranger.get("/admin/messages"),
        stranger.get(f"/admin/messages/{notice.id}"),
        stranger.post(f"/admin/messages/{notice.id}", data={"reason": "because"}),
    ]

    assert {(one.status_code, one.headers.get("Location")) for one in answers} == {(303, "/admin/sign-in")}


def test_words_of_strangers_are_only_words(desk: Desk) -> None:
    """A name with markup in it is shown, not done."""
    notice = desk.notice()
    desk.carried(REFUSED)

    pressed = desk.again(notice, "<script>alert(1)</script> said Cleo")
    shown = desk.client.get(f"/admin/messages/{notice.id}").text

    assert pressed.status_code == 303
    assert "<script>alert" not in shown
    assert "&lt;script&gt;" in shown


@pytest.mark.parametrize(
    ("reason", "words"),
    [("refused call-busy", "the line was busy"), ("refused 21614", "refused 21614"), ("no_receipt", "no_receipt")],
)
def test_codes_of_our_own_are_said_in_words(reason: str, words: str) -> None:
    """Those of a gateway stay as they are, so that they can be looked up."""
    assert why(reason) == words
