"""Problem details for programs (RFC 9457)."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
from flask import Response

PROBLEM_TYPE = "application/problem+json"


class FieldProblem(msgspec.Struct, frozen=True):
    """What is wrong with one field, in words for the person who filled it in."""

    field: str
    words: str


class Problem(msgspec.Struct, frozen=True, omit_defaults=True):
    """Why a request was not done. `code` is constant, for programs; `detail` is for people."""

    type: str
    title: str
    status: int
    detail: str | None = None
    code: str | None = None
    errors: tuple[FieldProblem, ...] = ()


def problem(
    status: int,
    title: str,
    detail: str | None = None,
    *,
    code: str | None = None,
    errors: Sequence[FieldProblem] = (),
) -> Response:
    """The answer that says why not."""
    body = Problem(type="about:blank", title=title, status=status, detail=detail, code=code, errors=tuple(errors))
    return Response(msgspec.json.encode(body), status=status, content_type=PROBLEM_TYPE)
