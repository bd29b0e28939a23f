"""What the heart made comes back from JSON exactly as it went in."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.dive.events import Armed, Closed, FixReported, Heard, Outcome, StepTaken
from service.domain.dive.state import Dive
from service.domain.grace import GracePeriods, Step
from service.domain.place.fix import Source
from service.domain.place.position import Position
from service.store.codec import (
    EVENT_TYPES,
    UnreadableError,
    canonical,
    canonical_words,
    dump_dive,
    dump_event,
    dump_event_text,
    dump_grace,
    load_dive,
    load_event,
    load_grace,
    stamp,
)
from service.store.types import NaiveTimeError
from tests.store.examples import NOW, filed, folded, started
from tests.store.values import values_of

ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)

ANY_WORDS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@pytest.mark.parametrize("kind", EVENT_TYPES)
@given(data=st.data())
def test_every_event_comes_back_as_it_went_in(kind: str, data: st.DataObject) -> None:
    """The log can be folded only if no event loses anything on its way through JSON text."""
    event = data.draw(values_of(EVENT_TYPES[kind]))

    dumped, fields = dump_event(event)

    assert dumped == kind
    assert load_event(dumped, json.loads(canonical(fields))) == event
    assert dump_event_text(event) == (kind, canonical(fields))


@given(dive=values_of(Dive))
def test_every_dive_comes_back_as_it_went_in(dive: Dive) -> None:
    """The row holds the whole state and nothing of it is lost."""
    assert load_dive(dump_dive(dive)) == dive


@given(grace=values_of(GracePeriods))
def test_grace_periods_come_back_as_they_went_in(grace: GracePeriods) -> None:
    """What an admin set is what holds."""
    assert load_grace(json.loads(canonical(dump_grace(grace)))) == grace


def test_kinds_are_the_names_of_the_events_in_snake_case() -> None:
    """The names are in every log that was ever written, so they must never change."""
    assert set(EVENT_TYPES) == {
        "filed",
        "started",
        "start_said",
        "armed",
        "not_armed",
        "step_taken",
        "extension_asked",
        "extension_took_effect",
        "extension_not_in_force",
        "late_passed_on",
        "partly_out",
        "alarm_raised",
        "acknowledged",
        "rescue_called",
        "called_taken_back",
        "fix_reported",
        "conditions_reported",
        "on_scene",
        "heard",
        "note_added",
        "person_unreachable",
        "person_reachable",
        "told_meanwhile",
        "held",
        "hold_ended",
        "closed",
    }


def test_instants_are_written_in_one_way_whatever_their_zone() -> None:
    """Equal instants hash alike."""
    elsewhere = NOW.astimezone(timezone(timedelta(hours=5, minutes=30)))

    assert stamp(elsewhere) == stamp(NOW) == "2027-06-01T09:00:00.000000Z"


def test_a_naive_datetime_in_an_event_is_refused() -> None:
    """A time without a zone must not get into the log, where it could mean any instant."""
    event = Armed(at=datetime(2027, 6, 1, 9, 0), contact="contact-0")  # noqa: DTZ001 - the fault to find

    with pytest.raises(NaiveTimeError, match="2027-06-01T09:00:00 has no zone"):
        dump_event(event)


def test_a_naive_datetime_deep_in_a_dive_is_refused() -> None:
    """No depth hides a time without a zone."""
    dive = folded(filed(), started())
    plan = replace(dive.plan, time_in_at=NOW.replace(tzinfo=None))

    with pytest.raises(NaiveTimeError):
        dump_dive(replace(dive, plan=plan))


def test_an_unknown_kind_of_event_is_unreadable() -> None:
    """A log that newer code wrote is not silently half read."""
    with pytest.raises(UnreadableError, match="there is no event 'levitated'"):
        load_event("levitated", {})


@pytest.mark.parametrize(
    "fields",
    [
        {},
        {"at": "yesterday", "contact": "contact-0"},
        {"at": "2027-06-01T09:00:00Z", "contact": 7},
        [],
    ],
    ids=["nothing", "no time", "wrong type", "no object"],
)
def test_fields_that_do_not_fit_are_unreadable(fields: Any) -> None:
    """A damaged event is found when it is read, not later."""
    with pytest.raises(UnreadableError):
        load_event("armed", fields)


@pytest.mark.parametrize("text", ["", "{", "null", "[]", '{"id": "d1"}', '"dive"'])
def test_a_damaged_state_is_unreadable(text: str) -> None:
    """Whatever is wrong with a stored dive, there is one error for it."""
    with pytest.raises(UnreadableError):
        load_dive(text)


def test_a_field_of_newer_code_is_passed_over() -> None:
    """While a new version is rolled out the old one goes on reading."""
    kind, fields = dump_event(Armed(at=NOW, contact="contact-0"))

    assert load_event(kind, fields | {"gateway": "north"}) == Armed(at=NOW, contact="contact-0")


def test_a_field_that_older_code_did_not_write_takes_its_default() -> None:
    """Old logs stay readable."""
    kind, fields = dump_event(filed())
    del fields["drill"]

    assert load_event(kind, fields) == filed()


def test_grace_periods_may_be_given_in_part() -> None:
    """A club stores only what differs."""
    assert load_grace({"grace": "PT20M"}) == GracePeriods(grace=timedelta(minutes=20))


def test_canonical_json_is_sorted_tight_and_keeps_letters() -> None:
    """The bytes that are hashed are fixed."""
    assert canonical({"b": [1, 2.5, None], "a": 'sø "x"'}) == '{"a":"sø \\"x\\"","b":[1,2.5,null]}'


@given(value=ANY_JSON)
def test_canonical_json_of_what_was_read_is_the_same_again(value: object) -> None:
    """A detail that went through the database still has its hash."""
    once = canonical(value)

    assert canonical(json.loads(once)) == once
    assert once.encode()


@given(value=ANY_WORDS)
def test_the_quicker_way_to_canonical_json_gives_the_same(value: object) -> None:
    """Else what one of our processes hashed another would find wrong."""
    assert canonical_words(value) == canonical(value)


def test_every_letter_is_the_same_by_the_quicker_way() -> None:
    """Each as it is, or escaped alike; half of a surrogate pair is replaced by both."""
    for first in range(0, sys.maxunicode + 1, 0x1000):
        letters = "".join(map(chr, range(first, first + 0x1000)))

        assert canonical_words([letters]) == canonical([letters])


@pytest.mark.parametrize("number", [1e16, -2.5e-7, 1e300, 0.1, -0.0])
def test_an_event_with_numbers_of_any_size_is_hashed_as_canonical_json(number: float) -> None:
    """Encoders write exponents in ways of their own."""
    where = Position(47.1, -20.5)
    event = FixReported(at=NOW, by=filed().by, position=where, fix_at=NOW, source=Source.TEXT, accuracy_m=number)

    assert dump_event_text(event)[1] == canonical(dump_event(event)[1])


def test_half_a_surrogate_pair_becomes_storable() -> None:
    """An API body may hold half a character; the text is kept, not lost."""
    event = Heard(at=NOW, by=filed().by, words="ok \ud83d")

    _, fields = dump_event(event)

    assert json.loads(canonical(fields))["words"] == "ok \ufffd"


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_numbers_that_json_does_not_have_are_refused(value: float) -> None:
    """Nothing is hashed that another program could not read."""
    with pytest.raises(ValueError, match="not JSON compliant"):
        canonical([value])


def test_the_fold_of_a_dive_survives_the_database_text() -> None:
    """A real dive, events applied, equals itself read back, and says so in its properties."""
    dive = folded(
        filed(),
        started(),
        StepTaken(at=NOW, step=Step.ALERT, due_at=NOW, to=("contact-0",)),
        Closed(at=NOW, by=filed().by, outcome=Outcome.SURFACED, count=3),
    )

    again = load_dive(dump_dive(dive))

    assert again == dive
    assert again.raise_by_at == datetime(2027, 6, 1, 10, 5, tzinfo=UTC)
