"""What an officer of the club notes of a dive: kept for whoever reads what happened, and it moves nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from service.domain.dive import commands as do
from service.domain.dive.decide import NOTED_FOR
from service.domain.handover import pack
from service.domain.wording.timeline import what_happened, who_did
from tests.domain.builders import ADMIN, RAISE_BY, at, contact, diver, kinds, overdue

NOTE = "Their van is gone from the gate"


def test_a_note_is_told_line_by_line_and_by_no_message() -> None:
    """Contacts and rescue read it where they read what happened; nobody's phone rings for it."""
    story = overdue(RAISE_BY + 5)

    drafts = story.said(do.AddNote(ADMIN, NOTE), at(RAISE_BY + 6))

    assert drafts == []
    last = story.events[-1]
    assert (who_did(last), what_happened(story.dive, last)) == (ADMIN.name, f'Noted: "{NOTE}".')


def test_a_note_changes_nothing_of_a_dive_but_how_many_events_made_it() -> None:
    """The clock, the ladder, and what was last heard of the party are as before."""
    story = overdue(RAISE_BY + 5)
    before = story.dive

    story.does(do.AddNote(ADMIN, NOTE), at(RAISE_BY + 6))

    assert story.dive == replace(before, version=before.version + 1)
    assert pack(story.dive, at(RAISE_BY + 6)).done == pack(before, at(RAISE_BY + 6)).done


def test_what_came_of_a_dive_can_be_noted_for_a_day_after_its_end() -> None:
    """As long as its links open; after that its log is left as it is, and the answer says so."""
    story = overdue(RAISE_BY + 5)
    story.does(do.ReportSafe(contact(words="SAFE 2"), 2), at(RAISE_BY + 6))
    closed_at = at(RAISE_BY + 6)

    in_time = story.does(do.AddNote(ADMIN, NOTE), closed_at + NOTED_FOR)
    too_late = story.does(do.AddNote(ADMIN, NOTE), closed_at + NOTED_FOR + timedelta(seconds=1))

    assert kinds(in_time) == ["NoteAdded"]
    assert kinds(too_late) == ["refused: noted_too_late"]


def test_only_an_admin_notes() -> None:
    """A diver's and a contact's words are their own texts, and are kept as those."""
    story = overdue(RAISE_BY + 5)

    for by in (diver("Gone"), contact(words="Gone")):
        assert kinds(story.does(do.AddNote(by, NOTE), at(RAISE_BY + 6))) == ["refused: not_of_this_dive"]
