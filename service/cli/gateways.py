"""How each gateway stands, from the command line."""

from __future__ import annotations

import sys
from datetime import datetime

import click

from service.cli.opening import gateways_of, service_with_schema, settings_of_environment
from service.gateways.describing import described
from service.operations.gateway_health import FAULTY, GatewayHealth, gateway_health


@click.command()
def gateways() -> None:
    """How each gateway stands and why, its last daily test, and what it did in the last 24 hours: a line each.

    Exit status 1 when one is not well. Sends nothing and changes nothing.
    """
    settings = settings_of_environment()
    found = gateway_health(service_with_schema(settings, "command"), described(gateways_of(settings)))
    for health in found:
        channels = ", ".join(sorted(health.about.channels))
        click.echo(
            f"{health.about.name} ({health.about.kind}; {channels}): {state_words(health)}; {tally_words(health)}"
        )
    sys.exit(1 if any(health.fault for health in found) else 0)


def state_words(health: GatewayHealth) -> str:
    """How it stands, and how its last test went."""
    words = str(health.standing)
    if health.standing in FAULTY:
        since = f" since {_at(health.since_at)}" if health.since_at else ""
        words += f"{since}, {health.reason}"
    return f"{words}; {_test_words(health)}"


def tally_words(health: GatewayHealth) -> str:
    """What it did in the last 24 hours."""
    tally = health.tally
    if not (tally.accepted or tally.refused or tally.unknown):
        return "nothing sent in 24 h"
    share = health.delivered_share
    delivered = "" if share is None else f", {share:.0%} delivered"
    return f"in 24 h {tally.accepted} accepted, {tally.refused} refused, {tally.unknown} unknown{delivered}"


def _test_words(health: GatewayHealth) -> str:
    if not health.about.has_canary:
        return "not tested, no canary is set"
    if health.canary is None:
        return "not tested yet"
    end = health.canary.fault or ("waits for its receipt" if health.canary.waits else "went well")
    return f"test of {_at(health.canary.sent_at)} {end}"


def _at(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M} UTC"
