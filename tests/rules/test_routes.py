"""Every address says who may use it."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

from flask import Flask

from service.settings import read_settings


def built_app(directory: Path) -> Flask:
    """The web application as a process makes it, on an empty database."""
    settings = read_settings(
        {
            "LINETENDER_DATABASE_URL": f"sqlite:///{directory / 'routes.db'}",
            "LINETENDER_BROKER_URL": "redis://127.0.0.1:1/0",
            "LINETENDER_SECRET_KEY": "k" * 64,
            "LINETENDER_PUBLIC_URL": "http://127.0.0.1:8000",
            "LINETENDER_GATEWAYS": "[]",
            "LINETENDER_DEMO": "yes",
        }
    )
    app = import_module("service.web").create_app(settings)
    assert isinstance(app, Flask)
    return app


def test_every_route_declares_who_may_use_it(tmp_path: Path) -> None:
    """Each view but the static files bears the mark of `open_to`, so that none is open by oversight."""
    app = built_app(tmp_path)
    endpoints = {rule.endpoint: rule.rule for rule in app.url_map.iter_rules()}
    undeclared = {
        endpoint: address
        for endpoint, address in endpoints.items()
        if endpoint.rpartition(".")[2] != "static"
        and not getattr(app.view_functions[endpoint], "open_to", None)
    }

    assert len(endpoints) > 10, "the application has hardly any routes: is it whole?"
    assert undeclared == {}
