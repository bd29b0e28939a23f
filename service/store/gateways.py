"""The state of each gateway as all couriers together know it. Where there is no row, it works."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import asdict, dataclass, fields
from datetime import datetime

from sqlalchemy import func, or_, select, update
from sqlalchemy.orm import Session

from service.domain.delivery import MessageState
from service.store.tables import AttemptRow, GatewayStateRow, MessageRow, ReceiptRow
from service.store.upsert import insert_or_keep, touched


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


_STATE = tuple(getattr(GatewayStateRow, field.name) for field in fields(GatewayState))


def states(session: Session, names: Collection[str]) -> dict[str, GatewayState]:
    """The state of each of these gateways, in their order; a plain read that waits for nobody."""
    found = session.execute(select(*_STATE).where(GatewayStateRow.name.in_(names)))
    known = {values.name: GatewayState(*values) for values in found}
    return {name: known.get(name) or GatewayState(name) for name in names}


def lock(session: Session, name: str) -> GatewayState:
    """The state of a gateway, which nobody else changes until this transaction ends.

    Whoever also writes to a message or a dive does that first: one order, so that none waits for another in a ring.
    """
    insert_or_keep(session, GatewayStateRow, {"name": name, "faults": 0})
    found = select(*_STATE).where(GatewayStateRow.name == name).with_for_update()
    return GatewayState(*session.execute(found).one())


def save(session: Session, state: GatewayState) -> None:
    """Write the state of a gateway that this transaction has locked."""
    values = asdict(state)
    touched(session, update(GatewayStateRow).where(GatewayStateRow.name == values.pop("name")).values(**values))


def take_trial(session: Session, name: str, now: datetime, until_at: datetime) -> bool:
    """Take the trial of a gateway whose rest is over; False when another courier was first."""
    row = GatewayStateRow
    free = or_(row.trial_until_at.is_(None), row.trial_until_at <= now)
    trial = update(row).where(row.name == name, row.rests_until_at <= now, free)
    return touched(session, trial.values(trial_until_at=until_at)) == 1


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
