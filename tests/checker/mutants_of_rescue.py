"""Mutants of what follows from the word that rescue was called, and that it was not after all; as in `mutants`."""

from __future__ import annotations

_CALLING = "domain.dive.calling_rescue:"
_WORDS = "domain.wording.rescue_called:"

OF_RESCUE = (
    (
        "domain.dive.ticking:_contact_due_at",
        "if dive.called_at is not None:",
        "if False:",
        "step-early",
        "rescue_is_called",
    ),
    (
        _CALLING + "after_taking_back",
        '"distress_at": event.at,',
        "",
        "step-early",
        "rescue_was_not_called",
    ),
    (
        _CALLING + "take_back_called",
        "falls = [key for key in standing if key == (command.whose or own)]",
        "falls = list(standing)",
        "taken-back",
        "rescue_was_not_called",
    ),
    (
        _CALLING + "take_back_called",
        "stands=len(whose) < len(dive.rescue_calls)",
        "stands=False",
        "taken-back",
        "rescue_was_not_called",
    ),
    (
        _CALLING + "take_back_called",
        "whose = tuple(falls or standing)",
        "whose = tuple(falls or standing[:0])",
        "taken-back",
        "another_says_that_rescue_was_not_called",
    ),
    (
        _WORDS + "on_called_taken_back",
        "people = [one for one in (*dive.contacts, *_admins(dive)) if one.key != event.by.key]",
        "people = _admins(dive)",
        "event-untold",
        "rescue_was_not_called",
    ),
    (
        "domain.wording.drafts:untrue_steps",
        "return UNCALLED if dive.phase is Phase.CLOSED or dive.called_at is not None else CALLED",
        "return UNCALLED",
        "uncalled-last",
        "another_says_that_rescue_was_not_called",
    ),
)
