"""Mutants of the service: one line of one function is another, and a day on which the checker must say so.

Made in memory by a test and gone after its day. A line that is no longer there fails loudly, so that it is renewed.
"""

from __future__ import annotations
import __future__ as future

import importlib
import inspect
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import _lru_cache_wrapper
from types import FunctionType
from typing import Any

from tests.checker.mutants_of_rescue import OF_RESCUE
from tests.checker.mutants_of_silence import OF_SILENCE


@dataclass(frozen=True)
class Mutant:
    """`function` is the module below `service` and the name in it; `question` is the one that must speak."""

    function: str
    line: str
    instead: str
    question: str
    day: str

    @property
    def name(self) -> str:
        """For people."""
        return f"{self.function.rpartition('.')[2].replace(':', '.')}: {self.question}"

    def found(self) -> FunctionType:
        """The function that it changes."""
        module, _, path = self.function.partition(":")
        found: Any = importlib.import_module(f"service.{module}")
        for part in path.split("."):
            found = getattr(found, part)
        assert isinstance(found, FunctionType), self.function
        return found

    def code(self, function: FunctionType) -> Any:
        """The changed function's code. Raises LookupError where its line is not there, or there twice."""
        source = textwrap.dedent(inspect.getsource(function))
        if source.count(self.line) != 1:
            raise LookupError(f"{self.function} has {source.count(self.line)} times the line {self.line!r}: renew it")
        changed = source.replace(self.line, self.instead)
        flags = future.annotations.compiler_flag
        names: dict[str, Any] = {}
        exec(compile(changed, self.function, "exec", flags=flags), dict(function.__globals__), names)  # noqa: S102 - our own line, changed by our own table
        made: Callable[..., Any] = names[function.__name__]
        assert isinstance(made, FunctionType)
        return made.__code__

    @contextmanager
    def alive(self) -> Iterator[None]:
        """Meanwhile whoever calls the function calls the changed one, however it was imported."""
        function = self.found()
        whole = function.__code__
        function.__code__ = self.code(function)
        _forget_statements()
        try:
            yield
        finally:
            function.__code__ = whole
            _forget_statements()


def _forget_statements() -> None:
    """What the store has built once and keeps is built anew."""
    for name, module in list(sys.modules.items()):
        for kept in vars(module).values() if name.startswith("service.store.") else ():
            if isinstance(kept, _lru_cache_wrapper):
                kept.cache_clear()


_DIVE, _OPS, _STORE, _WORDS = "domain.dive.", "operations.", "store.", "domain.wording."

