"""Looking over an installation: a line for each thing, and whether it is as it must be."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Final

import click
import redis
from sqlalchemy.orm import Session

from service.app import open_spool, ready_spool
from service.cli.gateways import state_words
from service.cli.opening import first_line, gateways_of, opened, readable_gateways, schema_fault
from service.cli.reaching import REACH_WITHIN_S, CheckFailedError, public_address, reach
from service.clock import MACHINES_APART, clock_seconds
from service.domain.people import Channel
from service.domain.phone import mask
from service.domain.wording import MessageKind
from service.gateways.describing import described
from service.gateways.form_post import FormPostConfig, FormPostGateway
from service.gateways.json_post import JsonPostConfig, JsonPostGateway
from service.gateways.settings import GatewayConfig
from service.gateways.smtp import SmtpConfig, SmtpGateway
from service.operations.canary_dive_health import CanaryDive, canary_dives
from service.operations.clock_mark import KEEPER, marks
from service.operations.club_senders import unsent
from service.operations.gateway_health import gateway_health
from service.operations.health import CLOCKS_APART_S, compare_clocks, how_late
from service.operations.own_numbers import fault_of, number_heard, receiving
from service.operations.recovering import asking
from service.operations.routing import ways
from service.operations.sealing import make_private
from service.operations.service import Service
from service.operations.snapshotting import FRESH_S, snapshot_age
from service.settings import PREFIX, Settings, SettingsError, read_settings, unknown_settings
from service.store import admins, clubs, epochs, health, inbound
from service.store.engine import durability_faults
from service.store.schema import current
from workers.keeper import SIGN_OF_LIFE_S
from workers.versions import check_versions, installed

TAKEN_WITHIN: Final = timedelta(minutes=1)  # every few seconds somebody looks


@click.command()
def doctor() -> None:
    """Check settings, database, broker, gateways, clock and certificate: a line each, exit status 1 if any fails.

    Sends no text and changes nothing, but that admins are told when the clocks are apart.
    """
    try:
        settings = read_settings(os.environ)
    except SettingsError as fault:
        click.echo(f"FAIL settings: {fault}")
        sys.exit(1)
    failed = False
    for name, check in _checks(settings):
        try:
            words, mark = check(), "ok  "
        except Exception as fault:  # noqa: BLE001 - whatever a check meets is its finding
            words, mark, failed = first_line(fault), "FAIL", True
        click.echo(f"{mark} {name}: {words}")
    sys.exit(1 if failed else 0)


def _checks(settings: Settings) -> Iterator[tuple[str, Callable[[], str]]]:
    service = opened(settings, "doctor")
    yield "settings", _settings
    yield "versions", _versions
    yield "database", lambda: _database(service)
    yield "schema", lambda: _schema(service)
    yield "clubs", lambda: _clubs(service, readable_gateways(settings))
    yield "senders", lambda: _senders(service)
    yield "texts in", lambda: _texts_in(service)
    yield "recovery", lambda: _recovery(service)
    yield "broker", lambda: _broker(settings)
    yield "clock", lambda: _clock(service)
    yield "processes", lambda: _processes(service)
    yield "spool", lambda: _spool(settings)
    yield "snapshot", lambda: _snapshot(service, settings)
    yield "canary dive", lambda: _canary_dive(service)
    yield "gateways", lambda: ", ".join(config.name for config in gateways_of(settings))
    for config in readable_gateways(settings):
        yield f"gateway {config.name}", partial(_gateway, config, settings.public_url)
        yield f"state of {config.name}", partial(_gateway_state, service, config)
    yield "public address", lambda: public_address(settings.public_url, readable_gateways(settings))


def _settings() -> str:
    unknown = unknown_settings(os.environ)
    if unknown:
        raise CheckFailedError(f"nobody reads {', '.join(unknown)}: mistyped? (docs/settings.md)")
    return "read"


def _versions() -> str:
    found = installed()
    check_versions(found)
    return "celery {}, kombu {}, redis {}".format(*found)


def _database(service: Service) -> str:
    with service.engine.connect():
        faults = durability_faults(service.engine)
    if faults:
        raise CheckFailedError(" ".join(faults))
    return f"{service.engine.dialect.name} answers and keeps what it has committed"


def _schema(service: Service) -> str:
    fault = schema_fault(service)
    if fault is not None:
        raise CheckFailedError(fault)
    return f"at {current(service.engine)}"


def _clubs(service: Service, configs: Sequence[GatewayConfig]) -> str:
    known = service.read(clubs.listing)
    if not known:
        raise CheckFailedError("there is none: run linetender club create")
    mute = ", ".join(club.id for club in known if not club.rescue_call.strip())
    if mute:
        raise CheckFailedError(f"no rescue call, so an alarm names nobody to call: set it at the desk: {mute}")
    alone = ", ".join(club.id for club in known if not service.read(partial(admins.anybody_hears, club_id=club.id)))
    if alone:
        raise CheckFailedError(
            "no admin with a phone that takes our texts, so nobody hears of a fault, nor that no contact answers:"
            f" {alone}: set one at the desk, or run linetender admin create; from one that opted out text START"
        )
    left_out = service.read(partial(_left_out, configs=configs))
    if left_out:
        raise CheckFailedError(f"no gateway is for {', '.join(left_out)}: see prefixes and for in {PREFIX}GATEWAYS")
    return ", ".join(club.id for club in known)


def _left_out(session: Session, configs: Sequence[GatewayConfig]) -> list[str]:
    """The kinds of text that no gateway takes to the phone of an admin, and so most likely to none of that country."""
    found = []
    for club in clubs.listing(session) if configs else ():
        for phone in dict.fromkeys(admin.phone for admin in admins.admins_to_tell(session, club.id)):
            kinds = [kind for kind in MessageKind if not ways(configs, Channel.TEXT, phone or "", kind)]
            if kinds:
                words = "texts" if len(kinds) == len(MessageKind) else " and ".join(kind.name.lower() for kind in kinds)
                found.append(f"{words} to an admin of {club.id} ({mask(phone or '')})")
    return found


def _senders(service: Service) -> str:
    """Whether what is answered to each number that a gateway sends from is heard by a club, and each club has one."""
    known, own = service.read(receiving), service.own_numbers
    faults = [fault for one in own if (fault := fault_of(one, known, own)) is not None]
    faults += [
        f"no gateway sends from a number of the club with {number}: its texts come from another club's, and answers to"
        " them go there: give it a gateway of its own"
        for number in (unsent(known, own) if own else ())
    ]
    if faults:
        raise CheckFailedError("; ".join(faults))
    heard = [f"what is texted to {one.number} is heard as to {number_heard(one.number, known, own)}" for one in own]
    return "; ".join(heard) or "no gateway has one"


def _texts_in(service: Service) -> str:
    """Whether what gateways bring is believed: else nobody who texts is heard, and all that goes out looks well."""
    since = service.clock.now() - timedelta(days=1)
    refused = service.read(partial(inbound.refused_last, since=since))
    if refused:
        raise CheckFailedError(
            f"the last one was refused, as not signed by its gateway: {', '.join(refused)}: is the token or secret the"
            f" one that it signs with, its clock right, and {PREFIX}PUBLIC_URL the address that it posts to?"
        )
    return "none was refused last"


def _recovery(service: Service) -> str:
    if service.read(epochs.is_copy):
        raise CheckFailedError(
            "a copy that was put in place: the first sweep will ask the divers before it alerts contacts"
        )
    epoch = asking(service)
    if epoch is not None and epoch.until_at is not None:
        raise CheckFailedError(
            f"restored, divers are asked and the clock alerts no contact before {epoch.until_at:%H:%M:%S} UTC:"
            " linetender recovery confirm ends that"
        )
    return "no divers are being asked"


def _broker(settings: Settings) -> str:
    with redis.Redis.from_url(
        settings.broker_url, socket_timeout=REACH_WITHIN_S, socket_connect_timeout=REACH_WITHIN_S
    ) as client:
        client.ping()
        policy = client.config_get("maxmemory-policy").get("maxmemory-policy", "unknown")
    return f"answers; when full it uses the policy {policy}"


def _gateway(config: GatewayConfig, public_url: str) -> str:
    """A mail server is signed in to, another gateway is asked for what it has; nothing is sent."""
    match config:
        case SmtpConfig():
            return _unless(SmtpGateway(config).check(), f"{config.host} lets us in")
        case JsonPostConfig():
            return _unless(_asked(JsonPostGateway(config)), f"{reach(config.base_url)}, and knows our token")
        case FormPostConfig():
            gateway = FormPostGateway(config, public_url=public_url)
            return _unless(_asked(gateway), f"{reach(config.base_url)}, and does not refuse our account and token")


def _unless(wrong: str | None, words: str) -> str:
    if wrong is not None:
        raise CheckFailedError(wrong)
    return words


def _asked(gateway: JsonPostGateway | FormPostGateway) -> str | None:
    try:
        return gateway.check()
    finally:
        gateway.close()


def _clock(service: Service) -> str:
    seen, now = marks(service) if current(service.engine) else [], service.clock.now()
    if seen and seen[-1] - now > MACHINES_APART:
        raise CheckFailedError(
            f"it shows {(seen[-1] - now).total_seconds():.0f} s less than what was seen before: set it right by a time"
            " server, or say by linetender clock confirm that it is right"
        )
    apart_s = compare_clocks(service)
    if abs(apart_s) > CLOCKS_APART_S:
        raise CheckFailedError(f"ours is {apart_s:+.1f} s from the database's; set both by a time server")
    return f"{abs(apart_s):.1f} s from the database's"


def _processes(service: Service) -> str:
    """Whether all do their work, by what each leaves in the database; before the first start that is nothing."""
    late, keeper = how_late(service), service.read(partial(health.heartbeat, name=KEEPER))
    keeper_s = None if keeper is None else (service.clock.now() - keeper.at).total_seconds()
    ages = {"sweep": late.sweep_age_s, "keeper": keeper_s, "beat, broker and workers": late.canary_age_s}
    if all(age_s is None for age_s in ages.values()):
        return "none has run yet"
    limit_s = clock_seconds(service.clock, SIGN_OF_LIFE_S)
    silent = ", ".join(name for name, age_s in ages.items() if age_s is None or age_s > limit_s)
    if silent:
        raise CheckFailedError(
            f"no sign of life within {SIGN_OF_LIFE_S:.0f} s: {silent}: start them, or see their logs"
        )
    return f"signs of life of {', '.join(ages)}"


def _spool(settings: Settings) -> str:
    """What lies on this machine's disk and is in no database: texts, and what a keeper told without one."""
    spool = open_spool(settings)
    if spool is None:
        return "none, see below"
    aside = spool.set_aside()
    if aside:
        raise CheckFailedError(
            f"{len(aside)} files that nobody could read or bring in, such as {aside[0]}: phone whom"
            " they may be from, then see docs/operations.md, While the database is away"
        )
    before = datetime.now(UTC) - TAKEN_WITHIN
    waiting = [path for path in spool.waiting() if datetime.fromtimestamp(path.stat().st_mtime, UTC) < before]
    if waiting:
        raise CheckFailedError(
            f"{len(waiting)} files wait to be brought in, such as {waiting[0]}: does the web, a worker"
            " or the keeper run on this machine, by this user and this secret key?"
        )
    return "nothing waits"


