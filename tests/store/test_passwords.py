"""A password that is tried for nobody is worked at as long as one of somebody."""

from __future__ import annotations

import argon2
import pytest
from argon2.exceptions import VerifyMismatchError

from service.store import passwords
from service.store.passwords import hash_password, matches


def test_what_is_verified_for_nobody_costs_what_a_real_one_costs() -> None:
    """The same parameters and lengths, and a hash that can be read: one that cannot is refused in no time."""
    nobody, somebody = (argon2.extract_parameters(one) for one in (passwords._NOBODY, hash_password("dry gloves")))

    assert nobody == somebody
    with pytest.raises(VerifyMismatchError):
        argon2.PasswordHasher().verify(passwords._NOBODY, "dry gloves")


def test_nobody_has_a_password() -> None:
    """Neither an empty one."""
    assert not matches(None, "dry gloves")
    assert not matches(None, "")


def test_a_password_is_that_of_its_hash_alone() -> None:
    """To the letter."""
    hashed = hash_password("dry gloves")

    assert matches(hashed, "dry gloves")
    assert not matches(hashed, "Dry gloves")
