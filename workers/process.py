"""What one worker process works with: opened in it, at its first task, and never shared with its parent."""

from __future__ import annotations

import os

from celery import Celery
from celery.exceptions import SoftTimeLimitExceeded

from service.app import open_service, open_spool
from service.gateways.channels import channels_of
from service.gateways.own_numbers import own_numbers_of
from service.gateways.settings import GatewayConfig, open_gateways, read_gateways
from service.operations.carrying import Courier
from service.operations.clock_mark import MarkFollower
from service.operations.gateway import Gateway
from service.operations.service import Service
from service.operations.spooling import Spool
from service.settings import Settings
from workers.nudge import broker_nudge

OutOfTime = SoftTimeLimitExceeded


class Process:
    """The service and the courier of this process. After a fork the child opens its own."""

    def __init__(self, settings: Settings, celery: Celery) -> None:
        self._settings = settings
        self._celery = celery
        self._spool = open_spool(settings)
        self._pid = 0
        self._service: Service | None = None
        self._follow_mark: MarkFollower | None = None
        self._courier: Courier | None = None
        self._gateways: tuple[Gateway, ...] | None = None

    def service(self) -> Service:
        """The service of this process, whose clock is not behind those of the others."""
        self._forget_parent()
        if self._service is None or self._follow_mark is None:
            configs = self._configs()
            self._service = open_service(
                self._settings,
                "worker",
                broker_nudge(self._celery),
                channels=channels_of(configs),
                own_numbers=own_numbers_of(configs),
            )
            self._follow_mark = MarkFollower(self._service, raised=OutOfTime)
        self._follow_mark()
        return self._service

    def courier(self) -> Courier:
        """The courier of this process."""
        service, gateways = self.service(), self.gateways()
        if self._courier is None:
            self._courier = Courier(service, gateways)
        return self._courier

    def gateways(self) -> tuple[Gateway, ...]:
        """The gateways of this process, in order of preference."""
        self._forget_parent()
        if self._gateways is None:
            self._gateways = open_gateways(self._configs(), public_url=self._settings.public_url)
        return self._gateways

    def spool(self) -> Spool | None:
        """Where what gateways bring lies while the database is away, on this machine."""
        return self._spool

    def _configs(self) -> tuple[GatewayConfig, ...]:
        return read_gateways(self._settings.gateways, public_url=self._settings.public_url)

    def _forget_parent(self) -> None:
        """Connections of the parent stay open there and are not ours to use or to close."""
        if self._pid == os.getpid():
            return
        if self._service is not None:
            self._service.engine.dispose(close=False)
        self._pid, self._service, self._follow_mark = os.getpid(), None, None
        self._courier, self._gateways = None, None
