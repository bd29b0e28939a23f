"""What holds on every page: inert when opened, nothing from elsewhere, headers, labels, sound markup."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.dive.commands import Start, Tick
from service.domain.people import Actor, Role, Via
from service.domain.wording import LinkKind
from service.operations.admin_roles import AdminRole
from service.operations.board_screens import make_screen, screens
from service.operations.inviting import invitations, invite
from service.operations.joining import begin
from service.operations.one_time_codes import new_secret, sealed, secrets_sealer
from service.operations.people import PersonTyped
from service.operations.plan_reading import NamedPhone
from service.operations.recording import act
from service.operations.signing_in import SignedIn, as_signed_in
from service.store import admins, drills, outbox, people, second_factors, sites
from service.store.tables import Base
from service.web.access import Who, who_may
from service.web.context import EXTENSION
from tests.web.desk.entering import enter
from tests.web.installation import API_TOKEN, PRACTICE, PUBLIC_URL, Site
from tests.web.reading import Page

# A link is put in as a whole: its token opens one dive to one person.
LINK = re.compile(r"/(dive|alarm|handover|contact|invitation|screen)/<token>")
PART = re.compile(r"<(?:[a-z]+:)?([a-z_]+)>")
BY = Actor(Role.DIVER, "Anna Holt", Via.PAGE, key="diver-0", words="In")
LOOKED_AT = {
    "/admin/figures",
    "/admin/log",
    "/admin/log/checkpoints",
    "/admin/messages",
    "/admin/people",
    "/admin/people/ID/merge",
    "/admin/paper/sign.pdf",
    "/admin/paper/plan-card.pdf",
    "/admin/paper/contact-card.pdf",
}
SECURITY_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; object-src 'none';",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Robots-Tag": "noindex",
}


def overdue_paths(at: Site) -> dict[str, str]:
    """What to put for each part of a path, with a dive whose alarm is up."""
    dive = at.filed()
    act(at.service, dive.id, Start(BY))
    at.clock.forward(70)
    act(at.service, dive.id, Tick())
    pack = at.path(dive, "contact-0", LinkKind.HANDOVER)
    contact = at.path(dive, "contact-0", LinkKind.CONTACT)
    paths = {"dive": at.dive_path(dive), "alarm": at.alarm_path(dive), "handover": pack, "contact": contact}
    messages = at.service.read(lambda session: outbox.of_dive(session, dive.id))
    parts = {"dive_id": dive.id, "message_id": messages[0].id, "club_id": at.club_id, "code": "LANTERN"}
    parts |= {"join_token": join_token_of(at), "person_id": person_id_of(at), **links_of_accounts(at)}
    parts["drill_id"] = drill_id_of(at, dive.id)
    return {**paths, **parts, "account": PRACTICE.account, "filename": "slate.css"}


def join_token_of(at: Site) -> str:
    """The token of a page on which somebody is about to prove their phone."""
    contacts = (NamedPhone("Cleo Marsh", "07700 900201"),)
    begun = begin(at.service, at.club_id, PersonTyped("Una Fell", "", contacts=contacts))
    assert isinstance(begun, str)
    return begun


def drill_id_of(at: Site, dive_id: str) -> str:
    """The id of an exercise that runs, with that dive in it."""

    def work(session: Session) -> str:
        running = drills.open_ones(session)
        if running:
            return running[0].id
        site = sites.listing(session, at.club_id)[0]
        now = at.clock.now()
        drill = drills.add(
            session,
            club_id=at.club_id,
            site_id=site.id,
            site_name=site.name,
            whole_club=False,
            started_by="Edda Rowe",
            now=now,
            ends_at=now + timedelta(hours=1),
        )
        drills.add_dive(session, drill.id, dive_id, 1)
        return drill.id

    return at.service.write(work)


def person_id_of(at: Site) -> str:
    """The id of somebody the club knows, with a contact."""
    return at.service.read(lambda session: next(one.id for one in people.listing(session, at.club_id)))


def links_of_accounts(at: Site) -> dict[str, str]:
    """An open invitation, a board screen that waits to be opened, and a second step that waits to be confirmed."""
    seal = secrets_sealer(at.app.extensions[EXTENSION].settings.secret_key)

    def begin_second_step(session: Session) -> SignedIn:
        owner = admins.listing(session, at.club_id)[0]
        second_factors.begin(session, owner.id, sealed(seal, new_secret()), at.clock.now())
        return as_signed_in(session, owner)

    owner = at.service.write(begin_second_step)
    screen = make_screen(at.service, owner, "Kit room")
    invitation = invite(at.service, owner, "ida@skerry.example", AdminRole.OFFICER)
    return {
        "invitation": f"/invitation/{invitation}",
        "screen": f"/screen/{screen}",
        "admin_id": owner.admin_id,
        "screen_id": screens(at.service, at.club_id)[0].screen_id,
        "invitation_id": invitations(at.service, at.club_id)[0].invitation_id,
        "handle": "0" * 16,
    }


def every_get(at: Site) -> list[str]:
    """A path for each route that can be got."""
    known = overdue_paths(at)
    rules = [rule.rule for rule in at.app.url_map.iter_rules() if "GET" in (rule.methods or set())]
    return [filled(rule, known) for rule in rules]


def filled(rule: str, known: dict[str, str]) -> str:
    """The path of a route, with something true for each part."""
    path = LINK.sub(lambda found: known[found[1]], rule)
    path = PART.sub(lambda found: known[found[1]], path)
    assert "<" not in path, rule
    return path


def rows(at: Site) -> dict[str, list[tuple[object, ...]]]:
    """Everything in the database."""

    def work(session: Session) -> dict[str, list[tuple[object, ...]]]:
        return {
            table.name: sorted((tuple(row) for row in session.execute(select(table))), key=repr)
            for table in Base.metadata.sorted_tables
        }

    return at.service.read(work)


def test_opening_any_address_changes_nothing(at: Site, client: FlaskClient) -> None:
    """After every GET and HEAD the database holds what it held, but for log entries that a page was viewed.

    The desk is opened by an admin who is signed in; the practice gateway's list opens to no token of a script.
    """
    paths = every_get(at)
    enter(client)
    before = rows(at)
    chain_tables = {"log_entries", "chain_heads"}

    for path in paths:
        for ask in (client.get, client.head):
            answer = ask(path, headers={"Authorization": f"Bearer {API_TOKEN}"}, buffered=True)
            expected = {303} if path in {"/admin", "/admin/"} else {200, 503}
            assert answer.status_code in ({401} if path.startswith("/practice/gateway") else expected), path

    after = rows(at)
    assert {name: after[name] for name in after if name not in chain_tables} == {
        name: before[name] for name in before if name not in chain_tables
    }
    new = set(after["log_entries"]) - set(before["log_entries"])
    viewed = [path for path in paths if path.startswith(("/alarm/", "/handover/")) and not path.endswith("/standing")]
    viewed += [path for path in paths if path == "/admin/log" or path.startswith("/admin/log/dive/")]
    assert len(new) == len(viewed)
    assert all("page_viewed" in row for row in new)


def test_every_answer_carries_the_security_headers(at: Site, client: FlaskClient) -> None:
    """Pages, files, errors and API answers alike are closed to other sites, indexes and caches."""
    for path in [*every_get(at), "/none", "/api/none", "/dive/none", "/inbound/shore/text"]:
        answer = client.get(path, buffered=True)
        for name, value in SECURITY_HEADERS.items():
            assert answer.headers[name].startswith(value), (path, name)
        is_static = path.startswith("/static/")
        assert answer.headers["Cache-Control"] == ("public, max-age=3600" if is_static else "no-store"), path
        assert "Set-Cookie" not in answer.headers


def is_part(path: str) -> bool:
    """Whether a script puts what this address answers into a page that is open."""
    return "conversations" in path or path.endswith("/preview")


def html_pages(at: Site, client: FlaskClient) -> dict[str, Page]:
    """Every page, with the form in error as well, and the desk as a signed-in admin sees it."""
    paths = every_get(at)
    enter(client)
    found = {path: client.get(path, buffered=True) for path in [*paths, "/none", "/dive/none"]}
    found["errors"] = client.post("/plan", data={"do": "preview"})
    return {
        path: Page(answer.text)
        for path, answer in found.items()
        if answer.mimetype == "text/html" and not is_part(path) and answer.location is None
    }


def test_every_page_says_what_this_is_not(at: Site, client: FlaskClient) -> None:
    """Whoever stands before any page in a hurry reads whom to call, and that it is not us."""
    for path, page in html_pages(at, client).items():
        assert "no rescue service and calls none" in page.text, path
        assert "call rescue yourself, now" in page.text, path


def test_no_page_leads_or_reaches_elsewhere(at: Site, client: FlaskClient) -> None:
    """Addresses on pages are our own, or open the telephone or its map."""
    pages = html_pages(at, client)

    assert len(pages) > 8
    for path, page in pages.items():
        for address in page.addresses():
            assert address.startswith(("/", "#", "tel:", "sms:", "geo:", PUBLIC_URL)), (path, address)
            assert not address.startswith("//"), (path, address)


def test_no_page_carries_script_or_style_within(at: Site, client: FlaskClient) -> None:
    """The content security policy would refuse them."""
    for path, page in html_pages(at, client).items():
        assert page.all("style") == [], path
        assert all("src" in script for script in page.all("script")), path
        for _, attributes in page.elements:
            assert not [name for name in attributes if name.startswith("on") or name == "style"], path


def test_every_input_has_a_label_and_every_id_is_its_own(at: Site, client: FlaskClient) -> None:
    """A screen reader can name each field, and descriptions point to what exists."""
    for path, page in html_pages(at, client).items():
        assert page.unlabelled() == [], path
        assert len(set(page.ids)) == len(page.ids), path
        for _, attributes in page.elements:
            described = attributes.get("aria-describedby", "").split()
            assert set(described) <= set(page.ids), path
        assert page.open_tags == [], path
        assert len(page.all("h1")) == 1, path
        assert page.all("html")[0]["lang"] == "en"


def test_every_form_posts(at: Site, client: FlaskClient) -> None:
    """No form is sent by GET, which would put what was typed into an address; but what an admin wants to look at."""
    forms = [form for page in html_pages(at, client).values() for form in page.all("form")]

    assert forms
    looked_for = {re.sub(r"[0-9a-f]{32}", "ID", form["action"]) for form in forms if form["method"] != "post"}
    assert looked_for == LOOKED_AT


def test_every_link_route_refuses_a_token_that_opens_nothing(at: Site, client: FlaskClient) -> None:
    """Opened or posted to, the answer is 410 and says that the link is dead."""
    rules = [rule for rule in at.app.url_map.iter_rules() if who_may(at.app, rule.endpoint) is Who.LINK_HOLDER]

    assert len(rules) >= 5
    for rule in rules:
        ask: Callable[..., object] = client.post if "POST" in (rule.methods or set()) else client.get
        answer = ask(rule.rule.replace("<token>", "A" * 22))
        assert (answer.status_code, "no longer opens" in answer.text) == (410, True), rule.rule  # type: ignore[attr-defined]


def test_every_script_route_refuses_a_caller_without_token(at: Site, client: FlaskClient) -> None:
    """Each API route answers 401 as a problem document before it looks at anything else."""
    rules = [rule for rule in at.app.url_map.iter_rules() if who_may(at.app, rule.endpoint) is Who.SCRIPT]

    assert len(rules) >= 13
    for rule in rules:
        method = next(name for name in ("POST", "PUT", "GET") if name in (rule.methods or set()))
        answer = client.open(rule.rule.replace("<dive_id>", "x").replace("<code>", "x"), method=method)
        assert (answer.status_code, answer.mimetype) == (401, "application/problem+json"), rule.rule
        assert answer.headers["WWW-Authenticate"] == "Bearer"


def test_a_post_that_another_site_brought_about_is_refused(client: FlaskClient) -> None:
    """What the browser itself calls cross-site does not get through; links that are opened from texts do."""
    cross = {"Sec-Fetch-Site": "cross-site"}

    assert client.post("/plan", headers=cross).status_code == 403
    assert client.get("/plan", headers=cross).status_code == 200


@pytest.mark.parametrize("path", ["/none", "/dive/A/none", "/static/none.css"])
def test_a_page_that_is_not_there_says_so_in_words(client: FlaskClient, path: str) -> None:
    """The error page has a title, advice, and the caution."""
    answer = client.get(path)

    assert answer.status_code == 404
    assert "Nothing here" in answer.text
    assert "call rescue" in answer.text


def test_a_method_that_an_address_does_not_take_is_named(client: FlaskClient) -> None:
    """405 says which methods there are."""
    answer = client.delete("/plan")

    assert answer.status_code == 405
    assert "POST" in answer.headers["Allow"]


def test_more_than_64_kib_is_refused(client: FlaskClient) -> None:
    """The form answers 413 in words, and reads none of it."""
    answer = client.post("/plan", data={"notes": "x" * 70_000})

    assert answer.status_code == 413
    assert "larger than we take" in answer.text


def test_an_address_from_a_forged_host_is_not_believed(at: Site, client: FlaskClient) -> None:
    """Links are built from the public address of the settings, whatever the Host header says."""
    page = client.get(at.dive_path(at.filed()), headers={"Host": "evil.example"})

    assert "evil.example" not in page.text


def test_requests_are_logged_without_their_path(
    at: Site, client: FlaskClient, caplog: pytest.LogCaptureFixture
) -> None:
    """The log has the route's template: the path holds the token."""
    path = at.alarm_path(at.filed())
    caplog.set_level("INFO", logger="service.web")

    client.get(path)

    served = [record for record in caplog.records if record.message == "web.request"]
    assert served[-1].route == "/alarm/<token>"  # type: ignore[attr-defined]
    token = re.escape(path.rpartition("/")[2])
    assert not [record for record in caplog.records if re.search(token, str(record.__dict__))]
