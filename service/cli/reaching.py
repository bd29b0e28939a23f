"""Whether addresses in the settings lead where they should: what `linetender doctor` asks of the network."""

from __future__ import annotations

import http.client
import socket
import ssl
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Final
from urllib.parse import urlsplit

from service.gateways.connections import is_this_machine
from service.gateways.form_post import FormPostConfig
from service.gateways.json_post import JsonPostConfig
from service.gateways.settings import GatewayConfig
from service.settings import PREFIX

REACH_WITHIN_S: Final = 3.0
CERTIFICATE_LEFT: Final = timedelta(days=14)
HTTPS_PORT: Final = 443
SIGN_OF_LIFE: Final = ("/healthz", b"up")
"""Where every web process of ours says that it is up, and how."""


class CheckFailedError(Exception):
    """What is not as it must be, in words for whoever keeps the installation."""


def reach(url: str) -> str:
    """Connect, and over https look at the certificate; nothing is asked. Raises CheckFailedError or OSError."""
    parts = urlsplit(url)
    if parts.scheme == "https":
        return f"reached, {_certificate(parts.hostname or '', parts.port or HTTPS_PORT)}"
    with socket.create_connection((parts.hostname or "", parts.port or 80), timeout=REACH_WITHIN_S):
        return "reached, in clear text"


def public_address(url: str, gateways: Iterable[GatewayConfig]) -> str:
    """Whether people and these gateways find our pages there. Raises CheckFailedError or OSError."""
    parts = urlsplit(url)
    host, port = parts.hostname or "", parts.port or HTTPS_PORT
    if parts.scheme == "https":
        good = _certificate(host, port)
        _find_ourselves(host, port, parts.path)
        return f"{url}, {good}, and our pages are there"
    elsewhere = [one.name for one in gateways if _is_elsewhere(one)]
    if elsewhere:
        raise CheckFailedError(
            f"{url} is this machine alone: no phone opens its links, and {', '.join(elsewhere)} can post nothing to it:"
            f" set {PREFIX}PUBLIC_URL to the address that people use"
        )
    return f"{url}, in clear text: for this machine only"


def _is_elsewhere(config: GatewayConfig) -> bool:
    """Whether a gateway that posts to us runs on another machine."""
    if not isinstance(config, FormPostConfig | JsonPostConfig):
        return False
    return not is_this_machine(urlsplit(config.base_url).hostname or "")


def _find_ourselves(host: str, port: int, path: str) -> None:
    where, up = SIGN_OF_LIFE
    line = http.client.HTTPSConnection(host, port, timeout=REACH_WITHIN_S, context=ssl.create_default_context())
    try:
        line.request("GET", f"{path}{where}")
        answer = line.getresponse()
        said = answer.read(100).strip()
    except http.client.HTTPException as fault:
        raise CheckFailedError(f"what answers there speaks no HTTP: {type(fault).__name__}") from None
    finally:
        line.close()
    if (answer.status, said) != (200, up):
        raise CheckFailedError(
            f"what answers there is not our web (HTTP {answer.status} at {path}{where}), so no link in a text opens and"
            " no text comes in: does the web run, and does its proxy lead to it?"
        )


def _certificate(host: str, port: int) -> str:
    context = ssl.create_default_context()
    with (
        socket.create_connection((host, port), timeout=REACH_WITHIN_S) as plain,
        context.wrap_socket(plain, server_hostname=host) as secure,
    ):
        ends = str((secure.getpeercert() or {}).get("notAfter", ""))
    left = datetime.fromtimestamp(ssl.cert_time_to_seconds(ends), UTC) - datetime.now(UTC)
    if left < CERTIFICATE_LEFT:
        raise CheckFailedError(f"its certificate ends in {left.days} days")
    return f"its certificate is good for {left.days} days"