MUTANTS: tuple[Mutant, ...] = tuple(
    Mutant(*one)
    for one in (
        *OF_SILENCE,
        *OF_RESCUE,
        # How a dive ends, and who may say so
        (
            _DIVE + "finishing:_out",
            "if count is not None and count < dive.head_count:",
            "if count is not None and count < 0:",
            "count-and-code",
            "help_is_called_for",
        ),
        (
            _DIVE + "finishing:finish",
            "if counted and command.count is None:",
            "if False:",
            "count-and-code",
            "help_is_called_for",
        ),
        (
            _DIVE + "finishing:finish",
            "if command.by.role is Role.CONTACT and not command.with_code:",
            "if False:",
            "part",
            "anybody_says_anything",
        ),
        (
            _DIVE + "finishing:finish",
            "if needs is FinishNeeds.CODE and command.by.via is Via.TEXT and not command.with_code:",
            "if False:",
            "part",
            "a_club_asks_for_the_code",
        ),
        (
            _DIVE + "extending:extend",
            "if command.by.role is Role.CONTACT or command.by.is_outsider:",
            "if False:",
            "part",
            "anybody_says_anything",
        ),
        (_DIVE + "extending:_moved", "if wanted > latest:", "if False:", "event-time", "anybody_says_anything"),
        (
            _DIVE + "decide:_acknowledge",
            "if command.by.role is Role.DIVER:",
            "if False:",
            "part",
            "anybody_says_anything",
        ),
        # The clock
        (
            _DIVE + "ticking:_contact_due_at",
            "alert = dive.raise_by_at if Step.ALERT not in dive.steps else None",
            "alert = None",
            "next-moment",
            "an_alarm_is_answered",
        ),
        (
            _DIVE + "ticking:_next_contact_due_at",
            "return asked_at  # nobody is left to wait for",
            "return asked_at + dive.grace.next_contact_every",
            "unreached",
            "the_alert_fails",
        ),
        (
            _DIVE + "ticking:_distress_due_at",
            "return None if dive.distress_at is None else dive.distress_at + dive.grace.distress_every",
            "return None",
            "undone",
            "nobody_answers",
        ),
        (
            _DIVE + "ticking:_hand_up_due_at",
            "if not dive.alarmed or",
            "if True or not dive.alarmed or",
            "undone",
            "nobody_answers",
        ),
        (
            _DIVE + "ticking:_hand_up_due_at",
            "if dive.acknowledged:",
            "if dive.acknowledged and dive.waiting:",
            "step-early",
            "nothing_comes_of_an_answer",
        ),
        (
            _DIVE + "ticking:_from_alarm_or_clock",
            "return min(times, default=None)",
            "return max(times, default=None)",
            "next-moment",
            "help_is_called_for",
        ),
        (
            "domain.grace:GracePeriods.party_steps",
            "due_out_at - self.heads_up_before",
            "due_out_at - 2 * self.heads_up_before",
            "step-early",
            "an_alarm_is_answered",
        ),
        # What events make of it
        (
            _DIVE + "evolve:_alarm_raised",
            "phase=_risen(base, Phase.ALERT),",
            "phase=base.phase,",
            "row-is-fold",
            "help_is_called_for",
        ),
        (
            _DIVE + "evolve:_extension_took_effect",
            "return _but(dive, due_out_at=event.due_out_at, extension=None, steps=done)",
            "return _but(dive, extension=None, steps=done)",
            "row-is-fold",
            "an_alarm_is_answered",
        ),
        # Recording
        (
            _OPS + "recording:_superseded",
            "return SUPERSEDED_AT_CLOSE",
            "return ()",
            "after-close",
            "it_ends_while_alarms_wait",
        ),
        (
            _OPS + "recording:is_superseded",
            "return kind in SUPERSEDED_AT_REOPENING or (dive.alarmed and kind in SUPERSEDED_AT_ALARM)",
            "return kind in SUPERSEDED_AT_REOPENING",
            "calm-in-alarm",
            "the_alarm_comes_during_a_call",
        ),
        (
            _OPS + "recording:is_superseded",
            "if message.step.startswith(untrue_steps(dive)):",
            "if False:",
            "called-last",
            "rescue_is_called_meanwhile",
        ),
        (
            _OPS + "recording:_expire_superseded",
            "if changed:",
            "if False:",
            "called-last",
            "rescue_is_called_meanwhile",
        ),
        (
            _OPS + "overtaken:_what_holds",
            "untrue = message.step.startswith(untrue_steps(dive))",
            "untrue = False",
            "called-last",
            "rescue_is_called_meanwhile",
        ),
        (
            _OPS + "overtaken:_what_holds",
            "if not untrue and not is_overtaken(message, dive.phase):",
            "if not is_overtaken(message, dive.phase):",
            "notice-last",
            "rescue_is_called_meanwhile",
        ),
        (
            _OPS + "overtaken:is_overtaken",
            "return kind in _ACTED_UPON or message.step.startswith(_LATE_NOTICE)",
            "return kind in ALARMS",
            "notice-last",
            "words_cross_in_calls",
        ),
        (
            _OPS + "overtaken:is_overtaken",
            "return phase in ALARMED and kind in _CALMS",
            "return False",
            "alarm-last",
            "words_cross_in_calls",
        ),
        (
            _OPS + "telling:Telling._message",
            "expires_at=draft.expires_at,",
            "expires_at=draft.due_at,",
            "alarm-given-up",
            "an_alarm_is_answered",
        ),
        (
            _OPS + "telling:Telling._message",
            "cause_seq=cause,",
            "cause_seq=cause + 1,",
            "cause",
            "an_alarm_is_answered",
        ),
        (
            _OPS + "telling:Telling._message",
            'phone=person.phone or "",',
            'phone=dive.lead.phone or "",',
            "stranger-told",
            "an_alarm_is_answered",
        ),
        (
            _OPS + "telling:Telling.tell",
            "told = [one for place, line in enumerate(lines) for one in self._recipients(place, line)]",
            "told = [one for place, line in enumerate(lines) for one in self._recipients(place, line)[:1]]",
            "event-untold",
            "an_alarm_is_answered",
        ),
        # Sweeping
        (
            _OPS + "sweeping:sweep",
            "for dive_id in sorted(faulty):",
            "for dive_id in ():",
            "fault-again",
            "a_dive_cannot_be_read",
        ),
        (
            _OPS + "sweeping:sweep",
            "if wanted & (_Part.TEXTS | _Part.PARTS):",
            "if False:",
            "text-waits",
            "a_text_comes_twice",
        ),
        # Claiming, carrying, settling
        (
            _OPS + "claiming:Claims._way",
            "return self._with_slot(session, row, next_ways(found, tried), desk)",
            "return self._with_slot(session, row, found, desk)",
            "another-way",
            "answers_are_lost",
        ),
        (
            _OPS + "carrying:Courier._deliver",
            "outcome = self._send(parcel)",
            "outcome = self._send(parcel) and self._send(parcel)",
            "taken-often",
            "an_alarm_is_answered",
        ),
        (
            _OPS + "settling:Settling._record",
            "if ours and following.fate is Fate.HANDED:",
            "if ours:",
            "armed",
            "nobody_can_be_armed",
        ),
        (
            _OPS + "settling:Settling._record",
            "self._log_attempt(session, parcel, facts, following, now)",
            "pass",
            "attempt-log",
            "answers_are_lost",
        ),
        (
            _OPS + "settling:Settling._following",
            "if following.fate is Fate.AGAIN and moved_on:",
            "if False:",
            "after-close",
            "it_ends_during_a_call",
        ),
        (
            _OPS + "retrying:_after",
            "if rule.copies and copies_max is not None and times >= copies_max:",
            "if False:",
            "reply-again",
            "answers_are_lost",
        ),
        (_OPS + "breaking:after_outcome", "if faults < FAULTS_MAX:", "if True:", "gateway-rest", "a_gateway_fails"),
        # Receipts
        (
            _OPS + "receipts:apply_waiting",
            "for receipt in receipts.waiting_for(session, gateway, provider_id, since):",
            "for receipt in receipts.waiting_for(session, gateway, provider_id, since)[:0]:",
            "receipt",
            "a_letter_is_late",
        ),
        (
            _STORE + "receipts:_may_move",
            "return or_(and_(is_this, one_of(row.state, *this)), and_(not_(is_this), one_of(row.state, *older)))",
            'return and_(is_this, row.state == "handed")',
            "receipt",
            "a_letter_is_late",
        ),
        # Texts
        (
            _OPS + "inbound:_answer_once",
            "if row is None or row.state != inbound.STORED:",
            "if row is None:",
            "text-once",
            "a_text_comes_twice",
        ),
        (
            _OPS + "inbound:_answer_once",
            "club = clubs.by_receiving_number(session, row.receiver)",
            'club = clubs.get(session, "skerry-bay")',
            "club",
            "two_clubs_dive",
        ),
        (
            _OPS + "inbound:_queue",
            "if enough_answered(session, text.club.id, text.phone, now, for_help=for_help):",
            "if False:",
            "stranger-noise",
            "anybody_says_anything",
        ),
        (
            _OPS + "receiving:_store",
            "_log_received(text, at, stored, authentic=authentic, same_as=same_as, part_ids=part_ids)",
            "pass",
            "text-log",
            "an_alarm_is_answered",
        ),
        (
            _OPS + "texting:_answered",
            "if text.intent.code is not None:",
            "if False:",
            "count-and-code",
            "anybody_says_anything",
        ),
        (
            _OPS + "belated:not_belated",
            "return _kept(text, by) if is_old or of_before_help else command",
            "return command",
            "heard",
            "words_lay_somewhere",
        ),
        (
            _OPS + "texting:_by_phone",
            "asked = instead(text, among, meant)",
            "asked = None",
            "heard",
            "words_lay_somewhere",
        ),
        # Closing, and the plainest alarm
        (
            _OPS + "closing:_close_unreadable",
            "for message in _told(session, facts.dive_id, waited):",
            "for message in _told(session, facts.dive_id, waited)[:0]:",
            "stood-down",
            "a_dive_cannot_be_read",
        ),
        (
            _OPS + "plainest:raise_within",
            "people = _people(session, facts)",
            "people = _people(session, facts)[:1]",
            "fault-untold",
            "a_dive_cannot_be_read",
        ),
        # The store
        (
            _STORE + "outbox:is_waiting",
            "and_(row.state == LEASED, row.lease_until_at <= now),",
            "row.state == LEASED,",
            "lease",
            "couriers_die",
        ),
        (_STORE + "leases:end_lost_attempts", "if not message_ids:", "if True:", "attempts", "couriers_die"),
        (
            _STORE + "outbox:mark_handed",
            '"named": provider_id,',
            '"named": "lost",',
            "handed",
            "an_alarm_is_answered",
        ),
        (
            _STORE + "chain:entry_hash",
            "leaf = canonical_words([chain, seq, stamp(at), kind, *hashes])",
            "leaf = canonical_words([chain, seq, kind, *hashes])",
            "chain-hash",
            "an_alarm_is_answered",
        ),
        (
            _STORE + "chain:checkpoint_hash",
            "node = canonical([stamp(at), heads])",
            "node = canonical([heads])",
            "checkpoint",
            "the_log_is_kept",
        ),
        (_STORE + "log:Book.add", "seq = last + 1", "seq = last + 2", "chain-whole", "an_alarm_is_answered"),
        (
            _STORE + "plain_columns:close_row",
            ".values(live=False)",
            ".values(live=True)",
            "phones-and-codes",
            "a_dive_cannot_be_read",
        ),
        # Links and words
        (
            _OPS + "links:hash_token",
            "return hashlib.sha256(token.encode()).hexdigest()",
            "return token",
            "link",
            "an_alarm_is_answered",
        ),
        (
            _OPS + "links:Minted.token",
            "Link(dive.id, dive.club_id, person_key, kind.value, self._now)",
            'Link(dive.id, dive.club_id, "contact-0", kind.value, self._now)',
            "link",
            "an_alarm_is_answered",
        ),
        (_WORDS + "phrases:who", "heads(dive.head_count)", "heads(1)", "alarm-words", "an_alarm_is_answered"),
        (_WORDS + "phrases:position", "if dive.fix is not None:", "if False:", "alarm-words", "help_is_called_for"),
        (
            _WORDS + "ladder:on_armed",
            "time=time_of(dive, dive.raise_by_at, event.at)",
            "time=time_of(dive, dive.started_at, event.at)",
            "time-words",
            "an_alarm_is_answered",
        ),
        (
            _WORDS + "ending:_news",
            "counted = heads(event.count or dive.head_count)",
            "counted = heads(1)",
            "stand-down-words",
            "an_alarm_is_answered",
        ),
        (_WORDS + "ending:_told", "people += dive.contacts", "pass", "stood-down", "an_alarm_is_answered"),
    )
)
