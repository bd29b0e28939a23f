"""Small worlds with all of the service around the heart: a handful of transactions around a moment, in every order.

Each act is what one process does at once: a sweep, a text that is stored, its answer, a courier that hands over, the
record of what came of it. What begins alike is played once: at each node of the tree of orders the database, the clock
and the gateways' journals are kept, and put back for the next branch.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import timedelta

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import RaiseNow
from service.domain.people import Actor, Role, Via
from service.operations.gateway import Blame, InboundText, ReceiptState
from service.operations.inbound import answer_text
from service.operations.parcels import Parcel
from service.operations.receiving import Way, receive_text
from service.operations.recording import act
from service.operations.settling import Heard
from service.operations.sweeping import sweep
from tests.operations.stage import ANNA, BEGIN_AT, BRAM, CLEO, DOV, OURS, Stage, Taken, plan
from tests.simulation.saving import Saved, put_back, save

Held = dict[str, object]
"""What processes and people have in hand between two acts: a text's id, a parcel with what was heard of it."""


@dataclass(frozen=True)
class Act:
    """What one process does at once. `needs`: what must have been done before it can be."""

    name: str
    does: Callable[[Stage, Held], object]
    needs: tuple[str, ...] = ()


@dataclass(frozen=True)
class Moment:
    """What was so before, the acts around it, their instants, and how the dive must stand after the calm."""

    name: str
    begin: Callable[[Stage], object]
    instants: tuple[timedelta, ...]
    acts: tuple[Act, ...]
    ends: Callable[[tuple[str, ...]], Phase | None]


@dataclass
class Node:
    """One order so far; `stage` stands there until the next node is asked for."""

    moment: Moment
    stage: Stage
    order: tuple[str, ...] = ()
    left: tuple[Act, ...] = ()
    held: Held = field(default_factory=dict)

    @property
    def dive(self) -> Dive:
        """The one dive as it stands."""
        return the_dive(self.stage)


def nodes(moment: Moment, stage: Stage, empty: Saved) -> Iterator[Node]:
    """Every order of every subset of its acts in which each act can be."""
    put_back(empty, stage)
    moment.begin(stage)
    yield from _after(Node(moment, stage, (), moment.acts), save(stage))


def _after(node: Node, saved: Saved) -> Iterator[Node]:
    for place, one in enumerate(node.left):
        if not set(node.order).issuperset(one.needs):
            continue
        put_back(saved, node.stage)
        node.stage.clock.at = BEGIN_AT + node.moment.instants[len(node.order)]
        held = dict(node.held)
        one.does(node.stage, held)
        left = node.left[:place] + node.left[place + 1 :]
        following = replace(node, order=(*node.order, one.name), left=left, held=held)
        here = save(node.stage)
        yield following
        yield from _after(following, here)
        here.database.close()


def calm(stage: Stage) -> None:
    """Everything runs for ten minutes."""
    for seconds in (3, 31, 150, 416):
        stage.clock.at += timedelta(seconds=seconds)
        stage.turn()


def the_dive(stage: Stage) -> Dive:
    """The one dive there is."""
    [dive] = stage.all_dives()
    return dive


# Acts


def sweeps(number: int = 1) -> Act:
    """A sweep."""
    return Act(f"sweep {number}", lambda stage, _: sweep(stage.service))


def carries(number: int = 1) -> Act:
    """A courier carries all that waits."""
    return Act(f"courier {number}", lambda stage, _: stage.courier.carry())


def texts(sender: str, body: str) -> Act:
    """A text is stored and answered."""

    def does(stage: Stage, _: Held) -> None:
        inbound_id = stage.receive(sender, body.format(ref=the_dive(stage).reference, start=the_dive(stage).start_code))
        assert inbound_id is not None
        answer_text(stage.service, inbound_id)

    return Act(body, does)


def _is_stored(stage: Stage, held: Held) -> None:
    held["finish"] = stage.receive(ANNA, "OUT 2", provider_id="the-finish")
    assert stage.receive(ANNA, "OUT 2", provider_id="the-finish") is None


def _is_answered(stage: Stage, held: Held) -> None:
    for _ in range(2):
        answer_text(stage.service, int(str(held["finish"])))


STORED = Act("finish is stored", _is_stored)
ANSWERED = Act("finish is answered", _is_answered, ("finish is stored",))


def _hands_over(stage: Stage, held: Held) -> None:
    parcels = stage.courier._claims.claim("urgent", 16).parcels
    held["heard"] = [(one, Heard(one.gateway.send(stage.courier._outgoing(one.message)))) for one in parcels]


def _records(stage: Stage, held: Held) -> None:
    found = held["heard"]
    assert isinstance(found, list)
    for parcel, heard in found:
        assert isinstance(parcel, Parcel)
        stage.courier._record(parcel, heard)


HANDS_OVER = Act("a courier hands over", _hands_over)
RECORDS = Act("that courier records", _records, ("a courier hands over",))


def _to_cleo(stage: Stage) -> Taken:
    return next(one for one in stage.journal if one.to == CLEO and "OVERDUE" in one.body)


DELIVERED = Act("delivered", lambda stage, _: stage.receipt(_to_cleo(stage), ReceiptState.DELIVERED))
FAILED = Act("failed", lambda stage, _: stage.receipt(_to_cleo(stage), ReceiptState.FAILED, blame=Blame.NUMBER))


def _found_late(stage: Stage, _: Held) -> None:
    """A finish of four minutes ago is found in a gateway's list."""
    at = stage.clock.at - timedelta(minutes=4)
    text = InboundText("first", "found-late", ANNA, OURS, "OUT 2", {}, at)
    inbound_id = receive_text(stage.service, text, authentic=True, way=Way.LISTED)
    assert inbound_id is not None
    answer_text(stage.service, inbound_id)


