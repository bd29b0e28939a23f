"""One dive's log at the desk: stepped through, checked, taken out, and kept."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update

from service.documents.dive_log_pdf import both
from service.domain.dive import Dive
from service.operations.checkpointing import write_checkpoint
from service.operations.retention import erase_past
from service.store import health, log
from service.store.tables import DiveRow, MessageRow, SiteRow
from tests.documents.test_pack_pdf import pages_of
from tests.web.desk.entering import enter, post
from tests.web.desk.log_stage import CHAIN, append, checked_by_the_page, finished_dive, kinds, path_of
from tests.web.installation import Site

DOCS = Path(__file__).parents[3] / "docs"


@pytest.fixture
def dive(at: Site) -> Dive:
    """A dive that was overdue, answered, and is over."""
    return finished_dive(at)


@pytest.fixture
def owner(client: FlaskClient) -> FlaskClient:
    """The owner at the desk."""
    enter(client)
    return client


def test_a_dive_is_stepped_through_with_what_was_believed_then(owner: FlaskClient, dive: Dive) -> None:
    """Phase, times, who was alerted and had answered, as they were after that very entry."""
    entries = {}
    page = owner.get(path_of(dive)).text
    for seq, words in re.findall(r'id="entry-(\d+)".*?<p class="what">(.*?)</p>', page, re.DOTALL):
        entries[re.sub("<[^>]+>", "", words)] = int(seq)

    def believed(seq: int) -> str:
        text = owner.get(f"{path_of(dive)}?at={seq}").text
        found = re.search(r'<section class="believed".*?</section>', text, re.DOTALL)
        assert found is not None
        return re.sub(r"\s+", " ", re.sub("<[^>]+>", " ", found.group()))

    filed, alerted = believed(1), believed(entries["the clock: Alerted: Cleo Marsh."])
    answered, closed = believed(entries["Cleo Marsh: Has the alarm and acts."]), believed(len(entries))
    assert "Stood at Filed" in filed
    assert "Raise-by" not in filed
    assert "Stood at Alarm" in alerted
    assert "Cleo Marsh: alerted 11:06 Dov" in alerted.replace("  ", " ")
    assert "Dov Lind: not alerted" in alerted
    assert "Cleo Marsh: alerted 11:06, answered 11:06" in answered
    assert "47.12345" in answered  # they went in there
    assert "Stood at All out" in closed


def test_steps_lead_from_change_to_change_and_end_at_both_ends(owner: FlaskClient, dive: Dive) -> None:
    """By links that a keyboard reaches too; a number out of range is the nearest there is."""
    seqs, path = [], f"{path_of(dive)}?at=999999"
    for _ in range(30):
        page = owner.get(path).text
        found = re.search(r'rel="prev" href="([^"]+)"', page)
        seqs.append(int(re.search(r"After entry (\d+)", page).group(1)))  # type: ignore[union-attr]
        if found is None:
            break
        path = found.group(1).partition("#")[0]

    assert seqs == sorted(seqs, reverse=True)
    assert seqs[-1] == 1
    assert "No change before" in page
    assert len(set(seqs)) == len(seqs) > 5
    for odd in ("0", "-1", "x", "9" * 40):
        assert owner.get(f"{path_of(dive)}?at={odd}").status_code == 200


def test_a_long_dive_is_shown_a_hundred_entries_at_a_time(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """Around the entry where one stands, with ways to both sides."""
    for _ in range(230):
        append(at, 1, chain=f"dive:{dive.id}", dive_id=dive.id)

    page = owner.get(f"{path_of(dive)}?at=150").text

    assert page.count('<li class="entry') == 100
    assert "Earlier entries" in page
    assert "Later entries" in page


def test_checking_a_dive_says_that_it_is_as_it_was_written(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """And that it was checked is logged."""
    answer = post(owner, f"{path_of(dive)}/check")

    assert "exactly the fold of its events" in answer.text
    assert kinds(at)[-1] == "log_checked"


def test_a_third_party_can_check_the_lines_of_a_dive(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """With SHA-256 and the recipe in the manual, and none of our code; that they were taken out is logged first."""
    answer = post(owner, f"{path_of(dive)}/export", format="jsonl")
    lines = [json.loads(line) for line in answer.text.splitlines()]

    head = checked_by_the_page(lines)

    assert answer.mimetype == "application/jsonl"
    assert f'filename="linetender-{dive.reference}-log.jsonl"' in answer.headers["Content-Disposition"]
    assert head in owner.get(path_of(dive)).text
    [out] = [
        entry for entry in at.service.read(lambda session: log.entries(session, CHAIN))[-3:] if "export" in entry.kind
    ]
    assert out.detail == {"what": f"the log of dive {dive.id}", "format": "jsonl", "entries": len(lines)}


def test_the_program_in_the_manual_checks_an_export(at: Site, owner: FlaskClient, dive: Dive, tmp_path: Path) -> None:
    """As it stands there, on a file as it was taken out: it finds a changed word and a gap, and an erasure sound."""
    [program] = re.findall(r"```python\n(.*?)```", (DOCS / "log.md").read_text(encoding="utf-8"), re.DOTALL)
    (tmp_path / "check.py").write_text(program, encoding="utf-8")
    whole = post(owner, f"{path_of(dive)}/export", format="jsonl").text
    at.service.write(lambda session: log.erase_details(session, dive.id))
    erased = post(owner, f"{path_of(dive)}/export", format="jsonl").text

    def run(text: str) -> tuple[int, str]:
        (tmp_path / "log.jsonl").write_text(text, encoding="utf-8")
        done = subprocess.run(
            [sys.executable, "check.py", "log.jsonl"], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        return done.returncode, done.stdout + done.stderr

    head = json.loads(whole.splitlines()[-1])
    assert run(whole) == (0, f"dive:{dive.id} {head['seq']} {head['hash']}\n")
    assert run(erased) == run(whole)
    assert "detail of entry 1 was changed" in run(whole.replace("Green van", "Blue van"))[1]
    assert (
        "a gap after entry 1"
        in run("".join(whole.splitlines(keepends=True)[:1] + whole.splitlines(keepends=True)[2:]))[1]
    )


def test_the_report_of_a_dive_holds_facts_timeline_messages_and_every_hash(
    at: Site, owner: FlaskClient, dive: Dive
) -> None:
    """On paper, with times at the site and in UTC, and how to check it."""
    write_checkpoint(at.service)
    answer = post(owner, f"{path_of(dive)}/export", format="pdf")
    text = " ".join(pages_of(answer.data))
    entries = at.service.read(lambda session: log.entries(session, log.dive_chain(dive.id)))

    assert answer.mimetype == "application/pdf"
    for words in ("Lantern Steps", "Anna Holt", "Cleo Marsh", "Has the alarm and acts.", "All out", "Green van"):
        assert words in text, words
    assert "2027-06-01 11:06:00 (11:06:00 UTC)" in text
    assert all(entry.hash in text for entry in entries)
    assert text.count(entries[-1].hash) >= 2
    assert "How to check this by yourself" in text
    assert "start_notice" in text or "start notice" in text or "OVERDUE" in text
    assert kinds(at)[-1] == "log_exported"


@pytest.mark.parametrize(
    ("zone", "at", "written"),
    [
        ("America/Los_Angeles", "2027-06-02 03:30:00", "2027-06-01 20:30:00 (2027-06-02 03:30:00 UTC)"),
        ("America/Los_Angeles", "2027-06-02 06:59:59", "2027-06-01 23:59:59 (2027-06-02 06:59:59 UTC)"),
        ("America/Los_Angeles", "2027-06-02 07:00:00", "2027-06-02 00:00:00 (07:00:00 UTC)"),
        ("Pacific/Auckland", "2027-06-01 11:59:59", "2027-06-01 23:59:59 (11:59:59 UTC)"),
        ("Pacific/Auckland", "2027-06-01 12:00:00", "2027-06-02 00:00:00 (2027-06-01 12:00:00 UTC)"),
        ("Atlantic/Reykjavik", "2027-06-01 23:59:59", "2027-06-01 23:59:59 (23:59:59 UTC)"),
    ],
)
def test_a_time_on_paper_has_the_date_of_the_site_and_that_of_utc_where_it_is_another(
    zone: str, at: str, written: str
) -> None:
    """Each time stands by its own date."""
    assert both(datetime.fromisoformat(f"{at}+00:00"), zone) == written


def test_a_report_never_joins_the_time_of_one_day_to_the_date_of_another(at: Site, owner: FlaskClient) -> None:
    """An evening dive in the west is in UTC of the day after: its facts, messages and its erasing have both dates."""
    west = update(SiteRow).values(zone="America/Los_Angeles")
    at.service.write(lambda session: session.execute(west))
    at.clock.forward(17 * 60 + 30)  # 03:30 UTC
    dive = finished_dive(at)
    enter(owner)

    text = " ".join(pages_of(post(owner, f"{path_of(dive)}/export", format="pdf").data))
    post(owner, "/admin/log/keeping", days="7")
    at.clock.forward(60 * 24 * 8)
    erase_now(at)
    enter(owner)
    checked = post(owner, f"{path_of(dive)}/check").text
    erased = " ".join(pages_of(post(owner, f"{path_of(dive)}/export", format="pdf").data))

    assert text.count("2027-06-01 20:30:00 (2027-06-02 03:30:00 UTC)") > 1
    assert "Raise-by time 2027-06-01 21:35:00 (2027-06-02 04:35:00 UTC)" in text
    assert "20:30 on" not in text
    assert re.search(r"detail was erased on 2027-06-09 21:46:00\s+\(2027-06-10 04:46:00 UTC\)", erased)
    assert "Its details were erased 21:46, so" in checked


def test_a_dive_is_kept_for_a_reason_and_let_go(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """By an owner; both are logged, and the page of what is kept has it."""
    refused = post(owner, f"{path_of(dive)}/keep", reason=" x ")
    kept = post(owner, f"{path_of(dive)}/keep", reason="The inquiry of June")
    again = post(owner, f"{path_of(dive)}/keep", reason="The inquiry of June")

    assert (refused.status_code, kept.status_code, again.status_code) == (422, 303, 422)
    assert "Say why" in refused.text
    assert 'value=" x "' in refused.text
    assert "The inquiry of June" in owner.get("/admin/log/keeping").text
    assert "Kept whole" in owner.get(path_of(dive)).text
    assert post(owner, f"{path_of(dive)}/keep", do="let_go").status_code == 303
    assert post(owner, f"{path_of(dive)}/keep", do="let_go").status_code == 422
    assert [kind for kind in kinds(at) if "dive_" in kind] == ["dive_kept", "dive_let_go"]


def test_an_erased_dive_says_so_everywhere(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """On its page, in what was believed, in the check, in a report, and when one wants to keep it."""
    post(owner, "/admin/log/keeping", days="7")
    at.clock.forward(60 * 24 * 8)
    erase_now(at)

    enter(owner)
    page = owner.get(path_of(dive)).text
    assert "Its personal detail was erased" in page
    assert "nobody can say any more what was believed" in page
    assert "Anna Holt" not in page
    checked = post(owner, f"{path_of(dive)}/check").text
    assert "cannot be folded again" in checked
    assert "No fault<" in post(owner, "/admin/log/check").text
    report = " ".join(pages_of(post(owner, f"{path_of(dive)}/export", format="pdf").data))
    assert "Its personal detail was erased on 2027-06-09" in report
    assert post(owner, f"{path_of(dive)}/keep", reason="too late").status_code == 422
    lines = [json.loads(line) for line in post(owner, f"{path_of(dive)}/export", format="jsonl").text.splitlines()]
    checked_by_the_page(lines)
    assert "1 dives" in owner.get("/admin/log/keeping").text


def erase_now(at: Site) -> None:
    """One round of the job, which had run for a day; nothing waits any more for a courier, of whom there is none."""
    told = update(MessageRow).values(state="handed")
    at.service.write(lambda session: session.execute(told))
    before = at.clock.now() - timedelta(hours=1)
    since = (before - timedelta(days=2)).isoformat()
    at.service.write(lambda session: health.set_back(session, "retention", before, since))
    assert erase_past(at.service).dives == 1


def test_a_dive_that_cannot_be_read_still_has_its_log(at: Site, owner: FlaskClient, dive: Dive) -> None:
    """The entries are there, and what was believed is worked out from them."""
    broken = update(DiveRow).where(DiveRow.id == dive.id).values(state="{")
    at.service.write(lambda session: session.execute(broken))

    page = owner.get(path_of(dive))

    assert page.status_code == 200
    assert "Stood at" in page.text
    assert owner.get("/admin/log").status_code == 200
    assert post(owner, f"{path_of(dive)}/export", format="pdf").status_code == 200


@pytest.mark.parametrize("path", ["", "/check", "/export", "/keep"])
def test_a_dive_of_nobody_is_not_there(owner: FlaskClient, path: str) -> None:
    """404, by every way."""
    answer = post(owner, f"/admin/log/dive/none{path}") if path else owner.get("/admin/log/dive/none")

    assert answer.status_code == 404
