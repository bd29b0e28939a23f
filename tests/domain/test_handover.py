"""The handover pack: what a rescue co-ordinator asks, answered from the dive alone."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import commands as do
from service.domain.dive.state import Phase
from service.domain.grace import GracePeriods, NeverStarted
from service.domain.handover import Moment, Pack, Situation, pack
from service.domain.handover.exit_words import exit_words
from service.domain.handover.pack import NO_CALL
from service.domain.people import Actor
from service.domain.place.conditions import Current, Wind
from service.domain.place.fix import Source
from service.domain.place.position import Position
from service.domain.place.search_area import SearchFactors
from service.domain.place.tide import TidalExtreme
from tests.domain.builders import ADMIN, PLAN, PLANNED, Story, at, contact, diver, filed, in_water, overdue
from tests.domain.place.places import BARE, LANTERN, TIDES
from tests.domain.rescue_dives import FIX, FULL_PLAN, overdue_with_everything, overdue_with_nothing, pack_of


def words(made: Pack, key: str) -> str:
    """What the pack says to one question."""
    fact = made.fact(key)
    assert fact is not None
    return fact.words


@pytest.fixture(scope="module")
def full() -> Pack:
    """The pack of the dive of which everything is known."""
    return pack_of(overdue_with_everything())


def test_the_first_screen_asks_in_the_order_of_a_co_ordinator(full: Pack) -> None:
    """What, who, where, how known, since when, last heard, and then what limits the search."""
    assert [fact.key for fact in full.first] == [
        *("what", "who", "where", "how_known", "since", "last_heard", "kit", "smb", "gas", "light", "tide"),
        *("on_scene", "done"),
    ]


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("what", "Overdue divers: Anna Holt, 2 divers"),
        ("who", "2 divers: Anna Holt, Bram Vik."),
        ("where", "Lantern Cove (LANTERN). 47.12251,-20.54402."),
        ("how_known", "By text from Anna Holt, 10:38 (54 min ago), good to 30 m."),
        ("since", "In 10:00, due out 10:50: overdue by 42 min."),
        ("last_heard", "10:38 (54 min ago), Anna Holt: “AT 47.12251 -20.54402”"),
        ("kit", "black suits, yellow fins"),
        ("smb", "one orange, 1.2 m"),
        ("gas", "To the reserve 10:32, to empty 10:42, were all of it at 18 m."),
        ("light", "Daylight now; sunset 22:09, dark from 22:48."),
        ("tide", "1.0 m and rising now; high water 17:00, 4.4 m."),
        ("on_scene", "Dov Lind +44 7700 900012, since 11:15"),
        ("access", "Path from the car park, 8 minutes on foot; steps at the end."),
        ("exits", "East beach, Boat shed."),
        ("vehicle", "blue van at the gate"),
        ("depth", "18 m"),
        ("current", "Runs towards 250° true (WSW) at 0.3 knots, as seen by Cleo Marsh 11:10."),
        ("wind", "From 200° true (SSW) at 12 knots, as seen by Cleo Marsh 11:10."),
        ("rescue", "07700 900999 (practice rescue desk)"),
        ("non_emergency", "07700 900998"),
        ("medical", "Bram Vik: insulin"),
        ("notes", "photographs along the wall"),
    ],
)
def test_each_question_has_its_answer(full: Pack, key: str, said: str) -> None:
    """A fact says what the dive says, at the times of the site."""
    assert words(full, key) == said


def test_what_was_done_is_told_the_weightiest_first(full: Pack) -> None:
    """Rescue called with its number, who acts, who was alerted, by whom it was raised."""
    assert full.done == (
        "Rescue called 11:24 by Cleo Marsh, incident SKB 0417.",
        "Acting on it: Cleo Marsh 11:07.",
        "Alerted: Cleo Marsh 11:05, Dov Lind 11:20, Edda Rowe 11:20.",
        "Alarm raised 11:05 by the clock.",
        "The phones of the party were texted; no answer.",
    )


@pytest.mark.parametrize("key", ["gas", "light", "tide", "search", "water"])
def test_what_is_reckoned_carries_its_caution(full: Pack, key: str) -> None:
    """Nobody may take a figure of ours for an instruction or a deadline."""
    fact = full.fact(key)

    assert fact is not None
    assert fact.caution


def test_the_script_says_what_and_where_before_all_else(full: Pack) -> None:
    """A call may break off, so the sentences come in the order of need, the position digit by digit."""
    assert full.script[:4] == (
        "I am reporting overdue divers.",
        "2 divers: Anna Holt, Bram Vik.",
        "They dive at Lantern Cove (LANTERN).",
        (
            "The position is: four seven degrees, zero seven decimal three five one minutes north,"
            " zero two zero degrees, three two decimal six four one minutes west."
        ),
    )
    assert full.script[-1] == "Please give me an incident number, and tell me what to do now."
    assert (
        "At the site, to meet you: Dov Lind, plus four four, seven seven zero zero, nine zero zero zero one two."
        in (full.script)
    )


def test_the_position_is_in_every_usual_form(full: Pack) -> None:
    """Decimal, degrees and minutes, a plus code where there is no national grid, and an address for maps."""
    assert [(form.name, form.words) for form in full.where.forms] == [
        ("Decimal degrees", "47.12251,-20.54402"),
        ("Degrees and minutes", "47°07.351'N 020°32.641'W"),
        ("Plus code", "89VX4FF4+295"),
        ("Link for maps", "geo:47.12251,-20.54402;u=30"),
    ]


def test_where_there_is_a_national_grid_its_reference_is_given() -> None:
    """A place of published check values (Ordnance Survey, guide to coordinate systems, annexe C): TG 51409 13177."""
    site = replace(LANTERN, position=Position(52.65798, 1.71605), points=())

    forms = pack_of(overdue_at(site)).where.forms

    assert forms[2].name == "National Grid"
    assert forms[2].words.startswith("TG 514")


def overdue_at(site: object) -> Story:
    """An overdue dive at another site, with no fix."""
    return overdue(90, replace(PLAN, site=site))


def test_without_a_fix_the_entry_is_where_they_were_last() -> None:
    """It says so, and that nobody has reported a position since."""
    made = pack_of(overdue_at(LANTERN))

    assert made.where.position == LANTERN.entry
    assert made.where.source is Source.ENTRY
    assert words(made, "how_known") == (
        "Where the plan has them go in; no position was reported since, 10:00 (1 h 32 min ago)."
    )


def test_before_a_start_the_site_is_all_there_is() -> None:
    """Nobody is known to have gone in, so it is the site's own position."""
    made = pack_of(filed(replace(PLANNED, site=LANTERN)), 5)

    assert made.situation is Situation.NOT_STARTED
    assert made.where.at is None
    assert words(made, "how_known") == "The site's own position; nobody is known to have gone in there."
    assert words(made, "since") == "Not known to be in the water. Planned to go in 10:00."
    assert made.pictures == ()
    assert made.script[0] == "I am worried about divers. It is not known that they went in."


