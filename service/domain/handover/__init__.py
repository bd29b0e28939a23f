"""The handover pack: what a rescue co-ordinator asks, as values and as words."""

from service.domain.handover.making import pack
from service.domain.handover.pack import Fact, Moment, Pack, Person, Situation, Whereabouts

__all__ = ["Fact", "Moment", "Pack", "Person", "Situation", "Whereabouts", "pack"]
