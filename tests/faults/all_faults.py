"""Every kind of fault that a chaos run may draw."""

from __future__ import annotations

from typing import Final

from tests.faults import of_broker, of_database, of_outside, of_processes
from tests.faults.fault import Fault

FAULTS: Final[tuple[type[Fault], ...]] = (*of_processes.ALL, *of_broker.ALL, *of_database.ALL, *of_outside.ALL)
