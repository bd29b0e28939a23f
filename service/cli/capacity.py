"""What a sender's rate can carry, said before it matters."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import click

from service.operations.forecasting import Forecast, forecast

DIVES_MAX: Final = 5_000
SENDERS_MAX: Final = 20
CONTACTS_MAX: Final = 6
ON_TIME_S: Final = 60.0  # the stated delay from the raise-by time to an alert at a gateway
MINUTE_S: Final = 60


@click.command()
@click.option("--dives", required=True, type=click.IntRange(1, DIVES_MAX), help="Dives overdue in the same second.")
@click.option("--contacts", required=True, type=click.IntRange(1, CONTACTS_MAX), help="Shore contacts of each.")
@click.option(
    "--rate",
    required=True,
    type=click.FloatRange(0.01, 1_000.0),
    help="Segments a second that a sender may send; many ordinary numbers may send 1.",
)
@click.option(
    "--gateways",
    default=1,
    show_default=True,
    type=click.IntRange(1, SENDERS_MAX),
    help="How many gateways can carry these texts, each with that rate.",
)
def capacity(*, dives: int, contacts: int, rate: float, gateways: int) -> None:
    """Say how long an alarm storm would take: many dives overdue at once, and nobody answers.

    From the wording and the ladder as they are, with two divers, a known site and the usual grace periods. Needs no
    database, sends nothing.
    """
    found = forecast(dives, contacts, rate, gateways)
    for line in _report(dives, contacts, rate, gateways, found):
        click.echo(line)


def _report(dives: int, contacts: int, rate: float, gateways: int, found: Forecast) -> Iterator[str]:
    senders = f"{gateways} gateways of" if gateways > 1 else "One gateway of"
    yield f"{dives} dives overdue in one second, contacts of each: {contacts}. {senders} {rate:g} segments a second."
    yield f"Nobody answers. An alert takes {found.alert_segments} segments. Counted from the moment of the alert:"
    yield ""
    yield f"  first contact of the last dive is alerted          {_length(found.first_contact_s)}"
    yield f"  last contact is told to call rescue                {_length(found.distress_s)}"
    yield f"  last of the {found.texts} texts of the first hour              {_length(found.last_s)}"
    yield ""
    yield from _meaning(dives, found)


def _meaning(dives: int, found: Forecast) -> Iterator[str]:
    late_s = found.distress_s - found.distress_due_s
    on_time = found.first_contact_s <= ON_TIME_S
    if on_time:
        yield "Every first contact is alerted within a minute."
    else:
        needed = math.ceil(dives * found.alert_segments / ON_TIME_S)
        late = _length(found.first_contact_s)
        yield f"The first contact of dive number {dives} is alerted {late} late. Get a faster sender, or one more"
        yield f"gateway with another provider: with {needed} segments a second it would be within a minute."
    if late_s > ON_TIME_S:
        due = _length(found.distress_due_s)
        yield f"The word to call rescue, due after {due}, reaches the last contact {_length(late_s)} late."
    if found.busy:
        yield "The repeats fall behind: who has not heard at all goes before who hears it again."


def _length(seconds: float) -> str:
    whole = round(seconds)
    hours, minutes = divmod(whole // MINUTE_S, MINUTE_S)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {whole % MINUTE_S} s" if minutes else f"{whole} s"
