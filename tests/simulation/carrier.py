"""The carrier between a phone and us: it delays texts, splits them, mixes them up and loses some."""

from __future__ import annotations

from typing import TYPE_CHECKING

from service.operations.gateway import InboundText, TextPart
from tests.operations.stage import OURS
from tests.simulation.gateways import SimulatedGateway

if TYPE_CHECKING:
    from tests.simulation.world import World

SPLITS_FROM = 153  # letters: a gateway that does not put long texts together


def bring(world: World, sender: str, body: str, name: str) -> None:
    """Bring a text to one of the gateways, or what is left of it to both."""
    gateway = world.chance.choice(world.gateways)
    after_s = world.chance.uniform(0.8, 4.0)
    if world.strikes("text_delayed"):
        after_s = world.chance.uniform(60, 2_400)
    if len(body) > SPLITS_FROM:
        for place, (number, text) in enumerate(_parts(world, body)):
            part = TextPart(str(world.texts % 256), number + 1, -(-len(body) // SPLITS_FROM))
            _arrives(world, gateway, (sender, text, f"{name}-{number}"), after_s + place, part)
    else:
        _arrives(world, gateway, (sender, body, name), after_s)
        if world.strikes("text_by_both"):
            other = next(one for one in world.gateways if one is not gateway)
            _arrives(world, other, (sender, body, f"{name}-too"), after_s + world.chance.uniform(0, 20))
    if world.strikes("text_forged"):
        forged = _inbound(world, gateway, (sender, "OUT", f"{name}-forged"))
        world.loop.after(after_s, lambda: world.web.bring_forged_text(forged))


def _parts(world: World, body: str) -> list[tuple[int, str]]:
    parts = [(at // SPLITS_FROM, body[at : at + SPLITS_FROM]) for at in range(0, len(body), SPLITS_FROM)]
    if world.strikes("parts_disordered"):
        world.chance.shuffle(parts)
    return parts[:-1] if world.strikes("part_lost") else parts


def _arrives(
    world: World, gateway: SimulatedGateway, said: tuple[str, str, str], after_s: float, part: TextPart | None = None
) -> None:
    world.loop.after(after_s, lambda: gateway.comes_in(_inbound(world, gateway, said, part)))


def _inbound(
    world: World, gateway: SimulatedGateway, said: tuple[str, str, str], part: TextPart | None = None
) -> InboundText:
    sender, body, name = said
    return InboundText(gateway.name, name, sender, OURS, body, {"Body": body}, world.loop.now, part)
