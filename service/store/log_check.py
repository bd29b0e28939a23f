"""Checking the log: every chain, the checkpoints, and that the fold of its events is the row of each dive."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from itertools import islice
from typing import Any, Final

from sqlalchemy import Engine, Row, func, select
from sqlalchemy.orm import Session

from service.domain.dive.erased import without_detail
from service.domain.dive.evolve import evolve
from service.domain.dive.state import Dive
from service.store import dives
from service.store.chain import GENESIS, Fault, checkpoint_hash, entry_hash, salted_hash
from service.store.codec import UnreadableError, load_dive, load_event
from service.store.engine import reading
from service.store.log_erased import DETAILS_ERASED, Blank, with_next
from service.store.tables import ChainHeadRow, DiveRow, LogCheckpointRow, LogEntryRow

CHECKPOINTS: Final = "checkpoints"
_EVENT: Final = "event:"
_DIVE: Final = "dive:"
_BLOCK: Final = 500
_CHECKPOINTS_BLOCK: Final = 50  # each may name many chains


@dataclass(frozen=True, slots=True)
class Reached:
    """How far a chain was checked, piece by piece: its last entry so far, its fault if it has one, whether it ended.

    `blanks` are the entries whose details are gone while none after it says so yet; `count`, of how many a chain
    without whole numbers is so far.
    """

    seq: int = 0
    hash: str = GENESIS
    fault: Fault | None = None
    ended: bool = False
    blanks: tuple[Blank, ...] = ()
    count: int = 0


_Check = Callable[[Session, Reached], Reached]


def verify_chain(session: Session, chain: str) -> Fault | None:
    """The first fault of a chain, or None."""
    return _whole(session, partial(_chain_on, chain))


def verify_on(session: Session, chain: str, reached: Reached) -> Reached:
    """Check the next block of a chain as `verify_chain` does, so that no read lasts long."""
    seq, prev_hash, blanks = reached.seq, reached.hash, reached.blanks
    rows = list(islice(_rows(session, chain, after=seq), _BLOCK))
    for row in rows:
        words = _wrong(row, seq + 1, prev_hash)
        if words is not None:
            return Reached(seq, prev_hash, Fault(chain, row.seq, words), ended=True)
        seq, prev_hash, blanks = row.seq, row.hash, with_next(blanks, row)
    if len(rows) == _BLOCK:
        return Reached(seq, prev_hash, blanks=blanks)
    hidden = Fault(chain, blanks[0].seq, "its details were erased, and no entry says so") if blanks else None
    return Reached(seq, prev_hash, _cut_off(session, chain, seq, prev_hash) or hidden, ended=True)


def _chain_on(chain: str, session: Session, reached: Reached) -> Reached:
    return verify_on(session, chain, reached)


def _whole(session: Session, check: _Check) -> Fault | None:
    reached = Reached()
    while not reached.ended:
        reached = check(session, reached)
    return reached.fault


def _cut_off(session: Session, chain: str, seq: int, last_hash: str) -> Fault | None:
    if _head(session, chain) == (seq, last_hash):
        return None
    return Fault(chain, seq or None, "the chain does not end where its head says: entries were cut off")


def _head(session: Session, chain: str) -> tuple[int, str]:
    statement = select(ChainHeadRow.seq, ChainHeadRow.hash).where(ChainHeadRow.chain == chain)
    head = session.execute(statement).first()
    return (0, GENESIS) if head is None else (head.seq, head.hash)


def _rows(session: Session, chain: str, after: int | None = None) -> Iterator[Row[*tuple[Any, ...]]]:
    """The entries of a chain in their order, read in blocks: a club's chain may be long."""
    row = LogEntryRow
    statement = select(
        row.seq,
        row.chain,
        row.at,
        row.kind,
        row.actor,
        row.actor_hash,
        row.detail,
        row.detail_hash,
        row.salt,
        row.prev_hash,
        row.hash,
        row.dive_id,
        row.club_id,
    )
    last = after
    while True:
        block = statement.where(row.chain == chain).order_by(row.seq).limit(_BLOCK)
        found = session.execute(block if last is None else block.where(row.seq > last)).all()
        yield from found
        if len(found) < _BLOCK:
            return
        last = found[-1].seq


