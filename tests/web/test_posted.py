"""The address over which a post was signed, whatever server or proxy stands before us."""

from __future__ import annotations

import pytest
from flask import Flask

from service.web.posted import raw_target

PATH = "/inbound/shore/call/m 1/key"


@pytest.mark.parametrize(
    ("environ", "target"),
    [
        ({"RAW_URI": "/inbound/shore/call/m%201/key?a=%2B"}, "/inbound/shore/call/m%201/key?a=%2B"),
        ({"RAW_URI": "https://dive.example/in%20?a=1"}, "/in%20?a=1"),
        ({"RAW_URI": "http://dive.example/in"}, "/in"),
        ({"RAW_URI": "", "REQUEST_URI": "/in%2f"}, "/in%2f"),
        ({"RAW_URI": "", "REQUEST_URI": ""}, "/inbound/shore/call/m%201/key?b=2"),
    ],
    ids=["raw", "whole address", "whole address without a query", "other servers' name", "none told"],
)
def test_the_address_is_taken_as_it_came_over_the_wire(environ: dict[str, str], target: str) -> None:
    """A signature covers the letters of the address, so that none may be written in another way."""
    with Flask("posted").test_request_context(PATH, query_string="b=2", environ_overrides=environ):
        assert raw_target() == target


def test_without_a_query_there_is_no_question_mark() -> None:
    """Where the server does not tell, the path is written as everybody writes it."""
    with Flask("posted").test_request_context(PATH, environ_overrides={"RAW_URI": "", "REQUEST_URI": ""}):
        assert raw_target() == "/inbound/shore/call/m%201/key"
