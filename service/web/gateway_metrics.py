"""Figures of the gateways: how each stands, what it did in the last day, and what was loud."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from prometheus_client.core import GaugeMetricFamily, Metric

from service.operations.breaking import Standing
from service.operations.gateway_health import GatewayHealth, Loud

OUTCOMES = ("accepted", "refused", "unknown", "delivered")


def gateway_metrics(found: Sequence[GatewayHealth], loud: Loud) -> Iterator[Metric]:
    """For every gateway in the settings, also one that was never used."""
    states = GaugeMetricFamily(
        "linetender_gateway_state", "1 for how a gateway stands now.", labels=["gateway", "state"]
    )
    attempts = GaugeMetricFamily(
        "linetender_gateway_attempts",
        "Attempts of the last 24 h by how they ended; delivered ones are among the accepted.",
        labels=["gateway", "outcome"],
    )
    tests = GaugeMetricFamily(
        "linetender_gateway_test_ok", "1 when the last daily test through a gateway had no fault.", labels=["gateway"]
    )
    for health in found:
        name = health.about.name
        for state in Standing:
            states.add_metric([name, str(state)], float(health.standing is state))
        for outcome in OUTCOMES:
            attempts.add_metric([name, outcome], getattr(health.tally, outcome))
        # One that is not tested has no figure, so that an alert on its absence works.
        if health.canary is not None:
            tests.add_metric([name], float(health.canary.fault is None))
    yield from (states, attempts, tests)
    changes = GaugeMetricFamily(
        "linetender_gateway_changes", "How often gateways came to rest, were suspected, or worked again.", labels=["to"]
    )
    for kind, count in sorted(loud.changes.items()):
        changes.add_metric([kind.removeprefix("gateway_")], count)
    yield changes
    words = "Codes and words of gateways in no table, of the last 24 h."
    yield GaugeMetricFamily("linetender_unknown_codes", words, value=loud.unknown_codes)
