"""Addresses that a message can be sent to, and those that would break one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawnscore.register.cells import CellError
from lawnscore.register.mail_address import parse_mail_address


@pytest.mark.parametrize(
    ("typed", "address"),
    [
        # RFC 5322, appendix A.1.1 and A.1.2; example.org: RFC 2606
        ("jdoe@machine.example", "jdoe@machine.example"),
        (" boss@nil.test ", "boss@nil.test"),
        ("o'hara+lawn@Example.ORG", "o'hara+lawn@example.org"),
        # RFC 3492, 7.1 and RFC 5891: IDNA2008 keeps the sharp s, IDNA2003 made it ss
        ("info@bücher.example", "info@xn--bcher-kva.example"),
        ("info@faß.de", "info@xn--fa-hia.de"),
        ("a@例え.テスト", "a@xn--r8jz45g.xn--zckzah"),
        ("a@münchen.example", "a@xn--mnchen-3ya.example"),
        ("a@b.c-d.example", "a@b.c-d.example"),
    ],
)
def test_an_address_is_read(typed: str, address: str) -> None:
    assert parse_mail_address(typed) == address


@pytest.mark.parametrize(
    "typed",
    [
        "a@example.org\nBcc: everyone@example.org",
        "a@example.org\r\n\r\nbody",
        "a\x00@example.org",
        "a@exam\u2028ple.org",
        "a@example.org\u202e",
    ],
)
def test_a_line_break_never_gets_into_an_address(typed: str) -> None:
    with pytest.raises(CellError, match="line break or another control"):
        parse_mail_address(typed)


@pytest.mark.parametrize(
    "typed",
    [
        "", "nobody", "@example.org", "a@", "a@@example.org", "a@localhost", "a@-x.example",
        "a@x-.example", "a..b@example.org", ".a@example.org", "a.@example.org", "a b@example.org",
        "a@example.org, b@example.org", "a@example.org; b@example.org", "Ann <a@example.org>",
        "a@192.0.2.1", "a@[192.0.2.1]", '"a b"@example.org', f"{'a' * 65}@example.org",
        f"a@{'b' * 64}.example", f"a@{'.'.join(['b' * 60] * 5)}", "a@example..org",
        "a@ex_ample.org",
    ],
)  # fmt: skip
def test_what_is_no_address(typed: str) -> None:
    with pytest.raises(CellError):
        parse_mail_address(typed)


def test_letters_before_the_at_sign_are_not_guessed() -> None:
    with pytest.raises(CellError, match="many mail servers refuse"):
        parse_mail_address("jürgen@example.org")


@given(st.text(max_size=40))
def test_whatever_is_read_is_one_short_line_of_ascii(text: str) -> None:
    try:
        address = parse_mail_address(f"{text}@example.org")
    except CellError as error:
        assert "\n" not in error.what
        return
    assert address.isascii()
    assert address.isprintable()
    assert len(address.split()) == 1
    assert address.count("@") == 1
