"""An HTTP server for fakes that can be stopped at once, whatever its connections are waiting for."""

from __future__ import annotations

import socket
import sys
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class StoppableServer(ThreadingHTTPServer):
    """A server that can be stopped at once, whatever its connections are waiting for."""

    daemon_threads = False
    request_queue_size = 128

    def __init__(self, address: tuple[str, int], handler: type[BaseHTTPRequestHandler]) -> None:
        self._open: set[socket.socket] = set()
        super().__init__(address, handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        """Remember the connection."""
        self._open.add(request)
        super().process_request(request, client_address)

    def shutdown_request(self, request: Any) -> None:
        """Forget it."""
        self._open.discard(request)
        super().shutdown_request(request)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing of callers who hung up; they do so on purpose here."""
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)

    def stop(self) -> None:
        """Cut every connection and take no more."""
        self.shutdown()
        for connection in tuple(self._open):
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        self.server_close()
