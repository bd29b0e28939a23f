"""The log at the desk: looked through, stepped through, checked, taken out, and kept."""

from __future__ import annotations

import csv
import json
import re
from io import StringIO
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update
from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.operations import log_checking
from service.operations.admin_roles import AdminRole
from service.operations.checkpointing import write_checkpoint
from service.store import log, log_search
from service.store.tables import DiveRow
from tests.web.desk.entering import enter, post
from tests.web.desk.log_stage import CHAIN, append, checked_by_the_page, finished_dive, kinds, path_of
from tests.web.installation import Site


@pytest.fixture
def dive(at: Site) -> Dive:
    """A dive that was overdue, answered, and is over."""
    return finished_dive(at)


@pytest.fixture
def owner(client: FlaskClient) -> FlaskClient:
    """The owner at the desk."""
    enter(client)
    return client


def shown(page: str) -> list[str]:
    """What the entries on a page say."""
    return re.findall(r'<p class="what">(.*?)</p>', page, re.DOTALL)


def test_the_log_is_told_in_words_the_newest_first(owner: FlaskClient, dive: Dive) -> None:
    """Events of dives and what admins do stand in one line of time, with who did it; each opens as it was recorded."""
    page = owner.get("/admin/log").text

    said = [re.sub("<[^>]+>", "", words) for words in shown(page)]
    assert said.index("Anna Holt: All out.") < said.index("Cleo Marsh: Has the alarm and acts.")
    assert "Edda Rowe: Signed in at the desk." in said
    assert f'href="/admin/log/dive/{dive.id}?at=' in page
    assert "As recorded" in page
    assert "outcome: surfaced" in page


@pytest.mark.parametrize(
    ("asked", "there", "gone"),
    [
        ("who=cleo", "Has the alarm", "All out"),
        ("words=ALL+in+skerry", "", "All out"),
        ("words=surfaced", "All out", "Has the alarm"),
        ("words=surfaced+anna", "All out", "Has the alarm"),
        ("words=surfaced+cleo", "", "All out"),
        ("kind=event:acknowledged&kind=event:armed", "Has the alarm", "All out"),
        ("kind=event:closed&who=anna", "All out", "Has the alarm"),
        ("since=2027-06-02", "", "All out"),
        ("until=2027-05-31", "", "All out"),
        ("since=2027-06-01&until=2027-06-01", "All out", "nothing else"),
    ],
)
def test_the_log_is_narrowed_by_what_is_asked(
    owner: FlaskClient, dive: Dive, asked: str, there: str, gone: str
) -> None:
    """By who, words, kinds and days, alone and together; case does not matter."""
    assert dive.closed_at is not None
    found = " ".join(shown(owner.get(f"/admin/log?{asked}").text))

    assert there in found
    assert gone not in found


def test_a_reference_finds_the_entries_of_its_dives_alone(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """Nothing of another dive, nor of the club's own chain; one that nobody has finds nothing."""
    other = at.filed()
    # The reference of a dive that is over is free again, so the second may have been given it.
    assert other.reference != dive.reference
    page = owner.get(f"/admin/log?dive={dive.reference.lower()}").text

    assert "1 dive has that reference" in page
    assert other.id not in page
    assert "Signed in" not in page
    unknown = "2A" if "2A" not in (dive.reference, other.reference) else "3B"
    assert "There is no such entry" in owner.get(f"/admin/log?dive={unknown}").text


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("since=yesterday", "That is no day"),
        ("until=2027-13-01", "That is no day"),
        ("since=2027-06-03&until=2027-06-01", "before the first"),
        ("dive=XYZ", "That is no reference"),
    ],
)
def test_what_cannot_be_asked_is_said_and_stays_in_the_form(owner: FlaskClient, asked: str, words: str) -> None:
    """The field says what to write instead."""
    answer = owner.get(f"/admin/log?{asked}")

    assert answer.status_code == 422
    assert words in answer.text
    assert f'value="{asked.partition("=")[2].partition("&")[0]}"' in answer.text


def test_pages_follow_each_other_without_a_gap_or_a_double(at: Site, owner: FlaskClient) -> None:
    """Also where many entries are of one instant, and while new ones come in between."""
    now = at.clock.now()
    for number in range(120):
        append(at, number, at=now)
    numbers: list[int] = []
    path = "/admin/log?kind=noted"
    for _ in range(3):
        page = owner.get(path).text
        numbers += [int(found) for found in re.findall(r"Noted: number (\d+)", page)]
        append(at, 999)
        older = re.search(r'rel="next" href="([^"]+)"', page)
        path = older.group(1).replace("&amp;", "&") if older else path

    assert numbers == list(range(119, -1, -1))


