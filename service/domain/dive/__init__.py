"""The dive: commands in, events out, and the state that the events fold to."""

from service.domain.dive.commands import Command, Refusal
from service.domain.dive.decide import Decision, decide
from service.domain.dive.events import Event, Outcome
from service.domain.dive.evolve import evolve
from service.domain.dive.state import Dive, Phase
from service.domain.dive.ticking import next_due_at, tick

__all__ = [
    "Command",
    "Decision",
    "Dive",
    "Event",
    "Outcome",
    "Phase",
    "Refusal",
    "decide",
    "evolve",
    "next_due_at",
    "tick",
]
