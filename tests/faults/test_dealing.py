"""Two faults of chaos at once: neither ends the run because of the other, and both are taken back."""

from __future__ import annotations

import random
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import httpx
import psycopg
import pytest
import redis

from tests.faults.dealing import deal, heal
from tests.faults.fault import Fault
from tests.faults.of_outside import GatewayDrips
from tests.faults.rig import Gateway, Rig
from tests.servers.ports import free_port


class _Rig:
    """As much of a rig as these faults touch."""

    def __init__(self) -> None:
        self.frozen = False
        self.done: list[str] = []


class _Freezes(Fault):
    def inject(self, rig: Rig) -> None:
        cast("_Rig", rig).frozen = True

    def heal(self, rig: Rig) -> None:
        cast("_Rig", rig).frozen = False


class _NeedsIt(Fault):
    def inject(self, rig: Rig) -> None:
        self._do(cast("_Rig", rig), "inject", redis.TimeoutError("no answer"))

    def go_on(self, rig: Rig) -> None:
        self._do(cast("_Rig", rig), "go on", redis.TimeoutError("no answer"))

    def heal(self, rig: Rig) -> None:
        self._do(cast("_Rig", rig), "heal", psycopg.OperationalError("no answer"))

    @staticmethod
    def _do(rig: _Rig, what: str, error: Exception) -> None:
        if rig.frozen:
            raise error
        rig.done.append(what)


class _IsWrong(_NeedsIt):
    def inject(self, rig: Rig) -> None:
        raise ValueError(f"a mistake of its own, with {rig}")


FREEZES, NEEDS, WRONG = (kind(random.Random(0)) for kind in (_Freezes, _NeedsIt, _IsWrong))


@pytest.fixture
def rig() -> Rig:
    """Nothing is frozen."""
    return cast("Rig", _Rig())


def done(rig: Rig) -> list[str]:
    """What came about."""
    return cast("_Rig", rig).done


def test_one_that_another_keeps_from_what_it_needs_does_nothing(rig: Rig) -> None:
    """And is taken back after that one, in whichever order they began."""
    for faults in ([FREEZES, NEEDS], [NEEDS, FREEZES]):
        done(rig).clear()
        deal(faults, lambda fault, rig: fault.inject(rig), rig)
        deal(faults, lambda fault, rig: fault.go_on(rig), rig)
        heal(faults, rig)

        assert "go on" not in done(rig)
        assert done(rig)[-1] == "heal"
        assert not cast("_Rig", rig).frozen


def test_faults_of_a_gateway_that_is_away_do_nothing() -> None:
    """As by the real ones: an order to a gateway that was ended finds nobody."""
    rig = cast(
        "Rig", SimpleNamespace(gateways=[Gateway("shore", Path("journal"), free_port(), "http://127.0.0.1:9/in")])
    )
    faults = [GatewayDrips(random.Random(0)), FREEZES]

    deal(faults, lambda fault, rig: fault.inject(rig), rig)

    with pytest.raises(httpx.ConnectError):
        deal(faults[:1], lambda fault, rig: fault.inject(rig), rig)


def test_one_that_is_alone_and_cannot_act_ends_the_run(rig: Rig) -> None:
    """Else a run could play nothing and find nothing."""
    cast("_Rig", rig).frozen = True

    with pytest.raises(redis.TimeoutError):
        deal([NEEDS], lambda fault, rig: fault.inject(rig), rig)


def test_a_mistake_of_a_fault_ends_the_run(rig: Rig) -> None:
    """Beside others too."""
    with pytest.raises(ValueError, match="of its own, with"):
        deal([FREEZES, WRONG], lambda fault, rig: fault.inject(rig), rig)


def test_what_cannot_be_taken_back_at_all_ends_the_run(rig: Rig) -> None:
    """It would hold for the rest of it."""
    cast("_Rig", rig).frozen = True

    with pytest.raises(psycopg.OperationalError):
        heal([NEEDS], rig)
