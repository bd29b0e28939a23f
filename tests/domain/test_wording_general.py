"""Answers that belong to no one dive, and the state of one told on request."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from service.domain.dive import Dive, Phase, Refusal
from service.domain.dive import commands as do
from service.domain.dive.refusals import no_such_time
from service.domain.encoding import is_gsm7, segments
from service.domain.language import LANGUAGES, Name, render, say
from service.domain.local_time import RepeatedTimeError, SkippedTimeError
from service.domain.wording import general, introducing, one_text, outage, unraised
from tests.domain.builders import (
    DISTRESS,
    DUE_OUT,
    PLAN,
    RAISE_BY,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    overdue,
)
from tests.domain.heart_strategies import LONG_CLUB, LONG_NAMES, LONG_RESCUE, LONG_SITE

LEAD = diver("STATUS")
CLUB = "Skerry Bay Divers"


def called() -> Story:
    """An alarm for which rescue was called."""
    story = overdue(DISTRESS)
    story.does(do.ReportCalled(contact()), at(DISTRESS))
    return story


def moved() -> Story:
    """A party that was overdue and has more time."""
    story = overdue(DUE_OUT + 1)
    story.does(do.Extend(diver("LATE 20"), 20), at(DUE_OUT + 1))
    story.does(do.NoteHanded("extension-1", "contact-0"), at(DUE_OUT + 1, 2))
    return story


def over() -> Story:
    """A dive that everybody came out of."""
    story = in_water()
    story.does(do.Finish(diver()), at(20))
    return story


STATES = [
    ("filed", filed, 1, "10:01: dive 7K Lantern Cove filed, the clock is not running. Going in? Text IN 482139"),
    (
        "not armed",
        lambda: in_water(armed=False),
        1,
        "2 divers in, due out 10:50, alarm 11:05. NOT ARMED. All out? Text OUT.",
    ),
    ("armed", in_water, 1, "10:01: dive 7K Lantern Cove 2 divers in, due out 10:50, alarm 11:05. All out? Text OUT."),
    ("overdue", lambda: overdue(DUE_OUT), 51, "2 divers OVERDUE since 10:50, alarm 11:05. All out? Text OUT."),
    ("overdue, then late", moved, 52, "2 divers in, due out 11:10, alarm 11:25. All out? Text OUT."),
    ("alert", lambda: overdue(RAISE_BY), 66, "ALARM is up since 11:05. All out? Text OUT."),
    ("distress", lambda: overdue(DISTRESS), 81, "ALARM is up since 11:05, rescue is to be called. All out? Text OUT."),
    ("rescue called", called, 85, "ALARM is up since 11:05, rescue was called 11:20. All out? Text OUT."),
    ("over", over, 30, "10:30: dive 7K Lantern Cove over since 10:20."),
]


@pytest.mark.parametrize(("story", "minute", "words"), [row[1:] for row in STATES], ids=[row[0] for row in STATES])
def test_status_says_where_a_dive_stands(story: Callable[[], Story], minute: int, words: str) -> None:
    """What runs, until when, and what the sender can do about it."""
    assert general.status(story().dive, LEAD, at(minute)).endswith(words)


def test_a_contact_who_asks_for_the_state_is_given_no_code() -> None:
    """Starting and finishing is for the party."""
    for story in (filed(), in_water(), overdue(RAISE_BY)):
        text = general.status(story.dive, contact(words="STATUS"), at(RAISE_BY + 1))
        assert "Text" not in text
        assert "482139" not in text


def planned(club: str, time_in_at: datetime | None) -> Dive:
    """A plan at a place with the longest name."""
    plan = replace(PLAN, site=replace(PLAN.site, name=LONG_SITE), time_in_at=time_in_at)
    return replace(filed().dive, club_name=club, plan=plan)


def everything(club: str) -> dict[str, str]:
    """One of each, with the longest names."""
    return {
        "over_already": general.over_already(club, "7K", "2A", "SAFE 99 2A"),
        "not_begun": general.not_begun(club, "2A", "SAFE 99 2A"),
        "no_such_reference": general.no_such_reference(club, "2X", ["7K", "2A", "4D", "9X", "3C"]),
        "same_reference": general.same_reference(club, "7K"),
        "texted_elsewhere": general.texted_elsewhere(club, "7K", club, "+447700900600"),
        "no_such_code": general.no_such_code(club),
        "codes_locked": general.codes_locked(club),
        "no_dive": general.no_dive(club),
        "how_it_works": general.how_it_works(club),
        "opted_in": general.opted_in(club),
        "plan_refused": general.plan_refused(club, "Run time is from 5 to 360 minutes. " * 6),
        "start code": general.other_code(club, "start"),
        "finish code": general.other_code(club, "finish"),
        "sos_without_dive": general.sos_without_dive(club, LONG_RESCUE),
        "help_unheard": outage.help_unheard(club, LONG_RESCUE, "en"),
        "plan_unknown_phone": general.plan_unknown_phone(club, "https://linetender.example"),
        "plan_without_contacts": general.plan_without_contacts(club, "https://linetender.example"),
        "plan_incomplete": general.plan_incomplete(club, "LANTERN"),
        "plan_of_which_day": general.plan_of_which_day(club, f"PLAN {LONG_SITE} 1000 120 P12 D18.5"),
        "start_refused": one_text.start_refused(club, "Run time is from 5 to 360 minutes. " * 6),
        "start_unknown_phone": one_text.start_unknown_phone(club, "https://linetender.example", "skerry-bay"),
        "start_without_contacts": one_text.start_without_contacts(club, "https://linetender.example"),
        "start_incomplete": one_text.start_incomplete(club, "LANTERN"),
        "start_not_whole": one_text.start_not_whole(club, "LANTERN"),
        "start_unknown_site": one_text.start_unknown_site(club, LONG_SITE, "LANTERN, GANNET", near=True),
        "start_at_no_site": one_text.start_unknown_site(club, LONG_SITE, "LANTERN, GANNET, " * 20, near=False),
        "start_while_in": one_text.start_while_in(replace(in_water().dive, club_name=club)),
        "left_waiting": general.left_waiting(replace(in_water().dive, club_name=club), planned(club, None), at(1500)),
        "filed_too": general.filed_too(planned(club, at(1500)), at()),
        "start_not_longer": one_text.start_not_longer(planned(club, None), timedelta(minutes=600)),
        "joined": general.joined(club, LONG_NAMES[0], "LANTERN"),
        "no_such_join": general.no_such_join(club, 10),
        "join_code": general.join_code(club, "0123 4567", 10),
        "no_plan_there": general.no_plan_there(club, LONG_SITE),
        "refused": general.refused(
            replace(filed().dive, club_name=club), Refusal("no", "Keep it to 60 characters.", at())
        ),
    }


# What carriers act on: none may look like a command of ours.
CARRIER = re.compile(r"\b(?:STOP|STOPALL|UNSUBSCRIBE|CANCEL|END|QUIT|OPTOUT|REVOKE|START|YES|UNSTOP|HELP|INFO)\b")


@pytest.mark.parametrize("name", everything(CLUB))
@pytest.mark.parametrize("club", [CLUB, LONG_CLUB], ids=["a short club", "a long club"])
def test_an_answer_fits_one_segment_and_names_who_sends_it(name: str, club: str) -> None:
    """Whatever the club's name, in plain letters, with at most one link."""
    text = everything(club)[name]

    assert is_gsm7(text)
    assert len(segments(text).parts) == 1
    assert text.startswith((f"{club}: ", "Linetender: "))
    assert "!" not in text
    assert not CARRIER.search(text)
    assert text.count("https://") <= 1
    assert "https://" not in text or text.endswith(("/plan", "/join/skerry-bay"))


