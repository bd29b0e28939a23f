"""What every gateway says of itself, whatever its wire format: what the settings say."""

from __future__ import annotations

from typing import Generic, Protocol, TypeVar

from service.domain.people import Channel
from service.operations.gateway import Carrier, Route


class SetUp(Carrier, Protocol):
    """One gateway in the settings, of whichever kind."""

    @property
    def sends_receipts(self) -> bool:
        """Whether a delivery receipt is to be expected for what it accepts."""
        ...


C = TypeVar("C", bound=SetUp)


class AsSetUp(Generic[C]):
    """A gateway that is as its settings say."""

    def __init__(self, config: C) -> None:
        self._config = config

    @property
    def name(self) -> str:
        """The name it has in the settings."""
        return self._config.name

    @property
    def channels(self) -> frozenset[Channel]:
        """The ways to a person that it can carry."""
        return self._config.channels

    @property
    def route(self) -> Route:
        """What it is used for."""
        return self._config.route

    @property
    def sends_receipts(self) -> bool:
        """Whether a delivery receipt is to be expected for what it accepts."""
        return self._config.sends_receipts
