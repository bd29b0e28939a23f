"""The words that carriers act on by themselves: from then on our texts reach a phone no more, or again."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.dive import commands as do
from service.domain.wording import general
from service.operations.addressing import Answer, Text
from service.operations.recording import apply
from service.store import opt_outs
from service.store.dives import PhoneMatch


def opt_out_by_text(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    """The carrier answers; we send nothing more, and every open dive learns that this phone is deaf. No clock stops."""
    opt_outs.opt_out(text.session, text.club.receiving_number, text.phone, text.now)
    touched = None
    for match in matches:
        for key in match.keys:
            word = do.NoteUnreachable(key, "opted_out", said=True)
            applied = apply(text.service, text.session, match.dive.id, word, text.now)
            if match.dive.person(key) is not None or (applied is not None and applied.events):
                touched = touched or match.dive.id  # to an admin every alarm is open, whether it is theirs or not
    return Answer(dive_id=touched, note="opted out")


def opt_in_by_text(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    """Our texts get through again; no clock starts."""
    opt_outs.opt_in(text.session, text.club.receiving_number, text.phone, text.now)
    for match in matches:
        for key in match.keys:
            apply(text.service, text.session, match.dive.id, do.NoteReachable(key), text.now)
    return Answer(general.opted_in(text.club.name, text.language), note="opted in")
