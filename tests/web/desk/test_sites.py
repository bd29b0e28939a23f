"""Sites at the desk: the list, the form that reads and draws, two admins at once, files, copies, and out of use."""

from __future__ import annotations

import base64
import json
import re

import lxml.html
import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.domain.dive import Dive
from service.domain.place.position import Position
from service.operations.admin_roles import AdminRole
from service.operations.site_editing import SiteOpened, open_site
from service.store import log
from service.store.log import Entry
from tests.web.desk.entering import enter, form_token, post
from tests.web.installation import PLAN_FORM, Site

LANTERN = "/admin/sites/LANTERN"
NEW = "/admin/sites/new-site"
KEPT = re.compile(r'name="kept" value="([^"]+)"')
TIDES = b"at,height_m,high_or_low\n2027-06-10T10:20+01:00,4.1,high\n2027-06-10T16:30,1.2,low\n"


def fields(client: FlaskClient, path: str = LANTERN, **changes: str) -> dict[str, str]:
    """What a form of a site holds, with these changes."""
    return values(client.get(path).text) | changes


def values(text: str) -> dict[str, str]:
    """What a browser would send of the form of a page."""
    [form] = [one for one in lxml.html.fromstring(text).forms if one.get("id") == "site"]
    return {name: value or "" for name, value in form.form_values()}


def save(client: FlaskClient, path: str = LANTERN, **changes: str) -> TestResponse:
    """Change fields of the form and press Save."""
    return client.post(path, data=fields(client, path, do="save", **changes))


def stored(at: Site, code: str = "LANTERN") -> SiteOpened:
    """A site as it is stored."""
    opened = open_site(at.service, at.club_id, code)
    assert opened is not None
    return opened


def entries(at: Site, *kinds: str) -> list[Entry]:
    """What the club's log says of these kinds."""
    found = at.service.read(lambda session: log.entries(session, log.club_chain(at.club_id)))
    return [entry for entry in found if entry.kind in kinds]


def upload(client: FlaskClient, path: str, data: bytes, name: str, **more: str) -> TestResponse:
    """Send a file by a form of this session."""
    parts = [
        f'--part\r\nContent-Disposition: form-data; name="{key}"\r\n\r\n{value}\r\n' for key, value in more.items()
    ]
    parts.append(f'--part\r\nContent-Disposition: form-data; name="desk"\r\n\r\n{form_token(client)}\r\n')
    parts.append(f'--part\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n')
    body = "".join(parts).encode() + data + b"\r\n--part--\r\n"
    return client.post(path, data=body, content_type="multipart/form-data; boundary=part")


def press_take(client: FlaskClient, path: str, looked: TestResponse) -> TestResponse:
    """Press the button behind what a file would do."""
    forms = (dict(form.form_values()) for form in lxml.html.fromstring(looked.text).forms)
    [form] = [one for one in forms if one.get("kept")]
    return client.post(path, data={**form, "do": "take"})


# The list


def test_the_list_says_what_each_site_has(at: Site, client: FlaskClient) -> None:
    """Code, name, points, grace periods, tides; who only looks is offered no change."""
    enter(client, AdminRole.VIEWER)

    shown = client.get("/admin/sites").text

    assert "LANTERN" in shown
    assert "exit" in shown
    assert "Grace periods of the club" in shown
    assert "Add a site" not in shown
    assert client.get(NEW).status_code == 403
    assert client.get(LANTERN).status_code == 200
    assert post(client, LANTERN, do="save").status_code == 403


# The form


def test_what_is_saved_unchanged_changes_nothing(at: Site, client: FlaskClient) -> None:
    """Every field comes back as it went out, and the log has no entry."""
    enter(client)
    before = stored(at).site

    answer = save(client)

    assert (answer.status_code, answer.location) == (303, f"{LANTERN}?saved=yes")
    assert stored(at).site == before
    assert entries(at, "site_changed") == []
    assert "Saved" in client.get(f"{LANTERN}?saved=yes").text


