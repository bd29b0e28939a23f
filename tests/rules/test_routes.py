"""Every address says who may use it."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest
from flask import Flask

from service.operations.service import Service
from service.settings import read_settings
from service.store.engine import open_engine


@pytest.fixture
def app(tmp_path: Path) -> Iterator[Flask]:
    """The web application as a demo's process makes it, which has every route there is."""
    settings = read_settings(
        {
            "LINETENDER_DATABASE_URL": f"sqlite:///{tmp_path / 'routes.db'}",
            "LINETENDER_BROKER_URL": "redis://127.0.0.1:1/0",
            "LINETENDER_SECRET_KEY": "k" * 64,
            "LINETENDER_PUBLIC_URL": "http://127.0.0.1:8000",
            "LINETENDER_GATEWAYS": "[]",
            "LINETENDER_DEMO": "yes",
        }
    )
    engine = open_engine(settings.database_url)
    # Imported here, so that a fault in the web keeps no other rule from being checked.
    create_app = import_module("service.web").create_app
    yield create_app(Service(engine, settings.clock(), settings.public_url, "web-1"), settings, ())
    engine.dispose()


def test_every_route_declares_who_may_use_it(app: Flask) -> None:
    """Each view but the static files bears the mark of `open_to`, so that none is open by oversight."""
    endpoints = {rule.endpoint: rule.rule for rule in app.url_map.iter_rules()}
    undeclared = {
        endpoint: address
        for endpoint, address in endpoints.items()
        if endpoint.rpartition(".")[2] != "static" and not getattr(app.view_functions[endpoint], "open_to", None)
    }

    assert len(endpoints) > 10, "the application has hardly any routes: is it whole?"
    assert undeclared == {}
