"""Text that XML 1.0 can hold, and documents written with it."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

# All but the Char of XML 1.0, 2.2: control characters, lone surrogates and the two non-characters.
_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def legal(text: str) -> str:
    """The text without characters that no XML document may hold, not even escaped."""
    return _FORBIDDEN.sub("", text)


def child(parent: ET.Element, name: str, text: str | None = None, **attributes: str) -> ET.Element:
    """A new last child, with text where there is any."""
    element = ET.SubElement(parent, name, {key: legal(value) for key, value in attributes.items()})
    if text is not None:
        element.text = legal(text)
    return element


def document(root: ET.Element) -> bytes:
    """The whole document, indented, in UTF-8 with its declaration."""
    ET.indent(root)
    written: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return written + b"\n"
