"""Past one machine: a country's dives through the queues, with the costs that the other benches measured."""

from __future__ import annotations

from collections import Counter

from tests.bench.country import Costs, Gateways, jobs, texts_of_a_dive
from tests.bench.queues import Done, Station, quantile, simulate

# What `make bench` gave on two cores, with the database and a gateway on the same ones (docs/scale.md says when).
MEASURED = Costs(decide=0.0011, carry=0.0014, take_in=0.011, database_a_decision=0.0004, database_a_message=0.00025)
MINUTES = 10
OUTAGE = (600.0, 2_400.0)  # 30 minutes


def stations(cores: int, gateways: Gateways) -> dict[str, Station]:
    """Cores of ours, one database, two gateways that take one segment after the other."""
    return {
        "cores": Station(cores),
        "database": Station(2),
        "gateway 1": Station(shut=gateways.shut),
        "gateway 2": Station(),
        "a try": Station(1_000),
    }


def told(kind: str, done: list[Done]) -> str:
    """From due to handed, for one kind of happening."""
    took = [one.took_s for one in done if one.job.kind == kind]
    if not took:
        return f"  {kind:12} none"
    median, late = quantile(took, 0.5), quantile(took, 0.99)
    return f"  {kind:12} {len(took):8} texts, median {median:8.2f} s, 99 % {late:8.2f} s, largest {max(took):8.2f} s"


def played(dives: int, cores: int, gateways: Gateways, minutes: float) -> list[Done]:
    """Play it, and print what was busy and who waited."""
    here = stations(cores, gateways)
    done = simulate(here, jobs(dives, minutes * 60, MEASURED, gateways))
    seconds = max(one.done_at_s for one in done)
    print(f"\n{dives} dives at once, {cores} cores, two gateways of {gateways.segments_per_s:.0f} segments a second")
    print(
        "  at work: "
        + ", ".join(f"{name} {station.share(seconds):.0%}" for name, station in here.items() if name != "a try")
    )
    for kind in ("start", "heads_up", "alert", "finish"):
        print(told(kind, done))
    return done


def test_what_an_ordinary_dive_costs() -> None:
    """How many texts and segments each happening makes."""
    for kind, texts in texts_of_a_dive().items():
        print(f"\n  {kind:12} {len(texts)} texts, {sum(text.segments for text in texts)} segments", end="")
    print()
    assert sum(text.segments for text in texts_of_a_dive()["alert"]) >= 1


def test_a_country_in_the_water() -> None:
    """What saturates first as the number of dives grows."""
    for dives, cores, rate in ((1_000, 2, 1), (1_000, 2, 10), (10_000, 2, 50), (100_000, 2, 400), (100_000, 8, 400)):
        done = played(dives, cores, Gateways(rate), MINUTES)
        assert Counter(one.job.kind for one in done)["start"]


def test_a_regional_outage_of_a_provider() -> None:
    """One gateway is shut for half an hour, and half of the divers cannot ring back."""
    done = played(10_000, 2, Gateways(50, OUTAGE), 75)
    alerts = [one for one in done if one.job.kind == "alert" and OUTAGE[0] <= one.job.at_s < OUTAGE[1]]
    assert alerts
    print(f"  alerts in the outage: {len(alerts)}; the largest wait {max(one.took_s for one in alerts):.1f} s")
