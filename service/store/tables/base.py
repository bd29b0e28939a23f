"""What all tables share."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, ClassVar

from sqlalchemy import JSON, BigInteger, Integer, MetaData
from sqlalchemy.orm import DeclarativeBase, mapped_column

from service.store.types import UTCDateTime, Words

# SQLite numbers rows by itself only in a column that is exactly INTEGER.
Number = Annotated[int, mapped_column(BigInteger().with_variant(Integer, "sqlite"), primary_key=True)]

Json = dict[str, Any]


class Base(DeclarativeBase):
    """Names every constraint, so that a migration can speak of it on both databases."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        datetime: UTCDateTime,
        str: Words,
        dict[str, Any]: JSON(none_as_null=True),
        list[str]: JSON,
        list[dict[str, Any]]: JSON,
    }
