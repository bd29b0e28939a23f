"""Error codes of the form-post format against the public list: https://www.twilio.com/docs/api/errors.

Every code has a page there, .../errors/21610 and so on; the words here are those of its title, shortened.
"""

from __future__ import annotations

import pytest

from service.gateways.form_post_codes import BLAME_BY_CODE
from service.operations.gateway import Blame

PUBLISHED = {
    ("10001", "account is not active"): Blame.GATEWAY,
    ("10004", "call concurrency limit exceeded"): Blame.THROTTLED,
    ("13224", "dial: does not support calling this number, or invalid"): Blame.NUMBER,
    ("13225", "dial: forbidden phone number"): Blame.NO_ROUTE,
    ("13227", "geo permission"): Blame.NO_ROUTE,
    ("20003", "permission denied"): Blame.GATEWAY,
    ("20005", "account not active"): Blame.GATEWAY,
    ("20404", "not found"): Blame.GATEWAY,
    ("20429", "too many requests"): Blame.THROTTLED,
    ("20503", "service unavailable"): Blame.TRANSIENT,
    ("21201", "no called number"): Blame.NUMBER,
    ("21202", "called number is premium"): Blame.NUMBER,
    ("21203", "international calling not enabled"): Blame.NO_ROUTE,
    ("21205", "invalid URL"): Blame.GATEWAY,
    ("21210", "from number not verified"): Blame.GATEWAY,
    ("21211", "invalid to number"): Blame.NUMBER,
    ("21212", "invalid from number"): Blame.GATEWAY,
    ("21213", "from number required"): Blame.GATEWAY,
    ("21214", "to number cannot be reached"): Blame.NUMBER,
    ("21215", "geo permission"): Blame.NO_ROUTE,
    ("21216", "call blocked"): Blame.NO_ROUTE,
    ("21217", "number does not appear to be valid"): Blame.NUMBER,
    ("21219", "to number not verified"): Blame.NO_ROUTE,
    ("21265", "to number cannot be a short code"): Blame.NUMBER,
    ("21266", "to and from cannot be the same"): Blame.NUMBER,
    ("21268", "premium or information number"): Blame.NUMBER,
    ("21408", "permission to send to this region not enabled"): Blame.NO_ROUTE,
    ("21601", "not an SMS-capable number of the account"): Blame.GATEWAY,
    ("21602", "message body is required"): Blame.FILTERED,
    ("21603", "from number is required"): Blame.GATEWAY,
    ("21604", "to number is required"): Blame.NUMBER,
    ("21606", "from is not valid for this destination or account"): Blame.GATEWAY,
    ("21608", "unverified number, trial account"): Blame.NO_ROUTE,
    ("21609", "invalid status callback"): Blame.GATEWAY,
    ("21610", "attempt to send to unsubscribed recipient"): Blame.OPTED_OUT,
    ("21611", "from has too many queued messages"): Blame.THROTTLED,
    ("21612", "no way with this to and from"): Blame.NO_ROUTE,
    ("21614", "to is not a mobile number"): Blame.NUMBER,
    ("21617", "body exceeds 1600 characters"): Blame.FILTERED,
    ("21635", "to cannot be a landline"): Blame.NUMBER,
    ("21658", "parameter exceeded character limit"): Blame.FILTERED,
    ("21659", "from is not ours, or of another country"): Blame.NO_ROUTE,
    ("21660", "mismatch of from and account"): Blame.GATEWAY,
    ("21661", "from is not SMS-capable"): Blame.GATEWAY,
    ("21730", "system under maintenance"): Blame.TRANSIENT,
    ("30001", "queue overflow"): Blame.THROTTLED,
    ("30002", "account suspended"): Blame.GATEWAY,
    ("30003", "unreachable destination handset"): Blame.TRANSIENT,
    ("30004", "message blocked"): Blame.NUMBER,
    ("30005", "unknown destination handset"): Blame.NUMBER,
    ("30006", "landline or unreachable carrier"): Blame.NUMBER,
    ("30007", "message filtered"): Blame.FILTERED,
    ("30008", "unknown error"): Blame.TRANSIENT,
    ("30009", "missing segment"): Blame.TRANSIENT,
    ("30019", "content size exceeds carrier limit"): Blame.FILTERED,
    ("30022", "rate limits exceeded"): Blame.THROTTLED,
    ("30034", "message from an unregistered number"): Blame.NO_ROUTE,
    ("30036", "validity period expired"): Blame.TRANSIENT,
    ("30410", "provider timeout"): Blame.TRANSIENT,
    ("63038", "daily messages limit"): Blame.THROTTLED,
    ("90007", "invalid validity period"): Blame.FILTERED,
}


@pytest.mark.parametrize(("code", "blame"), [(code, blame) for (code, _), blame in PUBLISHED.items()])
def test_a_published_code_has_the_outcome_that_its_title_asks_for(code: str, blame: Blame) -> None:
    """What is about the number writes it off; what is about the account, the sender or the country does not."""
    assert BLAME_BY_CODE[code] is blame


def test_no_code_is_in_our_table_that_was_not_looked_up() -> None:
    """A code cannot be added without its published title."""
    assert set(BLAME_BY_CODE) == {code for code, _ in PUBLISHED}
