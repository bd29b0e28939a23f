"""An e-mail as it goes out: plain text and a small HTML part, and headers that say a machine wrote it.

`Auto-Submitted` keeps holiday notices and other machines from answering (RFC 3834 section 5). `References` keeps the
mails of one dive together (RFC 5322 section 3.6.4). There are no headers of a mailing list: nobody subscribed, and
nobody can leave an alarm by a button of their mail program.
"""

from __future__ import annotations

import re
from datetime import datetime
from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from html import escape

SUBJECT_MAX = 150
_LINK = re.compile(r"https?://[^\s<>\"]+[^\s<>\".,;:!?)]")
_CONTROL = re.compile(r"[\x00-\x1f\x7f\u0085\u2028\u2029]+")
_STYLE = "font:16px/1.5 sans-serif;max-width:40em"


def mail(
    *,
    sender: str,
    to: str,
    subject: str,
    text: str,
    language: str,
    reference: str,
    thread: str | None,
    now: datetime,
) -> EmailMessage:
    """Return the message. `reference` and `thread` are ids of ours; addresses are ASCII.

    Raises ValueError when an address cannot stand in a header.
    """
    domain = domain_of(sender)
    message = EmailMessage(policy=SMTP)
    message["From"] = _address(sender, "Linetender")
    message["To"] = _address(to)
    message["Subject"] = _one_line(subject)[:SUBJECT_MAX]
    message["Date"] = format_datetime(now)
    message["Message-ID"] = message_id(reference, sender)
    message["Auto-Submitted"] = "auto-generated"
    message["Content-Language"] = language
    if thread is not None:
        root = f"<dive-{_token(thread)}@{domain}>"
        message["In-Reply-To"] = root
        message["References"] = root
    message.set_content(text)
    message.add_alternative(as_html(text, language), subtype="html")
    return message


def message_id(reference: str, sender: str) -> str:
    """Return the Message-ID under which a message of ours goes out, also when it goes out twice."""
    return f"<{_token(reference)}@{domain_of(sender)}>"


def domain_of(address: str) -> str:
    """Return what stands behind the last @."""
    return address.rpartition("@")[2]


def as_html(text: str, language: str) -> str:
    """Return the same words as a page that any mail program shows: paragraphs, and links that can be tapped."""
    paragraphs = [part for part in re.split(r"\n\s*\n", text.strip()) if part.strip()]
    body = "".join(f"<p>{_lines(part)}</p>" for part in paragraphs)
    return f'<!doctype html><html lang="{escape(language)}"><body style="{_STYLE}">{body}</body></html>'


def _lines(paragraph: str) -> str:
    return "<br>".join(_linked(line) for line in paragraph.strip().splitlines())


def _linked(line: str) -> str:
    """Return the line with its addresses as links; the rest, which strangers may have written, is only text."""
    pieces, end = [], 0
    for found in _LINK.finditer(line):
        address = escape(found.group())
        pieces += [escape(line[end : found.start()]), f'<a href="{address}">{address}</a>']
        end = found.end()
    return "".join([*pieces, escape(line[end:])])


def _address(addr_spec: str, name: str = "") -> Address:
    try:
        return Address(name, addr_spec=addr_spec)
    except (ValueError, IndexError, MessageError) as fault:
        raise ValueError("this is not an e-mail address") from fault


def _one_line(words: str) -> str:
    return " ".join(_CONTROL.sub(" ", words).split())


def _token(identifier: str) -> str:
    return re.sub(r"[^A-Za-z0-9-]", "-", identifier)
