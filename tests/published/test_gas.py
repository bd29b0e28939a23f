"""How long gas lasts, against published values.

Sources:
[1] US Navy Diving Manual Change A, p. 7-14, paragraph 7-4.1: consumption is (D+33)/33 x RMV, duration is
    (fill - minimum)/14.7 x floodable volume x cylinders over it
[2] Boyle's law with ten metres to one bar
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
