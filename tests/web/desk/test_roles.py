"""Roles at the desk: who may less is told so, on every route, and nothing is done."""

from __future__ import annotations

import re

import pytest
from flask.testing import FlaskClient

from service.operations.admin_roles import AdminRole
from service.web.access import Who, who_may
from service.web.desk.sitting import role_needed
from tests.web.desk.entering import enter, post
from tests.web.installation import Site


def desk_routes(at: Site) -> list[tuple[str, str, AdminRole]]:
    """Method, path and needed role of everything that only admins may use."""
    found = []
    for rule in at.app.url_map.iter_rules():
        if who_may(at.app, rule.endpoint) is not Who.ADMIN:
            continue
        needs = role_needed(at.app.view_functions[rule.endpoint])
        assert needs is not None, f"{rule.rule} does not say which role it needs"
        path = re.sub(r"<[^>]+>", "1", rule.rule)
        found += [(method, path, needs) for method in (rule.methods or set()) & {"GET", "POST"}]
    return found


@pytest.mark.parametrize("role", [AdminRole.VIEWER, AdminRole.OFFICER])
def test_who_may_less_is_told_which_role_it_takes(at: Site, client: FlaskClient, role: AdminRole) -> None:
    """On every route of the desk, before anything is looked up."""
    enter(client, role)

    too_much = [(method, path, needs) for method, path, needs in desk_routes(at) if not role.may(needs)]
    for method, path, needs in too_much:
        refused = post(client, path) if method == "POST" else client.get(path)

        assert refused.status_code == 403, path
        assert f"takes the role {needs}" in refused.text, path
    assert too_much or role is AdminRole.OFFICER


def test_whoever_tries_doors_is_in_the_log_of_the_process(
    at: Site, client: FlaskClient, caplog: pytest.LogCaptureFixture
) -> None:
    """By ids and routes alone: a page that takes another role, and a form that no page of the session carried."""
    enter(client, AdminRole.VIEWER)

    client.get("/admin/accounts")
    client.post("/admin/sign-out", data={"desk": "0" * 32})

    tried = [(one.message, one.route) for one in caplog.records if one.name.endswith("sitting")]  # type: ignore[attr-defined]
    assert tried == [("desk.role_refused", "/admin/accounts"), ("desk.form_refused", "/admin/sign-out")]


@pytest.mark.parametrize("role", list(AdminRole))
def test_a_role_may_what_those_below_it_may(role: AdminRole) -> None:
    """Viewer, officer, owner, in that order."""
    order = [AdminRole.VIEWER, AdminRole.OFFICER, AdminRole.OWNER]

    assert [role.may(needs) for needs in order] == [order.index(needs) <= order.index(role) for needs in order]