FOUND_LATE = Act("a late finish is found", _found_late)


def _raised_by_page(stage: Stage, _: Held) -> None:
    by = Actor(Role.CONTACT, "Dov Lind", Via.PAGE, "contact-1", DOV, "raise the alarm")
    act(stage.service, the_dive(stage).id, RaiseNow(by))


RAISED = Act("a contact raises it", _raised_by_page)
START, CALL_OFF = texts(ANNA, "IN {start}"), texts(BRAM, "NOGO")
SOS, SAFE, OK, STOP = texts(BRAM, "SOS"), texts(DOV, "SAFE 2 {ref}"), texts(CLEO, "OK {ref}"), texts(CLEO, "STOP")


# Moments


def in_water(stage: Stage) -> None:
    """It went in at the beginning; both calls to the party have been made."""
    stage.dive_in()
    stage.wait(minutes=60)


def swept(stage: Stage) -> None:
    """Its alert waits to be carried."""
    in_water(stage)
    stage.clock.at = BEGIN_AT + minutes(65)
    sweep(stage.service)


def alarmed(stage: Stage) -> None:
    """Its first contact has the alert, by a gateway that sends receipts."""
    in_water(stage)
    stage.first.sends_receipts = stage.second.sends_receipts = True
    stage.clock.at = BEGIN_AT + minutes(65)
    stage.turn()


def planned(stage: Stage) -> None:
    """It was to go in at the beginning, and nobody has said that it did."""
    stage.file(plan(time_in_at=BEGIN_AT))
    stage.wait(minutes=15)


def ended(stage: Stage) -> None:
    """Its alarm was ended a moment ago, and the stand-downs wait to be carried."""
    alarmed(stage)
    stage.clock.at = BEGIN_AT + minutes(66)
    stage.receive_and_answer(ANNA, "OUT 2")


def minutes(count: float, seconds: float = 0) -> timedelta:
    """So long after the beginning."""
    return timedelta(minutes=count, seconds=seconds)


def by_the_last_word(*ending: str) -> Callable[[tuple[str, ...]], Phase | None]:
    """Closed, unless somebody called for help after the last word that ends it."""

    def ends(order: tuple[str, ...]) -> Phase | None:
        last = max((place for place, name in enumerate(order) if name in ending), default=-1)
        help_at = max((place for place, name in enumerate(order) if name in (SOS.name, RAISED.name)), default=-1)
        return Phase.CLOSED if last > help_at else None

    return ends


def by_a_word_that_is_not_of_before(order: tuple[str, ...]) -> Phase | None:
    """A finish of before a call for help that has come by then does not end the alarm."""
    closed = helped = False
    for name in order:
        helped |= name in (SOS.name, RAISED.name)
        closed = name == SAFE.name or (name == FOUND_LATE.name and (closed or not helped))
    return Phase.CLOSED if closed else None


def called_off_before_the_start(order: tuple[str, ...]) -> Phase | None:
    """Once the lead has said that they go in, nobody calls it off, whether the clock had assumed a start or not."""
    return Phase.CLOSED if order.index(CALL_OFF.name) < order.index(START.name) else None


def not_closed(_: tuple[str, ...]) -> Phase | None:
    """No word of these ends it."""
    return None


MOMENTS = (
    Moment(
        "a finish and the alert",
        in_water,
        (minutes(64, 59), minutes(65), minutes(65), minutes(65, 1), minutes(65, 2)),
        (sweeps(), STORED, ANSWERED, HANDS_OVER, RECORDS),
        by_the_last_word(ANSWERED.name),
    ),
    Moment(
        "a lease that runs out",
        swept,
        (minutes(65), minutes(65, 1), minutes(65, 32), minutes(65, 33), minutes(65, 34)),
        (HANDS_OVER, RECORDS, carries(), texts(ANNA, "OUT 2")),
        by_the_last_word("OUT 2"),
    ),
    Moment(
        "receipts and an answer",
        alarmed,
        (minutes(65, 30), minutes(66, 59), minutes(67), minutes(67, 1)),
        (DELIVERED, FAILED, OK, sweeps()),
        not_closed,
    ),
    Moment(
        "a contact who opts out",
        alarmed,
        (minutes(65, 30), minutes(66), minutes(67, 1), minutes(67, 2)),
        (FAILED, STOP, texts(DOV, "OK {ref}"), texts(ANNA, "OUT 2")),
        by_the_last_word("OUT 2"),
    ),
    Moment(
        "an extension at the last minute",
        in_water,
        (minutes(64, 58), minutes(64, 59), minutes(65), minutes(65, 1)),
        (texts(ANNA, "LATE 20"), carries(), sweeps(), texts(BRAM, "OUT 1")),
        not_closed,
    ),
    Moment(
        "help, and a finish of before it",
        alarmed,
        (minutes(66), minutes(66, 10), minutes(66, 20), minutes(66, 30)),
        (SOS, FOUND_LATE, SAFE, RAISED),
        by_a_word_that_is_not_of_before,
    ),
    Moment(
        "a start that is assumed",
        planned,
        (minutes(19, 59), minutes(20), minutes(20, 1), minutes(20, 2)),
        (START, CALL_OFF, sweeps(), carries()),
        called_off_before_the_start,
    ),
    Moment(
        "an end, and help again",
        ended,
        (minutes(66), minutes(66, 1), minutes(66, 2), minutes(66, 3)),
        (HANDS_OVER, RECORDS, SOS, texts(ANNA, "OUT 2")),
        by_the_last_word("OUT 2"),
    ),
)
