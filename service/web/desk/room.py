"""Room for what admins bring: forms and files that may be larger than anything a stranger may send."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec

from flask import request
from flask.typing import ResponseReturnValue

P = ParamSpec("P")
View = Callable[P, ResponseReturnValue]


def with_room(size: int) -> Callable[[View[P]], View[P]]:
    """Let a request of so many bytes in. It stands before `at_desk`, which reads the form only of who is signed in."""

    def roomy(view: View[P]) -> View[P]:
        @wraps(view)
        def served(*args: P.args, **kwargs: P.kwargs) -> ResponseReturnValue:
            request.max_content_length = size
            request.max_form_memory_size = size
            return view(*args, **kwargs)

        return served

    return roomy
