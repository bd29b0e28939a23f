"""Figures of the daily canary dives; a club without a number for them has none."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from prometheus_client.core import GaugeMetricFamily, Metric

from service.operations.canary_dive_health import CanaryDive, seconds_of


def canary_dive_metrics(found: Sequence[CanaryDive], now: datetime) -> Iterator[Metric]:
    """How old the last one of each club is, whether it is without fault, and how long each leg took."""
    ages = GaugeMetricFamily(
        "linetender_canary_dive_age_seconds", "Since the last canary dive was filed.", labels=["club"]
    )
    fine = GaugeMetricFamily("linetender_canary_dive_ok", "1 while the last canary dive has no fault.", labels=["club"])
    legs = GaugeMetricFamily(
        "linetender_canary_dive_lateness_seconds",
        "How long each leg of the last canary dive took, or takes until now.",
        labels=["club", "leg"],
    )
    for one in found:
        # What never happened has no age, and before the first nothing is known to be well.
        if one.filed_at is not None:
            ages.add_metric([one.club_id], (now - one.filed_at).total_seconds())
        if one.filed_at is not None or one.fault is not None:
            fine.add_metric([one.club_id], float(one.fault is None))
        for leg, seconds in seconds_of(one, now).items():
            legs.add_metric([one.club_id, leg], seconds)
    yield from (ages, fine, legs)
