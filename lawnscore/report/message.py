"""A draft of a message as RFC 5322 and MIME want it: text, attached PDF, every line short.

The fields are put together by the standard library's `Header`: its newer classes leave a long word
in one line, and a name such as `=?utf-8?q?x?=` is then read as another (CPython 3.11 and later;
tests/report/test_outbox.py holds both).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from email.charset import QP, Charset
from email.header import Header
from email.mime.application import MIMEApplication
from email.mime.multipart import MIMEMultipart
from email.mime.text import MIMEText
from email.policy import compat32
from email.utils import format_datetime, quote

_ON_DISK = compat32.clone(linesep="\r\n", max_line_length=78)
_PLAIN_WORD_MOST = 60
"""A longer word of ASCII is encoded too, since only encoded words can be broken over lines."""


@dataclass(frozen=True)
class Mailbox:
    """A name for people, which may be empty, and an address in ASCII."""

    name: str
    address: str


def draft(
    sender: Mailbox,
    to: Mailbox,
    subject: str,
    text: str,
    attached: Iterable[tuple[str, bytes]],
    *,
    now: datetime,
) -> bytes:
    """Return a draft that is ready to be opened, looked at and sent.

    Parameters
    ----------
    sender, to
        Whom it is from and for; addresses must be sound.
    subject, text
        Subject, and text with line feeds.
    attached
        File name and bytes of each PDF.
    now
        Moment that it bears, with its offset.
    """
    message = MIMEMultipart("mixed", policy=_ON_DISK)
    message["From"] = _mailbox("From", sender).encode()
    message["To"] = _mailbox("To", to).encode()
    message["Subject"] = _words(Header(header_name="Subject"), one_line(subject)).encode()
    message["Date"] = format_datetime(now)
    # No standard, and no field of RFC 5322: programs that do not know it pass it over (3.6.8), the
    # others open the file as a message to edit and send.
    message["X-Unsent"] = "1"
    readable = Charset("utf-8")
    readable.body_encoding = QP
    message.attach(MIMEText(text, "plain", readable, policy=_ON_DISK))  # type: ignore[arg-type]
    for name, data in attached:
        part = MIMEApplication(data, "pdf", policy=_ON_DISK)
        shown = name if name.isascii() else ("utf-8", "", name)  # RFC 2231
        part.add_header("Content-Disposition", "attachment", filename=shown)
        message.attach(part)
    return message.as_bytes(policy=_ON_DISK)


def one_line(text: str) -> str:
    """Return a text without line breaks and other control characters, which end a field."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def _mailbox(field: str, mailbox: Mailbox) -> Header:
    header = Header(header_name=field)
    name = one_line(mailbox.name)
    if not name:
        return _plain(header, mailbox.address)
    plain = all(sign.isalnum() or sign == " " for sign in name)
    _words(header, name, quoted="" if plain else f'"{quote(name)}"')
    return _plain(header, f"<{mailbox.address}>")


def _plain(header: Header, text: str) -> Header:
    """Add a text in ASCII to a field."""
    header.append(text, "us-ascii")
    return header


def _words(header: Header, text: str, *, quoted: str = "") -> Header:
    """Add words to a field, encoded (RFC 2047) where they must be."""
    longest = max(map(len, text.split()), default=0)
    if text.isascii() and "=?" not in text and longest <= _PLAIN_WORD_MOST:
        return _plain(header, quoted or text)
    header.append(text, "utf-8")
    return header
