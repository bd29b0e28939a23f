"""Faults of the broker and of the way to it. It may vanish at any moment and lose anything."""

from __future__ import annotations

import signal
from typing import ClassVar

import redis
from celery import Celery

from tests.faults.fault import Fault
from tests.faults.proxy import Mode
from tests.faults.rig import Rig
from workers import queues


class BrokerKilled(Fault):
    """It is gone with all that it held, and comes back empty."""

    def inject(self, rig: Rig) -> None:
        rig.broker.kill()

    def heal(self, rig: Rig) -> None:
        if rig.broker.process is None:
            rig.broker.start()


class BrokerFrozen(Fault):
    """It accepts, and answers nothing."""

    def inject(self, rig: Rig) -> None:
        rig.send(signal.SIGSTOP, rig.broker.pid)

    def heal(self, rig: Rig) -> None:
        rig.send(signal.SIGCONT, rig.broker.pid)


class _BrokerLine(Fault):
    mode: ClassVar[Mode]

    def inject(self, rig: Rig) -> None:
        rig.broker_proxy.become(self.mode)

    def heal(self, rig: Rig) -> None:
        rig.broker_proxy.become(Mode.PASS)


class BrokerRefuses(_BrokerLine):
    """Every connection to it is cut at once."""

    mode = Mode.REFUSE


class BrokerSwallows(_BrokerLine):
    """Connections stand, new ones too, and nothing comes of what is sent."""

    mode = Mode.SWALLOW


class BrokerHalfOpen(_BrokerLine):
    """The lines there are go silent for good, while new ones would work."""

    mode = Mode.HALF_OPEN


class BrokerResets(Fault):
    """Lines to it are reset every second."""

    def inject(self, rig: Rig) -> None:
        self.go_on(rig)

    def go_on(self, rig: Rig) -> None:
        rig.broker_proxy.become(Mode.RESET)

    def heal(self, rig: Rig) -> None:
        rig.broker_proxy.become(Mode.PASS)


class BrokerFlaps(Fault):
    """It is there one second and gone the next."""

    def inject(self, rig: Rig) -> None:
        self.there = True
        self.go_on(rig)

    def go_on(self, rig: Rig) -> None:
        self.there = not self.there
        rig.broker_proxy.become(Mode.PASS if self.there else Mode.REFUSE)

    def heal(self, rig: Rig) -> None:
        rig.broker_proxy.become(Mode.PASS)


class BrokerFlushed(Fault):
    """FLUSHALL, at random instants."""

    def inject(self, rig: Rig) -> None:
        self.go_on(rig)

    def go_on(self, rig: Rig) -> None:
        if self.chance.random() < 0.6:
            with _client(rig) as client:
                client.flushall()

    def heal(self, rig: Rig) -> None:
        """What was lost is not brought back."""


class BrokerRestoredFromAnOldDump(Fault):
    """It is killed, and comes back with what it held some time before."""

    def inject(self, rig: Rig) -> None:
        with _client(rig) as client:
            for queue in queues.AT_ONCE:
                publish(rig, queues.SWEEP, queue=queue)
            client.save()
        self.seconds = 0

    def go_on(self, rig: Rig) -> None:
        self.seconds += 1
        if self.seconds % 6 == 0:
            rig.broker.kill()
            rig.broker.start()

    def heal(self, rig: Rig) -> None:
        (rig.directory / "dump.rdb").unlink(missing_ok=True)


class TasksAreOdd(Fault):
    """Tasks come many times, with unknown ids and names, with wrong arguments, and as no tasks at all."""

    def inject(self, rig: Rig) -> None:
        self.go_on(rig)

    def go_on(self, rig: Rig) -> None:
        for queue in queues.AT_ONCE:
            for _ in range(5):
                publish(rig, queues.SWEEP, queue=queue)
                publish(rig, queues.CARRY_ALL, queue=queue)
            publish(rig, queues.CANARY_HOME, 10**9, queue=queue)
            publish(rig, queues.CANARY_ON, "not", "wanted", queue=queue)
            publish(rig, "no.such.task", queue=queue)
        with _client(rig) as client:
            client.lpush(self.chance.choice(list(queues.AT_ONCE)), self.chance.choice(NO_TASKS))

    def heal(self, rig: Rig) -> None:
        """They are worked off."""


PATIENCE_S = 3.0  # with a broker that another fault has frozen
NO_TASKS = (b"not json", b"{}", b"[]", b'{"body": "e30=", "headers": {}, "properties": {}}', b"\x80\x04pickle")


def publish(rig: Rig, task: str, *arguments: object, queue: str) -> None:
    """Put a task into a queue, past the proxy."""
    with Celery(broker=f"redis://127.0.0.1:{rig.broker.port}/0", set_as_current=False) as celery:
        celery.conf.broker_transport_options = {"socket_timeout": PATIENCE_S, "socket_connect_timeout": PATIENCE_S}
        celery.send_task(task, args=arguments, queue=queue, ignore_result=True, retry=False)


def _client(rig: Rig) -> redis.Redis:
    return redis.Redis(port=rig.broker.port, socket_timeout=PATIENCE_S, socket_connect_timeout=PATIENCE_S)


ALL: tuple[type[Fault], ...] = (
    BrokerKilled,
    BrokerFrozen,
    BrokerRefuses,
    BrokerSwallows,
    BrokerHalfOpen,
    BrokerResets,
    BrokerFlaps,
    BrokerFlushed,
    BrokerRestoredFromAnOldDump,
    TasksAreOdd,
)