@pytest.mark.parametrize(
    ("source", "said"),
    [
        (Source.BROWSER, "From the phone of Anna Holt, sent on its page, 10:20 (1 h 12 min ago), accuracy not said."),
        (Source.TYPED, "Typed on the page of Anna Holt, 10:20 (1 h 12 min ago), accuracy not said."),
        (Source.SCRIPT, "From a device or program, Anna Holt, 10:20 (1 h 12 min ago), accuracy not said."),
        (Source.CONTACT, "As seen from the shore by Anna Holt, 10:20 (1 h 12 min ago), accuracy not said."),
    ],
)
def test_it_says_how_a_position_is_known(source: Source, said: str) -> None:
    """A phone's own position, a program's and somebody's eyes are not worth the same."""
    story = in_water(FULL_PLAN)
    story.does(do.ReportFix(by=diver(), position=FIX, source=source), at(20))
    story.runs_to(at(92))

    assert words(pack_of(story), "how_known") == said


def test_of_a_bare_plan_it_says_what_is_not_known() -> None:
    """Each question is there all the same, so that nobody thinks that it was forgotten."""
    made = pack_of(overdue_with_nothing())

    assert made.where.position is None
    assert made.sketch is None
    assert {key: words(made, key) for key in ("where", "how_known", "kit", "smb", "gas", "light", "tide", "water")} == {
        "where": "Nameless gully. No position known.",
        "how_known": "No position is known, only the name of the site.",
        "kit": "Not in the plan.",
        "smb": "Not in the plan.",
        "gas": "Not known: the plan gives no gas or no depth, or no start is known.",
        "light": "Not known without a position.",
        "tide": "Not known: the club has entered no tide times for now.",
        "water": "Temperature not given.",
    }
    assert words(made, "current") == words(made, "wind") == "Not known."
    assert words(made, "exits") == "Not in the plan."
    assert words(made, "on_scene") == "Nobody has told us that they are there."
    assert made.fact("medical") is None
    assert made.fact("no such") is None
    assert "They dive at Nameless gully. No position is known." in made.script
    assert "Nobody has told us that rescue was called." in made.done


