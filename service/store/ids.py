"""Names for new rows."""

from __future__ import annotations

import uuid


def new_id() -> str:
    """32 hexadecimal digits, 122 of their bits by chance; no secret."""
    return uuid.uuid4().hex
