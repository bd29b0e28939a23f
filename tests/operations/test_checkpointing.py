"""Checkpoints once an hour by however many processes, and their hash by e-mail once a day."""

from __future__ import annotations

import threading
from datetime import timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.operations.checkpointing import MAIL_SETTING, checkpoint_of, checkpoints_of, write_checkpoint
from service.store import clubs, log
from service.store.tables import LogCheckpointRow, MessageRow
from tests.operations.stage import CLUB, Stage

ADDRESS = "keeper@skerry.example"


def mails(stage: Stage) -> list[tuple[str | None, str]]:
    """To whom and with which words, in order."""
    row = MessageRow
    found = select(row.email, row.body).where(row.person_key == "log-head").order_by(row.queued_at)
    return [(email, body) for email, body in stage.service.read(lambda session: session.execute(found).all())]


def name_address(stage: Stage, address: str = ADDRESS) -> None:
    """The club names to whom it goes."""

    def work(session: Session) -> None:
        club = clubs.hold(session, CLUB)
        club.settings = {**club.settings, MAIL_SETTING: address}

    stage.service.write(work)


def count(stage: Stage) -> int:
    """How many checkpoints there are."""
    return stage.service.read(
        lambda session: session.execute(select(func.count()).select_from(LogCheckpointRow)).scalar_one()
    )


def test_the_hash_goes_out_once_a_day_to_whom_the_club_names(stage: Stage) -> None:
    """The first checkpoint of a day, with its number, its hash and where the club's chain ends; the log says so."""
    stage.carries_only(*Channel)
    name_address(stage)
    for _ in range(30):
        write_checkpoint(stage.service)
        stage.clock.at += timedelta(hours=1)
        stage.courier.carry()

    found = mails(stage)
    known = checkpoints_of(stage.service, CLUB)

    assert [address for address, _ in found] == [ADDRESS, ADDRESS]
    assert len([taken for taken in stage.journal if taken.to == ADDRESS]) == 2
    first = known.latest[-1]  # of those shown
    assert len(set(_hashes(found[1][1]))) == 2
    checkpoint_hash, head = _hashes(found[1][1])
    match = checkpoint_of(stage.service, CLUB, checkpoint_hash)
    assert match.checkpoint is not None
    assert f"Checkpoint {match.checkpoint.number}, of {match.checkpoint.number} in all" in found[1][1]
    entry = checkpoint_of(stage.service, CLUB, head).entry
    assert entry is not None
    assert first.number < known.latest[0].number
    assert [one.kind for one in known.mailed] == ["log_head_queued", "log_head_queued"]


def _hashes(words: str) -> list[str]:
    return [word for word in words.split() if len(word) == 64]


def test_nobody_is_named_or_nothing_carries_mail_then_nothing_goes(stage: Stage) -> None:
    """And the checkpoint is written all the same."""
    write_checkpoint(stage.service)
    name_address(stage)
    stage.clock.at += timedelta(hours=1)
    write_checkpoint(stage.service)

    assert mails(stage) == []
    assert count(stage) == 2


def test_many_processes_at_once_write_one_checkpoint_and_one_mail(stage: Stage) -> None:
    """They follow each other at the head of the checkpoints, and the second finds that it is not time."""
    stage.carries_only(*Channel)
    name_address(stage)
    wrote: list[bool] = []
    ready = threading.Barrier(4)

    def process() -> None:
        ready.wait()
        wrote.append(write_checkpoint(stage.service))

    threads = [threading.Thread(target=process) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(wrote) == [False, False, False, True]
    assert (count(stage), len(mails(stage))) == (1, 1)
    assert stage.service.read(log.verify_all) == []


def test_a_mail_that_was_not_queued_goes_with_the_next_checkpoint(stage: Stage) -> None:
    """Whoever names an address at noon gets the first hash within the hour."""
    stage.carries_only(*Channel)
    write_checkpoint(stage.service)
    name_address(stage)
    stage.clock.at += timedelta(hours=1)
    write_checkpoint(stage.service)

    assert len(mails(stage)) == 1
