"""The device of an admin in tests: it makes the codes of the second step, by a clock that the test moves."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pyotp
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from tests.web.desk.entering import post
from tests.web.installation import ADMIN_PASSWORD

STEP_PATH = "/admin/own-account/second-step"


@dataclass
class WallClock:
    """Real time, which a second factor goes by whatever the pace of the service is."""

    at: datetime = datetime(2027, 6, 1, 10, 0, tzinfo=UTC)

    def now(self) -> datetime:
        """The instant that the test has set."""
        return self.at

    def next_code(self) -> None:
        """Let half a minute go by, so that the device shows another code."""
        self.at += timedelta(seconds=30)


@dataclass
class Device:
    """What makes the codes, and what was written down beside it."""

    secret: str
    clock: WallClock
    recovery_codes: tuple[str, ...] = ()

    def code(self, later_s: int = 0) -> str:
        """What it shows, or will show so many seconds later."""
        return pyotp.TOTP(self.secret).at(self.clock.at + timedelta(seconds=later_s))


def begin(client: FlaskClient, clock: WallClock) -> Device:
    """Make a secret, and read it into a device from the page."""
    assert post(client, f"{STEP_PATH}/begin", password=ADMIN_PASSWORD).headers["Location"] == STEP_PATH
    shown = re.search(r'class="once">([A-Z2-7 ]+)<', client.get(STEP_PATH).text)
    assert shown is not None
    return Device(shown[1].replace(" ", ""), clock)


def turn_on(client: FlaskClient, clock: WallClock) -> Device:
    """Have the second step asked for from now on, with the recovery codes written down."""
    device = begin(client, clock)
    answer = post(client, STEP_PATH, code=device.code())
    assert answer.status_code == 200
    device.recovery_codes = tuple(re.findall(r"<li>(\d [A-Z0-9]{5}-[A-Z0-9]{5})</li>", answer.text))
    clock.next_code()
    return device


def give(client: FlaskClient, code: str) -> TestResponse:
    """Type a code in the second step."""
    return client.post("/admin/sign-in/code", data={"code": code})
