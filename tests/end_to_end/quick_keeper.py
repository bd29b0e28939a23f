"""A keeper as `linetender keeper` starts it, whose seconds go by faster: so two minutes of an outage are soon over."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from types import FrameType

from service.app import open_service, ready_spool
from service.gateways.channels import channels_of
from service.gateways.own_numbers import own_numbers_of
from service.gateways.settings import open_gateways, read_gateways
from service.logs import set_up_logging
from service.operations import standby
from service.operations.carrying import Courier
from service.settings import read_settings
from workers.keeper import Keeper
from workers.watchdog import Watchdog


def main(faster: float) -> None:
    """Run until a signal comes."""
    standby.STOOD_STILL_S *= faster  # its looks are as far apart as ever
    settings = read_settings(os.environ)
    set_up_logging(settings.log_format)
    configs = read_gateways(settings.gateways, public_url=settings.public_url)
    gateways = open_gateways(configs, public_url=settings.public_url)
    service = open_service(settings, "keeper", channels=channels_of(configs), own_numbers=own_numbers_of(configs))
    stopping = threading.Event()

    def stop(_number: int, _frame: FrameType | None) -> None:
        stopping.set()

    def seconds() -> float:
        return time.monotonic() * faster

    signal.signal(signal.SIGTERM, stop)
    courier, spool, watchdog = Courier(service, gateways), ready_spool(settings), Watchdog(os.environ)
    Keeper(service, courier, seconds, gateways=gateways, spool=spool, completed=watchdog.completed).run(stopping)


if __name__ == "__main__":
    main(float(sys.argv[1]))
