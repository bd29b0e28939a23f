"""The texts that a contact is woken by: what they say, in which order, and what gives way where room is short."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import commands as do
from service.domain.encoding import segments
from service.domain.people import Channel
from service.domain.place.position import Position
from service.domain.plan import DivePlan, Diver
from service.domain.wording import Draft, LinkKind
from tests.domain.builders import (
    CONTACT_PHONES,
    DISTRESS,
    HAND_UP,
    PLAN,
    RAISE_BY,
    SITE,
    Story,
    at,
    contact,
    diver,
    in_water,
    overdue,
)
from tests.domain.heart_strategies import LONG_CLUB, LONG_NAMES, LONG_RESCUE, LONG_SITE
from tests.domain.test_ways import ashore

START_NOTICE = (
    "Skerry Bay Divers: please keep. Anna Holt + 1 (2 divers) with Bram Vik went in 10:00."
    " At Lantern Cove, 47.12345,-20.54321. Exits: North slip, Beach. Access: Track from the farm gate. Car: blue van."
    " Due out 10:50. Not heard by 11:05 that all are out? Call them (+44 7700 900001),"
    " then rescue: 07700 900999 (practice desk). Do so even if we are silent. Kit: orange buoy. Ref 7K."
)
ANSWERS = "Reply OK 7K (you act), CALLED 7K (rescue called), SAFE 2 7K (all safe)."


def facts(extras: str = "") -> str:
    """What every alarm says first; the extras are what there is room for."""
    heard = 'In 10:00, due out 10:50. Last heard 10:00 Anna Holt: "IN".'
    return f"Anna Holt + 1 (2 divers). At Lantern Cove, 47.12345,-20.54321.{extras and f' {extras}'} {heard}"


ALERT = (
    f"Skerry Bay Divers: OVERDUE: {facts('Car: blue van.')} Call +44 7700 900001. Or Bram Vik +44 7700 900002."
    f" No answer? Call rescue: 07700 900999 (practice desk). Say overdue divers, give position. {ANSWERS}"
)
CALL_NOW = (
    f"Skerry Bay Divers: OVERDUE, CALL RESCUE NOW: {facts()} Call 07700 900999 (practice desk)."
    f" Say overdue divers, give position and number. Call them: +44 7700 900001. Or Bram Vik +44 7700 900002. {ANSWERS}"
)
HANDED_UP = (
    "Skerry Bay Divers: NO CONTACT HAS ANSWERED for 45 min. Dive 7K:"
    f" {facts('Exits: North slip, Beach. Car: blue van.')} Call +44 7700 900001. Or Bram Vik +44 7700 900002."
    f" Act now: rescue 07700 900999 (practice desk). Contacts: Cleo Marsh, Dov Lind, Edda Rowe. {ANSWERS}"
)


def last(story: Story, key: str, beginning: str) -> Draft:
    """The last message to somebody whose step begins so."""
    return [draft for _, draft in story.told if draft.to.key == key and draft.step.startswith(beginning)][-1]


def test_what_a_plan_or_site_says_with_a_full_stop_has_one() -> None:
    """People end their sentences, and so do we."""
    site = replace(SITE, access="Track from the farm gate.")

    story = in_water(replace(PLAN, site=site, vehicle="blue van.", kit="orange buoy."))

    assert last(story, "contact-0", "start_notice").text == START_NOTICE


WHOLE = [
    ("contact-0", "start_notice", 1, START_NOTICE),
    ("contact-0", "alert", RAISE_BY, ALERT),
    ("contact-1", "next_contact", RAISE_BY + 5, ALERT),
    ("contact-2", "distress", DISTRESS, CALL_NOW),
    ("contact-0", "distress_again", DISTRESS + 10, CALL_NOW),
    ("admins", "hand_up", HAND_UP, HANDED_UP),
]


@pytest.mark.parametrize(("key", "step", "minute", "text"), WHOLE, ids=[step for _, step, *_ in WHOLE])
def test_a_message_stands_alone(key: str, step: str, minute: int, text: str) -> None:
    """Word for word: who and how many, where, since when, last heard, what to do, whom to call, how to answer."""
    draft = last(overdue(minute), key, step)

    assert draft.text == text
    assert draft.link is LinkKind.ALARM
    assert len(segments(draft.text).parts) <= 3


ORDER = [
    ("overdue", "OVERDUE"),
    ("who", "Anna Holt"),
    ("how many", "(2 divers)"),
    ("which site", "Lantern Cove"),
    ("which position", "47.10000,-20.50000"),
    ("since when", "In 10:00, due out 10:50"),
    ("when and how last heard", 'Last heard 10:30 Anna Holt: "AT 47.1 -20.5"'),
    ("how to reach them", "+44 7700 900001"),
    ("what to do", "No answer? Call rescue"),
    ("whom to call", "07700 900999"),
    ("how to answer", "Reply OK 7K"),
]


def test_an_alert_says_things_in_the_order_in_which_they_are_needed() -> None:
    """A tired reader who stops half way has read the most important half."""
    story = in_water()
    story.does(do.ReportFix(diver("AT 47.1 -20.5"), Position(47.1, -20.5)), at(30))
    story.runs_to(at(RAISE_BY))
    text = last(story, "contact-0", "alert").text

    places = [text.find(words) for _, words in ORDER]

    assert -1 not in places
    assert places == sorted(places)
    assert "47.10000,-20.50000 (from Anna Holt 10:30)." in text


def long_plan() -> DivePlan:
    """A plan with everything as long as it may be: names, site, rescue call, car, kit, twelve divers, six contacts."""
    names = (*LONG_NAMES, *LONG_NAMES)
    return replace(
        PLAN,
        site=replace(SITE, name=LONG_SITE, rescue_call=LONG_RESCUE, access="along the coast " * 18),
        party=tuple(Diver(names[n % 6], f"+4477009001{n:02}") for n in range(12)),
        contacts=tuple(
            replace(PLAN.contacts[0], name=name, phone=p) for name, p in zip(names, CONTACT_PHONES, strict=True)
        ),
        vehicle="blue van " * 33,
        kit="orange buoy " * 25,
    )


def long_story(minute: int) -> Story:
    """A dive of that plan, of a club with a long name, with a position from a long name, run for so many minutes."""
    story = in_water(long_plan())
    story.dive = replace(story.dive, club_name=LONG_CLUB)
    story.does(do.ReportFix(replace(diver("AT 47.1 -20.5"), name=LONG_NAMES[0]), Position(47.1, -20.5)), at(20))
    story.runs_to(at(minute))
    return story


@pytest.mark.parametrize(
    ("key", "step", "minute"),
    [("contact-0", "alert", RAISE_BY), ("contact-5", "distress", DISTRESS), ("admins", "hand_up", HAND_UP)],
)
def test_the_longest_names_cost_no_figure(key: str, step: str, minute: int) -> None:
    """Count, position, times, numbers, rescue call and answers are whole; names are cut between words if at all."""
    text = last(long_story(minute), key, step).text

    assert len(segments(text).parts) <= 3
    for figure in (
        "+ 11 (12 divers).",
        "47.10000,-20.50000 (from",
        "In 10:00, due out 10:50.",
        LONG_RESCUE,
        "SAFE 12 7K",
    ):
        assert figure in text
    assert text.startswith(("Linetender: ", f"{LONG_CLUB}: "))
    assert "Car:" not in text
    assert "Exits:" not in text


def test_the_room_for_a_link_is_taken_from_extras_and_never_from_names() -> None:
    """A link adds: what is on its page anyway gives way to it, a name or the last word heard does not."""
    story = overdue(RAISE_BY, replace(PLAN, vehicle="blue van with a white box on its roof"))
    text = last(story, "contact-0", "alert").text

    assert "Car:" not in text
    assert 'Last heard 10:00 Anna Holt: "IN".' in text
    assert len(text) + 72 <= 3 * 153


def test_a_party_on_its_own_is_one_diver() -> None:
    """Nobody looks for a second one."""
    story = overdue(RAISE_BY, replace(PLAN, party=PLAN.party[:1]))

    assert "OVERDUE: Anna Holt (1 diver). At Lantern Cove" in last(story, "contact-0", "alert").text


def test_a_site_without_a_position_is_named_all_the_same() -> None:
    """What is not known is left out, not invented."""
    story = overdue(RAISE_BY, replace(PLAN, site=replace(SITE, position=None)))

    assert "At Lantern Cove. " in last(story, "contact-0", "alert").text


def test_the_exits_of_the_site_stand_in_where_none_were_chosen() -> None:
    """Where they may come out is known of the place."""
    story = in_water(replace(PLAN, exits=(), vehicle=None, kit=None, site=replace(SITE, access=None)))

    assert "Exits: North slip, Beach. Due out" in story.texts_to("contact-0")[0]
    bare = in_water(replace(PLAN, exits=(), site=replace(SITE, points=())))
    assert "Exits" not in bare.texts_to("contact-0")[0]


def test_a_lead_without_a_number_is_not_to_be_called() -> None:
    """A plan of old that names no phone for its lead sends nobody looking for one."""
    story = in_water()
    story.dive = replace(story.dive, plan=replace(PLAN, party=(Diver("Anna Holt"), PLAN.party[1])))
    story.does(do.Extend(diver("LATE 5", 1), 5), at(20))
    story.runs_to(at(RAISE_BY + 5))
    story.does(do.Acknowledge(contact()), at(RAISE_BY + 6))

    assert "Call them, then rescue: 07700 900999" in last(story, "contact-0", "extension").text
    assert '"LATE 5". Call Bram Vik +44 7700 900002.' in last(story, "contact-0", "alert").text
    assert "Call them. No answer?" in last(story, "contact-0", "uncalled_reply").text


def test_the_last_words_heard_are_in_the_alarm() -> None:
    """An unclear text changes nothing and is quoted; one from a page says so."""
    story = in_water()
    story.does(do.Hear(diver("back soonish"), "back soonish"), at(40))
    story.runs_to(at(RAISE_BY))

    assert 'Last heard 10:40 Anna Holt: "back soonish".' in last(story, "contact-0", "alert").text


def test_words_that_may_be_of_another_dive_are_no_end_of_this_one() -> None:
    """Who is out of which dive was asked: an OUT that is quoted alone reads as if it were over."""
    story = in_water(ashore((Channel.TEXT, Channel.EMAIL)))
    story.does(do.Hear(diver("OUT"), "OUT", asked_which=True), at(40))
    story.runs_to(at(RAISE_BY))
    text, mail = (
        next(draft.text for _, draft in story.told if draft.step.startswith("alert") and draft.channel is channel)
        for channel in (Channel.TEXT, Channel.EMAIL)
    )

    assert 'Last heard 10:40 Anna Holt: "OUT", maybe about another dive. This one is not over.' in text
    assert '10:40 Last heard, maybe about another dive: Anna Holt: "OUT"' in mail


def test_a_dive_of_which_nothing_was_heard_says_so() -> None:
    """A start from a contact's phone is not the party's word."""
    story = in_water()
    story.dive = replace(story.dive, last_heard=None)
    story.runs_to(at(RAISE_BY))

    assert "Nothing heard from them." in last(story, "contact-0", "alert").text