@pytest.mark.parametrize("after", ["x", "2027-06-01T10:00:00.000000Z", "2027-99-01T10:00:00.000000Z.1", "1.1", "\x00"])
def test_a_place_that_somebody_made_up_is_the_newest_page(owner: FlaskClient, after: str) -> None:
    """Nothing fails for it."""
    assert owner.get("/admin/log", query_string={"after": after}).status_code == 200


def test_a_search_for_words_ends_after_so_many_entries_and_says_so(
    at: Site, owner: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says how far it looked, and goes on from there."""
    monkeypatch.setattr(log_search, "LOOKED_THROUGH_MAX", 20)
    append(at, 1, detail={"words": "needle in the \\hay\\"})
    for number in range(30):
        append(at, number)

    first = owner.get("/admin/log?words=needle&kind=noted").text
    older = re.search(r'rel="next" href="([^"]+)"', first)
    assert older is not None
    second = owner.get(older.group(1).replace("&amp;", "&")).text

    assert "20 entries were looked through, back to" in first
    assert "There is no such entry among those" in first
    assert "needle" in " ".join(shown(second))
    assert "\\hay" in " ".join(
        shown(owner.get("/admin/log?words=%5Chay&since=2027-06-01&kind=noted&after=").text + second)
    )


def test_words_of_strangers_are_only_words(at: Site, owner: FlaskClient) -> None:
    """Markup is shown, not done, and what would turn the line around is written out."""
    append(at, 1, kind="text_in", detail={"sender": "+44", "body": "<script>alert(1)</script> \u202eevil\x07"})

    page = owner.get("/admin/log").text

    assert "<script>alert" not in page
    assert "&lt;script&gt;" in page
    assert "[U+202E]evil[U+0007]" in page


def test_who_looks_at_the_log_is_in_it_and_does_not_fill_it(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """Once in ten minutes for the same; stepping through a dive is not looking anew."""
    for _ in range(3):
        owner.get("/admin/log?who=anna")
        owner.get(path_of(dive))
        owner.get(f"{path_of(dive)}?at=2")
    assert kinds(at).count("page_viewed") == 2

    at.clock.forward(11)
    owner.get("/admin/log")
    assert kinds(at).count("page_viewed") == 3
    assert f"Opened the log page of dive {dive.id}" in owner.get("/admin/log").text


def test_checking_finds_what_was_changed_behind_the_log(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """The page names the chain and what is wrong, for the dive and for the whole club."""
    wrong = update(DiveRow).where(DiveRow.id == dive.id).values(head_count=1)
    at.service.write(lambda session: session.execute(wrong))

    for path in (f"{path_of(dive)}/check", "/admin/log/check"):
        answer = post(owner, path)
        assert "The log was changed" in answer.text
        assert "differs from the fold in head_count" in answer.text


def test_checking_the_club_is_done_in_pieces(
    at: Site, owner: FlaskClient, dive: Dive, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each piece ends after its time; the next goes on behind it, until all dives were checked once."""
    dives = {dive.id, *(at.filed().id for _ in range(3))}
    seen: list[str] = []
    real = log.verify_dive

    def slow(session: Session, dive_id: str) -> Any:
        seen.append(dive_id)
        monkeypatch.setattr(log_checking.time, "monotonic", lambda: 1e12)  # its time is over
        return real(session, dive_id)

    monkeypatch.setattr(log, "verify_dive", slow)
    fields: dict[str, str] = {}
    for _ in range(6):
        monkeypatch.setattr(log_checking.time, "monotonic", lambda: 0.0)
        answer = post(owner, "/admin/log/check", **fields)
        found = dict(re.findall(r'name="(filed_at|dive_id)" value="([^"]+)"', answer.text))
        if not found:
            break
        fields = found

    assert sorted(seen) == sorted(dives)
    assert "No fault<" in answer.text


def test_a_chain_too_long_for_the_desk_is_left_to_the_command(
    at: Site, owner: FlaskClient, dive: Dive, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says which, and nothing hangs."""
    monkeypatch.setattr(log_checking, "DIVE_MAX", 3)
    monkeypatch.setattr(log_checking, "CLUB_MAX", 0)

    assert f"linetender audit verify --dive {dive.id}" in post(owner, f"{path_of(dive)}/check").text
    assert "Too long to check here" in post(owner, "/admin/log/check").text
    assert at.service.read(lambda session: log.verify_dive(session, dive.id)) == []


def test_the_log_of_a_period_is_taken_out_whole(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """The club's chain and its dives', each of which can be checked; nothing of another club, and days cut it."""
    append(at, 1, chain="club:far", club_id="far")
    answer = post(owner, "/admin/log/export", format="jsonl", who="cleo")
    lines = [json.loads(line) for line in answer.text.splitlines()]
    chains = {line["chain"] for line in lines}

    assert chains == {CHAIN, f"dive:{dive.id}"}
    for chain in chains:
        checked_by_the_page([line for line in lines if line["chain"] == chain])
    assert post(owner, "/admin/log/export", format="jsonl", since="2027-06-02").text == ""


def test_a_spreadsheet_runs_nothing_of_what_strangers_wrote(at: Site, owner: FlaskClient) -> None:
    """RFC 4180; a cell that would be a formula has an apostrophe before it."""
    odd = ["=cmd()", "+1", "-1+2", "@x", "\tx", "\uff1dx", 'a,"b"\r\nc']
    for kind in odd:
        append(at, 1, kind=kind)

    answer = post(owner, "/admin/log/export", format="csv")
    rows = list(csv.reader(StringIO(answer.text, newline="")))

    written = {row[3] for row in rows[1:]}
    assert rows[0][:4] == ["chain", "seq", "at", "kind"]
    assert {f"'{kind}" for kind in odd[:-1]} | {odd[-1]} <= written
    assert len({len(row) for row in rows}) == 1


def test_too_much_to_take_out_is_left_to_the_command(
    at: Site, owner: FlaskClient, dive: Dive, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Refused before anything is written, with what to do instead."""
    monkeypatch.setattr("service.operations.log_exporting.ENTRIES_MAX", 3)

    whole, one = post(owner, "/admin/log/export", format="csv"), post(owner, f"{path_of(dive)}/export", format="csv")

    for answer in (whole, one):
        assert answer.status_code == 422
        assert "linetender audit export --club skerry" in answer.text
    assert "log_exported" not in kinds(at)
    assert post(owner, "/admin/log/export", format="exe").status_code == 422
    assert post(owner, f"{path_of(dive)}/export", format="exe").status_code == 422


@pytest.mark.parametrize(
    ("typed", "status"), [("30", 303), ("0", 303), ("6", 422), ("3651", 422), ("-1", 422), ("x", 422)]
)
def test_an_owner_sets_how_long_detail_is_kept(at: Site, owner: FlaskClient, typed: str, status: int) -> None:
    """Within bounds, or 0 for good; what was typed stays."""
    answer = post(owner, "/admin/log/keeping", days=typed)

    assert answer.status_code == status
    page = answer.text if status == 422 else owner.get("/admin/log/keeping").text
    assert f'value="{typed}"' in page
    assert ("keep_days_set" in kinds(at)) is (status == 303)


def test_who_only_looks_is_offered_nothing_to_press(client: FlaskClient, dive: Dive) -> None:
    """A viewer sees the log; taking it out and keeping are for others."""
    enter(client, AdminRole.VIEWER)

    for path in ("/admin/log", path_of(dive), "/admin/log/keeping", "/admin/log/checkpoints"):
        page = client.get(path)
        assert page.status_code == 200
        assert 'class="deed"' not in page.text or path.endswith("checkpoints")


def test_a_hash_from_a_mail_is_found_or_not(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """A checkpoint's, an entry's of the club's chain, one that is neither, and one that is no hash."""
    assert dive.closed_at is not None
    write_checkpoint(at.service)
    page = owner.get("/admin/log/checkpoints").text
    hashes = re.findall(r'<span class="hash">([0-9a-f]{64})</span>', page)

    def compared(given: str) -> str:
        return owner.get("/admin/log/checkpoints", query_string={"hash": given}).text

    assert len(hashes) == 2
    assert "of the club's own chain" in compared(hashes[0])
    assert "That is checkpoint 1" in compared(f"{hashes[1][:32]} {hashes[1][32:].upper()}")
    assert "It is not in the log" in compared("ab" * 32)
    assert "That is no hash" in compared("12")