def test_an_officer_changes_a_site_and_the_log_has_before_and_after(at: Site, client: FlaskClient) -> None:
    """Details, a point moved, a point more; dives that are filed keep theirs."""
    enter(client, AdminRole.OFFICER)
    dive = at.filed()
    form = fields(client)
    blank = int(form["points"]) - 1
    new = {f"p{blank}_kind": "exit", f"p{blank}_name": "Ladder two", f"p{blank}_position": "47 07.407N 020 32.593W"}

    answer = save(client, notes="Swell from the west.", rescue_call="07700 900998 (desk)", **new)

    assert answer.status_code == 303, answer.text
    site = stored(at).site
    assert (site.notes, site.rescue_call) == ("Swell from the west.", "07700 900998 (desk)")
    assert site.points[-1].name == "Ladder two"
    assert site.points[-1].position == Position(47.12345, -20.543217)
    assert at.now_of(dive).plan.site.rescue_call != "07700 900998 (desk)"
    [entry] = entries(at, "site_changed")
    assert entry.actor is not None
    assert entry.detail is not None
    assert entry.actor["name"] == "Ove Strand"
    told = {change["what"]: (change["before"], change["after"]) for change in entry.detail["changes"]}
    assert told["exit Ladder two"] == (None, "47.123450,-20.543217")
    assert told["notes"][1] == "Swell from the west."
    assert set(told) == {"exit Ladder two", "notes", "rescue call"}


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        ("47.12345, -20.54321", "47.12345 N, 20.54321 W"),
        ("47 07.407N 020 32.593W", "47°07.407&#39;N 020°32.593&#39;W"),
        ("27 north 534648 5218984", "47.12345 N"),
        ("27T WN 34647 18984", "47.12345 N"),
        ("89VX4FF4+9P", "47.12"),
    ],
)
def test_a_position_in_any_form_is_read_back_in_two(at: Site, client: FlaskClient, typed: str, read: str) -> None:
    """With how far it is from the site, and in which direction; nothing is kept by drawing."""
    enter(client)
    before = stored(at).site

    shown = client.post(LANTERN, data=fields(client, p0_position=typed, do="draw")).text

    said = re.search(r'id="p0_position-reading">(.*?)</p>', shown, re.DOTALL)
    assert said is not None
    assert read in said[1]
    assert "the site" in said[1]
    assert "<svg" in shown
    assert stored(at).site == before


def test_a_position_of_few_figures_is_told_how_far_it_may_be_off(at: Site, client: FlaskClient) -> None:
    """As in a plan and in texts: it was saved as if it were exact. Of the shoreline, for each line."""
    enter(client)
    typed = {"position": "47.12,-20.54", "p0_position": "47.12345,-20.54321"}

    shown = client.post(
        LANTERN, data=fields(client, **typed, shoreline="47.12345, -20.54321\n47.1,-20.5", do="draw")
    ).text

    said = {name: re.findall(rf'id="{name}-reading">(.*?)</p>', shown, re.DOTALL) for name in (*typed, "shoreline")}
    assert "So few figures may be 670 m" in said["position"][0]
    assert "figures" not in said["p0_position"][0]
    assert "Line 2: So few figures may be 6730 m" in said["shoreline"][0]


def test_all_that_is_wrong_is_said_beside_its_field_and_what_was_typed_stays(at: Site, client: FlaskClient) -> None:
    """In one go, and nothing is saved."""
    enter(client)
    wrong = {
        "code": "OUT",
        "zone": "Atlantis/Nowhere",
        "p0_position": "91.5, -20.5",
        "p1_name": "",
        "p1_min": "lots",
        "current_set": "NE",
        "current_drift": "",
        "shoreline": "47.12345, -20.54321\nhere and there",
    }

    answer = save(client, **wrong)

    assert answer.status_code == 422
    for name in ("code", "zone", "p0_position", "p1_name", "p1_min", "current_drift", "shoreline"):
        assert f'id="{name}-error"' in answer.text, name
    assert "means something in a text already (finish)" in answer.text
    assert "Line 2:" in answer.text
    assert values(answer.text)["p0_position"] == "91.5, -20.5"
    assert stored(at).site.code == "LANTERN"