REASONS = (
    say("A plan holds at most {most} divers: file one for each group.", most=12),
    say("Your contacts all dive with you: name somebody who stays ashore."),
    say("Run time is {shortest} to {longest} minutes.", shortest=5, longest=360),
    say("That time has passed. Give a later one."),
    say("Name somebody else ashore: nothing would reach {names}.", names=Name(", ".join(LONG_NAMES))),
    say("No site {site} here. Sites: {names}.", site=Name("X" * 30), names=Name("LANTERN, GANNET, " * 20)),
    no_such_time("01:30", SkippedTimeError()),
    no_such_time("01:30", RepeatedTimeError()),
)


@pytest.mark.parametrize("language", LANGUAGES)
def test_why_a_plan_by_text_is_refused_fits_in_every_language(language: str) -> None:
    """One segment, and no English in any other."""
    for words in REASONS:
        for text in (
            general.plan_refused(LONG_CLUB, words, language),
            one_text.start_refused(LONG_CLUB, words, language),
            general.refused(replace(filed().dive, club_name=LONG_CLUB), Refusal("no", words, at()), language),
        ):
            assert len(segments(text).parts) == 1, text
        assert language == "en" or render(words, language) != render(words, "en")


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_who_joins_or_starts_by_one_text_is_told_fits_in_every_language(language: str) -> None:
    """One segment with the longest names, and two for the question whether somebody will be a contact."""
    url = "https://linetender.example"
    told = [
        general.joined(LONG_CLUB, LONG_NAMES[0], "LANTERN", language),
        general.no_such_join(LONG_CLUB, 10, language),
        general.join_code(LONG_CLUB, "0123 4567", 10, language),
        one_text.start_unknown_phone(LONG_CLUB, url, "skerry-bay", language),
        one_text.start_without_contacts(LONG_CLUB, url, language),
        one_text.start_incomplete(LONG_CLUB, "LANTERN", language),
        one_text.start_not_whole(LONG_CLUB, "LANTERN", language),
        one_text.start_unknown_site(LONG_CLUB, LONG_SITE, "LANTERN, KELP, SLIP", near=True, language=language),
        one_text.start_while_in(in_water().dive, language),
        general.plan_incomplete(LONG_CLUB, "LANTERN", language),
        general.plan_of_which_day(LONG_CLUB, f"PLAN {LONG_SITE} 1000 120 P12 D18.5", language),
        *(general.filed_too(planned(LONG_CLUB, time_in_at), at(), language) for time_in_at in (None, at(1500))),
        one_text.start_not_longer(planned(LONG_CLUB, None), timedelta(minutes=600), language),
        general.left_waiting(
            replace(in_water().dive, club_name=LONG_CLUB), planned(LONG_CLUB, None), at(1500), language
        ),
    ]

    for text in told:
        assert is_gsm7(text)
        assert len(segments(text).parts) == 1, text
    assert len(segments(introducing.asked(LONG_CLUB, LONG_NAMES[0], language)).parts) <= 2


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_is_told_of_a_call_for_help_that_no_copy_knows_fits_in_every_language(language: str) -> None:
    """One segment for the sender; for admins as much as an alarm, with the number, the words and whom to call."""
    answer = outage.help_unheard(LONG_CLUB, LONG_RESCUE, language)
    told = outage.help_for_admins(LONG_CLUB, LONG_RESCUE, "+447700900001", "SOS we are lost " * 20, language)

    for words, most in ((answer, 1), (told, 3)):
        assert is_gsm7(words)
        assert LONG_RESCUE in words
        assert len(segments(words).parts) <= most, words
    assert '"SOS we are lost' in told
    assert "+44 7700 900001" in told


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("told", [True, False], ids=["admins hear", "nobody hears"])
@pytest.mark.parametrize("opens", [True, False], ids=["an SOS would open it", "nothing would"])
def test_what_is_told_of_a_call_for_help_that_raises_no_dive_fits_in_every_language(
    language: str, *, told: bool, opens: bool
) -> None:
    """One segment that names whom to call; for admins as much as an alarm, with who, where and what to do."""
    over = replace(planned(LONG_CLUB, None), phase=Phase.CLOSED, closed_at=at(-1500))
    for near in (None, over, planned(LONG_CLUB, None), planned(LONG_CLUB, at(1500))):
        answer = unraised.help_told(LONG_CLUB, LONG_RESCUE, near, at(), told=told, opens=opens, language=language)
        words = unraised.help_for_admins(
            LONG_CLUB, LONG_RESCUE, "+447700900001", LONG_NAMES[0], "SOS lost " * 20, near, at(), language
        )

        assert is_gsm7(answer + words)
        assert answer.endswith(LONG_RESCUE)
        assert len(segments(answer).parts) == 1, answer
        assert len(segments(words).parts) <= 3, words
        assert f"{LONG_RESCUE}." in words
        assert "+44 7700 900001" in words
        assert near is None or near.reference in words


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_whose_text_broke_us_is_told_fits_in_every_language(language: str) -> None:
    """Two segments, as where their dive cannot be read."""
    words = general.put_aside(LONG_CLUB, LONG_RESCUE, told=True, language=language)

    assert is_gsm7(words)
    assert LONG_RESCUE in words
    assert len(segments(words).parts) <= 2