def test_a_current_of_the_notes_is_not_one_that_was_seen() -> None:
    """Whose word it is stands behind it."""
    made = pack_of(overdue_at(LANTERN))

    assert words(made, "current") == "Runs towards 250° true (WSW) at 0.3 knots, by the site's notes, not seen."
    assert words(made, "wind") == "Not known."


def test_current_and_wind_are_shown_each_with_who_saw_it_and_when() -> None:
    """A current that ran before the tide turned must not stand there as seen just now by who told of the wind."""
    story = in_water(PLAN)
    story.does(do.ReportConditions(by=diver(), current=Current(90, 1)), at(5))
    story.does(do.ReportConditions(by=contact(), wind=Wind(180, 5)), at(45))

    made = pack_of(story, 46)

    assert words(made, "current").endswith("at 1 knots, as seen by Anna Holt 10:05.")
    assert words(made, "wind").endswith("at 5 knots, as seen by Cleo Marsh 10:45.")
    notes = " ".join(made.search_notes)
    assert "Current 1 kn setting 090 degrees true, as seen by Anna Holt 10:05, taken to run on" in notes
    assert "Wind 5 kn from 180 degrees true, as seen by Cleo Marsh 10:45: leeway" in notes


def test_wind_alone_leaves_the_current_to_the_notes() -> None:
    """What was not said is not taken as seen."""
    story = in_water(replace(PLAN, site=LANTERN))
    story.does(do.ReportConditions(by=contact(), wind=Wind(180, 5)), at(5))

    assert words(pack_of(story, 6), "current").endswith("by the site's notes, not seen.")


def test_a_current_alone_leaves_the_wind_unknown() -> None:
    """The same the other way round."""
    story = in_water(replace(PLAN, site=LANTERN))
    story.does(do.ReportConditions(by=contact(), current=Current(90, 1)), at(5))

    assert words(pack_of(story, 6), "wind") == "Not known."


@pytest.mark.parametrize(
    ("minutes", "said"),
    [
        (0, "Daylight now; sunset 22:09, dark from 22:48."),
        (740, "Twilight, growing dark; dark from 22:48."),
        (800, "Dark now; first light Wed 2 Jun 05:51, sunrise Wed 2 Jun 06:30."),
        (1200, "Twilight, growing light; sunrise 06:30, sunset 22:10."),
    ],
)
def test_light_is_said_for_each_part_of_the_day(minutes: int, said: str) -> None:
    """A search by day asks when it grows dark, one at night when it grows light."""
    assert words(pack(in_water(replace(PLAN, site=LANTERN)).dive, at(minutes)), "light") == said


def test_where_the_sun_stays_up_no_sunset_is_promised() -> None:
    """Far north in June there is none within a day."""
    site = replace(BARE, position=Position(78, 15))

    assert words(pack(in_water(replace(PLAN, site=site)).dive, at(1)), "light") == (
        "Daylight now; no sunset within a day, not dark within a day."
    )


def test_a_falling_tide_is_said_to_fall() -> None:
    """And the next low and high water follow."""
    made = pack(in_water(replace(PLAN, site=LANTERN)).dive, at(1))

    assert words(made, "tide") == "1.1 m and falling now; low water 11:00, 0.9 m; high water 17:00, 4.4 m."


def test_tides_of_another_day_are_no_tides_of_now() -> None:
    """Without high and low waters around now the tide is not known, and none is named as the next."""
    later = tuple(TidalExtreme(tide.at.replace(day=3), tide.height_m, tide.high) for tide in TIDES)

    made = pack(in_water(replace(PLAN, site=replace(LANTERN, tides=later))).dive, at(1))

    assert made.water.next_tides == ()
    assert words(made, "tide").startswith("Not known")


def test_who_is_out_is_not_missing() -> None:
    """A partial finish is in the numbers and in the words."""
    story = in_water(FULL_PLAN)
    story.does(do.Finish(diver("OUT 1"), count=1), at(45))

    made = pack_of(story, 46)

    assert (made.head_count, made.missing) == (2, 1)
    assert words(made, "who").endswith("1 of 2 said to be out, 1 missing.")


