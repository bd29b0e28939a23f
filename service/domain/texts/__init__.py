"""Reading the texts that people send us."""

from service.domain.texts.intent import Intent, Kind
from service.domain.texts.reading import read

__all__ = ["Intent", "Kind", "read"]
