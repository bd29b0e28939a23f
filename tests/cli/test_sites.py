"""Sites from the command line: listed, written to files, taken from files, refused in plain lines."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.store import log, sites
from service.store.engine import open_engine, writing
from service.store.seed import seed
from tests.cli.conftest import Run
from tests.cli.test_admins import CLUB, looking
from tests.servers.migrated import lay_migrated
from tests.store.examples import NOW

TIDES = "at,height_m,high_or_low\n2031-06-01T10:00+01:00,4.1,high\n2031-06-01T16:10,1.2,low\n"


@pytest.fixture
def ready(run: Run, environment: dict[str, str]) -> Run:
    """A command line on a database with the demo's club and its sites."""
    lay_migrated(environment["DATABASE_URL"])
    engine = open_engine(environment["DATABASE_URL"])
    with writing(engine) as session:
        seed(session, NOW, admin_password="practice")
    engine.dispose()
    return run


def site_name(environment: dict[str, str], code: str) -> str | None:
    """What the site of that code is called now."""
    with looking(environment) as session:
        row = sites.find(session, "skerry-bay", code)
        return None if row is None else row.name


def test_the_list_has_a_line_for_each_site(ready: Run) -> None:
    """Code, name, position, zone, points and until when its tides are known."""
    result = ready("site", "list", "--club", "skerry-bay")

    assert result.exit_code == 0
    first, *others = result.output.splitlines()
    assert first == (
        "KELP  Kelp Garden  47.10873,-20.51240  Europe/London  1 entry, 3 exit, 1 vehicle_access, 1 parking, 1 signal"
        "  tides until 2027-06-29"
    )
    assert [line.split()[0] for line in others] == ["LANTERN", "SLIP"]


@pytest.mark.parametrize("form", ["geojson", "gpx"])
def test_a_site_goes_to_a_file_and_comes_back(
    ready: Run, environment: dict[str, str], tmp_path: Path, form: str
) -> None:
    """The club may be left out while there is one; the import is in its log, with who did it."""
    file = tmp_path / f"slip.{form}"
    shown = ready("site", "export", "--code", "slip", "--format", form)
    assert ready("site", "export", "--code", "slip", "--format", form, "--out", str(file)).exit_code == 0
    assert file.read_text(encoding="utf-8") == shown.output

    result = ready("site", "import", str(file))

    assert result.exit_code == 0
    assert result.output.startswith("Site replaced: SLIP  North Slip")
    with looking(environment) as session:
        entries = [one for one in log.entries(session, log.club_chain("skerry-bay")) if one.kind == "site_imported"]
    assert [one.actor["role"] for one in entries if one.actor] == ["operator"]


def test_a_file_is_checked_without_a_change(ready: Run, environment: dict[str, str], tmp_path: Path) -> None:
    """What would happen is said, also what is left out; a new code would make a new site."""
    file = tmp_path / "east.geojson"
    given = json.loads(ready("site", "export", "--code", "SLIP").output)
    given["site"] |= {"name": "East Slip", "colour": "grey"}
    del given["site"]["code"]
    file.write_text(json.dumps(given), encoding="utf-8")

    known = ready("site", "import", str(file), "--code", "slip", "--check")
    new = ready("site", "import", str(file), "--code", "east", "--check")

    assert (known.exit_code, new.exit_code) == (0, 0)
    assert known.stdout.startswith("Site would be replaced: SLIP  East Slip")
    assert known.stderr == 'linetender: note: site: "colour" is not known and was left out.\n'
    assert "Site would be added: EAST  East Slip" in new.output
    assert site_name(environment, "SLIP") == "North Slip"
    assert site_name(environment, "EAST") is None

    assert "Site added: EAST" in ready("site", "import", str(file), "--code", "east").output
    assert site_name(environment, "EAST") == "East Slip"


