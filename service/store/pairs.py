"""A table of two columns that goes along with a statement, so that one statement does the work of many."""

from __future__ import annotations

import json
from collections.abc import Mapping

from sqlalchemy import JSON, String, TableValuedAlias, cast, func, literal
from sqlalchemy.orm import Session


def pairs(session: Session, given: Mapping[str, str]) -> TableValuedAlias:
    """`given` as a table with the text columns `key` and `value`."""
    document = literal(json.dumps(given), String)
    if session.get_bind().dialect.name == "sqlite":
        return func.json_each(document).table_valued("key", "value", name="pairs")
    return func.json_each_text(cast(document, JSON)).table_valued("key", "value", name="pairs")