def test_a_raised_alarm_is_trouble_and_quotes_the_words() -> None:
    """Divers who say that they are in trouble are not merely overdue."""
    story = in_water(FULL_PLAN)
    story.does(do.RaiseNow(diver("SOS"), note="lost sight of Bram"), at(20))

    made = pack_of(story, 21)

    assert made.headline == "Divers in trouble: Anna Holt, 2 divers"
    assert made.script[0] == "I am reporting divers in trouble."
    assert "Alarm raised 10:20 by Anna Holt. They said: “lost sight of Bram”." in made.done
    assert words(made, "since") == "In 10:00, due out 10:50."


@pytest.mark.parametrize(
    ("minutes", "situation", "opening"),
    [
        (10, Situation.IN_WATER, "I am worried about divers who are in the water. They are not overdue yet."),
        (51, Situation.OVERDUE, "I am reporting overdue divers."),
        (66, Situation.OVERDUE, "I am reporting overdue divers."),
    ],
)
def test_the_situation_follows_the_clock(minutes: int, situation: Situation, opening: str) -> None:
    """Before due out nobody is overdue; from then on they are, whether or not anybody was alerted."""
    made = pack_of(overdue(minutes, FULL_PLAN), minutes)

    assert made.situation is situation
    assert made.script[0] == opening


def test_an_assumed_start_is_said_to_be_assumed() -> None:
    """Whether they are in the water at all is the first thing that rescue doubts."""
    story = filed(PLANNED)
    story.runs_to(at(70))

    assert words(pack_of(story, 70), "since").startswith("In 10:00 (as planned; nobody said so), due out")
    story.does(do.Start(diver("IN")), at(70))
    assert words(pack_of(story, 71), "since").startswith("In 10:00 (as planned), due out")


def test_in_a_drill_everything_begins_with_exercise() -> None:
    """Headline, script and caution; the script ends with it as well, and nobody is sent to call rescue."""
    made = pack_of(overdue_with_everything(drill=True))

    assert made.headline == "EXERCISE: Overdue divers: Anna Holt, 2 divers"
    assert made.script[0] == f"EXERCISE, EXERCISE, EXERCISE. This is a drill. {NO_CALL}"
    assert made.caution.startswith("EXERCISE. Nobody is in danger")
    assert made.script[-1] == "EXERCISE, EXERCISE, EXERCISE."


def test_a_closed_dive_says_that_it_is_over_by_whom_and_when() -> None:
    """And nobody is looked for any more."""
    story = overdue_with_everything()
    story.does(do.ReportSafe(contact(0, "SAFE 2"), count=2), at(95))

    made = pack_of(story, 96)

    assert made.over
    assert made.headline == "It is over: all are safe (2 divers)"
    assert made.done[0] == "It is over: all are safe (2 divers), said by Cleo Marsh, 11:35."
    assert made.done[1].startswith("Rescue called 11:24")
    assert made.event is Situation.OVERDUE
    assert (made.missing, made.pictures, made.search_notes) == (0, (), ())
    assert words(made, "since") == "In 10:00, due out 10:50."
    assert made.script[:3] == (
        "I am calling to say that it is over.",
        "Your incident number is Sierra Kilo Bravo, zero four one seven.",
        "It is about the dive at Lantern Cove: 2 divers: Anna Holt, Bram Vik.",
    )


def test_a_dive_that_never_was_an_alarm_ends_without_a_word_of_rescue() -> None:
    """Called off before the start: nobody had to be told."""
    story = filed(FULL_PLAN)
    story.does(do.CallOff(diver("NOGO")), at(5))

    made = pack_of(story, 6)

    assert made.done == ("It is over: the dive was called off, said by Anna Holt, 10:05.",)
    assert made.phase is Phase.CLOSED


def test_a_plan_that_lapsed_is_not_said_to_be_over() -> None:
    """That no start was heard does not say that nobody went in."""
    story = filed(PLANNED, GracePeriods(never_started=NeverStarted.LAPSE))
    story.runs_to(at(120))

    assert pack_of(story, 121).done[0].startswith("The plan has lapsed: no start was ever heard")


@pytest.mark.parametrize(
    ("by", "reference", "said"),
    [
        (contact(), "4711", "Cleo Marsh said 11:24 that rescue was called, incident 4711; they took that back 11:26."),
        (contact(1), None, "Cleo Marsh said 11:24 that rescue was called; Dov Lind said that it was not 11:26."),
    ],
    ids=["by whoever said it", "by another"],
)
def test_a_call_that_was_taken_back_is_said_with_who_said_what(by: Actor, reference: str | None, said: str) -> None:
    """Rescue can look whether they have it after all, by the number too."""
    story = overdue(84, FULL_PLAN)
    story.does(do.ReportCalled(contact(), reference), at(84))
    story.does(do.TakeBackCalled(by), at(86))

    assert f"Not known to have been called: {said}" in pack_of(story, 87).done