def test_a_short_club_is_named_itself() -> None:
    """Ours stands in only where there is no room."""
    texts = {name: text for name, text in everything(CLUB).items() if not text.startswith(f"{CLUB}: ")}

    assert set(texts) <= {
        "sos_without_dive",
        "help_unheard",
        "no_plan_there",
        "plan_refused",
        "plan_of_which_day",
        "start_refused",
        "start_unknown_site",
        "start_at_no_site",
        "joined",
    }


@pytest.mark.parametrize(
    ("phone", "call"), [("+447700900001", " Call +44 7700 900001."), (None, "")], ids=["with a number", "without one"]
)
def test_the_plainest_alarm_says_what_is_known(phone: str | None, call: str) -> None:
    """When the rules themselves fail, the contacts act on what they hold."""
    assert general.service_fault(CLUB, "Lantern Cove", "07700 900999", "Anna Holt", phone) == (
        f"Skerry Bay Divers: SERVICE FAULT, a dive may be overdue: Anna Holt at Lantern Cove.{call}"
        " No answer? Call rescue: 07700 900999. Act on the plan that you were sent."
    )


def test_the_plainest_alarm_fits_with_the_longest_names() -> None:
    """Whom to call is whole."""
    text = general.service_fault(LONG_CLUB, LONG_SITE, LONG_RESCUE, LONG_NAMES[0], "+447700900001")

    assert len(segments(text).parts) <= 3
    assert f"Call rescue: {LONG_RESCUE}." in text
    assert f"{LONG_NAMES[0]} at {LONG_SITE}. Call +44 7700 900001." in text