def test_drawing_says_nothing_of_fields_that_nobody_has_come_to(client: FlaskClient) -> None:
    """A new form is not full of complaints; Save tells them all."""
    enter(client)

    drawn = client.post(NEW, data=fields(client, NEW, name="East Cove", do="draw")).text
    saved = client.post(NEW, data=fields(client, NEW, name="East Cove", do="save"))

    assert 'class="error"' not in drawn
    assert saved.status_code == 422
    assert "Give it a position" in saved.text


def test_a_new_site_is_made_from_nothing(at: Site, client: FlaskClient) -> None:
    """On the spot: a code, a name, a position; the club's rescue call and zone stand in. Divers can name it at once."""
    enter(client, AdminRole.OFFICER)

    answer = save(client, NEW, code="east", name="East Cove", position="47.1230, -20.5300", p1_name="Steps")

    assert answer.location == "/admin/sites/EAST?saved=yes", answer.text
    site = stored(at, "EAST").site
    assert (site.name, [point.name for point in site.points]) == ("East Cove", ["Steps"])
    assert site.rescue_call
    assert [entry.detail["code"] for entry in entries(at, "site_added") if entry.detail] == ["EAST"]
    again = save(client, NEW, code="EAST", name="East Cove Two", position="47.1230, -20.5300")
    assert again.status_code == 422
    assert "has a site EAST already" in again.text


def test_points_are_added_moved_and_left_out(at: Site, client: FlaskClient) -> None:
    """Each by a button of the form, without a script; the order counts."""
    enter(client)
    names = [point.name for point in stored(at).site.points]

    more = values(client.post(LANTERN, data=fields(client, do="add")).text)
    assert int(more["points"]) == len(names) + 2
    moved = values(client.post(LANTERN, data=fields(client, do="up-1")).text)
    assert [moved["p0_name"], moved["p1_name"]] == [names[1], names[0]]
    assert client.post(LANTERN, data={**moved, "do": "save"}).status_code == 303
    assert [point.name for point in stored(at).site.points][:2] == [names[1], names[0]]

    save(client, p0_gone="yes")

    assert names[1] not in [point.name for point in stored(at).site.points]


def test_an_old_code_stays_a_name_of_the_site(at: Site, client: FlaskClient) -> None:
    """It is printed on signs, and plans with it are still filed."""
    enter(client)

    answer = save(client, code="LIGHT")

    assert answer.location == "/admin/sites/LIGHT?saved=yes"
    assert "LANTERN" in stored(at, "LIGHT").site.aliases
    assert client.get(LANTERN).status_code == 404
    assert at.filed().plan.site.code == "LIGHT"


def test_who_was_slower_is_shown_what_changed_and_may_save_over_it(at: Site, client: FlaskClient) -> None:
    """Nothing is lost unseen: neither what the other saved nor what was typed."""
    enter(client)
    mine = fields(client, notes="Mine.", do="save")
    save(client, access="By boat only.")

    stale = client.post(LANTERN, data=mine)

    assert stale.status_code == 409
    assert "Edda Rowe" in stale.text or "somebody else changed this site" in stale.text
    assert "became By boat only." in stale.text
    assert values(stale.text)["notes"] == "Mine."
    assert stored(at).site.notes != "Mine."
    over = client.post(LANTERN, data={**values(stale.text), "do": "save"})
    assert over.status_code == 303
    assert stored(at).site.notes == "Mine."


def test_only_the_form_of_a_site_may_ask_where_the_phone_is(client: FlaskClient) -> None:
    """No other page of the desk."""
    enter(client)

    allowed = {
        path: "geolocation=(self)" in client.get(path).headers["Permissions-Policy"]
        for path in (LANTERN, NEW, "/admin/sites", f"{LANTERN}/files", "/admin/messages")
    }

    assert [path for path, may in allowed.items() if may] == [LANTERN, NEW]


def test_a_form_that_is_too_large_is_refused_and_a_strangers_is_not_read(client: FlaskClient) -> None:
    """A megabyte has room for any site; who is not signed in gets no answer but the way to sign in."""
    body = {"notes": "x" * 1_100_000, "do": "save"}

    assert client.post(LANTERN, data=body).location == "/admin/sign-in"
    enter(client)
    assert client.post(LANTERN, data=body).status_code == 413


# Files and tides


