"""The state of each gateway as all couriers together know it. Where there is no row, it works."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime
from typing import Final

from sqlalchemy import and_, bindparam, case, exists, func, insert, or_, select, update
from sqlalchemy.orm import Session

from service.domain.delivery import MessageState, ReceiptState
from service.store.among import among
from service.store.tables import AttemptRow, GatewayCanaryRow, GatewayStateRow, MessageRow, ReceiptRow
from service.store.upsert import insert_or_keep, table, touched


@dataclass(frozen=True, slots=True)
class GatewayState:
    """One gateway. It rests until `rests_until_at`, then one courier has the trial until `trial_until_at`.

    `faults` in a row; `reason` for the last that mattered; `since_at` is when it began to rest, or to work again.
    `suspect_at`: since when it has taken messages and sent no receipt for any.
    """

    name: str
    faults: int = 0
    reason: str | None = None
    since_at: datetime | None = None
    rests_until_at: datetime | None = None
    trial_until_at: datetime | None = None
    suspect_at: datetime | None = None


_ROW = table(GatewayStateRow).c
_STATES = select(*(_ROW[field.name] for field in fields(GatewayState)))
_THESE = _STATES.where(among(_ROW.name, "names"))
_LOCK = _STATES.where(_ROW.name == bindparam("of")).with_for_update()
_GUARDED = update(table(GatewayStateRow)).where(_ROW.name == bindparam("of"))
_SAVE = _GUARDED.values({field.name: bindparam(f"new_{field.name}") for field in fields(GatewayState)[1:]})
_TAKE_TRIAL = _GUARDED.where(
    _ROW.rests_until_at <= bindparam("now"),
    or_(_ROW.trial_until_at.is_(None), _ROW.trial_until_at <= bindparam("now")),
).values(trial_until_at=bindparam("until"))


def states(session: Session, names: Collection[str]) -> dict[str, GatewayState]:
    """The state of each of these gateways, in their order; a plain read that waits for nobody."""
    found = session.execute(_THESE, {"names": list(names)})
    known = {values.name: GatewayState(*values) for values in found}
    return {name: known.get(name) or GatewayState(name) for name in names}


def lock(session: Session, name: str) -> GatewayState:
    """The state of a gateway, which nobody else changes until this transaction ends.

    Whoever also writes to a message or a dive does that first: one order, so that none waits for another in a ring.
    """
    found = session.execute(_LOCK, {"of": name}).one_or_none()
    if found is None:
        insert_or_keep(session, GatewayStateRow, {"name": name, "faults": 0})
        found = session.execute(_LOCK, {"of": name}).one()
    return GatewayState(*found)


def save(session: Session, state: GatewayState) -> None:
    """Write the state of a gateway that this transaction has locked."""
    values = {f"new_{name}": value for name, value in asdict(state).items()}
    touched(session, _SAVE, values | {"of": values.pop("new_name")})


def take_trial(session: Session, name: str, now: datetime, until_at: datetime) -> bool:
    """Take the trial of a gateway whose rest is over; False when another courier was first."""
    return touched(session, _TAKE_TRIAL, {"of": name, "now": now, "until": until_at}) == 1


@dataclass(frozen=True, slots=True)
class Taken:
    """A text that a gateway took, and how it ended by its receipts: delivered, failed, or None for no news."""

    phone: str
    at: datetime
    receipt: str | None


def taken(session: Session, name: str, since: datetime, limit: int) -> list[Taken]:
    """The texts that a gateway took since then, the last first."""
    row, message, receipt = AttemptRow, MessageRow, ReceiptRow
    # Delivered comes before failed in the alphabet too, and is what counts where both were said.
    ended = (
        select(func.min(receipt.state))
        .where(
            receipt.gateway == row.gateway,
            receipt.provider_id == row.provider_id,
            receipt.state.in_((MessageState.DELIVERED, MessageState.FAILED)),
        )
        .scalar_subquery()
    )
    found = (
        select(message.phone, row.started_at, ended)
        .join(message, message.id == row.message_id)
        .where(row.gateway == name, row.started_at >= since, row.outcome == "accepted", message.channel == "text")
        .order_by(row.id.desc())
        .limit(limit)
    )
    return [Taken(*values) for values in session.execute(found)]


@dataclass(frozen=True, slots=True)
class Canary:
    """A test message through one gateway. `outcome` is sending, then accepted, refused or unknown, or failed after."""

    id: int
    gateway: str
    sent_at: datetime
    outcome: str
    code: str | None
    detail: str | None
    provider_id: str | None
    delivered_at: datetime | None


SENDING: Final = "sending"
_SENT = table(GatewayCanaryRow).c
_LAST = select(func.max(_SENT.id)).where(among(_SENT.gateway, "names")).group_by(_SENT.gateway)
_LAST_CANARIES = select(*(_SENT[field.name] for field in fields(Canary))).where(_SENT.id.in_(_LAST))
_KNOWN_CANARY = select(_SENT.id).where(
    _SENT.gateway == bindparam("gateway"), _SENT.provider_id == bindparam("provider_id")
)


def begin_canary(session: Session, name: str, now: datetime) -> int:
    """A new canary, written down before the gateway is called; its id."""
    new = insert(GatewayCanaryRow).values(gateway=name, sent_at=now, outcome=SENDING)
    return session.execute(new.returning(GatewayCanaryRow.id)).scalar_one()


def end_canary(
    session: Session, canary_id: int, outcome: str, code: str | None, detail: str | None, provider_id: str | None
) -> None:
    """What the gateway answered."""
    ended = update(GatewayCanaryRow).where(GatewayCanaryRow.id == canary_id)
    touched(session, ended.values(outcome=outcome, code=code, detail=detail, provider_id=provider_id))


def note_canary_receipt(
    session: Session, name: str, provider_id: str, receipt: ReceiptState, code: str | None, now: datetime
) -> bool:
    """What a receipt says of a canary; False when the gateway knows none by that id. Delivered stays delivered."""
    if session.execute(_KNOWN_CANARY, {"gateway": name, "provider_id": provider_id}).first() is None:
        return False
    row = GatewayCanaryRow
    known = and_(row.gateway == name, row.provider_id == provider_id)
    open_ = update(row).where(known, row.delivered_at.is_(None))
    if receipt is ReceiptState.DELIVERED:
        touched(session, open_.values(delivered_at=now))
    elif receipt is ReceiptState.FAILED:
        touched(session, open_.values(outcome="failed", code=code))
    return True


def last_canaries(session: Session, names: Collection[str]) -> dict[str, Canary]:
    """The last canary through each of these gateways that had one."""
    found = session.execute(_LAST_CANARIES, {"names": list(names)})
    return {values.gateway: Canary(*values) for values in found}


@dataclass(frozen=True, slots=True)
class Tally:
    """How the attempts by one gateway ended; `delivered` are those of the accepted that a receipt confirmed."""

    accepted: int = 0
    refused: int = 0
    unknown: int = 0
    delivered: int = 0


def tallies(session: Session, since: datetime) -> dict[str, Tally]:
    """How attempts ended that began since then, by gateway."""
    row, receipt = AttemptRow, ReceiptRow
    confirmed = exists().where(
        receipt.gateway == row.gateway,
        receipt.provider_id == row.provider_id,
        receipt.state == MessageState.DELIVERED,
    )
    delivered = func.sum(case((and_(row.outcome == "accepted", confirmed), 1), else_=0))
    found = session.execute(
        select(row.gateway, row.outcome, func.count(), delivered)
        .where(row.started_at >= since, row.outcome.is_not(None))
        .group_by(row.gateway, row.outcome)
    )
    counted: dict[str, Tally] = {}
    for name, outcome, count, arrived in found:
        tally = counted.get(name, Tally())
        counted[name] = replace(tally, **{outcome: count}, delivered=tally.delivered + int(arrived))
    return counted