def _wrong(row: Row[*tuple[Any, ...]], seq: int, prev_hash: str) -> str | None:
    if row.seq != seq:
        return f"entry {seq} is missing"
    if row.prev_hash != prev_hash:
        return "it does not follow the entry before it"
    hashes = (row.actor_hash, row.detail_hash)
    whole = entry_hash(prev_hash, chain=row.chain, seq=row.seq, at=row.at, kind=row.kind, hashes=hashes)
    if row.hash != whole:
        return "its time, kind or hashes were changed"
    for name, text, kept in (
        ("actor", row.actor, row.actor_hash),
        ("detail", row.detail, row.detail_hash),
    ):
        if text is not None and (row.salt is None or salted_hash(row.salt, text) != kept):
            return f"its {name} was changed"
    owner = {"dive": row.dive_id, "club": row.club_id}.get(row.chain.partition(":")[0])
    if owner is not None and owner != row.chain.partition(":")[2]:
        return "it was moved to another dive or club"
    return None


def verify_all(session: Session) -> list[Fault]:
    """The first fault of every chain, of every dive against its fold, and of the checkpoints.

    Wants a reading session, which sees one instant. A dive whose details were erased cannot be folded again, but what
    the erasure must have left is asked of it; `not_folded` lists those.
    """
    found = (_whole(session, check) for check in _checks(session))
    return [fault for fault in found if fault is not None]


def verify_database(engine: Engine) -> list[Fault]:
    """The same, each block of each check in a short session of its own, so that no writer has to wait for long."""
    found = []
    with reading(engine) as session:
        checks = _checks(session)
    for check in checks:
        reached = Reached()
        while not reached.ended:
            with reading(engine) as session:
                reached = check(session, reached)
        found.append(reached.fault)
    return [fault for fault in found if fault is not None]


def _checks(session: Session) -> list[_Check]:
    chains = _chains(session)
    dive_ids = list(session.execute(select(DiveRow.id).order_by(DiveRow.filed_at, DiveRow.id)).scalars())
    of_chains = {chain.removeprefix(_DIVE) for chain in chains if chain.startswith(_DIVE)}
    return [
        *(partial(_chain_on, chain) for chain in chains),
        *(partial(_fold_on, dive_id) for dive_id in [*dive_ids, *sorted(of_chains - set(dive_ids))]),
        partial(_checkpoints_on, {}),
    ]


def _chains(session: Session) -> list[str]:
    """Every chain of entries that has a head or an entry."""
    heads = select(ChainHeadRow.chain).union(select(LogEntryRow.chain))
    return sorted(set(session.execute(heads).scalars()) - {CHECKPOINTS})


def not_folded(session: Session) -> int:
    """How many dives had their events erased after their retention time: only their chains can be checked."""
    return session.execute(select(func.count()).where(DiveRow.erased_at.is_not(None))).scalar_one()


def count(session: Session) -> int:
    """How many entries there are, by the ends of all chains; each is numbered from 1 without gaps."""
    ends = select(func.coalesce(func.sum(ChainHeadRow.seq), 0)).where(ChainHeadRow.chain != CHECKPOINTS)
    return int(session.execute(ends).scalar_one())


def verify_dive(session: Session, dive_id: str) -> list[Fault]:
    """What is wrong with the chain of one dive, or with its row against the fold."""
    found = (verify_chain(session, f"dive:{dive_id}"), _verify_fold(session, dive_id))
    return [fault for fault in found if fault is not None]


def _fold_on(dive_id: str, session: Session, _: Reached) -> Reached:
    return Reached(fault=_verify_fold(session, dive_id), ended=True)


def _verify_fold(session: Session, dive_id: str) -> Fault | None:
    chain = f"dive:{dive_id}"
    folded: Dive | None = None
    count, erased, said = 0, False, False
    for entry in _rows(session, chain):
        said = said or entry.kind == DETAILS_ERASED
        if not entry.kind.startswith(_EVENT):
            continue
        count += 1
        erased = erased or entry.detail is None
        if erased:
            continue
        try:
            folded = evolve(folded, load_event(entry.kind.removeprefix(_EVENT), json.loads(entry.detail)))
        except ValueError as error:
            return Fault(chain, entry.seq, f"its event cannot be folded: {error}")
    row = session.get(DiveRow, dive_id, populate_existing=True)
    if row is None:
        return Fault(chain, None, "there is no such dive")
    if erased:
        return _not_as_erased(chain, row, count) if said else None  # what is wrong then is the chain's
    if folded is None:
        return Fault(chain, None, "the log has no event of this dive")
    return _differing(chain, row, folded)


