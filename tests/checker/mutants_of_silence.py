"""Mutants of what hears a silence: of the ladder, of whoever turns out deaf, of more time and of a second alarm.

Such as one-point mutants were that no example held, or that the checker did not see.
"""

from __future__ import annotations

_DIVE, _OPS = "domain.dive.", "operations."

OF_SILENCE: tuple[tuple[str, str, str, str, str], ...] = (
    # Whoever turns out deaf
    (
        _OPS + "settling:Settling._note_unreachable",
        "if following.unreachable and message.dive_id is not None:",
        "if False:",
        "deaf-unnoted",
        "the_alert_fails",
    ),
    (
        _OPS + "receipts:_let_dive_know",
        "elif state is ReceiptState.FAILED:",
        "elif False:",
        "deaf-unnoted",
        "a_letter_is_late",
    ),
    (
        _OPS + "sweeping:_note_missing",
        "if dive is not None and not has_answered(dive, message):",
        "if False:",
        "deaf-unnoted",
        "nothing_is_delivered",
    ),
    (
        _OPS + "sweeping:_note_missing_receipts",
        "for message in waiting:",
        "for message in waiting[:0]:",
        "receipt-missed",
        "nothing_is_delivered",
    ),
    # The ladder
    (
        _DIVE + "ticking:_whom_to_alert",
        "chosen = waiting[:count]",
        "chosen = waiting[:1]",
        "turns",
        "nobody_looks_for_seven_minutes",
    ),
    (
        _DIVE + "ticking:_tick_unstarted",
        "if now >= planned + dive.grace.assume_started_after:",
        "if now >= planned + dive.grace.ask_started_after:",
        "step-early",
        "nobody_starts",
    ),
    (
        _OPS + "claiming:Claims._in_turn",
        "if urgent or not rows:",
        "if not rows:",
        "overdue",
        "much_waits_at_once",
    ),
    # A call for help that a keeper told without the database
    (
        _DIVE + "decide:_note_raised_meanwhile",
        "if over and (dive.drill or dive.closed_at is None or dive.closed_at >= command.told_at):",
        "if over:",
        "call-calmed",
        "help_is_called_for_when_it_is_over",
    ),
    (
        _OPS + "merging:_as_noted",
        "return NoteRaisedMeanwhile(call, to, alarm.at)",
        "return NoteToldMeanwhile(Step.ALERT, to, alarm.at, alarm.at)",
        "call-lost",
        "help_is_called_for_when_it_is_over",
    ),
    (
        _OPS + "merging:_reached_by",
        "return tuple(key for key in to if key in has_it)",
        "return to",
        "call-untold",
        "help_is_called_for_when_it_is_over",
    ),
    (
        _OPS + "outage_carrying:OutageCourier.drop_untrue",
        "over = opened_again and parcel.told.kind == MessageKind.STAND_DOWN",
        "over = False",
        "call-overtaken",
        "an_end_that_nobody_took_is_none",
    ),
    # An attempt whose carrier vanished
    (
        "store.superseding:expire_overdue",
        "end_lost_attempts(session, [message_id for message_id, attempts in gone if attempts], now)",
        "pass",
        "left-open",
        "a_carrier_vanishes_with_what_is_late",
    ),
    # Whoever may have an alarm, and no end of it
    (
        _OPS + "standing_in:StandIn._messages",
        "if isinstance(event, Closed) else []",
        "if False else []",
        "end-meanwhile",
        "an_admin_is_left_with_it",
    ),
    (
        _OPS + "plainest:end_unknown_alarms",
        "one.state not in (FAILED, EXPIRED)",
        "one.state != FAILED",
        "stood-down",
        "an_end_is_kept_from_going_out",
    ),
    # Who calls for help, and no dive is there to be called for
    (
        _OPS + "inbound:_queue",
        "if for_help and is_answered(",
        "if False and is_answered(",
        "help-answered",
        "nobody_known_calls_for_help",
    ),
    (
        _OPS + "help_meanwhile:_is_told",
        "return meanwhile.was_handed(session, club_id, OUTAGE_STEP, step, came_at - REST_WITHIN)",
        "return True",
        "help-answered",
        "nobody_known_calls_for_help",
    ),
    (
        _OPS + "outage_help:UnheardHelp.drafts",
        'f"{ANSWERED}{cause}", answer, now), *told]',
        'f"{ANSWERED}{cause}", answer, now)]',
        "help-answered",
        "nobody_known_calls_for_help",
    ),
    (
        _OPS + "inbound:_answer_once",
        "if answered.unheard:",
        "if False:",
        "help-unheard",
        "nobody_known_calls_for_help",
    ),
    (
        _OPS + "help_without_dive:_tell",
        "if same or len(of_phone) >= HELP_MAX:",
        "if same or len(of_phone) < HELP_MAX:",
        "help-unheard",
        "nobody_known_calls_for_help",
    ),
    # More time, and a second alarm
    (
        _DIVE + "extending:extend",
        "if dive.alarm_due_at is not None and dive.alarm_due_at <= now:",
        "if False:",
        "event-time",
        "more_time_is_asked_for_late",
    ),
    (
        _DIVE + "evolve:_extension_took_effect",
        "done = tuple(step for step in dive.steps if step not in PARTY_STEPS)",
        "done = dive.steps",
        "row-is-fold",
        "more_time_is_asked_for_late",
    ),
    (
        _DIVE + "evolve:_reopened",
        "acknowledged=(),",
        "",
        "row-is-fold",
        "more_time_is_asked_for_late",
    ),
)
