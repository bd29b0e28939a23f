"""The web process on a port of this machine, for what needs real HTTP."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from sqlalchemy import Engine
from werkzeug.serving import WSGIRequestHandler, make_server

from service.gateways.settings import GatewayConfig
from service.operations.service import Service
from service.web import create_app
from service.web.context import EXTENSION
from tests.web.installation import GATEWAY, PRACTICE, Nudges, Site, StillClock, seed, settings_for


class _Quiet(WSGIRequestHandler):
    """Writes no access log to the terminal: it would hold tokens, and nobody reads it."""

    def log_request(self, code: int | str = "-", size: int | str = "-") -> None:
        """Nothing."""


def _not_yet(_: object, __: object) -> list[bytes]:
    raise AssertionError("asked before the application was there")


@contextmanager
def serving(engine: Engine, clock: StillClock, *more: GatewayConfig) -> Iterator[Site]:
    """A demo installation that listens on a free port of this machine until the end of the block."""
    server = make_server("127.0.0.1", 0, _not_yet, threaded=True, request_handler=_Quiet)  # type: ignore[arg-type]
    url = f"http://127.0.0.1:{server.server_port}"
    nudges = Nudges()
    service = Service(engine, clock, url, "web-test", nudges)
    seed(service, clock.now())
    practice = replace(PRACTICE, base_url=f"{url}/practice/gateway")
    app = create_app(service, settings_for(str(engine.url), public_url=url), (GATEWAY, practice, *more))
    server.app = app
    thread = threading.Thread(target=server.serve_forever, name="web", daemon=True)
    thread.start()
    try:
        yield Site(service, clock, app, nudges=nudges)
    finally:
        parts = app.extensions[EXTENSION]
        parts.practice_calls.close()
        parts.practice.close()
        server.shutdown()
        thread.join()
        server.server_close()
