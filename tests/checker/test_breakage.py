"""Every question speaks: one thing is broken by hand in a record that was whole, and the question about it says so."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from sqlite3 import Connection
from typing import Any

import pytest

from tests.checker.questions import NEVER, PROMISED, violations
from tests.checker.scenarios import (
    SCENARIOS,
    an_alarm_is_answered,
    nobody_answers,
    the_alert_fails,
)
from tests.checker.scenarios_of_outages import (
    an_admin_is_left_with_it,
    an_end_that_nobody_took_is_none,
    help_is_called_for_when_it_is_over,
    nobody_known_calls_for_help,
)
from tests.checker.scenarios_of_words import a_dive_cannot_be_read, the_log_is_kept
from tests.checker.theatre import Theatre, go, theatre
from tests.operations.stage import DOV, Stage, Taken

HOUR = timedelta(hours=1)
MICRO = 1_000_000
STRANGER = "+447700900555"


@dataclass
class Left:
    """What a day left behind, to be broken: the database, the journal, and when it is asked."""

    database: Connection
    journal: list[Taken]
    now: datetime

    def run(self, *statements: str) -> None:
        """Change what stands in the tables, past all of our code."""
        for statement in statements:
            self.database.execute(statement)
        self.database.commit()

    def reword(self, kind: str, old: str, new: str) -> None:
        """Change the detail of the entries of a kind."""
        self.run(f"UPDATE log_entries SET detail = replace(detail, '{old}', '{new}') WHERE kind = '{kind}'")

    def lose(self, step: str, person: str) -> None:
        """Let it look as if no gateway had taken this message."""
        self.journal[:] = [one for one in self.journal if one.reference != self.message(step, person)]

    def message(self, step: str, person: str) -> str:
        """The id of a message."""
        found = "SELECT id FROM messages WHERE step LIKE ? AND person_key = ?"
        return str(self.database.execute(found, (f"{step}%", person)).fetchone()[0])

    def later(self, length: timedelta) -> None:
        """The sweeps went on for so long, and did nothing."""
        self.run(f"UPDATE heartbeats SET at = at + {int(length.total_seconds() * MICRO)}")
        self.now += length


def _asleep(stage: Stage) -> Iterator[None]:
    """A dive is past its raise-by time, with every process asleep."""
    stage.dive_in()
    yield
    stage.sleep(70)


def _before_the_end(stage: Stage) -> Iterator[None]:
    """An alarm that nobody answers, in mid-course."""
    yield from _first(nobody_answers(stage))


def _unreadable(stage: Stage) -> Iterator[None]:
    """The plainest alarm has gone out."""
    yield from _first(a_dive_cannot_be_read(stage))


def _first(scenario: Iterator[None]) -> Iterator[None]:
    next(scenario)
    yield


def _called(stage: Stage) -> Iterator[None]:
    """The second contact acts, and calls rescue a minute later."""
    yield from _before_the_end(stage)
    stage.text(DOV, "OK")
    go(stage, 1)
    stage.text(DOV, "CALLED")
    go(stage, 1)


def _taken_back(stage: Stage) -> Iterator[None]:
    """The second contact has called rescue, and takes that back a minute later."""
    yield from _called(stage)
    stage.text(DOV, "NOT CALLED")
    go(stage, 1)


DAYS = {
    "called": _called,
    "taken back": _taken_back,
    "over": an_alarm_is_answered,
    "alarm": _before_the_end,
    "unreadable": _unreadable,
    "asleep": _asleep,
    "failed": the_alert_fails,
    "kept": the_log_is_kept,
    "meanwhile": help_is_called_for_when_it_is_over,
    "opened again": an_end_that_nobody_took_is_none,
    "handed up": an_admin_is_left_with_it,
    "nobody": nobody_known_calls_for_help,
}
COPY = "SELECT {} FROM attempts WHERE message_id = '{}'"


def _token(left: Left) -> None:
    [body] = left.database.execute("SELECT body FROM messages WHERE body LIKE '%/alarm/%'").fetchone()
    token = re.findall(r"/alarm/([\w-]{22})", body)[0]
    left.run(f"UPDATE log_entries SET detail = '{{\"body\":\"/{token}\"}}' WHERE kind = 'text_in'")


def _tried_late(left: Left) -> None:
    ends = "SELECT id FROM messages WHERE step LIKE 'outage-%-stand_down-%'"
    left.run(f"UPDATE attempts SET started_at = started_at + {600 * MICRO} WHERE message_id IN ({ends})")


def _stood_down_early(left: Left) -> None:
    left.run(
        "UPDATE messages SET queued_at = (SELECT min(queued_at) FROM messages WHERE step LIKE 'outage-%-raised-%')"
        " WHERE kind = 'stand_down' AND queued_at = (SELECT max(queued_at) FROM messages WHERE kind = 'stand_down')"
    )


def _told_twice(left: Left) -> None:
    left.run(
        "UPDATE messages SET person_key = 'contact-0', cause_seq = (SELECT cause_seq FROM messages"
        " WHERE step LIKE 'alert-%') WHERE step LIKE 'next_contact-%'"
    )


def _after_close(left: Left) -> None:
    late = (left.now + HOUR).timestamp() * MICRO
    _attempt(left, left.message("alert-", "contact-0"), "first", int(late))


def _attempt(left: Left, message_id: str, gateway: str, at: int | str = "started_at") -> None:
    columns = f"message_id, '{gateway}', carried_by, {at}, {at}, outcome, provider_id"
    names = "message_id, gateway, carried_by, started_at, ended_at, outcome, provider_id"
    left.run(f"INSERT INTO attempts ({names}) {COPY.format(columns, message_id)} LIMIT 1")


def _last(step: str) -> Callable[[Left], None]:
    """A gateway took this to the first contact after all else."""

    def work(left: Left) -> None:
        late = left.message(step, "contact-0")
        left.journal[:] = [replace(one, number=9_999) if one.reference == late else one for one in left.journal]

    return work


def _calmed(left: Left) -> None:
    _attempt(left, left.message("start_notice", "contact-0"), "first", int(left.now.timestamp() * MICRO))


def _called_meanwhile(left: Left) -> None:
    _attempt(left, left.message("uncalled_acknowledged-", "contact-0"), "first", int(left.now.timestamp() * MICRO))


def _called_still(left: Left) -> None:
    _attempt(left, left.message("called-", "contact-0"), "first", int(left.now.timestamp() * MICRO))


def _answered_late(left: Left) -> None:
    _attempt(left, left.message("armed-", "diver-0"), "first", int(left.now.timestamp() * MICRO))


def _reply_again(left: Left) -> None:
    reply = left.message("armed-", "diver-0")
    left.run(f"UPDATE attempts SET outcome = 'unknown' WHERE message_id = '{reply}'")
    _attempt(left, reply, "second")


def _overlap(left: Left) -> None:
    alert = left.message("alert-", "contact-0")
    _attempt(left, alert, "second", "started_at + 1")
    left.run(f"UPDATE attempts SET ended_at = ended_at + 20 * {MICRO} WHERE message_id = '{alert}'")


def _same_way(left: Left) -> None:
    alert, distress = left.message("alert-", "contact-0"), left.message("distress-", "contact-0")
    _attempt(left, alert, "second")
    _attempt(left, distress, "first")


def _receipt(left: Left) -> None:
    left.run(
        "INSERT INTO receipts (gateway, provider_id, state, raw, received_at) SELECT gateway, provider_id, 'delivered',"
        f" '{{}}', ended_at FROM attempts WHERE message_id = '{left.message('alert-', 'contact-0')}'"
    )


def _unlogged(left: Left) -> None:
    left.run(
        "INSERT INTO inbound_texts (gateway, provider_id, sender, receiver, body, raw, received_at, authentic, state,"
        " tries) SELECT gateway, 'x', sender, receiver, body, raw, received_at, authentic, state, tries"
        " FROM inbound_texts LIMIT 1"
    )


def _read_twice(left: Left) -> None:
    names = [row[1] for row in left.database.execute("PRAGMA table_info(log_entries)") if row[1] not in ("id", "seq")]
    listed = ", ".join(names)
    left.run(
        f"INSERT INTO log_entries (seq, {listed}) SELECT seq + 500, {listed} FROM log_entries"
        " WHERE kind = 'text_read' LIMIT 1"
    )


def _gone(step: str, person: str) -> Callable[[Left], None]:
    def work(left: Left) -> None:
        lost = left.message(step, person)
        left.run(f"DELETE FROM attempts WHERE message_id = '{lost}'", f"DELETE FROM messages WHERE id = '{lost}'")

    return work


def _sql(*statements: str) -> Callable[[Left], None]:
    return lambda left: left.run(*statements)


def _reworded(kind: str, old: str, new: str) -> Callable[[Left], None]:
    return lambda left: left.reword(kind, old, new)


def _body(old: str, new: str, where: str) -> Callable[[Left], None]:
    return _sql(f"UPDATE messages SET body = replace(body, '{old}', '{new}') WHERE {where}")


def _message(change: str, where: str) -> Callable[[Left], None]:
    return _sql(f"UPDATE messages SET {change} WHERE {where}")


def _unmissed(left: Left) -> None:
    """The alert that a gateway has waits for its receipt, and nobody looks."""
    left.run("UPDATE messages SET receipt_checked = 0 WHERE step LIKE 'alert-%'")
    left.later(timedelta(minutes=20))


# Question, the day that is broken, and how.
BREAKAGES: list[tuple[str, str, Callable[[Left], Any]]] = [
    ("chain-hash", "over", _sql("UPDATE log_entries SET at = at + 1 WHERE seq = 5")),
    ("chain-hash", "over", _reworded("event:closed", "Anna Holt", "Anna Hold")),
    ("chain-whole", "over", _sql("UPDATE chain_heads SET seq = seq + 1")),
    ("chain-whole", "over", _sql("DELETE FROM log_entries WHERE kind = 'event:armed'")),
    ("chain-owner", "over", _sql("UPDATE log_entries SET club_id = 'other' WHERE kind = 'event:armed'")),
    ("checkpoint", "kept", _sql("UPDATE log_checkpoints SET at = at + 1 WHERE id = 1")),
    ("checkpoint", "kept", _sql("DELETE FROM log_checkpoints WHERE id = (SELECT max(id) FROM log_checkpoints)")),
    ("erased", "over", _sql("UPDATE log_entries SET detail = NULL WHERE kind = 'event:armed'")),
    ("row-is-fold", "over", _sql("UPDATE dives SET head_count = 3")),
    (
        "row-is-fold",
        "over",
        _sql("UPDATE dives SET state = replace(state, '\"distress_count\":1', '\"distress_count\":2')"),
    ),
    ("phase-path", "over", _reworded("event:step_taken", '"step":"second_call"', '"step":"ask_started"')),
    ("event-time", "over", _reworded("event:armed", '"at":"2027-06-01T09', '"at":"2027-06-01T08')),
    ("event-time", "over", _reworded("event:extension_asked", "T10:00", "T13:00")),
    ("next-moment", "alarm", _sql("UPDATE dives SET next_due_at = NULL")),
    ("phones-and-codes", "over", _sql("UPDATE dive_codes SET live = 1")),
    ("phones-and-codes", "over", _sql("DELETE FROM dive_phones WHERE key = 'contact-1'")),
    ("token-in-log", "over", _token),
    ("link", "over", _sql("UPDATE links SET person_key = 'contact-1'")),
    ("link", "over", _sql("DELETE FROM links")),
    ("step-early", "over", _reworded("event:filed", '"grace":"PT900S"', '"grace":"PT1200S"')),
    ("unreached", "failed", _sql("UPDATE log_entries SET kind = 'x' WHERE detail LIKE '%\"next_contact\"%'")),
    ("deaf-unnoted", "failed", _sql("UPDATE log_entries SET kind = 'x' WHERE kind = 'event:person_unreachable'")),
    ("turns", "over", _reworded("event:step_taken", '"due_at":"2027-06-01T10:15', '"due_at":"2027-06-01T10:05')),
    ("event-untold", "over", _gone("alert-", "contact-0")),
    ("fault-untold", "unreadable", _reworded("fault", '"contact-1"', '"contact-7"')),
    ("armed", "over", lambda left: left.lose("start_notice", "contact-0")),
    ("armed", "over", lambda left: left.journal.clear()),
    ("more-time", "over", lambda left: left.lose("extension-1", "contact-0")),
    ("more-time-untold", "over", _gone("extension-1", "contact-1")),
    ("cause", "over", _message("cause_seq = cause_seq + 1", "step LIKE 'alert-%'")),
    ("cause", "over", _message("cause_seq = NULL", "step LIKE 'alert-%'")),
    ("told-twice", "over", _told_twice),
    ("stand-down-cause", "over", _message("queued_at = queued_at - 1", "kind = 'stand_down'")),
    ("stranger-told", "over", _message(f"phone = '{STRANGER}'", "person_key = 'contact-1'")),
    ("stranger-noise", "over", _message(f"dive_id = NULL, phone = '{STRANGER}', queued_at = 1", "kind = 'reply'")),
    ("alarm-given-up", "over", _message("state = 'expired', ended_at = queued_at + 1", "step LIKE 'alert-%'")),
    ("alarm-given-up", "over", _message("expires_at = queued_at", "kind = 'distress'")),
    ("after-close", "over", _after_close),
    ("after-close", "over", _message("state = 'queued'", "step LIKE 'alert-%'")),
    ("after-close", "over", _message("cause_seq = 1000", "step LIKE 'alert-%'")),
    ("stand-down-last", "over", _last("distress-")),
    ("notice-last", "over", _last("start_notice")),
    ("notice-last", "over", _last("extension-1")),
    ("calm-in-alarm", "alarm", _calmed),
    ("alarm-last", "alarm", _last("start_notice")),
    ("called-last", "called", _last("uncalled_acknowledged-")),
    ("called-last", "called", _called_meanwhile),
    ("uncalled-last", "taken back", _last("called-")),
    ("uncalled-last", "taken back", _called_still),
    ("taken-back", "taken back", _reworded("event:called_taken_back", '"contact-1"]', '"contact-0"]')),
    ("taken-back", "taken back", _reworded("event:called_taken_back", '"stands":false', '"stands":true')),
    ("no-attempt", "over", lambda left: left.journal.append(replace(left.journal[0], reference="unheard of"))),
    ("no-attempt", "over", _body("OVERDUE", "SAFE", "step LIKE 'alert-%'")),
    ("taken-often", "over", lambda left: left.journal.append(left.journal[0])),
    ("reply-again", "over", _reply_again),
    ("answer-last", "over", _answered_late),
    ("lease", "over", _overlap),
    ("attempts", "over", _message("attempts = 7", "step LIKE 'alert-%'")),
    ("attempt-log", "over", _sql("DELETE FROM log_entries WHERE kind = 'attempt:accepted'")),
    ("handed", "over", _message("provider_id = 'x'", "step LIKE 'alert-%'")),
    ("handed", "over", lambda left: left.lose("alert-", "contact-0")),
    ("receipt", "over", _receipt),
    ("receipt", "over", _message("state = 'delivered'", "step LIKE 'alert-%'")),
    ("times", "over", _message(f"queued_at = queued_at + 60 * {MICRO}", "step LIKE 'alert-%'")),
    ("priority", "over", _message(f"queued_at = queued_at - 7200 * {MICRO}", "kind = 'alert'")),
    ("another-way", "over", _same_way),
    ("gateway-rest", "over", _sql("UPDATE attempts SET outcome = 'unknown'")),
    ("text-log", "over", _unlogged),
    ("text-once", "over", _read_twice),
    ("close-who", "over", _reworded("event:closed", '"Anna Holt"', '""')),
    ("close-who", "over", _reworded("event:closed", '"count":2', '"count":1')),
    ("proof", "over", _reworded("event:closed", "+447700900001", STRANGER)),
    ("proof", "over", _reworded("event:acknowledged", "contact-0", "contact-7")),
    ("part", "over", _reworded("event:acknowledged", '"role":"contact"', '"role":"diver"')),
    ("count-and-code", "over", _reworded("event:closed", "out 2", "out 1")),
    ("heard", "over", _sql("UPDATE inbound_texts SET authentic = 0 WHERE body = 'out 2'")),
    ("heard", "over", _sql("UPDATE log_entries SET kind = 'x' WHERE kind = 'text_read'")),
    ("club", "over", _sql(f"UPDATE inbound_texts SET receiver = '{STRANGER}' WHERE body = 'out 2'")),
    ("alarm-words", "over", _body("(2 divers)", "(1 diver)", "step LIKE 'alert-%'")),
    ("alarm-words", "over", _body("47.12345", "47.12354", "step LIKE 'alert-%'")),
    ("time-words", "over", _body("11:00", "11:10", "step LIKE 'heads_up-%'")),
    ("stand-down-words", "over", _body("2 divers", "1 diver", "kind = 'stand_down'")),
    ("fault-words", "unreadable", _body("Anna Holt", "somebody", "step LIKE 'fault-%'")),
    ("overdue", "asleep", lambda _: None),
    ("undone", "alarm", lambda left: left.later(timedelta(minutes=20))),
    ("receipt-missed", "alarm", _unmissed),
    ("fault-again", "unreadable", lambda left: left.later(timedelta(minutes=20))),
    ("stood-down", "over", lambda left: left.lose("stand_down-", "contact-0")),
    ("call-calmed", "meanwhile", _stood_down_early),
    ("call-overtaken", "opened again", _tried_late),
    ("end-meanwhile", "handed up", _message("phone = '+447700900098'", "step LIKE 'outage-%-stand_down-%'")),
    ("call-untold", "meanwhile", _reworded("event:alarm_raised", '["contact-0"]', '["contact-0","contact-1"]')),
    ("help-answered", "nobody", _message("step = 'answer-1'", "step LIKE 'answer-help-%'")),
    ("help-answered", "nobody", _message("phone = '+447700900098'", "step LIKE 'outage-%-answer-help-%'")),
    ("help-answered", "nobody", _message("step = 'outage-x-gone'", "step LIKE 'outage-%-admins-help-%'")),
    ("help-unheard", "nobody", _message("person_key = 'phone:x'", "step LIKE 'admins-help-%'")),
    ("call-lost", "meanwhile", _sql("UPDATE log_entries SET kind = 'x' WHERE kind = 'event:alarm_raised'")),
    ("left-waiting", "alarm", _message("state = 'queued', expires_at = NULL", "step LIKE 'heads_up-%'")),
    ("left-open", "alarm", _sql("UPDATE attempts SET ended_at = NULL", "UPDATE messages SET state = 'leased'")),
    ("text-waits", "over", _sql("UPDATE inbound_texts SET state = 'stored' WHERE body = 'OK'")),
]


@pytest.fixture(scope="module")
def played() -> Iterator[tuple[Theatre, dict[str, tuple[bytes, list[Taken], datetime]]]]:
    """Each day as it ended."""
    with theatre() as house:
        ends = {}
        for name, scenario in DAYS.items():
            stage = house.stage()
            for _ in scenario(stage):
                pass
            ends[name] = (house.snapshot(), stage.journal, stage.clock.at)
        yield house, ends


def open_day(played: tuple[Theatre, dict[str, Any]], day: str) -> tuple[Theatre, Left]:
    """A day as it ended, in a database that keeps nobody from changing what it must keep."""
    house, ends = played
    copy, journal, now = ends[day]
    database = house.restore(copy)
    database.execute("PRAGMA foreign_keys = OFF")
    for [name] in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        database.execute(f"DROP TRIGGER {name}")
    return house, Left(database, list(journal), now)


@pytest.mark.parametrize(
    ("question", "day", "breaks"), BREAKAGES, ids=[f"{one[0]}-{place}" for place, one in enumerate(BREAKAGES)]
)
def test_the_question_speaks(
    played: tuple[Theatre, dict[str, Any]], question: str, day: str, breaks: Callable[[Left], Any]
) -> None:
    """And it was silent before, but for the day on which every process is asleep."""
    house, left = open_day(played, day)
    before = violations(house.engine, left.journal, left.now)

    breaks(left)

    found = violations(house.engine, left.journal, left.now)
    assert [line for line in before if day != "asleep"] == []
    assert any(line.startswith(f"{question}: ") for line in found), found


def test_a_service_that_is_behind_its_gateways_is_asked_with_that_in_mind(
    played: tuple[Theatre, dict[str, Any]],
) -> None:
    """Whoever goes on after a start cannot know for how long nothing ran: gateways take all that much later."""
    house, left = open_day(played, "over")
    behind = timedelta(seconds=14)
    left.journal[:] = [replace(one, at=one.at + behind) for one in left.journal]

    unasked = violations(house.engine, left.journal, left.now + behind)
    asked = violations(house.engine, left.journal, left.now + behind, behind_gateways=behind)
    too_little = violations(house.engine, left.journal, left.now + behind, behind_gateways=behind / 2)

    assert asked == []
    assert {line.partition(":")[0] for line in unasked + too_little} == {"armed", "more-time"}


def test_every_question_is_made_to_speak() -> None:
    """None is there whose silence means nothing."""
    assert {question for question, _, _ in BREAKAGES} == NEVER.keys() | PROMISED.keys()


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_unbroken_service_is_not_accused(played: tuple[Theatre, dict[str, Any]], name: str) -> None:
    """At every stop and at the end of every day of the mutants nothing is said of the service as it is."""
    stage = played[0].stage()
    found: list[str] = []
    for _ in SCENARIOS[name](stage):
        found += violations(stage.engine, stage.journal, stage.clock.at)

    assert found + violations(stage.engine, stage.journal, stage.clock.at) == []
