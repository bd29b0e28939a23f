"""What a spreadsheet may take for a formula, beside what the writer of our CSV files takes care of (CWE-1236)."""

from __future__ import annotations

from typing import Final

FULL_WIDTH: Final = "\uff1d\uff0b\uff0d\uff20"  # equals, plus, minus, at: some programs take them for the usual ones
ALSO_FORMULA: Final = ("\t", "\r", "\n", *FULL_WIDTH)
"""How such a cell begins: https://owasp.org/www-community/attacks/CSV_Injection."""


def no_formula(cell: str) -> str:
    """The cell, with an apostrophe before it where it would be one."""
    return f"'{cell}" if cell.startswith(ALSO_FORMULA) else cell