def test_a_bad_file_is_told_line_by_line_and_changes_nothing(
    ready: Run, environment: dict[str, str], tmp_path: Path
) -> None:
    """Each bad feature is a line; exit status 1."""
    file = tmp_path / "slip.geojson"
    given = json.loads(ready("site", "export", "--code", "SLIP").output)
    given["site"]["name"] = "East Slip"
    given["features"][0]["properties"]["ease"] = 9
    given["features"][1]["geometry"]["coordinates"].reverse()
    file.write_text(json.dumps(given), encoding="utf-8")

    result = ready("site", "import", str(file))

    assert result.exit_code == 1
    lines = result.stderr.splitlines()
    assert lines[0].startswith("linetender: slip.geojson: feature 1 of 8 (Slipway): ")
    assert lines[1].startswith("linetender: slip.geojson: feature 2 of 8 (Slipway): ")
    assert lines[2:] == ["linetender: nothing was changed"]
    assert site_name(environment, "SLIP") == "North Slip"


def test_ten_megabytes_are_refused_without_being_read(ready: Run, tmp_path: Path) -> None:
    """Only as much is read as shows that it is too large."""
    file = tmp_path / "large.gpx"
    file.write_bytes(b" " * 10_000_000)

    result = ready("site", "import", str(file), "--code", "SLIP")

    assert result.exit_code == 1
    assert "large.gpx: file: It has more than 1 MB" in result.stderr


def test_tides_are_checked_taken_and_given_out(ready: Run, tmp_path: Path) -> None:
    """A list of a later year stands beside what is known."""
    file, out = tmp_path / "tides.csv", tmp_path / "out.csv"
    file.write_text(TIDES, encoding="utf-8")

    checked = ready("site", "tides", "--code", "kelp", "--check", str(file))
    before = ready("site", "tides", "--code", "kelp").output
    taken = ready("site", "tides", "--code", "kelp", str(file))
    assert ready("site", "tides", "--code", "kelp", "--out", str(out)).exit_code == 0

    span = "2031-06-01 09:00 to 2031-06-01 15:10 UTC"
    assert checked.output == f"2 high and low waters would be taken, {span}.\n"
    assert taken.output == f"2 high and low waters taken, {span}.\n"
    assert "2031" not in before
    assert out.read_bytes().endswith(b"2031-06-01T10:00:00+01:00,4.1,high\r\n2031-06-01T16:10:00+01:00,1.2,low\r\n")


def test_a_bad_list_of_tides_is_told_line_by_line(ready: Run, tmp_path: Path) -> None:
    """By the number of the line; exit status 1."""
    file = tmp_path / "tides.csv"
    file.write_text(TIDES.replace("1.2", "low"), encoding="utf-8")

    result = ready("site", "tides", "--code", "kelp", str(file))

    assert result.exit_code == 1
    assert "tides.csv: line 3: The height is a number" in result.stderr
    assert "nothing was changed" in result.stderr


@pytest.mark.parametrize(
    "arguments",
    [("site", "export", "--code", "ATLANTIS"), ("site", "tides", "--code", "ATLANTIS")],
    ids=lambda arguments: arguments[1],
)
def test_a_site_that_is_not_there_is_one_plain_line(ready: Run, arguments: tuple[str, ...]) -> None:
    """It says where to look."""
    result = ready(*arguments)

    assert result.exit_code == 1
    assert result.stderr == "linetender: the club has no site ATLANTIS: see linetender site list\n"


def test_a_file_that_cannot_be_written_is_one_plain_line(ready: Run, tmp_path: Path) -> None:
    """The directory may be missing."""
    result = ready("site", "export", "--code", "SLIP", "--out", str(tmp_path / "missing" / "slip.geojson"))

    assert result.exit_code == 1
    assert "cannot be written" in result.stderr


def test_of_several_clubs_one_must_be_named(ready: Run) -> None:
    """It lists them."""
    second = list(CLUB)
    second[second.index("--id") + 1] = "north-slip"
    second[second.index("--receiving-number") + 1] = "07700 900501"
    assert ready(*second).exit_code == 0

    result = ready("site", "list")

    assert result.exit_code == 1
    assert "north-slip, skerry-bay" in result.stderr
    assert ready("site", "list", "--club", "north-slip").output == ""
