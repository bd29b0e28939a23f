"""Days on which a keeper stands in for the database; as in `scenarios`, but it tells by threads."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from service.operations.gateway import Blame
from tests.checker.theatre import MINUTE, SECOND, go
from tests.operations.away import LOOK_EVERY, Keeping
from tests.operations.stage import (
    ANNA,
    BRAM,
    DOV,
    EDDA,
    FINN,
    STRANGER,
    Stage,
    accept,
    lose_the_answer,
    refuse,
)


def help_is_called_for_when_it_is_over(stage: Stage) -> Iterator[None]:
    """An SOS after the end, in an outage: a contact has it, the other cannot be reached; then the record has it too."""
    with TemporaryDirectory(prefix="linetender-keeper-") as directory:
        keeping = Keeping(stage, Path(directory))
        stage.dive_in()
        go(stage, 20, 10 * MINUTE)
        stage.text(ANNA, "out 2")
        go(stage, 60, 20 * MINUTE)
        keeping.look()
        for gateway in (stage.first, stage.second):
            gateway.numbers[DOV] = refuse(Blame.NUMBER)
        _looks_without(keeping, 13)
        keeping.spooled(ANNA, "SOS")
        _looks_without(keeping, 3)
        stage.clock.at += 10 * SECOND
        keeping.standby.look()
        stage.courier.carry()
        yield
        keeping.look()
        go(stage, 3)
        yield
        stage.text(ANNA, "OUT 2")
        go(stage, 2)
        keeping.standby.close()


def an_end_that_nobody_took_is_none(stage: Stage) -> Iterator[None]:
    """In an outage they are out after an alarm, no gateway takes that, and then one of them calls for help."""
    with _alarmed_then_gone(stage) as keeping:
        stage.first.usually = stage.second.usually = refuse(Blame.GATEWAY)
        keeping.spooled(ANNA, "OUT 2")
        _looks_without(keeping, 2)
        keeping.spooled(ANNA, "SOS")
        _looks_without(keeping, 2)
        stage.first.usually = stage.second.usually = accept
        _looks_without(keeping, 3)
        keeping.look()
        go(stage, 3)
        yield
        stage.text(ANNA, "OUT 2")
        go(stage, 2)


def an_admin_is_left_with_it(stage: Stage) -> Iterator[None]:
    """What a keeper handed up may have got through; they are out, which nobody takes, call for help, and are out."""
    with _alarmed_then_gone(stage) as keeping:
        for gateway in (stage.first, stage.second):
            gateway.numbers[FINN] = lose_the_answer
        _looks_without(keeping, 250)
        _out_and_not_out(stage, lambda who, words: (keeping.spooled(who, words), _looks_without(keeping, 2)))
        keeping.spooled(ANNA, "OUT 2")
        _looks_without(keeping, 40)
        keeping.look()
        go(stage, 3)
        yield
        go(stage, 2)


def an_end_is_kept_from_going_out(stage: Stage) -> Iterator[None]:
    """It was handed up; they are out, which no gateway takes, one of them calls for help, and then they are out."""
    stage.dive_in()
    go(stage, 130, 10 * MINUTE)
    _out_and_not_out(stage, stage.text)
    go(stage, 2)
    yield
    stage.text(ANNA, "OUT 2")
    go(stage, 3)


def nobody_known_calls_for_help(stage: Stage) -> Iterator[None]:
    """An SOS of a stranger in an outage, and one of another when the database is back."""
    with TemporaryDirectory(prefix="linetender-keeper-") as directory:
        keeping = Keeping(stage, Path(directory))
        keeping.look()
        _looks_without(keeping, 13)
        keeping.spooled(STRANGER, "SOS Gull Rock")
        _looks_without(keeping, 3)
        keeping.look()
        go(stage, 3)
        yield
        stage.text(EDDA, "SOS")
        go(stage, 2)
        keeping.standby.close()


@contextmanager
def _alarmed_then_gone(stage: Stage) -> Iterator[Keeping]:
    """A dive in alarm, and a keeper who has just found that the database is gone for good."""
    with TemporaryDirectory(prefix="linetender-keeper-") as directory:
        keeping = Keeping(stage, Path(directory))
        stage.dive_in()
        go(stage, 70, 10 * MINUTE)
        keeping.look()
        _looks_without(keeping, 13)
        yield keeping
        keeping.standby.close()


def _out_and_not_out(stage: Stage, say: Callable[[str, str], object]) -> None:
    for gateway in (stage.first, stage.second):
        gateway.numbers.clear()
        gateway.usually = refuse(Blame.GATEWAY)
    say(ANNA, "OUT 2")
    say(BRAM, "SOS")
    stage.first.usually = stage.second.usually = accept


def _looks_without(keeping: Keeping, looks: int) -> None:
    """The keeper alone finds no database."""
    for _ in range(looks):
        keeping.stage.clock.at += LOOK_EVERY
        keeping.standby.without_database()
