"""What every view works with: the service, the settings and the gateways, put together once per process."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import cast

from flask import current_app

from service.clock import Clock, WallClock
from service.gateways.settings import GatewayConfig
from service.operations.intake import Intake
from service.operations.service import Service
from service.settings import Settings
from service.web.bounds import Bounds
from service.web.desk.board_streams import Looks, Streams
from service.web.practice_calls import PracticeCalls
from service.web.practice_line import PracticeLine

EXTENSION = "linetender"


@dataclass(frozen=True, slots=True)
class Web:
    """The parts of one web process."""

    service: Service
    settings: Settings
    gateways: tuple[GatewayConfig, ...]
    intake: Intake
    answer: Callable[[int], None]  # has a text answered that is stored
    practice: PracticeLine | None = None  # in a demo with a gateway named practice
    practice_calls: PracticeCalls | None = None
    bounds: Bounds = field(default_factory=Bounds)
    streams: Streams = field(default_factory=Streams)
    looks: Looks = field(default_factory=Looks)
    wall: Clock = field(default_factory=WallClock)  # real time, whatever the pace: a signature has no other

    def gateway(self, name: str) -> GatewayConfig | None:
        """The gateway of that name."""
        return next((gateway for gateway in self.gateways if gateway.name == name), None)


def web() -> Web:
    """The parts of the process that serves this request."""
    return cast("Web", current_app.extensions[EXTENSION])