def _not_as_erased(chain: str, row: DiveRow, count: int) -> Fault | None:
    """What is wrong with a dive whose events were erased: they cannot be folded, but some things must hold.

    The row holds nothing that was erased, and is of as many events as the log has.
    """
    try:
        stored = load_dive(row.state)
    except UnreadableError as error:
        return Fault(chain, None, f"the state of the dive cannot be read: {error}")
    if stored != without_detail(stored):
        return Fault(chain, None, "its details were erased from the log, and not from its row")
    if stored.version != count:
        return Fault(chain, None, f"the row is of {stored.version} events, and the log has {count}")
    return _differing(chain, row, stored)


def erased_at(session: Session, dive_id: str) -> datetime | None:
    """When the details of a dive were erased as the log has it, so that its events cannot be folded again."""
    row = LogEntryRow
    found = select(row.at).where(row.chain == f"dive:{dive_id}", row.kind == DETAILS_ERASED).order_by(row.seq.desc())
    return session.execute(found.limit(1)).scalar_one_or_none()


def _differing(chain: str, row: DiveRow, folded: Dive) -> Fault | None:
    try:
        stored = load_dive(row.state)
    except UnreadableError as error:
        return Fault(chain, None, f"the state of the dive cannot be read: {error}")
    if stored != folded:
        return Fault(chain, None, "the state of the dive is not the fold of its events")
    wrong = [name for name, value in dives.columns(folded).items() if getattr(row, name) != value]
    if wrong:
        return Fault(chain, None, f"the row of the dive differs from the fold in {', '.join(wrong)}")
    return None


def _checkpoints_on(seen: dict[str, int], session: Session, reached: Reached) -> Reached:
    """Check some more checkpoints; `seen` is up to which entry of each chain any of them saw so far."""
    number, prev_hash, count = reached.seq, reached.hash, reached.count
    row = LogCheckpointRow
    block = select(row.id, row.at, row.heads, row.prev_hash, row.hash).order_by(row.id).limit(_CHECKPOINTS_BLOCK)
    found = session.execute(block.where(row.id > number)).all()
    for one in found:
        number, at, heads, prev, this = one
        if prev != prev_hash or this != checkpoint_hash(prev_hash, at=at, heads=heads):
            fault = Fault(CHECKPOINTS, number, "the checkpoint was changed, or one before it is missing")
            return Reached(fault=fault, ended=True)
        unseen = _unseen(session, number, heads)
        if unseen is not None:
            return Reached(fault=unseen, ended=True)
        seen |= {chain: seq for chain, (seq, _) in json.loads(heads).items()}
        count, prev_hash = count + 1, this
    if len(found) == _CHECKPOINTS_BLOCK:
        return Reached(number, prev_hash, count=count)
    whole = _head(session, CHECKPOINTS) == (count, prev_hash)
    if not whole:
        return Reached(fault=Fault(CHECKPOINTS, None, "checkpoints were cut off"), ended=True)
    return Reached(fault=_unwitnessed(session, seen), ended=True)


def _unwitnessed(session: Session, seen: dict[str, int]) -> Fault | None:
    """A chain of which its head knows another last checkpoint than there is: one was cut off with the end of theirs."""
    row = ChainHeadRow
    known = select(row.chain, row.checkpointed_seq).where(row.checkpointed_seq > 0).order_by(row.chain)
    for chain, seq in session.execute(known):
        if seen.get(chain, 0) != seq:
            return Fault(CHECKPOINTS, None, f"checkpoints were cut off: one had seen entry {seq} of {chain}")
    return None


def _unseen(session: Session, number: int, heads: str) -> Fault | None:
    """What is wrong with the entries of which a checkpoint says that they were the last of their chains."""
    row = LogEntryRow
    for chain, (seq, head) in json.loads(heads).items():
        found = session.execute(select(row.hash).where(row.chain == chain, row.seq == seq)).scalar_one_or_none()
        if found is None:
            last = session.execute(select(func.max(row.seq)).where(row.chain == chain, row.seq < seq)).scalar_one()
            first = (last or 0) + 1
            return Fault(chain, first, f"entry {first} is missing: checkpoint {number} saw the chain up to {seq}")
        if found != head:
            return Fault(chain, seq, f"entry {seq} is not the one that checkpoint {number} saw")
    return None
