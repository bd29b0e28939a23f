"""The checks of a dive plan: what keeps it from being filed, what is only said, each at its boundary."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.gas import GasPlan
from service.domain.place.daylight import light_at
from service.domain.place.position import Position
from service.domain.place.tide import TidalExtreme
from service.domain.plan import Check, Contact, DivePlan, Diver, Level, check_plan, refusals
from tests.domain.builders import BUDDY_PHONE, CONTACT_PHONES, LEAD_PHONE, NOW, PLAN, PLANNED, SITE, at

ANNA, BRAM = PLAN.party
CLEO, DOV, EDDA = PLAN.contacts
SECOND = timedelta(seconds=1)


def refused(plan: DivePlan) -> list[str]:
    """The fields for which a plan is refused."""
    return [check.field for check in refusals(check_plan(plan, NOW))]


def advised(plan: DivePlan) -> list[str]:
    """The fields about which a plan is advised."""
    advice = [check.field for check in check_plan(plan, NOW) if check.level is Level.ADVISE]
    return [field for field in advice if field != "cross_checks"]


def test_a_plan_with_nothing_wrong_hears_only_what_could_not_be_cross_checked() -> None:
    """The plan of these tests passes every check, and gives no time in, no depth, no gas and no water temperature."""
    (closing,) = check_plan(PLAN, NOW)

    assert (closing.level, closing.field) == (Level.ADVISE, "cross_checks")
    assert closing.words.startswith("Not cross-checked: gas (needs gas and depth);")
    assert "position of the entry" not in closing.words
    assert PLAN.lead == ANNA


TIDES = tuple(TidalExtreme(at(60 * hours), 4.0 if hours == 1 else 1.0, high=hours == 1) for hours in (-5, 1, 7))


def test_a_plan_that_gives_everything_hears_only_the_tide() -> None:
    """All is cross-checked and well within its limits; the tide at the site is always told."""
    plan = replace(PLANNED, depth_m=5, gas=GAS, water_c=24, site=replace(SITE, tides=TIDES))

    (tide,) = check_plan(plan, NOW)
    assert tide.words.startswith("Tide ")
    assert "at time in 10:00" in tide.words


def test_light_is_counted_from_the_raise_by_time_of_the_grace_that_holds() -> None:
    """A dive with little light after its raise-by time is told so; without a grace period from due out."""
    dusk_at = light_at(Position(47.12345, -20.54321), NOW).civil_dusk_at
    assert dusk_at is not None
    plan = replace(PLAN, time_in_at=dusk_at - timedelta(minutes=70) - PLAN.run_time)

    assert advised(plan) == []
    (light, _closing) = check_plan(plan, NOW, grace=timedelta(minutes=15))
    assert (light.level, light.field) == (Level.ADVISE, "time_in")
    assert "55 min after the raise-by time" in light.words


def test_a_refused_plan_is_not_cross_checked() -> None:
    """Its figures may be impossible; it is looked at again when it is mended."""
    plan = replace(PLANNED, water_c=80, depth_m=-3, gas=GAS, site=replace(SITE, zone="Skerry/Bay"))

    assert {check.level for check in check_plan(plan, NOW)} == {Level.REFUSE}


def divers(count: int) -> tuple[Diver, ...]:
    """A lead with a phone and others without."""
    return (ANNA, *(Diver(f"Diver {number}") for number in range(1, count)))


def contacts(count: int) -> tuple[Contact, ...]:
    """So many people ashore."""
    return tuple(Contact(f"Contact {number}", f"+4477009003{number:02}") for number in range(count))


LONG = "x" * 60
PASSES = {
    "one diver": replace(PLAN, party=divers(1)),
    "twelve divers": replace(PLAN, party=divers(12)),
    "one contact": replace(PLAN, contacts=contacts(1)),
    "six contacts": replace(PLAN, contacts=contacts(6)),
    "one contact of two dives too": replace(PLAN, contacts=(Contact("Bram Vik", BUDDY_PHONE), CLEO)),
    "five minutes": replace(PLAN, run_time=timedelta(minutes=5)),
    "six hours": replace(PLAN, run_time=timedelta(hours=6)),
    "time in ten minutes ago": replace(PLAN, time_in_at=at(-10)),
    "time in fourteen days ahead": replace(PLAN, time_in_at=NOW + timedelta(days=14)),
    "no time in": replace(PLAN, time_in_at=None),
    "water as cold as the sea gets": replace(PLAN, water_c=-2),
    "water of a hot spring": replace(PLAN, water_c=40),
    "names of sixty letters": replace(
        PLAN,
        party=(Diver(LONG, LEAD_PHONE),),
        contacts=(Contact(LONG, CONTACT_PHONES[0]),),
        site=replace(SITE, name=LONG, rescue_call=LONG),
    ),
    "words of three hundred letters": replace(PLAN, vehicle=LONG * 5, kit=LONG * 5, smb=LONG * 5, notes=LONG * 5),
    "a hundred metres": replace(PLAN, depth_m=100),
    "half a metre": replace(PLAN, depth_m=0.5),
}


@pytest.mark.parametrize("plan", PASSES.values(), ids=PASSES)
def test_a_plan_at_the_edge_of_what_is_allowed_is_taken(plan: DivePlan) -> None:
    """The last value that is allowed is allowed."""
    assert refused(plan) == []


REFUSED = {
    "no diver": (replace(PLAN, party=()), ["party"]),
    "thirteen divers": (replace(PLAN, party=divers(13)), ["party"]),
    "a lead without a phone": (replace(PLAN, party=(Diver("Anna Holt"), BRAM)), ["lead"]),
    "a diver without a name": (replace(PLAN, party=(ANNA, Diver(" "))), ["party"]),
    "two divers of one number": (replace(PLAN, party=(ANNA, Diver("Bram Vik", LEAD_PHONE))), ["party"]),
    "no contact": (replace(PLAN, contacts=()), ["contacts"]),
    "seven contacts": (replace(PLAN, contacts=contacts(7)), ["contacts"]),
    "a diver of whose name nothing can be seen": (replace(PLAN, party=(ANNA, Diver("\u200b\u202e"))), ["party"]),
    "a contact without a name": (replace(PLAN, contacts=(Contact("", CONTACT_PHONES[0]), DOV)), ["contacts"]),
    "two contacts of one number": (replace(PLAN, contacts=(CLEO, replace(DOV, phone=CLEO.phone))), ["contacts"]),
    "contacts who all dive": (replace(PLAN, contacts=(Contact("Bram Vik", BUDDY_PHONE),)), ["contacts"]),
    "a second under five minutes": (replace(PLAN, run_time=timedelta(minutes=5) - SECOND), ["run_time"]),
    "a second over six hours": (replace(PLAN, run_time=timedelta(hours=6) + SECOND), ["run_time"]),
    "forty hours": (replace(PLAN, run_time=timedelta(hours=40)), ["run_time"]),
    "no time at all": (replace(PLAN, run_time=timedelta(0)), ["run_time"]),
    "time in a second too long ago": (replace(PLAN, time_in_at=at(-10, -1)), ["time_in"]),
    "time in a second too far ahead": (replace(PLAN, time_in_at=NOW + timedelta(days=14) + SECOND), ["time_in"]),
    "a site without a name": (replace(PLAN, site=replace(SITE, name=" ")), ["site"]),
    "a site without a zone": (replace(PLAN, site=replace(SITE, zone="Skerry/Bay")), ["site"]),
    "nobody to call": (replace(PLAN, site=replace(SITE, rescue_call=" ")), ["rescue_call"]),
    "a diver's name too long": (replace(PLAN, party=(replace(ANNA, name=LONG + "x"),)), ["party"]),
    "a contact's name too long": (replace(PLAN, contacts=(replace(CLEO, name=LONG + "x"), DOV)), ["contacts"]),
    "a site's name too long": (replace(PLAN, site=replace(SITE, name=LONG + "x")), ["site"]),
    "a rescue call too long": (replace(PLAN, site=replace(SITE, rescue_call=LONG + "x")), ["rescue_call"]),
    "a rescue call too long in a text": (replace(PLAN, site=replace(SITE, rescue_call="\u0449" * 40)), ["rescue_call"]),
    "a vehicle too long": (replace(PLAN, vehicle=LONG * 5 + "x"), ["vehicle"]),
    "kit too long": (replace(PLAN, kit=LONG * 5 + "x"), ["kit"]),
    "a buoy too long": (replace(PLAN, smb=LONG * 5 + "x"), ["smb"]),
    "notes too long": (replace(PLAN, notes=LONG * 5 + "x"), ["notes"]),
    "at the surface": (replace(PLAN, depth_m=0), ["depth_m"]),
    "above the surface": (replace(PLAN, depth_m=-3), ["depth_m"]),
    "over a hundred metres": (replace(PLAN, depth_m=100.1), ["depth_m"]),
    "no depth that is a number": (replace(PLAN, depth_m=float("nan")), ["depth_m"]),
}


@pytest.mark.parametrize(("plan", "fields"), REFUSED.values(), ids=REFUSED)
def test_a_plan_past_the_edge_is_refused_by_field(plan: DivePlan, fields: list[str]) -> None:
    """Each fault is named once, by the field where it can be mended, in a sentence."""
    assert refused(plan) == fields
    assert all(check.words.endswith(".") and "!" not in check.words for check in check_plan(plan, NOW))


def test_every_fault_is_named_at_once() -> None:
    """Nobody has to file four times to learn of four faults."""
    plan = replace(PLAN, party=(), contacts=(), run_time=timedelta(0), site=replace(SITE, name="", rescue_call=""))

    assert refused(plan) == ["party", "contacts", "run_time", "site", "rescue_call"]


GAS = GasPlan(cylinder_l=12, fill_bar=200, reserve_bar=50, surface_rate_l_min=20)  # at 10 m: 1800 l by 40 l/min, 45 min
ADVISED = {
    "one exit": (replace(PLAN, exits=("Beach",)), ["exits"]),
    "one exit twice": (replace(PLAN, exits=("Beach", " beach ")), ["exits"]),
    "no exit": (replace(PLAN, exits=()), ["exits"]),
    "two exits": (PLAN, []),
    "a contact who dives": (replace(PLAN, contacts=(CLEO, Contact("Bram Vik", BUDDY_PHONE))), ["contacts"]),
    "one contact": (replace(PLAN, contacts=(CLEO,)), ["contacts"]),
    "alone": (replace(PLAN, party=(ANNA,)), ["party"]),
    "gas for a minute too short": (replace(PLAN, depth_m=10, gas=GAS, run_time=timedelta(minutes=46)), ["gas"]),
    "gas for just as long": (replace(PLAN, depth_m=10, gas=GAS, run_time=timedelta(minutes=45)), []),
    "gas without a depth": (replace(PLAN, gas=GAS), []),
    "depth without gas": (replace(PLAN, depth_m=10), []),
    "deep for so long": (replace(PLAN, depth_m=30), ["depth_m"]),
    "cold water": (replace(PLAN, water_c=8), ["water_c"]),
}


@pytest.mark.parametrize(("plan", "fields"), ADVISED.values(), ids=ADVISED)
def test_advice_never_keeps_a_plan_from_being_filed(plan: DivePlan, fields: list[str]) -> None:
    """What is only advisable is said, and the plan is taken."""
    assert advised(plan) == fields
    assert refused(plan) == []


@pytest.mark.parametrize("depth_m", [-3.0, 400.0, float("inf"), float("nan")])
def test_gas_at_an_impossible_depth_is_a_finding_and_no_error(depth_m: float) -> None:
    """A depth that cannot be is refused; the gas is then not looked at."""
    assert [check.field for check in check_plan(replace(PLAN, depth_m=depth_m, gas=GAS), NOW)] == ["depth_m"]


def test_refusals_come_before_advice() -> None:
    """What must be mended is read first."""
    checks = check_plan(replace(PLAN, exits=(), run_time=timedelta(0)), NOW)

    assert [check.level for check in checks] == [Level.REFUSE, Level.ADVISE]
    assert refusals(checks) == checks[:1]
    assert isinstance(checks[0], Check)


def test_a_text_says_of_a_check_what_is_short_where_there_is_that() -> None:
    """A plan by text comes to it; what only a form can bring about has its whole words."""
    [short] = refusals(check_plan(replace(PLAN, run_time=timedelta(0)), NOW))
    [whole] = [one for one in check_plan(replace(PLAN, exits=()), NOW) if one.field == "exits"]

    assert short.said is not None
    assert short.in_text == short.said
    assert whole.in_text == whole.words


def test_contacts_who_all_dive_are_named_also_when_they_are_several() -> None:
    """A plan with nobody ashore is refused however many contacts it names."""
    both = (Contact("Anna Holt", LEAD_PHONE), Contact("Bram Vik", BUDDY_PHONE))

    assert refused(replace(PLAN, contacts=both)) == ["contacts"]
    assert refused(replace(PLAN, contacts=(*both, EDDA))) == []


def test_a_site_with_one_exit_is_advised_about() -> None:
    """One exit is not a plan, whatever the plan names; the plan can be filed."""
    plan = replace(PLANNED, site=replace(SITE, points=SITE.points[:1]))

    assert refused(plan) == []
    assert [check.words for check in check_plan(plan, NOW) if check.field == "exits"] == [
        "This site has one exit, North slip. One exit is not a plan: know another way out."
    ]


def test_only_in_a_drill_one_phone_may_be_the_leads_and_the_only_contacts() -> None:
    """Nobody goes in, so somebody is ashore."""
    plan = replace(PLAN, party=(ANNA,), contacts=(Contact("Anna Holt", LEAD_PHONE),))

    assert [check.field for check in refusals(check_plan(plan, NOW))] == ["contacts"]
    assert refusals(check_plan(plan, NOW, drill=True)) == ()