def _snapshot(service: Service, settings: Settings) -> str:
    """What the keeper would alarm from if the database went now, wherever it runs."""
    spool = ready_spool(settings)
    if spool is None:
        raise CheckFailedError(f"{PREFIX}SPOOL_DIR is not set: with the database gone nobody would be alarmed")
    make_private(spool.keeper.directory)
    age_s, words = snapshot_age(service)
    if age_s is None and service.read(partial(health.heartbeat, name=KEEPER)) is not None:
        raise CheckFailedError(
            f"a keeper has run and none was ever written: has it {PREFIX}SPOOL_DIR, and rights to it?"
        )
    if age_s is None:
        return "the directory can be written to; a keeper writes there once it runs"
    if age_s > FRESH_S:
        raise CheckFailedError(f"{age_s:.0f} s old: does the keeper run, and has its disk room?")
    return f"{words}, {age_s:.0f} s old"


def _canary_dive(service: Service) -> str:
    """How the last marked dive of each club went from text to stand-down."""
    found = canary_dives(service)
    faults = [f"{one.club_id}: {one.fault}" for one in found if one.fault is not None]
    if faults:
        raise CheckFailedError("; ".join(faults))
    return "; ".join(f"{one.club_id}: {_how_far(one)}" for one in found) or "no club has a number for it"


def _how_far(one: CanaryDive) -> str:
    if one.filed_at is None:
        return "the first is still to come"
    return f"that of {one.filed_at:%d.%m. %H:%M} UTC {'went through' if one.done else 'is under way'}"


def _gateway_state(service: Service, config: GatewayConfig) -> str:
    """How the couriers know it, and how its last daily test went."""
    [found] = gateway_health(service, described([config]))
    if found.fault:
        raise CheckFailedError(state_words(found))
    return state_words(found)
