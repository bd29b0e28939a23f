"""The tables of errors are whole: no code twice, something follows from each outcome, and the page says the same."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pytest

from service.gateways import form_post_codes, json_post_codes, smtp_codes
from service.gateways.answers import BLAME_BY_STATUS
from service.gateways.form_post_codes import CALL_ERRORS, TEXT_ERRORS
from service.operations.gateway import Blame
from service.operations.retrying import RULES

PAGE = Path(__file__).parents[2] / "docs" / "gateway-errors.md"
_ROW = re.compile(r"^\| (\d{5}) \| (.+) \| (\w+) \|$", re.MULTILINE)
TABLES: Mapping[str, Mapping[str, Blame] | Mapping[int, Blame]] = {
    "form-post": form_post_codes.BLAME_BY_CODE,
    "json-post": json_post_codes.BLAME_BY_CODE,
    "http": BLAME_BY_STATUS,
    "smtp status": smtp_codes.BLAME_BY_STATUS,
    "smtp reply": smtp_codes.BLAME_BY_REPLY,
}


def test_no_code_is_in_the_tables_twice() -> None:
    """Else the order of lines would decide what a refusal means."""
    codes = [code for code, _, _ in (*TEXT_ERRORS, *CALL_ERRORS)]

    assert len(codes) == len(set(codes))


def test_something_follows_from_every_outcome() -> None:
    """In the courier's rules, and in plain words on the page."""
    words = PAGE.read_text()

    for blame in Blame:
        assert blame in RULES
        assert f"\n| {blame} | " in words


@pytest.mark.parametrize("name", TABLES)
def test_every_table_speaks_in_our_outcomes(name: str) -> None:
    """Whatever the wire format."""
    assert TABLES[name]
    assert all(isinstance(blame, Blame) for blame in TABLES[name].values())


def test_the_page_for_people_says_what_the_code_does() -> None:
    """Row for row, in the same order."""
    written = [(code, words, outcome) for code, words, outcome in _ROW.findall(PAGE.read_text())]

    assert written == [(code, words, str(blame)) for code, blame, words in (*TEXT_ERRORS, *CALL_ERRORS)]