def test_tides_are_looked_at_and_then_taken(at: Site, client: FlaskClient) -> None:
    """What is new and what is replaced is said first; the same bytes come back with the button."""
    enter(client)
    path = f"{LANTERN}/files"

    looked = upload(client, path, TIDES, "tides.csv", what="tides", do="check")

    assert "2 high and low waters, 10 Jun 2027 until 10 Jun 2027" in looked.text
    assert "2 new, 0 in the place of others" in looked.text
    assert entries(at, "tides_imported") == []
    kept = KEPT.search(looked.text)
    assert kept is not None
    assert base64.b64decode(kept[1]) == TIDES
    taken = press_take(client, path, looked)
    assert "Taken" in taken.text
    assert "ends within 30 days" in taken.text
    [entry] = entries(at, "tides_imported")
    assert entry.detail is not None
    assert (entry.detail["new"], entry.detail["count"]) == (2, 2)
    changed = upload(client, path, TIDES.replace(b"4.1", b"4.2"), "tides.csv", what="tides", do="check")
    assert "0 new, 1 in the place of others" in changed.text


def test_a_bad_tide_table_is_refused_line_by_line(at: Site, client: FlaskClient) -> None:
    """Each with what to do, and nothing is taken."""
    enter(client)
    bad = TIDES + b"2027-06-11T24:99,high,4\n2027-06-11T11:00,4.0,middling\n"

    answer = upload(client, f"{LANTERN}/files", bad, "tides.csv", what="tides", do="take")

    assert answer.status_code == 422
    assert "line 4" in answer.text
    assert "line 5" in answer.text
    assert stored(at).tides_count == 0


@pytest.mark.parametrize("what", ["tides", "site"])
def test_a_file_that_is_too_large_or_none_is_refused(client: FlaskClient, what: str) -> None:
    """In words, before it is read."""
    enter(client)
    path = f"{LANTERN}/files"

    assert "more than 1 MB" in upload(client, path, b"x" * 1_000_001, "a", what=what, do="check").text
    assert upload(client, path, b"x" * 2_100_000, "a", what=what, do="check").status_code == 413
    assert "Choose a file first" in post(client, path, what=what, do="check").text
    assert "Choose a file first" in post(client, path, what=what, do="take", kept="%%%").text


@pytest.mark.parametrize("form", ["geojson", "gpx"])
def test_a_site_goes_out_as_a_file_and_comes_back(at: Site, client: FlaskClient, form: str) -> None:
    """Each export is in the log; what a file would do is told before it is taken."""
    enter(client, AdminRole.OFFICER)
    out = post(client, f"{LANTERN}/export", format=form)
    assert out.headers["Content-Disposition"] == f'attachment; filename="lantern.{form}"'
    assert [entry.detail["format"] for entry in entries(at, "site_exported") if entry.detail] == [form]
    save(client, access="By boat only.")
    path = f"{LANTERN}/files"

    looked = upload(client, path, out.data, f"lantern.{form}", what="site", do="check")

    assert "It would replace LANTERN" in looked.text
    assert "By boat only." in looked.text
    assert stored(at).site.access == "By boat only."
    taken = press_take(client, path, looked)
    assert taken.status_code == 200
    assert stored(at).site.access != "By boat only."
    [entry] = entries(at, "site_imported")
    assert entry.detail is not None
    assert [change["what"] for change in entry.detail["changes"]] == ["access"]


def test_a_file_that_was_looked_at_before_somebody_else_saved_is_not_taken(at: Site, client: FlaskClient) -> None:
    """What they changed is named."""
    enter(client)
    path = f"{LANTERN}/files"
    looked = upload(
        client, path, post(client, f"{LANTERN}/export", format="gpx").data, "a.gpx", what="site", do="check"
    )
    save(client, access="By boat only.")

    stale = press_take(client, path, looked)

    assert stale.status_code == 409
    assert "the site was changed meanwhile" in stale.text
    assert stored(at).site.access == "By boat only."


