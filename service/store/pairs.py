"""A table of two columns that goes along with a statement, so that one statement does the work of many."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Final

from sqlalchemy import JSON, String, TableValuedAlias, bindparam, cast, func

_GIVEN: Final = "pairs"


def pairs(*, on_sqlite: bool) -> TableValuedAlias:
    """A table with the text columns `key` and `value`, of what `paired` gives when the statement runs."""
    document = bindparam(_GIVEN, type_=String())
    if on_sqlite:
        return func.json_each(document).table_valued("key", "value", name="pairs")
    return func.json_each_text(cast(document, JSON)).table_valued("key", "value", name="pairs")


def paired(given: Mapping[str, str]) -> dict[str, str]:
    """The parameter of a statement with `pairs` in it."""
    return {_GIVEN: json.dumps(given)}
