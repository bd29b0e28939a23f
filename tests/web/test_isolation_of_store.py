"""What the store reads and writes for a club, asked as another club with our true ids: it finds and changes nothing."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service import store
from service.domain.dive import Phase
from service.store.erasing import Traces
from service.store.tables import Base
from tests.web.installation import ANNA, Site
from tests.web.other_club import FAR_ADMIN_EMAIL, FAR_RECEIVING, add_far_club
from tests.web.test_every_page import overdue_paths, rows
from tests.web.test_isolation import OURS, assert_ours_is_as_it_was

# These make something new for the club that is named, of whatever they are given; there is nothing of ours to find.
MAKERS = {
    *("admin_invitations.add", "admins.add", "board_screens.add", "clubs.add", "drills.add", "links.add", "log.append"),
    *("people.add", "people.keep_all", "seed_sites.seed_sites", "sites.add", "sites.keep", "tokens.add"),
}
# These only put words together.
PLAIN = {"log.club_chain", "log.chain_of"}


def of_a_club() -> Iterator[tuple[str, Callable[..., Any]]]:
    """Every public function of the store that takes a club's id, by module and name."""
    for module in pkgutil.iter_modules(store.__path__, f"{store.__name__}."):
        if module.ispkg:
            continue
        loaded = importlib.import_module(module.name)
        for name, function in vars(loaded).items():
            known = f"{module.name.rpartition('.')[2]}.{name}"
            is_own = inspect.isfunction(function) and function.__module__ == module.name and not name.startswith("_")
            if is_own and "club_id" in inspect.signature(function).parameters and known not in MAKERS | PLAIN:
                yield known, function


def values_of_ours(at: Site) -> dict[str, Any]:
    """For every parameter a true value of ours; times are such that nothing is left out for them."""
    paths, now = overdue_paths(at), at.clock.now()
    there = rows(at)
    site = next(row for row in there["sites"] if row[1] == "skerry")
    person = next(row for row in there["people"] if ANNA in row)
    long_ago, long_after = now - timedelta(days=900), now + timedelta(days=900)
    ids = ("invitation_id", "screen_id", "drill_id", "token_hash", "code_hash")
    times_before = ("since", "closed_since", "closed_after", "day_began", "hour", "day")
    times_after = ("asked_before", "closed_before", "before", "until")
    nothing = ("site", "states", "last_unknown", "after", "chain", "note")
    return {
        **{name: paths.get(name, "none") for name in ids},
        **dict.fromkeys(times_before, long_ago),
        **dict.fromkeys(times_after, long_after),
        **dict.fromkeys(nothing),
        **dict.fromkeys(("asked_by", "by", "name", "reason"), "Gus Orr"),
        **dict.fromkeys(("limit", "most"), 100),
        "dive_id": paths["dive_id"],
        "dive_ids": [paths["dive_id"]],
        "message_id": paths["message_id"],
        "site_id": site[0],
        "code": "LANTERN",
        "words": "Lantern Steps",
        "person_id": person[0],
        "admin_id": there["admins"][0][0],
        "phone": ANNA,
        "phones": [ANNA],
        "traces": Traces(ANNA, frozenset({ANNA}), frozenset({paths["dive_id"]})),
        **dict.fromkeys(("beyond", "begins"), ""),
        "number": ANNA,
        "values": {"name": "Taken Over"},
        "changes": [(person[0], {"name": "Taken Over"})],
        "receiving_number": FAR_RECEIVING,
        "reference": paths.get("reference", "7K"),
        "key": "diver-0",
        "now": now,
        "phase": Phase.ALERT,
        "step": "alert",
        "word": "declined",
        "grace": {"grace": 600},
        "content": "{}",
        "inbound_id": 1,
        "intent": "finish",
    }


@pytest.fixture
def ours(at: Site) -> SimpleNamespace:
    """The installation with both clubs, and our true ids."""
    add_far_club(at.service, at.clock.now())
    return SimpleNamespace(at=at, values=values_of_ours(at))


def asked(session: Session, function: Callable[..., Any], values: dict[str, Any]) -> str:
    """What it gives to the other club, written out whole."""
    parameters = inspect.signature(function).parameters
    missing = [name for name, one in parameters.items() if one.default is one.empty and name not in values]
    assert missing in ([], ["session"], ["read"]), f"say what of ours to give for {missing}"
    given = {name: values[name] for name in parameters if name in values}
    if "session" in parameters:
        given["session"] = session
    if "read" in parameters:
        given["read"] = lambda work: work(session)
    found = function(**given)
    return repr(list(found) if inspect.isgenerator(found) else found)


class UndoneError(Exception):
    """Ends a transaction without a trace."""


def test_the_store_finds_and_changes_nothing_of_another_club(ours: SimpleNamespace) -> None:
    """Every function that takes a club's id: given theirs and our ids, it shows no word of ours and leaves us alone."""
    at, values = ours.at, {**ours.values, "club_id": "far"}
    functions = dict(of_a_club())
    before = rows(at)
    told: list[str] = []

    def ask(function: Callable[..., Any]) -> Callable[[Session], None]:
        def work(session: Session) -> None:
            with suppress(IntegrityError, LookupError):
                told.append(asked(session, function, values))
            session.rollback() if not session.is_active else session.flush()
            after = {
                table.name: sorted((tuple(row) for row in session.execute(select(table))), key=repr)
                for table in Base.metadata.sorted_tables
            }
            try:
                assert_ours_is_as_it_was(before, after)
            except AssertionError as fault:
                raise AssertionError(f"{function.__module__}.{function.__name__} touches what is ours") from fault
            raise UndoneError

        return work

    for name, function in functions.items():
        told.clear()
        with suppress(UndoneError):
            at.service.write(ask(function))
        assert not [words for words in OURS for one in told if words in one], name

    assert len(functions) > 60
    assert FAR_ADMIN_EMAIL in repr(rows(at)["admins"])
