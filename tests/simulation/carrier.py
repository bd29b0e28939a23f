"""The carrier between a phone and us: it delays texts, splits them, mixes them up and loses some."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from service.operations.gateway import InboundText, TextPart
from tests.simulation.gateways import SimulatedGateway

if TYPE_CHECKING:
    from tests.simulation.world import World

SPLITS_FROM = 153  # letters: a gateway that does not put long texts together


class Said(NamedTuple):
    """A text as its phone sends it: from whom, what, its name with the gateway, and to which number of ours."""

    sender: str
    body: str
    name: str
    to: str


def bring(world: World, said: Said, lies_s: float = 0.0) -> None:
    """Bring a text to one of the gateways, or what is left of it to both, after so many seconds more than usual."""
    body, name = said.body, said.name
    gateway = world.chance.choice(world.gateways)
    after_s = world.chance.uniform(0.8, 4.0) + lies_s
    if world.strikes("text_delayed"):
        after_s = world.chance.uniform(60, 2_400)
        world.truth.nobody_can_know(said.sender, body)
    if len(body) > SPLITS_FROM:
        for place, (number, text) in enumerate(_parts(world, body)):
            part = TextPart(str(world.texts % 256), number + 1, -(-len(body) // SPLITS_FROM))
            _arrives(world, gateway, said._replace(body=text, name=f"{name}-{number}"), after_s + place, part)
    else:
        _arrives(world, gateway, said, after_s)
        if world.strikes("text_by_both"):
            other = next(one for one in world.gateways if one is not gateway)
            _arrives(world, other, said._replace(name=f"{name}-too"), after_s + world.chance.uniform(0, 20))
    if world.strikes("text_forged"):
        forged = _inbound(world, gateway, said._replace(body="OUT", name=f"{name}-forged"))
        world.loop.after(after_s, lambda: world.web.bring_forged_text(forged))


def _parts(world: World, body: str) -> list[tuple[int, str]]:
    parts = [(at // SPLITS_FROM, body[at : at + SPLITS_FROM]) for at in range(0, len(body), SPLITS_FROM)]
    if world.strikes("parts_disordered"):
        world.chance.shuffle(parts)
    return parts[:-1] if world.strikes("part_lost") else parts


def _arrives(world: World, gateway: SimulatedGateway, said: Said, after_s: float, part: TextPart | None = None) -> None:
    world.loop.after(after_s, lambda: gateway.comes_in(_inbound(world, gateway, said, part)))


def _inbound(world: World, gateway: SimulatedGateway, said: Said, part: TextPart | None = None) -> InboundText:
    body = said.body
    return InboundText(gateway.name, said.name, said.sender, said.to, body, {"Body": body}, world.loop.now, part)
