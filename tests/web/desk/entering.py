"""Sitting down at the desk in a test: signing in with a role, and sending a form of the session."""

from __future__ import annotations

import re

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.operations.admin_roles import AdminRole
from service.operations.service import Service
from service.store import admins
from service.web.context import EXTENSION
from tests.web.installation import ADMIN_EMAIL, ADMIN_PASSWORD, CHEAPLY_HASHED

# Edda is the owner; the others come to be when they are first needed.
EMAILS = {
    AdminRole.OWNER: ADMIN_EMAIL,
    AdminRole.OFFICER: "ove@skerry.example",
    AdminRole.VIEWER: "vera@skerry.example",
}
NAMES = {AdminRole.OFFICER: "Ove Strand", AdminRole.VIEWER: "Vera Quay"}


def sign_in(client: FlaskClient, email: str = ADMIN_EMAIL, password: str = ADMIN_PASSWORD) -> TestResponse:
    """Type address and password and press the button."""
    return client.post("/admin/sign-in", data={"email": email, "password": password})


def enter(client: FlaskClient, role: AdminRole = AdminRole.OWNER) -> TestResponse:
    """Sign in as the club's admin of that role."""
    add_admin(client.application.extensions[EXTENSION].service, role)
    return sign_in(client, EMAILS[role])


def add_admin(service: Service, role: AdminRole, club_id: str = "skerry") -> None:
    """Have an admin of that role, if there is none yet."""
    if role is AdminRole.OWNER or service.read(lambda session: admins.by_email(session, EMAILS[role])) is not None:
        return
    service.write(
        lambda session: admins.add(
            session,
            club_id=club_id,
            name=NAMES[role],
            email=EMAILS[role],
            phone=None,
            password_hash=CHEAPLY_HASHED,
            now=service.clock.now(),
            role=role,
        )
    )


def form_token(client: FlaskClient) -> str:
    """What the forms of this browser's session carry."""
    found = re.search(r'name="desk" value="([0-9a-f]+)"', client.get("/admin/messages").text)
    assert found is not None
    return found.group(1)


def post(client: FlaskClient, path: str, **fields: str) -> TestResponse:
    """Send a form of this session; what it leads to is not followed."""
    return client.post(path, data={"desk": form_token(client), **fields})
