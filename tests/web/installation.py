"""An installation for tests of the web: an invented club, and a clock that stands still until it is moved."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from argon2 import PasswordHasher
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.domain.people import Actor, Role, Via
from service.domain.wording import LinkKind
from service.gateways.form_post import FormPostConfig
from service.operations.filing import PlanFiled, file_plan
from service.operations.pages import dive_details, dive_link
from service.operations.plan_reading import NamedPhone, PlanRequest
from service.operations.service import Service
from service.settings import Settings
from service.store import admins, clubs, people, reaches, sites, tokens
from service.store.sites import NewPoint

NOON = datetime(2027, 6, 1, 10, 0, tzinfo=UTC)
PUBLIC_URL = "http://dives.test"
RECEIVING = "+447700900000"
ANNA, BRAM, CLEO, DOV = "+447700900101", "+447700900102", "+447700900201", "+447700900202"
API_TOKEN = "token-of-tests-0123456789"
GATEWAY = FormPostConfig(
    name="shore",
    base_url="http://127.0.0.1:9",
    account="AC1",
    token="gateway-token",
    previous_token="gateway-token-of-before",
    sender=RECEIVING,
)
PRACTICE = FormPostConfig(
    name="practice",
    base_url=f"{PUBLIC_URL}/practice/gateway",
    account="PRACTICE",
    token="practice-token",
    sender=RECEIVING,
)

PLAN_FORM = {
    "site": "LANTERN",
    "run_time": "50",
    "lead_name": "Anna Holt",
    "lead_phone": "07700 900101",
    "diver_2_name": "Bram Vik",
    "diver_2_phone": "07700 900102",
    "contact_1_name": "Cleo Marsh",
    "contact_1_phone": "07700 900201",
    "contact_2_name": "Dov Lind",
    "contact_2_phone": "07700 900202",
    "exit_1": "North slip",
    "exit_2": "Ladder",
}

ADMIN_EMAIL = "edda@skerry.example"
ADMIN_PASSWORD = "a long enough password"  # of an invented admin
# The cheapest hash there is, since each test makes the club anew.
CHEAPLY_HASHED = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(ADMIN_PASSWORD)


@dataclass
class StillClock:
    """A clock that a test moves."""

    at: datetime = NOON

    def now(self) -> datetime:
        """The instant that the test has set."""
        return self.at

    def forward(self, minutes: float) -> None:
        """Let minutes go by."""
        self.at += timedelta(minutes=minutes)


@dataclass
class Nudges:
    """Counts how often couriers were hurried."""

    count: int = 0

    def __call__(self) -> None:
        """One more."""
        self.count += 1


@dataclass
class Site:
    """The installation under test."""

    service: Service
    clock: StillClock
    app: Flask
    club_id: str = "skerry"
    nudges: Nudges = field(default_factory=Nudges)

    def filed(self, *, time_in_at: datetime | None = None) -> Dive:
        """A plan of Anna and Bram with two contacts ashore, filed just now."""
        request = PlanRequest(
            site="LANTERN",
            run_time_min=50,
            lead=NamedPhone("Anna Holt", ANNA),
            party=(NamedPhone("Bram Vik", BRAM),),
            contacts=(NamedPhone("Cleo Marsh", CLEO), NamedPhone("Dov Lind", DOV)),
            vehicle="Green van at the gate",
            time_in_at=time_in_at,
        )
        by = Actor(Role.DIVER, "Anna Holt", Via.PAGE, key="diver-0", phone=ANNA)
        filed = file_plan(self.service, self.club_id, request, by)
        assert isinstance(filed, PlanFiled)
        return filed.dive

    def path(self, dive: Dive, key: str, kind: LinkKind) -> str:
        """The path of a new link."""
        return dive_link(self.service, dive.id, key, kind).removeprefix(self.service.public_url)

    def dive_path(self, dive: Dive) -> str:
        """The path of the lead's page."""
        return self.path(dive, "diver-0", LinkKind.DIVE)

    def alarm_path(self, dive: Dive, key: str = "contact-0") -> str:
        """The path of a contact's page."""
        return self.path(dive, key, LinkKind.ALARM)

    def now_of(self, dive: Dive) -> Dive:
        """The dive as it stands in the database."""
        details = dive_details(self.service, dive.club_id, dive.id)
        assert details is not None
        return details.dive


def settings_for(url: str, public_url: str = PUBLIC_URL, **changes: object) -> Settings:
    """Settings of a demo process."""
    values: dict[str, object] = {
        "database_url": url,
        "broker_url": "redis://127.0.0.1:1/0",
        "secret_key": "s" * 40,
        "public_url": public_url,
        "gateways": "[]",
        "demo": True,
    }
    return Settings(**(values | changes))  # type: ignore[arg-type]


def seed(service: Service, now: datetime) -> None:
    """An invented club with a site, its people, an admin and an API token."""

    def work(session: Session) -> None:
        clubs.add(
            session,
            club_id="skerry",
            name="Skerry Bay Divers",
            country="GB",
            zone="Atlantic/Azores",
            receiving_number=RECEIVING,
            rescue_call="112, ask for sea rescue",
        )
        exits = (
            NewPoint("exit", "North slip", 47.1240, -20.5440),
            NewPoint("exit", "Ladder", None, None),
            NewPoint("parking", "Gate", None, None),
        )
        sites.add(
            session,
            club_id="skerry",
            code="LANTERN",
            name="Lantern Steps",
            zone="Atlantic/Azores",
            lat=47.12345,
            lon=-20.54321,
            rescue_call="112, ask for sea rescue",
            access="Track from the chapel, gate code at the kiosk",
            points=exits,
        )
        usual = (("Cleo Marsh", CLEO), ("Dov Lind", DOV))
        people.add(session, club_id="skerry", name="Anna Holt", phone=ANNA, usual_contacts=usual)
        people.add(session, club_id="skerry", name="Cleo Marsh", phone=CLEO)
        for _, phone in usual:
            reaches.decide(session, "skerry", phone, "agreed", now)
        admins.add(
            session,
            club_id="skerry",
            name="Edda Rowe",
            email=ADMIN_EMAIL,
            phone="+447700900301",
            password_hash=CHEAPLY_HASHED,
            now=now,
        )
        hashed = hashlib.sha256(API_TOKEN.encode()).hexdigest()
        tokens.add(session, club_id="skerry", name="board", token_hash=hashed, now=now)

    service.write(work)


def nonce_of(page: str) -> str:
    """The number in a plan form."""
    found = re.search(r'name="nonce" value="([^"]+)"', page)
    assert found
    return found[1]


def fill(client: FlaskClient, do: str = "file", nonce: str | None = None, **changes: str) -> tuple[int, str]:
    """Open the plan form, fill it in with changes, press a button; status and page."""
    number = nonce or nonce_of(client.get("/plan").text)
    answer = client.post("/plan", data={**PLAN_FORM, "nonce": number, "do": do, **changes})
    return answer.status_code, answer.text