def test_a_closed_state_without_its_reasons_is_still_told() -> None:
    """A row that lost who and how says at least that it is closed."""
    story = overdue_with_everything()
    story.does(do.ReportSafe(contact(0, "SAFE 2"), count=2), at(95))
    bare = replace(story.dive, outcome=None, closed_by=None, closed_count=None)

    assert pack(bare, at(96)).done[0] == "It is over: the dive is closed, 11:35."
    assert pack(replace(bare, called_by=None, called_reference=None), at(96)).done[1] == "Rescue called 11:24."


def test_who_cannot_be_reached_is_named() -> None:
    """The co-ordinator must not wait for a phone that is off."""
    story = in_water(FULL_PLAN)
    story.does(do.NoteUnreachable("contact-1", "refused"), at(5))

    made = pack_of(story, 6)

    assert "Texts do not reach: Dov Lind." in made.done
    assert made.contacts[1].words == "no text reaches them"


def test_an_admin_at_the_site_is_there_without_a_number() -> None:
    """The plan knows the people ashore, not the admins of the club."""
    story = overdue(90, FULL_PLAN)
    story.does(do.ReportOnScene(by=ADMIN), at(91))

    made = pack_of(story)

    assert made.on_scene[0].name == "an admin of Skerry Bay Divers"
    assert "At the site, to meet you: an admin of Skerry Bay Divers." in made.script


def test_a_lone_phone_is_one_phone() -> None:
    """Of a party with one phone it is not said that their phones were texted."""
    alone = replace(PLAN, party=PLAN.party[:1])

    assert "Its phone was texted; no answer." in pack_of(overdue(92, alone)).done


def test_a_party_that_answered_after_due_out_is_not_silent() -> None:
    """Their words are in the pack; that nobody answered would be untrue."""
    story = overdue(51, FULL_PLAN)
    story.does(do.Hear(diver("still packing"), "still packing"), at(52))
    story.runs_to(at(60))

    assert not any("no answer" in said for said in pack_of(story, 60).done)


def test_factors_of_the_search_are_those_given() -> None:
    """A club or a co-ordinator may plan with other figures."""
    dive = overdue_with_everything().dive

    usual, wider = pack(dive, at(92)), pack(dive, at(92), factors=SearchFactors(first_search_factor=2.2))

    assert wider.pictures[0].radius_m == pytest.approx(2 * usual.pictures[0].radius_m)


def test_the_timeline_ends_with_the_state_that_the_pack_shows() -> None:
    """Events that came after the dive was read are left out, so that the pack does not contradict itself."""
    story = overdue_with_everything()
    moments = (*(Moment(event.at, "said") for event in story.events), Moment(at(91), "newer"))

    assert pack(story.dive, at(92), moments).timeline == moments[:-1]


def test_exits_are_told_in_the_order_to_make_for_them(full: Pack) -> None:
    """Number on the sketch, distance, bearing, swim, tide, ease, vehicles, position; then the ways to the site."""
    rows = exit_words(full)

    assert [row.name for row in rows[:3]] == ["1 East beach", "2 West steps", "3 Boat shed"]
    assert rows[0].words.startswith("planned, 120 m (0.07 NM) towards 030° (NNE)")
    assert "ease 4 of 5" in rows[0].words
    assert "closed by the tide at due out" in rows[2].words
    assert [row.name for row in rows[3:]] == [
        "Vehicle access: Shed track",
        "Parking: Cove car park",
        "Meeting point: Notice board",
        "Phone or signal: Gate, one bar",
        "Hazard: Outfall pipe",
    ]
    assert rows[3].words == "emergency vehicles reach it, 47.12450,-20.53920."


def test_exits_without_a_place_or_against_the_current_say_so() -> None:
    """What is not known is said, and what cannot be swum to is no exit to wait at."""
    points = tuple(replace(point, position=None) for point in LANTERN.exits[:1]) + LANTERN.exits[1:2]
    site = replace(LANTERN, points=points, current=Current(90, 2))

    rows = exit_words(pack_of(overdue_at(site)))

    assert any("position not known" in row.words for row in rows)
    assert any("the current is too strong to swim to it" in row.words for row in rows)
