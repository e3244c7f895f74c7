"""customers.csv: whose lawn is whose, and what does not fit together."""

from __future__ import annotations

from pathlib import Path

import pytest

from lawnscore.contract.tables import LANGUAGES
from lawnscore.register.add import add_lawn
from lawnscore.register.customers import Customer, customers_of
from lawnscore.register.register import read_register
from lawnscore.register.remove import without_customer, without_lawn
from lawnscore.report.language import available_languages
from lawnscore.scoring.check import check_round

LAWNS = (
    "lawn,zone,area_m2,customer\nmill,front,90,Example family\nmill,back,60,\n"
    "elm,all,50,example family\noak,all,40,\n"
)
CUSTOMERS = (
    "Customer;Name;E-mail;Language;Reports;Address\n"
    "Example family;Ann Example;ann@example.org;German;;\"1 Mill Lane\nNowhere\"\n"
    "oak;Mr Oak;;;Post;\n"
)  # fmt: skip


@pytest.fixture
def base(tmp_path: Path) -> Path:
    (tmp_path / "round.toml").write_text("")
    (tmp_path / "lawns.csv").write_text(LAWNS)
    (tmp_path / "customers.csv").write_text(CUSTOMERS)
    return tmp_path


def test_one_customer_owns_several_lawns_and_a_lawn_may_be_its_own(base: Path) -> None:
    family, oak = customers_of(read_register(base))
    assert family == Customer(
        "Example family", ("mill", "elm"), "Ann Example", "ann@example.org", "",
        "1 Mill Lane Nowhere", "de", "email",
    )  # fmt: skip
    assert oak == Customer("oak", ("oak",), "Mr Oak", reports="paper")


def test_without_the_file_every_lawn_is_its_own_customer(base: Path) -> None:
    (base / "customers.csv").unlink()
    (base / "lawns.csv").write_text("lawn,zone\nmill,all\n")
    assert customers_of(read_register(base)) == (Customer("mill", ("mill",)),)
    assert not check_round(base).problems[1:]  # but for the area


def test_lawns_named_by_customer_alone_are_read_and_taken_out(base: Path) -> None:
    data = b"customer,zone\nmill,all\nelm,all\n"
    (base / "lawns.csv").write_bytes(data)
    lawns = read_register(base).lawns
    assert list(lawns["lawn"]) == list(lawns["customer"]) == ["mill", "elm"]
    assert without_lawn(data, "Mill", where=base / "lawns.csv") == (b"customer,zone\nelm,all\n", 1)


def test_a_customer_is_taken_out_and_every_other_byte_stays(base: Path) -> None:
    path = base / "customers.csv"
    kept, n = without_customer(path.read_bytes(), "EXAMPLE family", where=path)
    assert n == 1
    assert kept.decode() == CUSTOMERS.replace(CUSTOMERS.split("\n", 1)[1].split("oak;")[0], "")
    assert without_lawn(path.read_bytes(), "oak", where=path)[1] == 0


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        ("ann@example.org", "ann@example", "customers.csv, row 2, column E-mail: `ann@example`"),
        ("ann@example.org", '"ann@example.org\nBcc: x@example.org"', "line break"),
        ("German", "French", "`French` is not a known language"),
        ("Post", "pigeon", "`pigeon` is not a known reports"),
        ("oak;Mr", "oka;Mr", "no lawn is of `oka`. Did you mean `oak`?"),
        ("oak;Mr Oak", "example FAMILY;Mr Oak", "the same customer as row 2"),
        ("Customer;", "Kunde;", "there is no column customer"),
    ],
)
def test_check_says_what_is_wrong_in_customers(
    base: Path, before: str, after: str, message: str
) -> None:
    path = base / "customers.csv"
    path.write_text(CUSTOMERS.replace(before, after, 1))
    lines = [problem.line() for problem in check_round(base).problems]
    assert any(message in line for line in lines), lines


def test_a_sound_register_of_customers_has_no_problem(base: Path) -> None:
    result = check_round(base)
    assert (result.problems, result.notes) == ((), ())


def test_check_says_who_is_not_in_customers_and_who_is_named_twice(base: Path) -> None:
    (base / "lawns.csv").write_text(LAWNS.replace("mill,back,60,", "mill,back,60,Exampel family"))
    lines = " ".join(problem.line() for problem in check_round(base).problems)
    assert "customers.csv has no `Exampel family`. Did you mean `Example family`?" in lines
    assert "mill is Example family's in row 2, and Exampel family's here" in lines


def test_who_has_no_address_and_wants_no_paper_is_to_look_at(base: Path) -> None:
    (base / "customers.csv").write_text(CUSTOMERS.replace("ann@example.org", ""))
    (note,) = check_round(base).notes
    assert "no address of Example family" in note.line()


def test_check_reads_the_users_own_address(base: Path) -> None:
    (base / "round.toml").write_text('[report]\nemail = "me"\n')
    assert "`report.email`" in check_round(base).problems[0].line()


def test_a_lawn_is_added_with_its_customer(base: Path) -> None:
    add_lawn(base, "ash", customer="Example family")
    assert customers_of(read_register(base))[0].lawns == ("mill", "elm", "ash")


def test_languages_of_customers_are_those_that_ship() -> None:
    assert sorted(LANGUAGES) == available_languages()
