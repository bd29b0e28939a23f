"""How long gas lasts, against published values.

Sources:
[1] US Navy Diving Manual Change A, p. 7-14, paragraph 7-4.1: consumption is (D+33)/33 x RMV, duration is
    (fill - minimum)/14.7 x floodable volume x cylinders over it
[2] Boyle's law with ten metres to one bar
[3] the same manual, mixed-gas paragraph 15-8.1, worked example of an emergency cylinder; it counts the cylinder's
    pressure absolute, 14.7 psi above the gauge
[4] exercise at justaaa.com/physics/447661; its printed answer forgot the 50 minutes and is corrected here
"""

from __future__ import annotations

import pytest

from service.domain.gas import GasPlan, endurance

LITRES_IN_A_CUBIC_FOOT = 28.316_846_592
PSI_IN_AN_ATMOSPHERE = 14.7


def lasts_min(gas: GasPlan, depth_m: float) -> float:
    """Minutes."""
    return endurance(gas, depth_m).total_seconds() / 60


@pytest.mark.parametrize(("fsw", "ata"), [(33, 2), (99, 4), (132, 5)])
def test_pressure_rises_by_one_for_each_33_feet_of_sea_water(fsw: float, ata: float) -> None:
    """[1] The same rule in feet and atmospheres: gas lasts as many times shorter as there are atmospheres."""
    gas = GasPlan(12, 200, 50, 20)

    assert lasts_min(gas, 0) / lasts_min(gas, fsw / 33 * 10) == pytest.approx(ata)


def test_the_manuals_formula_gives_the_same_time() -> None:
    """[1] Two cylinders of 0.420 cubic feet, 2250 psig, minimum 250 psig, 70 fsw, RMV 1.4 acfm: 26.2 minutes."""
    gas = GasPlan(
        cylinder_l=2 * 0.420 * LITRES_IN_A_CUBIC_FOOT,
        fill_bar=2250 / PSI_IN_AN_ATMOSPHERE,
        reserve_bar=250 / PSI_IN_AN_ATMOSPHERE,
        surface_rate_l_min=1.4 * LITRES_IN_A_CUBIC_FOOT,
    )

    assert lasts_min(gas, 70 / 33 * 10) == pytest.approx(26.2, abs=0.1)


def test_a_twelve_litre_cylinder_at_twenty_metres() -> None:
    """[2] 12 L, 200 bar, reserve 50 bar, 20 L/min, 20 m: 1800 L over 60 L/min is 30 minutes."""
    assert lasts_min(GasPlan(12, 200, 50, 20), 20) == pytest.approx(30, abs=1e-6)


def test_a_fifteen_litre_cylinder_at_thirty_metres() -> None:
    """[2] 15 L, 232 bar, reserve 50 bar, 18 L/min, 30 m: 37.9 minutes."""
    assert lasts_min(GasPlan(15, 232, 50, 18), 30) == pytest.approx(37.9, abs=0.1)


def test_the_manuals_example_of_an_emergency_cylinder() -> None:
    """[3] 0.399 cubic feet, 3000 psig, 319 psi left, 300 fsw, 1.4 acfm: 5.18 minutes."""
    gas = GasPlan(
        cylinder_l=0.399 * LITRES_IN_A_CUBIC_FOOT,
        fill_bar=(3000 + PSI_IN_AN_ATMOSPHERE) / PSI_IN_AN_ATMOSPHERE,
        reserve_bar=319 / PSI_IN_AN_ATMOSPHERE,
        surface_rate_l_min=1.4 * LITRES_IN_A_CUBIC_FOOT,
    )

    assert lasts_min(gas, 300 / 33 * 10) == pytest.approx(5.18, abs=0.02)


def test_a_rate_measured_at_depth_is_the_surface_rate_there() -> None:
    """[4] 2800 to 300 psi in 50 minutes at 20 fsw is 50 psi a minute there, and 31.13 psi a minute at the surface."""
    litres_per_psi = 12 / PSI_IN_AN_ATMOSPHERE
    gas = GasPlan(
        cylinder_l=12,
        fill_bar=2800 / PSI_IN_AN_ATMOSPHERE,
        reserve_bar=300 / PSI_IN_AN_ATMOSPHERE,
        surface_rate_l_min=31.13 * litres_per_psi,
    )

    assert 2500 / lasts_min(gas, 20 / 33 * 10) == pytest.approx(50, abs=0.01)
