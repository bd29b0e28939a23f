"""Faults of the world around: gateways, clocks, and strangers at the door."""

from __future__ import annotations

import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import ClassVar

import httpx

from tests.fakes.behaviour import Behaviour, accept_then_cut, broken, drip, html, huge, refuse, stall, throttle
from tests.faults.fault import WORST_S, Fault
from tests.faults.rig import Rig


class _Behaves(Fault):
    """The gateway that is asked first behaves like this."""

    behaviours: ClassVar[tuple[Behaviour, ...]]

    def inject(self, rig: Rig) -> None:
        rig.gateways[0].behave(self.chance.choice(self.behaviours))

    def heal(self, rig: Rig) -> None:
        rig.gateways[0].behave(None)


class GatewayStalls(_Behaves):
    """No answer within the time that there is, whether or not the text was taken."""

    behaviours = (stall(20), stall(20, takes=True))


class GatewayDrips(_Behaves):
    """An answer that comes byte by byte."""

    behaviours = (drip(0.5),)


class GatewayCutsAfterTaking(_Behaves):
    """It takes the text and cuts the line."""

    behaviours = (accept_then_cut(),)


class GatewayBreaks(_Behaves):
    """A server error, whether or not the text was taken."""

    behaviours = (broken(500), broken(503, takes=True), broken(502))


class GatewayIsAPortal(_Behaves):
    """200, and a page for people."""

    behaviours = (html(),)


class GatewayIsHuge(_Behaves):
    """Ten megabytes of answer."""

    behaviours = (huge(),)


class GatewayThrottles(_Behaves):
    """429, with whatever after Retry-After."""

    behaviours = tuple(map(throttle, ("1", "3600", "Thu, 26 Nov 2037 08:00:00 GMT", "soon", "-5")))


class GatewayRefusesOurKey(_Behaves):
    """401."""

    behaviours = (refuse(401, 20003),)


class GatewayAway(Fault):
    """Connections are refused."""

    def inject(self, rig: Rig) -> None:
        rig.gateways[0].end()

    def heal(self, rig: Rig) -> None:
        if rig.gateways[0].process is None:
            rig.gateways[0].start()


class GatewayDeliversNothing(Fault):
    """It takes all, and no receipt ever comes."""

    def inject(self, rig: Rig) -> None:
        self._start(rig, receipts=False)

    def heal(self, rig: Rig) -> None:
        self._start(rig, receipts=True)

    @staticmethod
    def _start(rig: Rig, *, receipts: bool) -> None:
        gateway = rig.gateways[0]
        gateway.end()
        gateway.receipts = receipts
        gateway.start()


class BothGatewaysAway(Fault):
    """Nobody can be told anything."""

    within_s = WORST_S
    lasts_s = (20.0, 60.0)

    def inject(self, rig: Rig) -> None:
        for gateway in rig.gateways:
            gateway.end()

    def heal(self, rig: Rig) -> None:
        for gateway in rig.gateways:
            if gateway.process is None:
                gateway.start()


class ClockSetBack(Fault):
    """The machine's clock is an hour behind all of a sudden, and right again later."""

    def inject(self, rig: Rig) -> None:
        rig.clock.set(off_s=-3600)

    def heal(self, rig: Rig) -> None:
        rig.clock.set(off_s=0)


class ClockLost(Fault):
    """The machine starts again with a clock that is an hour behind: nobody is left who saw it go back."""

    def inject(self, rig: Rig) -> None:
        self.lost = [role for role, processes in rig.processes.items() for _ in processes]
        rig.kill(*list(rig.processes))
        rig.clock.set(off_s=-3600)
        rig.start(*self.lost)

    def heal(self, rig: Rig) -> None:
        rig.clock.set(off_s=0)


class ClockStopped(Fault):
    """The machine's clock stands still, and then is right again."""

    def inject(self, rig: Rig) -> None:
        rig.clock.set(stopped=True)

    def heal(self, rig: Rig) -> None:
        rig.clock.set(off_s=0)


class JunkAtTheDoor(Fault):
    """Strangers post unsigned texts as fast as they can, and hold lines open without saying anything."""

    def inject(self, rig: Rig) -> None:
        self._over = threading.Event()
        self._pool = ThreadPoolExecutor(max_workers=6)
        self._slow: list[socket.socket] = []
        for _ in range(4):
            self._pool.submit(self._post, rig)
        self.go_on(rig)

    def _post(self, rig: Rig) -> None:
        url = f"{rig.url}/inbound/shore/text"
        with httpx.Client(trust_env=False, timeout=10) as client:
            while not self._over.is_set():
                with suppress(httpx.HTTPError):
                    answer = client.post(url, data={"From": "+447700900099", "Body": "OUT", "MessageSid": "SMjunk"})
                    assert answer.status_code == 403, answer.status_code
                time.sleep(0.02)

    def go_on(self, rig: Rig) -> None:
        """A few more lines that say half a request."""
        for _ in range(5):
            with suppress(OSError):
                line = socket.create_connection(("127.0.0.1", rig.port), timeout=2)
                line.sendall(b"POST /inbound/shore/text HTTP/1.1\r\nHost: x\r\nContent-Length: 50000\r\n\r\nFrom=")
                self._slow.append(line)

    def heal(self, rig: Rig) -> None:
        self._over.set()
        self._pool.shutdown()
        for line in self._slow:
            line.close()


ALL: tuple[type[Fault], ...] = (
    GatewayStalls,
    GatewayDrips,
    GatewayCutsAfterTaking,
    GatewayBreaks,
    GatewayIsAPortal,
    GatewayIsHuge,
    GatewayThrottles,
    GatewayRefusesOurKey,
    GatewayAway,
    GatewayDeliversNothing,
    BothGatewaysAway,
    ClockSetBack,
    ClockLost,
    ClockStopped,
    JunkAtTheDoor,
)
