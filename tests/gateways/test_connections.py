"""Where a gateway may be connected to, and that trying ends in time."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import threading
import time
from collections.abc import Iterator

import httpcore
import pytest

from service.gateways.connections import (
    MAX_LOOKUPS,
    AddressRule,
    BoundedBackend,
    Deadline,
    is_this_machine,
    tls_context,
)

PUBLIC = AddressRule(clear_text=False, loopback=False, allow_private=False)
LOOPBACK = AddressRule(clear_text=True, loopback=True, allow_private=False)
PRIVATE = AddressRule(clear_text=True, loopback=False, allow_private=True)


@pytest.mark.parametrize(
    ("address", "public", "loopback", "private"),
    [
        pytest.param("8.8.8.8", True, False, False, id="public"),
        pytest.param("2606:4700::1111", True, False, False, id="public-6"),
        pytest.param("127.0.0.1", False, True, True, id="loopback"),
        pytest.param("127.9.9.9", False, True, True, id="loopback-range"),
        pytest.param("::1", False, True, True, id="loopback-6"),
        pytest.param("::ffff:127.0.0.1", False, True, True, id="loopback-mapped"),
        pytest.param("10.1.2.3", False, False, True, id="private"),
        pytest.param("192.168.0.10", False, False, True, id="private-home"),
        pytest.param("fd00::1", False, False, True, id="private-6"),
        pytest.param("::ffff:10.1.2.3", False, False, True, id="private-mapped"),
        pytest.param("100.64.0.1", False, False, True, id="carrier"),
        pytest.param("169.254.169.254", False, False, True, id="link-local"),
        pytest.param("fe80::1", False, False, True, id="link-local-6"),
        pytest.param("0.0.0.0", False, False, False, id="unspecified"),  # noqa: S104 - nothing binds to it
        pytest.param("::", False, False, False, id="unspecified-6"),
        pytest.param("224.0.0.1", False, False, False, id="multicast"),
    ],
)
def test_an_address_is_permitted_only_where_the_settings_allow(
    address: str, *, public: bool, loopback: bool, private: bool
) -> None:
    """A public gateway is never inside, and clear text is never outside."""
    parsed = ipaddress.ip_address(address)

    assert PUBLIC.permits(parsed) is public
    assert LOOPBACK.permits(parsed) is loopback
    assert PRIVATE.permits(parsed) is private


@pytest.mark.parametrize(
    ("host", "expected"),
    [
        ("localhost", True),
        ("LOCALHOST", True),
        ("127.0.0.1", True),
        ("127.1.2.3", True),
        ("::1", True),
        ("localhost.example.org", False),
        ("127.0.0.1.example.org", False),
        ("10.0.0.1", False),
        ("0.0.0.0", False),  # noqa: S104 - nothing binds to it
        ("", False),
    ],
)
def test_only_plain_names_of_this_machine_count_as_such(host: str, *, expected: bool) -> None:
    """A name that merely looks like this machine may be anybody's."""
    assert is_this_machine(host) is expected


def test_certificates_and_host_names_are_always_checked(monkeypatch: pytest.MonkeyPatch) -> None:
    """No environment variable can weaken TLS towards a gateway."""
    monkeypatch.setenv("SSL_CERT_FILE", "/nowhere.pem")

    context = tls_context()

    assert context.verify_mode is ssl.CERT_REQUIRED
    assert context.check_hostname
    assert context.cert_store_stats()["x509_ca"] > 0


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    """Something that listens and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield listening


def _port(listening: socket.socket) -> int:
    return int(listening.getsockname()[1])


def test_the_next_address_of_a_name_is_tried_when_one_does_not_answer(listener: socket.socket) -> None:
    """A gateway with one dead address of two is still reached."""
    backend = BoundedBackend(LOOPBACK, Deadline(), resolve=lambda _h, _p: ["127.0.0.77", "127.0.0.1"])

    stream = backend.connect_tcp("localhost", _port(listener), timeout=2.0)

    assert stream.get_extra_info("server_addr")[0] == "127.0.0.1"
    stream.close()


def test_addresses_that_are_not_allowed_are_passed_over(listener: socket.socket) -> None:
    """A mixed answer of the name server is used as far as it is allowed."""
    backend = BoundedBackend(LOOPBACK, Deadline(), resolve=lambda _h, _p: ["10.0.0.1", "127.0.0.1"])

    stream = backend.connect_tcp("localhost", _port(listener), timeout=2.0)

    assert stream.get_extra_info("server_addr")[0] == "127.0.0.1"
    stream.close()


def _no_such_name(host: str, port: int) -> list[str]:
    raise socket.gaierror(socket.EAI_NONAME, f"{host}:{port} unknown")


def _not_a_name(host: str, port: int) -> list[str]:
    raise UnicodeError(f"{host}:{port} is no name")


@pytest.mark.parametrize("resolve", [_no_such_name, _not_a_name, lambda _h, _p: []])
def test_a_name_without_an_address_is_a_failed_connection(resolve: object) -> None:
    """Whatever the resolver raises arrives as one kind of fault."""
    backend = BoundedBackend(PUBLIC, Deadline(), resolve=resolve)

    with pytest.raises(httpcore.ConnectError):
        backend.connect_tcp("texts.example.org", 443, timeout=1.0)


def test_hanging_look_ups_are_limited_in_number() -> None:
    """With the name server dead for long, threads do not pile up; and they are free again afterwards."""
    release = threading.Event()
    asked: list[str] = []

    def hang(host: str, _port: int) -> list[str]:
        asked.append(host)
        release.wait(10)
        return []

    backend = BoundedBackend(PUBLIC, Deadline(), resolve=hang)
    for _ in range(MAX_LOOKUPS + 3):
        with pytest.raises(httpcore.ConnectTimeout):
            backend.connect_tcp("texts.example.org", 443, timeout=0.02)
    assert len(asked) == MAX_LOOKUPS

    release.set()
    with pytest.raises(httpcore.ConnectError):
        backend.connect_tcp("texts.example.org", 443, timeout=5.0)


def test_reading_ends_with_the_deadline_of_the_whole(listener: socket.socket) -> None:
    """A step may ask for more time than is left of the whole, and does not get it."""
    deadline = Deadline()
    backend = BoundedBackend(LOOPBACK, deadline)
    started = time.monotonic()

    with deadline.within(0.2):
        stream = backend.connect_tcp("127.0.0.1", _port(listener), timeout=5.0)
        with pytest.raises(httpcore.ReadTimeout):
            stream.read(1, timeout=5.0)
        for step, fault in (
            (lambda: stream.read(1, timeout=5.0), httpcore.ReadTimeout),
            (lambda: stream.write(b"x", timeout=5.0), httpcore.WriteTimeout),
            (lambda: stream.start_tls(tls_context(), "localhost", timeout=5.0), httpcore.ConnectTimeout),
        ):
            with pytest.raises(fault):
                step()
    stream.close()

    assert time.monotonic() - started < 2.0


def test_after_an_exchange_its_deadline_is_gone(listener: socket.socket) -> None:
    """A thread that sent a text long ago starts the next one with all its time."""
    deadline = Deadline()
    with deadline.within(0.0):
        pass

    stream = BoundedBackend(LOOPBACK, deadline).connect_tcp("127.0.0.1", _port(listener), timeout=2.0)

    stream.close()