def test_a_new_site_comes_from_a_file(at: Site, client: FlaskClient) -> None:
    """With its code in it, or typed beside it."""
    enter(client)
    data = json.loads(post(client, f"{LANTERN}/export", format="geojson").data)
    del data["site"]["code"]
    path = "/admin/sites/from-file"

    nameless = upload(client, path, json.dumps(data).encode(), "a.geojson", do="check")
    assert nameless.status_code == 422
    looked = upload(client, path, json.dumps(data).encode(), "a.geojson", do="check", code="EAST")
    assert "It would add EAST" in looked.text
    taken = press_take(client, path, looked)

    assert taken.location == "/admin/sites/EAST?saved=yes"
    assert stored(at, "EAST").site.points == stored(at).site.points


# Copies, and out of use


def test_a_file_is_named_in_letters_that_a_header_can_hold(client: FlaskClient) -> None:
    """A long s is a capital S, too, so such an address finds the site."""
    enter(client)
    post(client, f"{LANTERN}/copy", new_code="STEPS", new_name="Low Steps")

    out = post(client, "/admin/sites/\u017fteps/export", format="gpx")

    assert out.headers["Content-Disposition"] == 'attachment; filename="steps.gpx"'


def test_a_copy_has_all_but_the_tides(at: Site, client: FlaskClient) -> None:
    """It may lie round the next headland."""
    enter(client)
    upload(client, f"{LANTERN}/files", TIDES, "tides.csv", what="tides", do="take")

    answer = post(client, f"{LANTERN}/copy", new_code="east", new_name="East Cove")

    assert answer.location == "/admin/sites/EAST?saved=yes"
    copied = stored(at, "EAST")
    assert copied.site.points == stored(at).site.points
    assert (copied.site.name, copied.site.aliases, copied.tides_count) == ("East Cove", (), 0)
    [entry] = entries(at, "site_added")
    assert entry.detail is not None
    assert entry.detail["copy_of"] == "LANTERN"


@pytest.mark.parametrize(
    ("code", "name", "words"),
    [
        ("LANTERN", "East", "has a site LANTERN already"),
        ("SOS", "East", "means something in a text already"),
        ("1", "East", "2 to 12 letters and digits"),
        ("EAST", "", "a name of its own"),
    ],
)
def test_a_copy_needs_a_code_and_a_name_of_its_own(client: FlaskClient, code: str, name: str, words: str) -> None:
    """What was typed stays."""
    enter(client)

    answer = post(client, f"{LANTERN}/copy", new_code=code, new_name=name)

    assert answer.status_code == 422
    assert words in answer.text
    assert f'value="{code}"' in answer.text


def test_a_retired_site_leaves_open_dives_alone_and_says_which(at: Site, client: FlaskClient) -> None:
    """No plan can name it any more; it is brought back with all it had, and never deleted."""
    enter(client, AdminRole.OFFICER)
    dive: Dive = at.filed()
    points = stored(at).site.points
    assert f"{dive.reference} (Anna Holt)" in client.get(f"{LANTERN}/files").text

    post(client, f"{LANTERN}/use", do="retire")

    assert at.now_of(dive) == dive
    assert "Not in use since" in client.get("/admin/sites").text
    assert "Open dives there go on untouched" in client.get(f"{LANTERN}/files").text
    assert "has no site LANTERN" in client.post("/plan", data={**PLAN_FORM, "do": "preview"}).text
    changed = client.post(LANTERN, data=fields(client, do="save", notes="x"))
    assert changed.status_code == 409
    [entry] = entries(at, "site_retired")
    assert entry.detail is not None
    assert entry.detail["open_dives"] == [dive.reference]
    post(client, f"{LANTERN}/use", do="back")
    assert stored(at).site.points == points
    assert len(entries(at, "site_brought_back")) == 1
    assert at.filed().plan.site.code == "LANTERN"


def test_a_name_that_another_site_has_is_said(at: Site, client: FlaskClient) -> None:
    """A text with it would be asked about; a code that is another's name is refused."""
    enter(client)
    post(client, f"{LANTERN}/copy", new_code="EAST", new_name="East Cove")

    noted = save(client, "/admin/sites/EAST", aliases="LANTERN")
    gull = save(client, "/admin/sites/EAST", aliases="gull")
    taken = save(client, code="GULL")

    assert "also means LANTERN" in noted.text
    assert gull.status_code == 303
    assert taken.status_code == 422
    assert "GULL is another name of EAST" in taken.text
