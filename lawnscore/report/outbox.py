"""Drafts of messages to customers whose lawn has news, for the user's own mail program.

A draft is a message file (RFC 5322 with MIME, RFC 2045 to 2049) with the customer's PDF attached.
Nothing is sent: what was drafted is written down in reports/sent.csv, so that it is drafted once.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import cannot_write, write_whole
from lawnscore.contract.settings import ReportSettings, read_settings
from lawnscore.contract.spreadsheet import safe_cell
from lawnscore.contract.tables import SENT
from lawnscore.register.cells import CellError
from lawnscore.register.customers import Customer, customers_of
from lawnscore.register.lock import locked
from lawnscore.register.mail_address import parse_mail_address
from lawnscore.register.register import read_register, read_table_file
from lawnscore.register.round_log import noted
from lawnscore.report.addressed import words_of
from lawnscore.report.language import Words
from lawnscore.report.load import LawnRows, file_stems, read_round
from lawnscore.report.message import Mailbox, draft, one_line
from lawnscore.scoring.tables import REPORTS

OUTBOX = Path(REPORTS) / "outbox"
SENT_FILE = Path(REPORTS) / f"{SENT.name}.csv"


@dataclass(frozen=True)
class Outgoing:
    """Reports for one customer: whose lawns, after which visits, and the file that carries them.

    ``file`` is the draft; for a customer who wants paper, the first of the PDF to print.
    """

    customer: Customer
    lawns: tuple[str, ...]
    visits: tuple[str, ...]
    pdfs: tuple[Path, ...]
    file: Path


@dataclass(frozen=True)
class Outbox:
    """What was drafted, what is to be printed, and who is left, with the reason.

    Parameters
    ----------
    drafts, paper
        Written down in reports/sent.csv.
    left
        Customer and reason; not written down, so they are named again.
    n_no_news
        Customers with nothing new since what last went out.
    """

    drafts: tuple[Outgoing, ...] = ()
    paper: tuple[Outgoing, ...] = ()
    left: tuple[tuple[str, str], ...] = ()
    n_no_news: int = 0


@dataclass(eq=False)
class _Post:
    """What is at hand while drafts are written."""

    root: Path
    settings: ReportSettings
    sender: Mailbox
    now: datetime
    drafts: list[Outgoing] = field(default_factory=list)
    paper: list[Outgoing] = field(default_factory=list)
    left: list[tuple[str, str]] = field(default_factory=list)


def write_outbox(
    round_path: Path | str,
    *,
    lawns: Sequence[str] | None = None,
    again: bool = False,
    today: str | None = None,
    now: datetime | None = None,
) -> Outbox:
    """Write a draft for each customer whose lawn has news; the PDF must be written already.

    News is a photographed visit later than the last one that a report in reports/sent.csv tells of.

    Parameters
    ----------
    round_path
        Folder of the round.
    lawns
        Only these lawns.
    again
        Draft also what has gone out before.
    today
        ISO date for what is due; the machine's by default.
    now
        Moment that the drafts bear, with its offset; the machine's by default.

    Raises
    ------
    LawnscoreError
        When round.toml has no address of the user's, sent.csv cannot be read whole, the round is
        not scored, or a file cannot be written.
    """
    root = Path(round_path)
    rounds = read_round(root, today=today)
    settings = rounds.settings.report
    moment = now or datetime.now().astimezone()
    post = _Post(root, settings, _sender(settings), moment)
    sent = {} if again else _last_sent(root)
    by_name = {lawn.lawn: lawn for lawn in rounds.lawns if lawns is None or lawn.lawn in lawns}
    n_no_news = 0
    try:
        with locked(root), noted(root, "outbox") as facts:
            customers = customers_of(read_register(root))
            stems = file_stems([customer.customer for customer in customers])
            for customer in customers:
                own = [by_name[lawn] for lawn in customer.lawns if lawn in by_name]
                news = list(_news(customer, own, sent))
                n_no_news += bool(own) and not news
                if news:
                    _put_out(post, customer, news, stems[customer.customer])
            facts |= {"drafts": len(post.drafts), "left": len(post.left)}
    except OSError as error:
        raise cannot_write(error.filename or root / OUTBOX, error) from None
    return Outbox(tuple(post.drafts), tuple(post.paper), tuple(post.left), n_no_news)


def check_outbox(round_path: Path | str) -> None:
    """Say what would keep drafts from being written, before any report is made.

    Raises
    ------
    LawnscoreError
        When round.toml has no address of the user's, or sent.csv cannot be read whole.
    """
    root = Path(round_path)
    _sender(read_settings(root / "round.toml").report)
    _last_sent(root)


def outbox_files(round_path: Path, customer: str) -> list[Path]:
    """Return the drafts of messages to a customer."""
    folder = round_path / OUTBOX
    named = {
        round_path / REPORTS / row["file"]
        for row in _sent_rows(round_path)
        if str(row["customer"]).casefold() == customer.casefold()
    }
    return sorted(path for path in folder.glob("*.eml") if path in named)


def _news(
    customer: Customer, own: Sequence[LawnRows], sent: dict[tuple[str, str], str]
) -> Iterator[tuple[LawnRows, str]]:
    for lawn in own:
        last = max((row["date"] for row in lawn.visits if row["photos"]), default="")
        if last > sent.get((customer.customer.casefold(), lawn.lawn.casefold()), ""):
            yield lawn, last


def _put_out(
    post: _Post, customer: Customer, news: Sequence[tuple[LawnRows, str]], stem: str
) -> None:
    pdfs = tuple(post.root / REPORTS / "customers" / f"{lawn.stem}.pdf" for lawn, _ in news)
    why = _why_left(customer, pdfs)
    if why:
        post.left.append((customer.customer, why))
        return
    names, visits = tuple(lawn.lawn for lawn, _ in news), tuple(visit for _, visit in news)
    if customer.reports == "paper":
        post.paper.append(Outgoing(customer, names, visits, pdfs, pdfs[0]))
        files = pdfs
    else:
        words = words_of(customer, post.settings)
        message = _draft(post, customer, news, pdfs, words)
        file = _free(post.root / OUTBOX, f"{post.now:%Y-%m-%d}-{stem}", ".eml")
        write_whole(file, message)
        post.drafts.append(Outgoing(customer, names, visits, pdfs, file))
        files = (file,) * len(pdfs)
    rows = [
        {"date": f"{post.now:%Y-%m-%d}", "customer": customer.customer, "lawn": lawn,
         "visit": visit, "file": file.relative_to(post.root / REPORTS).as_posix(),
         "sha256": hashlib.sha256(pdf.read_bytes()).hexdigest()}
        for lawn, visit, pdf, file in zip(names, visits, pdfs, files, strict=True)
    ]  # fmt: skip
    note_sent(post.root, rows)


def _why_left(customer: Customer, pdfs: Sequence[Path]) -> str:
    if customer.reports == "none":
        return "wants no reports"
    missing = [pdf.name for pdf in pdfs if not pdf.is_file()]
    if missing:
        return f"there is no {', '.join(missing)}; `lawnscore report --pdf` writes it"
    if customer.reports != "paper" and not customer.email:
        return "no address of theirs is in customers.csv"
    return ""


def _draft(
    post: _Post,
    customer: Customer,
    news: Sequence[tuple[LawnRows, str]],
    pdfs: Sequence[Path],
    words: Words,
) -> bytes:
    names = ", ".join(lawn.name for lawn, _ in news)
    visit = words.date(max(visit for _, visit in news))
    attached = [
        (f"{when}-{lawn.stem}.pdf", pdf.read_bytes())
        for (lawn, when), pdf in zip(news, pdfs, strict=True)
    ]
    return draft(
        post.sender,
        Mailbox(customer.name, customer.email),
        words.text("outbox.subject", lawns=names, date=visit),
        _text(post, customer, news, words),
        attached,
        now=post.now,
    )


def _text(
    post: _Post, customer: Customer, news: Sequence[tuple[LawnRows, str]], words: Words
) -> str:
    name = one_line(customer.name)
    greeting = words.text("outbox.greeting", name=name) if name else words.text("outbox.hello")
    lines = [greeting, ""]
    lines.append(words.text("outbox.attached" if len(news) == 1 else "outbox.attached_more"))
    lines += [
        words.text("outbox.lawn", lawn=one_line(lawn.name), date=words.date(visit))
        for lawn, visit in news
    ]
    lines += ["", words.text("outbox.reply"), "", words.text("outbox.regards")]
    lines += [line for line in (post.settings.business, post.settings.contact) if line]
    return "\n".join(lines) + "\n"


def _sender(settings: ReportSettings) -> Mailbox:
    mend = 'Write email = "you@example.org", with your address, under [report].'
    if not settings.email:
        raise LawnscoreError("drafts need an address of yours", mend, "round.toml")
    try:
        address = parse_mail_address(settings.email)
    except CellError as error:
        raise LawnscoreError(f"`report.email`: {error.what}", mend, "round.toml") from None
    return Mailbox(settings.business, address)


def _sent_rows(root: Path) -> tuple[dict[str, str], ...]:
    path = root / SENT_FILE
    return read_table_file(path, SENT).rows if path.exists() else ()


def _last_sent(root: Path) -> dict[tuple[str, str], str]:
    """Return the last visit that went out, by customer and lawn.

    Raises
    ------
    LawnscoreError
        When a row cannot be read: a report might go out twice.
    """
    path = root / SENT_FILE
    if not path.exists():
        return {}
    read = read_table_file(path, SENT)
    if read.problems:
        first = read.problems[0]
        raise LawnscoreError(first.what, first.mend, f"{SENT_FILE}, row {first.row}")
    last: dict[tuple[str, str], str] = {}
    for row in read.rows:
        key = (row["customer"].casefold(), row["lawn"].casefold())
        last[key] = max(row["visit"], last.get(key, ""))
    return last


def note_sent(root: Path, rows: Sequence[dict[str, str]]) -> None:
    """Add rows to sent.csv; every byte that is there stays."""
    path = root / SENT_FILE
    before = path.read_bytes() if path.exists() else b""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, SENT.column_names, lineterminator="\n")
    if not before.strip():
        writer.writeheader()
    for row in rows:
        writer.writerow({name: safe_cell(value) for name, value in row.items()})
    gap = b"" if not before or before.endswith(b"\n") else b"\n"
    write_whole(path, before + gap + out.getvalue().encode("utf-8"))


def _free(folder: Path, stem: str, suffix: str) -> Path:
    path, number = folder / f"{stem}{suffix}", 1
    while path.exists():
        number += 1
        path = folder / f"{stem}-{number}{suffix}"
    return path
