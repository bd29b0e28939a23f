"""The agreed readings of texts, and how an intent is compared with them."""

from __future__ import annotations

import csv
import json
from dataclasses import fields
from pathlib import Path
from typing import Any

from service.domain.texts import Intent

AGREED = Path(__file__).parents[1] / "data" / "inbound_texts.csv"


def agreed_readings() -> list[tuple[str, str, dict[str, Any]]]:
    """The readings that everybody who works on texts has agreed on: text, kind and fields."""
    with AGREED.open(encoding="utf-8", newline="") as rows:
        return [(row["text"], row["intent"], json.loads(row["fields"])) for row in csv.DictReader(rows)]


def given_fields(intent: Intent) -> dict[str, Any]:
    """The fields that an intent has, but for its kind."""
    found = {field.name: getattr(intent, field.name) for field in fields(intent) if field.name != "kind"}
    return {name: value for name, value in found.items() if value is not None}
