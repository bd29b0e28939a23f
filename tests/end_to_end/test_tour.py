"""The tour plays to its end on both databases: every phone that was told anything hears that it is over."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pypdfium2
import pytest

from service.demo.children import end_left_over
from service.demo.directory import Directory
from service.demo.tour import BY_BROWSER, BY_TEXT
from service.domain.place.position import decimal
from tests.documents import cap_schema, gpx_schema
from tests.end_to_end.evidence import ends_of_logs, shown_on_failure
from tests.end_to_end.installation import ROOT, as_if_nothing_was_set
from tests.servers.postgres import Postgres

pytestmark = pytest.mark.processes

PACE = "120"
PLAYS_WITHIN_S = 180.0
ENDS_WITHIN_S = 60.0
EDDA_READS = ("Edda Rowe", "C'est fini")  # by text, in her language


@dataclass(frozen=True)
class Tour:
    """A tour that plays: its process, where it writes what it prints, and its data."""

    process: subprocess.Popen[bytes]
    prints: Path
    data: Path

    def play(self) -> str:
        """What it printed; fails unless it ended well."""
        with shown_on_failure(lambda: ends_of_logs(self.prints.parent), lambda: ends_of_logs(self.data / "logs")):
            assert self.process.wait(PLAYS_WITHIN_S) == 0
        return self.prints.read_text(encoding="utf-8")

    def end(self) -> None:
        """End it and all that it started, if it still plays."""
        if self.process.poll() is None:
            self.process.terminate()
        try:
            self.process.wait(ENDS_WITHIN_S)
        finally:
            self.process.kill()
            self.process.wait()
            end_left_over(Directory(self.data).read("processes.json") or {}, 0.0)


def begin(directory: Path, database_url: str | None) -> Tour:
    """Have a tour play on that database, or on its own."""
    data, prints = directory / "data", directory / "tour.log"
    with prints.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "service.cli", "tour", "--pace", PACE, "--data", str(data)],
            cwd=ROOT,
            env=as_if_nothing_was_set(directory) | ({"DATABASE_URL": database_url} if database_url else {}),
            stdout=out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    return Tour(process, prints, data)


@pytest.fixture(scope="module")
def tours(tmp_path_factory: pytest.TempPathFactory, postgres_server: Postgres) -> Iterator[dict[str, Tour]]:
    """One tour on each database, both playing at once since they mostly wait."""
    name = postgres_server.create_database()
    urls = {"sqlite": None, "postgresql": postgres_server.url(name)}
    with ExitStack() as ends:
        ends.callback(postgres_server.drop_database, name)
        playing: dict[str, Tour] = {}
        for kind, url in urls.items():
            playing[kind] = begin(tmp_path_factory.mktemp(kind), url)
            ends.callback(playing[kind].end)
        yield playing


@pytest.mark.parametrize("kind", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_the_tour_ends_with_the_stand_down_everywhere(kind: str, tours: dict[str, Tour]) -> None:
    """Exit status 0, each step is in the conversation, and the log verifies."""
    printed = tours[kind].play()

    for step in ("ARMED", "OVERDUE", "CALL RESCUE NOW", "RESCUE CALLED", "It is over", "no fault"):
        assert step in printed
    assert "agree on who, how many, where and when" in printed
    for name, words in (
        ("Bram Vik", "It is over"),
        ("Cleo Marsh", "It is over"),
        ("Dov Lind", "It is over"),
        EDDA_READS,
    ):
        assert [line for line in printed.splitlines() if f"-> {name}:" in line and words in line]
    assert "-> Cleo Marsh (e-mail): " in printed
    assert "-> Edda Rowe (calls): " in printed


@pytest.mark.parametrize("kind", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_the_files_of_the_pack_say_what_the_alert_said(kind: str, tours: dict[str, Tour]) -> None:
    """Paper of two pages and files by their schemas, with the position that the browser sent, not the texted one."""
    alert = next(line for line in tours[kind].play().splitlines() if "-> Dov Lind:" in line and "OVERDUE: " in line)
    files = tours[kind].data / "tour" / "pack"
    with pypdfium2.PdfDocument(files / "pack.pdf") as paper:
        assert len(paper) == 2
        words = " ".join(paper[0].get_textpage().get_text_bounded().split())

    position = decimal(BY_BROWSER)
    due_out = re.findall(r"due out (?:\w{3} \d{1,2} \w{3} )?(\d\d:\d\d)", alert)[0]
    for text in (alert, words, (files / "pack.xml").read_text(encoding="utf-8")):
        for fact in ("Anna Holt", "2 divers", "Lantern Cove", position, due_out):
            assert fact in text
        assert decimal(BY_TEXT) not in text
    assert cap_schema.faults((files / "pack.xml").read_bytes()) == []
    assert gpx_schema.faults((files / "pack.gpx").read_bytes()) == []
