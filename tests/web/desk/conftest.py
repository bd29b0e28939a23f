"""What the tests of the desk share."""

from __future__ import annotations

import pytest
from argon2 import PasswordHasher

from service.web.access import who_may
from service.web.desk.sitting import at_board, board_screen, board_viewer, sitter
from tests.web.installation import Site


@pytest.fixture(autouse=True)
def cheap_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Passwords and recovery codes are hashed as cheaply as can be, since each test makes some anew."""
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr("service.store.passwords._HASHER", cheap)


@pytest.fixture
def board(at: Site) -> str:
    """A page that is served as the water board is; its words say for whom."""

    @at_board
    def look() -> str:
        screen, admin = board_screen(), sitter()
        return f"{board_viewer().club_id} {screen.name if screen else '-'} {admin.admin.role if admin else '-'}"

    at.app.add_url_rule("/board-of-tests", view_func=look, methods=["GET", "POST"], endpoint="board_of_tests")
    assert who_may(at.app, "board_of_tests") is not None
    return "/board-of-tests"
