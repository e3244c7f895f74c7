"""Drafts for customers: read back by the standard library, and byte for byte after RFC 5322."""

from __future__ import annotations

import csv
import hashlib
import re
import shutil
from datetime import datetime, timedelta, timezone
from email import message_from_bytes
from email.header import decode_header, make_header
from email.message import EmailMessage
from email.policy import default
from email.utils import parseaddr
from pathlib import Path

import pytest

from lawnscore.contract.errors import LawnscoreError
from lawnscore.report import write_reports
from lawnscore.report.outbox import Outbox, write_outbox
from lawnscore.scoring.tables import write_table
from tests.report.invented import LAST_DAY, RoundMaker, write_round

NOW = datetime(2025, 10, 8, 9, 30, tzinfo=timezone(timedelta(hours=2)))
CUSTOMERS = (
    "customer,name,email,language,reports\n"
    'family,"Ann Example, Jr.",ann@example.org,en,\n'
    "elm,Jürgen Müßig,info@gärten.example,de,email\n"
    "oak,Mr Oak,,,paper\n"
    "ash,Ms Ash,,,\n"
    "fir,,fir@example.org,,none\n"
)
OWNERS = {"mill": "family", "yard": "family"}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A round with its reports, made once; each test copies it."""
    maker = RoundMaker()
    for lawn in ("mill", "yard", "elm", "oak", "ash", "fir"):
        maker.lawn(lawn, n_visits=2, renovate=False)
    for row in maker.rows["lawns"]:
        row["customer"] = OWNERS.get(row["lawn"])
    folder = tmp_path_factory.mktemp("outbox") / "round"
    write_round(folder, maker.frames(), business="Grün & Co, Rasen", email="me@example.net")
    (folder / "customers.csv").write_text(CUSTOMERS, encoding="utf-8")
    write_reports(folder, pdf=True, pictures="none", today=LAST_DAY)
    return folder


@pytest.fixture
def base(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "round"))


def post(base: Path, **options: object) -> Outbox:
    return write_outbox(base, today=LAST_DAY, now=NOW, **options)  # type: ignore[arg-type]


def parsed(path: Path) -> EmailMessage:
    message = message_from_bytes(path.read_bytes(), policy=default)
    assert isinstance(message, EmailMessage)
    assert not message.defects
    assert not any(part.defects for part in message.walk())
    return message


def text_of(message: EmailMessage) -> str:
    body = message.get_body(("plain",))
    assert body is not None
    return str(body.get_content()).replace("\r\n", "\n")


def sent(base: Path) -> list[dict[str, str]]:
    with (base / "reports" / "sent.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def check_lines(data: bytes) -> None:
    """Hold bytes to RFC 5322: 2.1 (CRLF), 2.1.1 (78 and 998), 2.2 (US-ASCII), 3.6 (fields)."""
    assert data.endswith(b"\r\n")
    assert b"\r" not in data.replace(b"\r\n", b"")
    assert b"\n" not in data.replace(b"\r\n", b"")
    assert data.isascii()
    assert b"\x00" not in data
    lines = data.split(b"\r\n")
    assert max(map(len, lines)) <= 998
    head, _, _ = data.partition(b"\r\n\r\n")
    fields = re.sub(rb"\r\n[ \t]+", b" ", head).split(b"\r\n")
    names = [re.match(rb"([!-9;-~]+):", field)[1].lower() for field in fields]  # type: ignore[index]
    for once in (b"from", b"date", b"to", b"subject", b"mime-version"):
        assert names.count(once) == 1, once
    assert not {b"bcc", b"cc"} & set(names)


def test_one_draft_a_customer_with_every_lawn_that_has_news(base: Path) -> None:
    done = post(base)
    assert [draft.customer.customer for draft in done.drafts] == ["family", "elm"]
    message = parsed(done.drafts[0].file)
    assert done.drafts[0].file.name == "2025-10-08-family.eml"
    assert message["X-Unsent"] == "1"
    assert message["Date"].datetime == NOW
    (to,) = message["To"].addresses
    assert (to.display_name, to.addr_spec) == ("Ann Example, Jr.", "ann@example.org")
    (who,) = message["From"].addresses
    assert (who.display_name, who.addr_spec) == ("Grün & Co, Rasen", "me@example.net")
    assert "mill" in message["Subject"]
    assert "yard" in message["Subject"]
    attached = list(message.iter_attachments())
    assert [part.get_content_type() for part in attached] == ["application/pdf"] * 2
    for part, lawn in zip(attached, ("mill", "yard"), strict=True):
        assert part.get_filename().endswith(f"-{lawn}.pdf")
        assert part.get_content() == (base / f"reports/customers/{lawn}.pdf").read_bytes()
    text = text_of(message)
    assert text.startswith("Dear Ann Example, Jr.,\n\nThe reports on your lawns")


def test_a_draft_and_its_report_are_in_the_customers_language(base: Path) -> None:
    done = post(base)
    message = parsed(done.drafts[1].file)
    assert message["Subject"].startswith("Ihr Rasen am ")
    (to,) = message["To"].addresses
    assert (to.display_name, to.addr_spec) == ("Jürgen Müßig", "info@xn--grten-gra.example")
    text = text_of(message)
    assert text.startswith("Guten Tag, Jürgen Müßig,\n")
    assert "Mit freundlichen Grüßen" in text
    assert 'lang="de"' in (base / "reports/customers/elm.html").read_text(encoding="utf-8")
    assert 'lang="en"' in (base / "reports/customers/mill.html").read_text(encoding="utf-8")
    assert 'lang="en"' in (base / "reports/lawns/elm.html").read_text(encoding="utf-8")


def test_every_draft_keeps_to_the_lines_of_the_standard(base: Path) -> None:
    for draft in post(base).drafts:
        data = draft.file.read_bytes()
        check_lines(data)
        assert max(map(len, data.split(b"\r\n"))) <= 78  # nothing here has a longer word


@pytest.mark.parametrize(
    "name",
    [
        "x" * 2000,
        "Anna " + "y" * 90,
        "Ü" * 600,
        "word " * 300,
        "芝 生" * 200,
        'quote " and \\ back',
        "=?utf-8?q?trick?=",
        "a@b.example <x@y.example>",
        "Bcc: x@example.org",
        "tab\tand\u2028line\u202eturn",
    ],
)
def test_any_name_gives_a_message_that_reads_back(base: Path, name: str) -> None:
    rows = f'customer,name,email\nelm,"{name.replace(chr(34), chr(34) * 2)}",elm@example.org\n'
    (base / "customers.csv").write_text(rows, encoding="utf-8")
    (draft,) = write_outbox(base, lawns=["elm"], today=LAST_DAY, now=NOW).drafts
    check_lines(draft.file.read_bytes())
    message = parsed(draft.file)
    (to,) = message["To"].addresses
    assert to.addr_spec == "elm@example.org"
    kept = "".join(" " if not sign.isprintable() else sign for sign in name)
    # Read by RFC 2047, 6.2: the newer parser keeps the space between encoded words of a name.
    raw = message_from_bytes(draft.file.read_bytes())["To"]
    shown, _ = parseaddr(raw) if "=?" not in raw else (str(make_header(decode_header(raw))), "")
    assert shown.removesuffix(" <elm@example.org>") == " ".join(kept.split())


def test_nobody_is_left_out_in_silence(base: Path) -> None:
    done = post(base)
    assert done.left == (
        ("ash", "no address of theirs is in customers.csv"),
        ("fir", "wants no reports"),
    )
    (paper,) = done.paper
    assert paper.customer.customer == "oak"
    assert paper.pdfs == (base / "reports/customers/oak.pdf",)


def test_what_went_out_is_written_down_and_goes_out_once(base: Path) -> None:
    done = post(base)
    rows = sent(base)
    assert [(row["customer"], row["lawn"]) for row in rows] == [
        ("family", "mill"), ("family", "yard"), ("elm", "elm"), ("oak", "oak"),
    ]  # fmt: skip
    pdf = (base / "reports/customers/elm.pdf").read_bytes()
    assert rows[2]["sha256"] == hashlib.sha256(pdf).hexdigest()
    assert rows[2]["file"] == "outbox/2025-10-08-elm.eml"
    assert rows[3]["file"] == "customers/oak.pdf"
    assert {row["date"] for row in rows} == {"2025-10-08"}
    second = post(base)
    assert (second.drafts, second.paper) == ((), ())
    assert len(second.left) == 2
    assert second.n_no_news == 3
    assert sent(base) == rows
    assert len(list((base / "reports/outbox").glob("*.eml"))) == len(done.drafts)


def test_a_new_visit_is_news_for_its_customer_alone(base: Path) -> None:
    post(base)
    path = base / "reports" / "sent.csv"
    rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
    last = sent(base)[0]["visit"]
    path.write_text("".join([*rows[:1], rows[1].replace(last, "2025-03-10"), *rows[2:]]))
    (draft,) = post(base).drafts
    assert (draft.customer.customer, draft.lawns) == ("family", ("mill",))
    assert draft.file.name == "2025-10-08-family-2.eml"  # the first draft stays as it is
    assert len(sent(base)) == 5


def test_again_drafts_what_went_out_and_one_lawn_may_be_named(base: Path) -> None:
    post(base)
    (draft,) = post(base, again=True, lawns=["elm"]).drafts
    assert draft.lawns == ("elm",)


def test_a_visit_without_a_usable_photo_is_no_news(base: Path) -> None:
    from lawnscore.scoring.tables import read_table

    visits = read_table(base, "visit_scores")
    visits.loc[visits["lawn"] == "elm", "photos"] = 0
    write_table(base, "visit_scores", visits)
    assert [draft.customer.customer for draft in post(base).drafts] == ["family"]


def test_sent_that_cannot_be_read_stops_it_all(base: Path) -> None:
    post(base)
    path = base / "reports" / "sent.csv"
    path.write_text(path.read_text(encoding="utf-8") + "yesterday,elm,elm,x,y,z\n")
    with pytest.raises(LawnscoreError, match=r"sent\.csv, row 6"):
        post(base)


def test_a_name_that_a_spreadsheet_would_run_is_kept_as_text(base: Path) -> None:
    (base / "customers.csv").write_text("customer,email\n=1+1,a@example.org\n")
    lawns = (base / "lawns.csv").read_text().replace("family", "=1+1")
    (base / "lawns.csv").write_text(lawns)
    post(base)
    assert {row["customer"] for row in sent(base)} >= {"'=1+1"}
    assert not post(base).drafts


def test_drafts_need_an_address_of_the_users(base: Path) -> None:
    for said, message in (("", "need an address of yours"), ("nobody", "not one e-mail")):
        (base / "round.toml").write_text(f'[report]\nemail = "{said}"\n')
        with pytest.raises(LawnscoreError, match=message):
            write_outbox(base, today=LAST_DAY, now=NOW)
    assert not (base / "reports/outbox").exists()


def test_a_report_that_was_not_made_is_said_and_not_written_down(base: Path) -> None:
    for pdf in (base / "reports/customers").glob("*.pdf"):
        pdf.unlink()
    done = post(base)
    assert not done.drafts
    assert ("elm", "there is no elm.pdf; `lawnscore report --pdf` writes it") in done.left
    assert not (base / "reports" / "sent.csv").exists()


def test_a_copied_round_has_its_reports_and_knows_what_went_out(base: Path, tmp_path: Path) -> None:
    """Another path and other times, as on a new laptop."""
    post(base)
    laptop = Path(shutil.copytree(base, tmp_path / "new laptop", copy_function=shutil.copy))
    assert write_reports(laptop, pdf=True, pictures="none", today=LAST_DAY).written == ()
    assert post(laptop).drafts == ()
