"""The doctor finds out whether people and gateways come to our pages by the public address."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
import trustme

from service.cli.reaching import CheckFailedError, public_address
from service.gateways.settings import read_gateways
from tests.cli.conftest import GATEWAY, Run


@contextmanager
def served(directory: Path, status: int, body: bytes, days: float = 90) -> Iterator[tuple[str, str, list[str]]]:
    """A web server by TLS: its address, the file with its authority, and the paths that it was asked for."""
    asked: list[str] = []

    class Pages(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(status)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    authority, tls = trustme.CA(), ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    until = datetime.now(UTC) + timedelta(days=days)
    authority.issue_cert("localhost", not_after=until).configure_cert(tls)
    authority.cert_pem.write_to_path(str(directory / "authority.pem"))
    server = ThreadingHTTPServer(("127.0.0.1", 0), Pages)
    server.socket = tls.wrap_socket(server.socket, server_side=True)
    serving = threading.Thread(target=server.serve_forever)
    serving.start()
    try:
        yield f"https://localhost:{server.server_port}", str(directory / "authority.pem"), asked
    finally:
        server.shutdown()
        serving.join()
        server.server_close()


def line(output: str) -> str:
    """The one about the public address."""
    [found] = [one for one in output.splitlines() if "public address" in one]
    return found


def test_our_own_pages_are_found(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Below the path of the address, over its certificate."""
    with served(tmp_path, 200, b"up\n") as (address, authority, asked):
        monkeypatch.setenv("SSL_CERT_FILE", authority)
        said = line(run("doctor", PUBLIC_URL=f"{address}/dives").output)

    assert said.startswith(f"ok   public address: {address}/dives, its certificate is good for 89 days")
    assert asked == ["/dives/healthz"]


@pytest.mark.parametrize(("status", "body"), [(200, b"<html>Welcome</html>"), (404, b"up"), (502, b"Bad Gateway")])
def test_what_is_not_ours_is_a_finding(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, status: int, body: bytes
) -> None:
    """Another site of the club, or a proxy with nobody behind it: no link opens, and no text comes in."""
    with served(tmp_path, status, body) as (address, authority, _):
        monkeypatch.setenv("SSL_CERT_FILE", authority)
        said = line(run("doctor", PUBLIC_URL=address).output)

    assert said.startswith(f"FAIL public address: what answers there is not our web (HTTP {status} at /healthz)")


def test_a_certificate_that_ends_soon_is_a_finding(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After that no link opens and gateways post nothing."""
    with served(tmp_path, 200, b"up", days=13) as (address, authority, _):
        monkeypatch.setenv("SSL_CERT_FILE", authority)
        said = line(run("doctor", PUBLIC_URL=address).output)

    assert said == "FAIL public address: its certificate ends in 12 days"


def test_an_address_that_cannot_be_reached_is_a_finding(run: Run) -> None:
    """A certificate is asked for, and nobody answers."""
    assert line(run("doctor", PUBLIC_URL="https://127.0.0.1:1").output).startswith("FAIL")


def test_this_machine_is_the_address_of_a_trial_alone(run: Run) -> None:
    """Left as it was tried at home, its links open on no phone, and a gateway elsewhere posts to itself."""
    home = "http://127.0.0.1:8000"
    elsewhere = (GATEWAY % 1).replace("http://127.0.0.1:1", "https://messages.example.net")
    configs = read_gateways(elsewhere, public_url=home)

    assert line(run("doctor").output).startswith("ok")
    with pytest.raises(CheckFailedError, match="is this machine alone: no phone opens its links, and one can post"):
        public_address(home, configs)
