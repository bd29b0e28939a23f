"""What the log says, in plain words, of accounts, signing in and board screens."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

Said = Callable[[Mapping[str, Any]], str]


def _signed_in(detail: Mapping[str, Any]) -> str:
    step = detail.get("second_factor")
    return "Signed in at the desk." if step is None else f"Signed in at the desk, with a {step} as the second step."


def _out(detail: Mapping[str, Any]) -> str:
    count = detail["browsers_signed_out"]
    return f"{count} {'browser' if count == 1 else 'browsers'} signed out by it."


ACCOUNT_WORDS: Final[Mapping[str, Said]] = MappingProxyType(
    {
        "admin_created": lambda detail: f"Added the admin {detail['name']} ({detail['email']}).",
        "admin_invited": lambda detail: f"Invited {detail['email']} as {detail['role']}.",
        "invitation_taken_back": lambda detail: f"Took back the invitation to {detail['email']}.",
        "invitation_accepted": lambda detail: f"Accepted the invitation to {detail['email']} as {detail['role']}.",
        "admin_role_changed": lambda detail: f"Made {detail['of']} {detail['to']}, who was {detail['from']}.",
        "admin_disabled": lambda detail: f"Disabled the account of {detail['of']}.",
        "admin_signed_out": lambda detail: f"Signed {detail['of']} out everywhere. {_out(detail)}",
        "admin_reset": lambda detail: f"Gave {detail['of']} a new password, without a second step.",
        "signed_in": _signed_in,
        "sign_in_failed": lambda _: "Tried to sign in at the desk, with a wrong password.",
        "second_step_failed": lambda _: "Tried to sign in at the desk, with a wrong code after the right password.",
        "signed_out": lambda _: "Signed out.",
        "browser_signed_out": lambda _: "Signed another browser of their own out.",
        "signed_out_everywhere": lambda detail: f"Signed out everywhere. {_out(detail)}",
        "own_details_changed": lambda detail: f"Changed their own {' and '.join(detail['changed']) or 'details'}.",
        "password_changed": lambda detail: f"Changed their password. {_out(detail)}",
        "password_proof_failed": lambda _: "Gave a wrong password where it is asked for once more.",
        "code_proof_failed": lambda _: "Gave a wrong code where it is asked for once more.",
        "second_factor_on": lambda detail: f"Turned the second step on. {_out(detail)}",
        "second_factor_off": lambda detail: f"Turned the second step off. {_out(detail)}",
        "second_factor_reset": lambda detail: f"Took the second step of {detail['of']} off.",
        "recovery_codes_renewed": lambda _: "Made new recovery codes.",
        "board_screen_made": lambda detail: f"Made the board screen {detail['screen']}.",
        "board_screen_opened": lambda detail: f"A browser became the board screen {detail['screen']}.",
        "board_screen_revoked": lambda detail: f"Took the board screen {detail['screen']} off.",
    }
)
