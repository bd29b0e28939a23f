"""The schema of GPX 1.1 as Topografix published it, from the package that carries it."""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path

from lxml import etree


@cache
def schema() -> etree.XMLSchema:
    """The schema, ready to validate."""
    package = find_spec("gpx")
    assert package is not None
    assert package.origin is not None
    return etree.XMLSchema(etree.parse(Path(package.origin).with_name("gpx.xsd")))


def faults(document: bytes) -> list[str]:
    """What the schema finds wrong with a file; empty for a valid one."""
    parsed = etree.fromstring(document)
    return [] if schema().validate(parsed) else [str(error.message) for error in schema().error_log]
