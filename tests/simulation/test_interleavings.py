"""Each pair of transactions at a moment of an alarm, overlapping on PostgreSQL: as if one had been before the other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta

import pytest

from service.operations.gateway import Blame, DeliveryReceipt, Outcome, ReceiptState
from service.operations.inbound import answer_text
from service.operations.parcels import Parcel
from service.operations.receipts import receive_receipt
from service.operations.settling import Heard
from service.operations.sweeping import sweep
from service.store.engine import open_engine
from tests.checker.questions import violations
from tests.operations.stage import ANNA, BEGIN_AT, BRAM, CLEO, HandMovedClock, Stage, prepare, stage_on
from tests.servers.postgres import Postgres
from tests.simulation.interleaving import Boundary, overlap

DEEDS = ("a sweep", "a finish", "an SOS", "a failed receipt", "an outcome")


@dataclass
class Scene:
    """An alarm whose next contact is due, texts that wait for their answer, and a send that nobody has recorded yet.

    `again` brings the database back to that.
    """

    stage: Stage
    again: Callable[[], None]
    texts: dict[str, int]
    sent: tuple[Parcel, Outcome]
    receipt: DeliveryReceipt

    def do(self, deed: str) -> None:
        """One of the deeds, as the process does it whose work it is."""
        service = self.stage.service
        if deed == "a sweep":
            sweep(service)
        elif deed == "a failed receipt":
            receive_receipt(service, self.receipt)
        elif deed == "an outcome":
            parcel, outcome = self.sent
            self.stage.courier._record(parcel, Heard(outcome))
            self.stage.courier._handing_over.write()
        else:
            answer_text(service, self.texts[deed])

    def outcome(self) -> tuple[object, ...]:
        """How the dive stands, and what is told to whom, after one more sweep: the next comes within a second."""
        sweep(self.stage.service)
        assert violations(self.stage.engine, self.stage.journal, self.stage.clock.at, promises=False) == []
        [dive] = self.stage.all_dives()
        told = Counter((one.person_key, one.step.rpartition("-")[0], one.state) for one in self.stage.messages(dive.id))
        keys = tuple(frozenset(one.key for one in some) for some in (dive.alerted, dive.acknowledged))
        ends = (dive.phase, dive.outcome, dive.closings, dive.raises, frozenset(dive.unreachable))
        return (*ends, *keys, frozenset(told.items()))


@pytest.fixture(scope="module")
def scene(postgres_server: Postgres) -> Iterator[Scene]:
    """The scene, on a database that is copied anew for each run."""
    name = postgres_server.create_database()
    engine = open_engine(postgres_server.url(name))
    prepare(engine, BEGIN_AT)
    stage = stage_on(engine, HandMovedClock())
    stage.first.sends_receipts = stage.second.sends_receipts = True
    stage.dive_in()
    stage.wait(minutes=60)
    stage.clock.at += timedelta(minutes=5)
    sweep(stage.service)
    [parcel] = stage.courier._claims.claim("urgent", 1).parcels
    sent = (parcel, parcel.gateway.send(stage.courier._outgoing(parcel.message)))
    stage.clock.at += timedelta(minutes=5)
    texts = {}
    for deed, sender, body in (("a finish", ANNA, "OUT 2"), ("an SOS", BRAM, "SOS")):
        inbound_id = stage.receive(sender, body)
        assert inbound_id is not None
        texts[deed] = inbound_id
    [alert] = [one for one in stage.journal if one.to == CLEO and "OVERDUE" in one.body]
    failed, number = ReceiptState.FAILED, Blame.NUMBER
    receipt = DeliveryReceipt(alert.gateway, alert.provider_id, failed, "30005", number, {}, stage.clock.at)
    engine.dispose()
    kept = postgres_server.create_database(name)

    def again() -> None:
        engine.dispose()
        postgres_server.renew_database(name, kept)

    yield Scene(stage, again, texts, sent, receipt)
    stage.courier.close()
    engine.dispose()
    postgres_server.drop_database(kept)


@pytest.fixture(scope="module")
def one_by_one(scene: Scene) -> Callable[[str, str], tuple[object, ...]]:
    """What two deeds come to, one wholly before the other."""
    known: dict[tuple[str, str], tuple[object, ...]] = {}

    def outcome(first: str, second: str) -> tuple[object, ...]:
        if (first, second) not in known:
            scene.again()
            scene.do(first)
            scene.do(second)
            known[first, second] = scene.outcome()
        return known[first, second]

    return outcome


@pytest.mark.postgres
@pytest.mark.parametrize("first", DEEDS)
def test_two_at_once_are_as_one_after_the_other(
    first: str, scene: Scene, one_by_one: Callable[[str, str], tuple[object, ...]]
) -> None:
    """Held before its lock, before it writes and before it commits, while each of the others runs into it."""
    odd, held = {}, 0
    for second in DEEDS:
        legal = (one_by_one(first, second), one_by_one(second, first))
        for boundary in Boundary:
            scene.again()
            engine = scene.stage.engine
            held += overlap(engine, lambda: scene.do(first), lambda other=second: scene.do(other), boundary)
            found = scene.outcome()
            if found not in legal:
                odd[second, str(boundary)] = (found, legal)

    assert odd == {}
    assert held > len(DEEDS)
