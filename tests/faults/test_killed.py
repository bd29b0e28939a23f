"""Real processes killed and a real PostgreSQL stopped at the worst moment: the alarm is handed over all the same.

Random faults, one at a time and together, are for `make chaos`; here are those whose effect is asked word by word.
"""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any

import httpx
import pytest
from sqlalchemy import func, select

from service.settings import PREFIX
from service.store import log
from service.store.outbox import HANDED, LEASED, QUEUED
from service.store.tables import AttemptRow, MessageRow
from tests.fakes.behaviour import stall
from tests.fakes.journal import Taken
from tests.faults.asking import broken_promises
from tests.faults.fault import SINGLE_S, TOLD_WITHIN_S
from tests.faults.figures import TAKEN_UP_S
from tests.faults.journals import taken_texts
from tests.faults.rig import CONTACTS, ROLES, ROOT, Rig
from tests.servers.ports import free_port

pytestmark = [pytest.mark.processes, pytest.mark.postgres]

# Of each test its own: what one is told in another is not counted.
PEOPLE = [(f"+44770090010{number}", CONTACTS[2 * number : 2 * number + 2]) for number in range(3)]


def arm(rig: Rig, lead: str, contacts: tuple[str, ...], run_s: float) -> dict[str, Any]:
    """A dive that is in the water, its clock running; as filed."""
    filed = rig.file(lead, contacts, run_s, f"{lead} {time.monotonic()}")
    assert filed is not None
    assert rig.text(lead, f"IN {filed['start_code']}") == 200
    rig.wait_for(lambda: any(": ARMED." in one.body for one in taken(rig, lead)), 30, "armed")
    return filed


def taken(rig: Rig, *numbers: str) -> list[Taken]:
    """What both gateways took for these numbers, oldest first."""
    found = [one for gateway in rig.gateways for one in gateway.taken() if one.to in numbers]
    return sorted(found, key=lambda one: one.at)


def alarms(rig: Rig, reference: str) -> list[Taken]:
    """The alarms that contacts were sent about a dive."""
    return [one for one in taken(rig, *CONTACTS) if "OVERDUE" in one.body and re.search(rf"\b{reference}\b", one.body)]


def attempts_at_alerts(rig: Rig, dive_id: str) -> list[AttemptRow]:
    """The attempts at alerts of a dive, first to last."""
    wanted = select(AttemptRow).join(MessageRow, MessageRow.id == AttemptRow.message_id)
    wanted = wanted.where(MessageRow.dive_id == dive_id, MessageRow.kind == "alert").order_by(AttemptRow.id)
    return rig.service().read(lambda session: list(session.execute(wanted).scalars()))


def entries(rig: Rig, dive_id: str) -> list[log.Entry]:
    """The log of a dive."""
    return rig.service().read(lambda session: log.entries(session, log.dive_chain(dive_id)))


def carriers(rig: Rig, dive_id: str) -> list[str]:
    """Which processes the log names as having carried an alert of a dive."""
    attempts = [entry.detail or {} for entry in entries(rig, dive_id) if entry.kind.startswith("attempt:")]
    return [attempt["carried_by"] for attempt in attempts if attempt["step"].startswith("alert")]


def finish(rig: Rig, lead: str, filed: dict[str, Any]) -> None:
    """The dive ends, and everybody who was told hears so; then everything must hold."""
    rig.wait_for(lambda: rig.text(lead, f"OUT {filed['finish_code']}") == 200, 30, "the finish is taken")
    rig.wait_for(lambda: closed(rig, filed["id"]), 60, "closed")
    told = {one.to for one in alarms(rig, filed["reference"])}
    rig.wait_for(lambda: all(map(partial(stood_down, rig), told)), 60, "stood down")
    rig.wait_for(rig.at_rest, 60, "at rest")
    # A receipt that crossed the record of its handing over is found by a sweep within seconds.
    with suppress(AssertionError):
        rig.wait_for(lambda: not broken_promises(rig, taken_texts(rig)), 15, "what must hold holds")
    assert broken_promises(rig, taken_texts(rig)) == []


def stood_down(rig: Rig, phone: str) -> bool:
    """Whether the last that they got says that it is over."""
    return "It is over" in taken(rig, phone)[-1].body


def closed(rig: Rig, dive_id: str) -> bool:
    """Whether it is over."""
    return any(entry.kind == "event:closed" for entry in entries(rig, dive_id))


