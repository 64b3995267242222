"""Amounts are told as the currency is counted: ISO 4217 gives the yen no minor unit, the dollar a hundredth."""

import pytest

from kitplan.read.money import exact, figure, money
from kitplan.write.book import Book


@pytest.mark.parametrize(("currency", "told"), [
    ("JPY", ("1,234 JPY", "+1,234", "84 JPY")), ("jpy", ("1,234 jpy", "+1,234", "84 jpy")),
    ("USD", ("1,234.40 USD", "+1,234.40", "84.40 USD")), ("", ("1,234.40 ", "+1,234.40", "84.40 ")),
])
def test_a_currency_without_cents_shows_none(currency, told):
    assert (exact(1234.4, currency), figure(1234.4, currency, "+"), money(84.4, currency)) == told


def test_a_sheet_of_a_currency_without_cents_shows_none_either():
    for currency, shown in (("KRW", "#,##0"), ("EUR", "#,##0.00")):
        book = Book("Invented", currency, "0000-0000")
        assert {book.style(kind, "row").num_format for kind in ("money", "sum_money")} == {shown}
