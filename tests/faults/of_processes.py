"""Faults of our own processes: killed, frozen, deaf, doubled, started anew."""

from __future__ import annotations

import signal
from contextlib import suppress
from typing import ClassVar

from service.demo.children import with_children
from tests.faults.fault import Fault
from tests.faults.rig import ROLES, Rig


class _Killed(Fault):
    """All processes of a role are killed, and nobody starts them again until it is over."""

    roles: ClassVar[tuple[str, ...]]

    def inject(self, rig: Rig) -> None:
        self.lost = [role for role in self.roles for _ in rig.processes.get(role, [])]
        rig.kill(*self.roles)

    def heal(self, rig: Rig) -> None:
        rig.start(*self.lost)


class WorkersKilled(_Killed):
    """No sweep and no courier but the keeper's."""

    roles = ("worker",)


class BeatKilled(_Killed):
    """No tick."""

    roles = ("beat",)


class KeepersKilled(_Killed):
    """No standby."""

    roles = ("keeper",)


class WebKilled(_Killed):
    """No page, and no gateway gets through."""

    roles = ("web",)


class WorkersAndBeatKilled(_Killed):
    """Nothing but web and keeper."""

    roles = ("worker", "beat")


class EverythingKilled(_Killed):
    """As in a power cut, but that the disk keeps what was synced."""

    roles = tuple(dict.fromkeys(ROLES))
    lasts_s = (3.0, 12.0)


class _Frozen(Fault):
    """All processes of a role are stopped, as a machine out of memory does, and go on afterwards."""

    roles: ClassVar[tuple[str, ...]]

    def inject(self, rig: Rig) -> None:
        self.frozen = rig.pids(*self.roles)
        rig.send(signal.SIGSTOP, *self.frozen)

    def heal(self, rig: Rig) -> None:
        rig.send(signal.SIGCONT, *reversed(self.frozen))


class WorkersFrozen(_Frozen):
    """Sweeps and sends stop in the middle, and go on with old decisions past their leases."""

    roles = ("worker",)
    lasts_s = (15.0, 40.0)


class BeatSilent(_Frozen):
    """Beat is up and sends nothing."""

    roles = ("beat",)


class KeepersFrozen(_Frozen):
    """The standby is up and looks at nothing."""

    roles = ("keeper",)


class WebFrozen(_Frozen):
    """The web takes connections and answers none."""

    roles = ("web",)


class WorkerChildrenKilled(Fault):
    """Whatever a worker has at hand is cut off by signal 9, again and again."""

    def inject(self, rig: Rig) -> None:
        self.go_on(rig)

    def go_on(self, rig: Rig) -> None:
        children = rig.pids("worker")[1:]
        rig.send(signal.SIGKILL, *self.chance.sample(children, min(2, len(children))))

    def heal(self, rig: Rig) -> None:
        """Celery and the workers' parent start what is missing."""


class WorkerChildrenFrozen(Fault):
    """Some processes of the workers hang, their neighbours do not notice."""

    def inject(self, rig: Rig) -> None:
        children = rig.pids("worker")[1:]
        self.frozen = self.chance.sample(children, len(children) // 2)
        rig.send(signal.SIGSTOP, *self.frozen)

    def heal(self, rig: Rig) -> None:
        rig.send(signal.SIGCONT, *self.frozen)


class WorkersDeaf(Fault):
    """Workers are up and consume nothing: their consumers were cancelled, as by remote control."""

    lasts_s = (15.0, 40.0)

    def inject(self, rig: Rig) -> None:
        rig.deaf_mark.touch()

    def heal(self, rig: Rig) -> None:
        rig.deaf_mark.unlink(missing_ok=True)


class TwoOfEverything(Fault):
    """A second worker, beat and keepers, as when an old installation was not ended."""

    def inject(self, rig: Rig) -> None:
        rig.start("worker", "beat", "keeper")

    def heal(self, rig: Rig) -> None:
        for role in ("worker", "beat", "keeper"):
            process = rig.processes[role].pop()
            rig.send(signal.SIGTERM, process.pid)
            with suppress(Exception):
                process.wait(15)
            rig.send(signal.SIGKILL, *with_children(process.pid))
            process.wait()


class Deployed(Fault):
    """Everything is ended as in a deploy and started again, one role after the other."""

    lasts_s = (1.0, 2.0)

    def inject(self, rig: Rig) -> None:
        for role in dict.fromkeys(ROLES):
            count = len(rig.processes.get(role, []))
            rig.end_politely(role)
            rig.start(*[role] * count)

    def heal(self, rig: Rig) -> None:
        """It is done."""


ALL: tuple[type[Fault], ...] = (
    WorkersKilled,
    BeatKilled,
    KeepersKilled,
    WebKilled,
    WorkersAndBeatKilled,
    EverythingKilled,
    WorkersFrozen,
    BeatSilent,
    KeepersFrozen,
    WebFrozen,
    WorkerChildrenKilled,
    WorkerChildrenFrozen,
    WorkersDeaf,
    TwoOfEverything,
    Deployed,
)
