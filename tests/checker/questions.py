"""What must always hold, asked of the tables and of what the gateways took.

It shares nothing with the service but the schema: its own reading, its own fold, its own recipe of the hashes. Each
question has a name that does not change; docs/checker.md says what it is asked for and which mutants prove that it
speaks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from types import MappingProxyType

from sqlalchemy import Engine

from tests.checker import (
    chains,
    questions_gateways,
    questions_ladder,
    questions_meanwhile,
    questions_messages,
    questions_rescue,
    questions_rows,
    questions_texts,
    questions_words,
)
from tests.checker.folding import Histories
from tests.checker.reading import Record, TakenText, read

Question = Callable[[Record, Histories], Iterator[str]]


def _of_the_record(ask: Callable[[Record], Iterator[str]]) -> Question:
    return lambda record, _: ask(record)


# What may never be, whatever fails.
NEVER: Mapping[str, Question] = MappingProxyType(
    {
        "chain-hash": _of_the_record(chains.every_entry_is_as_it_was_written),
        "chain-whole": _of_the_record(chains.every_chain_is_whole),
        "chain-owner": _of_the_record(chains.every_entry_is_in_its_own_chain),
        "checkpoint": _of_the_record(chains.every_checkpoint_saw_what_is_there),
        "erased": _of_the_record(chains.what_was_erased_keeps_its_hash),
        "row-is-fold": questions_rows.every_row_is_the_fold_of_its_events,
        "phase-path": questions_rows.every_event_may_follow_the_one_before,
        "event-time": questions_rows.every_event_is_of_its_instant,
        "next-moment": questions_rows.every_open_dive_has_its_next_moment,
        "phones-and-codes": questions_rows.phones_and_codes_are_those_of_the_dive,
        "token-in-log": questions_rows.no_token_is_in_the_log,
        "link": questions_rows.every_link_leads_to_its_own_page,
        "step-early": questions_ladder.no_step_is_taken_before_it_is_due,
        "unreached": questions_ladder.whoever_cannot_be_reached_is_not_waited_for,
        "deaf-unnoted": questions_ladder.who_turns_out_deaf_is_noted,
        "turns": questions_ladder.a_late_alert_goes_to_all_whose_turn_has_come,
        "event-untold": questions_ladder.every_step_tells_those_it_names,
        "fault-untold": questions_ladder.a_fault_in_the_rules_tells_everybody,
        "armed": questions_ladder.armed_means_that_a_contact_holds_the_plan,
        "more-time": questions_ladder.more_time_means_that_a_contact_holds_it,
        "more-time-untold": questions_messages.all_who_hold_a_raise_by_time_are_sent_a_later_one,
        "cause": questions_messages.every_message_has_its_one_cause,
        "told-twice": questions_messages.no_cause_tells_anybody_twice,
        "stand-down-cause": questions_messages.a_stand_down_follows_a_close,
        "stranger-told": questions_messages.no_stranger_gets_a_message,
        "stranger-noise": questions_messages.strangers_are_answered_seldom,
        "alarm-given-up": questions_messages.no_alarm_is_given_up_while_its_dive_is_open,
        "after-close": questions_messages.nothing_of_a_step_follows_the_close,
        "stand-down-last": questions_messages.no_alarm_comes_after_its_stand_down,
        "notice-last": questions_messages.the_stand_down_comes_after_a_notice,
        "calm-in-alarm": questions_messages.nothing_calms_during_an_alarm,
        "alarm-last": questions_messages.the_alarm_comes_after_what_calms,
        "call-calmed": questions_meanwhile.a_call_for_help_is_ended_by_what_came_after_it,
        "call-overtaken": questions_meanwhile.no_end_of_before_follows_a_call,
        "end-meanwhile": questions_meanwhile.whom_a_keeper_alarmed_hears_the_end_of_it,
        "call-untold": questions_meanwhile.whom_a_keeper_told_is_whom_it_told,
        "help-answered": questions_meanwhile.whoever_calls_for_help_is_answered_once,
        "help-unheard": questions_meanwhile.a_call_for_help_without_a_dive_is_heard_by_the_admins,
        "called-last": questions_messages.nobody_denies_that_rescue_was_called,
        "uncalled-last": questions_rescue.nobody_believes_that_rescue_was_called,
        "taken-back": questions_rescue.the_right_word_is_taken_back,
        "no-attempt": questions_gateways.nothing_was_sent_without_an_attempt,
        "taken-often": questions_gateways.nothing_is_taken_oftener_than_in_doubt,
        "reply-again": questions_gateways.a_reply_in_doubt_is_not_sent_again,
        "lease": questions_gateways.attempts_at_one_message_do_not_overlap,
        "attempts": questions_gateways.attempts_and_message_agree,
        "attempt-log": questions_gateways.every_attempt_is_in_the_log,
        "handed": questions_gateways.what_is_handed_was_taken,
        "receipt": questions_gateways.the_furthest_receipt_wins,
        "times": questions_gateways.times_are_in_order,
        "priority": questions_gateways.no_alert_was_behind_a_reminder,
        "another-way": questions_gateways.an_urgent_message_goes_another_way_next,
        "gateway-rest": questions_gateways.a_gateway_that_keeps_failing_is_rested,
        "text-log": questions_texts.no_text_is_missing_from_the_log,
        "text-once": questions_texts.every_text_acts_once,
        "answer-last": questions_texts.no_answer_of_before_follows_the_end,
        "close-who": questions_texts.every_close_names_who,
        "proof": questions_texts.whoever_lowers_a_concern_may,
        "part": questions_texts.each_does_what_is_theirs,
        "count-and-code": questions_texts.a_count_and_a_code_are_heeded,
        "heard": questions_texts.every_word_was_heard,
        "club": questions_texts.no_club_moves_another_clubs_dive,
        "alarm-words": questions_words.alarms_say_what_is_so,
        "time-words": questions_words.the_others_hear_the_times_in_force,
        "stand-down-words": questions_words.a_stand_down_says_who_and_how_many,
        "fault-words": questions_words.the_plainest_alarm_says_whose_dive_it_is,
    }
)

# What must have come about within some time, once nothing fails any more.
PROMISED: Mapping[str, Question] = MappingProxyType(
    {
        "overdue": questions_ladder.everything_overdue_is_alerted,
        "undone": questions_ladder.nothing_due_is_left_undone,
        "receipt-missed": questions_ladder.no_alarm_waits_longer_for_its_receipt,
        "fault-again": questions_ladder.a_fault_in_the_rules_is_told_again,
        "stood-down": questions_messages.whoever_was_alarmed_was_stood_down,
        "call-lost": questions_meanwhile.a_call_for_help_is_in_the_record,
        "left-waiting": questions_messages.nothing_waits_that_could_go,
        "left-open": questions_gateways.no_attempt_is_left_open,
        "text-waits": questions_texts.every_text_is_dealt_with,
    }
)


def violations(
    engine: Engine,
    journal: Sequence[TakenText],
    now: datetime,
    *,
    promises: bool = True,
    commits_within: timedelta = timedelta(0),
    behind_gateways: timedelta = timedelta(0),
) -> list[str]:
    """All that does not hold, a line each that begins with the name of its question; empty when all is well.

    Without `promises` it is asked only what may never happen, not what must have happened within some time.
    `commits_within`: how long after its stamp a decision may be committed, until when nobody else can know of it.
    `behind_gateways`: how far the clock of the journal was ever ahead of ours.
    """
    record = read(engine, journal, now)
    record.commits_within, record.behind_gateways = commits_within, behind_gateways
    folds = Histories(record)
    asked = {**NEVER, **PROMISED} if promises else NEVER
    return [f"{name}: {words}" for name, question in asked.items() for words in question(record, folds)]
