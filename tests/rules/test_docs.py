"""What a person can set or type is in the documents."""

from __future__ import annotations

import re
from dataclasses import fields

from service.domain.texts.intent import Kind
from service.settings import PREFIX, Settings
from tests.rules.source import ROOT, modules


def document(name: str) -> str:
    """The text of one document; a missing one is a plain failure."""
    path = ROOT / name
    assert path.is_file(), f"{name} is missing"
    return path.read_text(encoding="utf-8")


def test_there_is_a_changelog() -> None:
    """Visible changes are told in CHANGELOG.md."""
    assert document("CHANGELOG.md").startswith("# ")


def settings() -> set[str]:
    """Every setting, whether a field of Settings or named in full anywhere in the code."""
    in_full = re.compile(rf"\b{PREFIX}[A-Z][A-Z_]*[A-Z]\b")
    named = {name for module in modules("service", "workers") for name in in_full.findall(module.text)}
    # Any setting may come from a file; that is explained once for all.
    return {PREFIX + field.name.upper() for field in fields(Settings)} | {name.removesuffix("_FILE") for name in named}


def test_every_setting_is_explained() -> None:
    """Each environment variable that the service reads is in docs/settings.md, by its full name."""
    explained = document("docs/settings.md")

    assert sorted(name for name in settings() if not re.search(rf"\b{name}\b", explained)) == []


def test_every_kind_of_text_is_explained() -> None:
    """Each meaning that a text can have is in docs/text-commands.md, by the name that the log uses."""
    explained = document("docs/text-commands.md")

    assert sorted(kind.value for kind in Kind if f"`{kind.value}`" not in explained) == []