def test_workers_and_beat_are_killed_with_an_alert_on_its_way(rig: Rig) -> None:
    """The keeper takes it up within 35 s of the crash, by the other gateway, and a person hears of the dead parts."""
    lead, contacts = PEOPLE[0]
    filed = arm(rig, lead, contacts, 6)
    rig.gateways[0].behave(stall(20))
    rig.wait_for(lambda: bool(attempts_at_alerts(rig, filed["id"])), 60, "the alert is with the gateway that stalls")
    before = len(rig.admin_texts())

    rig.kill("worker", "beat")
    killed_s = time.time()
    rig.gateways[0].behave(None)
    rig.wait_for(lambda: bool(alarms(rig, filed["reference"])), SINGLE_S, "the alert is at a gateway")
    rig.wait_for(lambda: len(rig.admin_texts()) > before, TOLD_WITHIN_S, "an admin was told")

    first, second = attempts_at_alerts(rig, filed["id"])[:2]
    assert (first.gateway, second.gateway) == ("shore", "hill")
    assert second.started_at.timestamp() - killed_s < TAKEN_UP_S
    due_s = first.started_at.timestamp()
    assert alarms(rig, filed["reference"])[0].at - due_s < SINGLE_S
    # The gateway writes its journal before it answers, and the log has the attempt only after the answer.
    rig.wait_for(lambda: bool(carriers(rig, filed["id"])), 30, "the attempt is in the log")
    assert all(carrier.startswith("keeper-") for carrier in carriers(rig, filed["id"]))
    rig.start("worker", "beat")
    finish(rig, lead, filed)


@contextmanager
def fallback_of(rig: Rig) -> Iterator[str]:
    """The fallback process, with an address of its own; gives that."""
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    with (rig.directory / "fallback.log").open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.entry", "fallback", "--port", str(port)],
            env=rig.environment() | {PREFIX + "PUBLIC_URL": url},
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
        )
    try:
        rig.wait_for(lambda: up(f"{url}/healthz"), 60, "the fallback is up")
        yield url
    finally:
        process.terminate()
        process.wait(30)


def up(address: str) -> bool:
    """Whether it answers that all is well."""
    with suppress(httpx.HTTPError):
        return httpx.get(address, trust_env=False, timeout=5).is_success
    return False


def all_delivered(rig: Rig, dive_id: str) -> bool:
    """Whether no message of a dive waits for anything, not even for its receipt."""
    waits = select(func.count()).select_from(MessageRow).where(MessageRow.dive_id == dive_id)
    waits = waits.where(MessageRow.state.in_((QUEUED, LEASED, HANDED)))
    return rig.service().read(lambda session: session.execute(waits).scalar_one()) == 0


def test_texts_that_come_while_the_database_is_stopped_are_acted_on_in_the_end(rig: Rig) -> None:
    """A delay by the web process, a finish by the fallback: both 200 at once, and both done when it is back."""
    postgres = rig.postgres
    assert postgres is not None
    with fallback_of(rig) as fallback:
        lead, contacts = PEOPLE[1]
        filed = arm(rig, lead, contacts, 300)
        rig.wait_for(lambda: all_delivered(rig, filed["id"]), 30, "every receipt has come")

        postgres.stop()
        assert rig.text(lead, "LATE 20") == 200
        assert rig.on_disk() == 1
        assert not rig.answers("/readyz")
        rig.kill("web")
        orders = {"sender": lead, "body": f"OUT {filed['finish_code']}", "url": f"{fallback}/inbound/shore/text"}
        assert rig.gateways[0].control("/control/text", orders)["status"] == 200
        assert rig.on_disk() == 2

        postgres.start()
        rig.start("web")
        rig.wait_until_ready()
        rig.wait_for(lambda: closed(rig, filed["id"]), 60, "the dive is closed")
        rig.wait_for(lambda: rig.on_disk() == 0, 30, "nothing lies on the disk")

        kinds = [entry.kind for entry in entries(rig, filed["id"])]
        decided = [kind for kind in kinds if kind in ("event:extension_asked", "event:closed")]
        assert decided == ["event:extension_asked", "event:closed"]
        assert kinds.count("text_read") == 3
        rig.wait_for(rig.at_rest, 60, "at rest")
        assert broken_promises(rig, taken_texts(rig)) == []


def test_everything_killed_for_forty_minutes_of_a_dive(rig: Rig) -> None:
    """Started again, each person gets one text, of the most severe step that is due for them, with true times."""
    lead, contacts = PEOPLE[2]
    filed = arm(rig, lead, contacts, 60)
    rig.wait_for(rig.at_rest, 60, "at rest")
    before = len(taken(rig, lead, *contacts))

    rig.kill(*dict.fromkeys(ROLES))
    rig.broker.kill()
    rig.clock.set(off_s=2400)
    rig.broker.start()
    rig.start(*ROLES)
    rig.wait_until_ready()
    rig.wait_for(lambda: len(alarms(rig, filed["reference"])) >= 2, 60, "distress to all")
    rig.wait_for(rig.at_rest, 60, "at rest")

    news = taken(rig, lead, *contacts)[before:]
    assert Counter(one.to for one in news) == dict.fromkeys((lead, *contacts), 1)
    said = {one.to: one.body for one in news}
    assert "Your contacts are being alerted" in said[lead]
    assert all("CALL RESCUE NOW" in said[phone] for phone in contacts)
    assert all(re.search(r"due out (?:\w{3} \d{1,2} \w{3} )?\d\d:\d\d\.", said[phone]) for phone in contacts)
    late = [entry.detail for entry in rig.service().read(lambda s: log.entries(s, "service")) if entry.kind == "outage"]
    assert any(filed["id"] in [one["dive"] for one in (detail or {})["fell_due"]] for detail in late)
    finish(rig, lead, filed)
