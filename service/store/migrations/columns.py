"""Short names for columns in migrations.

Frozen: a migration must go on making what it made, so a change of the column types gets names of its own.
"""

from __future__ import annotations

from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.types import TypeEngine

INSTANT: Final = sa.DateTime(timezone=True).with_variant(sa.BigInteger(), "sqlite")
NUMBER: Final = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT: Final = sa.Text()
INTEGER: Final = sa.Integer()
DOUBLE: Final[sa.Double[float]] = sa.Double()
BOOLEAN: Final = sa.Boolean()
JSON: Final = sa.JSON()


def given(kind: TypeEngine[Any], *names: str) -> list[sa.Column[Any]]:
    """Columns that always have a value."""
    return [sa.Column(name, kind, nullable=False) for name in names]


def maybe(kind: TypeEngine[Any], *names: str) -> list[sa.Column[Any]]:
    """Columns that may be empty."""
    return [sa.Column(name, kind, nullable=True) for name in names]
