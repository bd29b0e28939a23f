"""What goes wrong with copies."""

from __future__ import annotations


class CopyError(Exception):
    """A copy could not be taken or put in place; in words for whoever asked. What was there before is still there."""
