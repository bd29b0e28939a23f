"""Reading the texts that people send us."""

from service.domain.texts.intent import Intent, Kind
from service.domain.texts.reading import read
from service.domain.texts.signed import is_name

__all__ = ["Intent", "Kind", "is_name", "read"]
