"""What holds for the whole season."""

import pytest
from refusals import refused_lines

from forecast.season.header import Header


@pytest.mark.parametrize("currency", ["eur", "EURO", "€", "E1R", "EU", "EUR\n"])
def test_a_currency_is_a_code_of_three_capitals(currency: str) -> None:
    cells = {"name": "A", "first_week": "2027-W01", "weeks": 52, "service_level": 0.9}
    if currency.strip() == "EUR":
        assert Header(**cells, currency=currency).currency == "EUR"
    else:
        told = refused_lines(Header, **cells, currency=currency)
        assert told[0].endswith("not a currency code. Write its three capital letters, such as EUR.")


USUAL = {"name": "A", "currency": "EUR", "first_week": "2027-W01", "weeks": 52, "service_level": 0.9}


def test_an_account_can_begin_below_zero_but_not_below_its_overdraft() -> None:
    assert Header(**USUAL, opening_cash=-5000, overdraft=5000).opening_cash == -5000
    assert Header(**USUAL, opening_cash=-5000).overdraft is None
    assert refused_lines(Header, **USUAL, opening_cash=-5000, overdraft=4000) == [
        "Header, overdraft, 4000.0: the account is further below zero when the season begins. Write 5000 or more, or "
        "correct opening_cash."
    ]
    for column, low in (("overdraft", -1), ("fixed_costs", 0), ("fixed_costs", -3)):
        (told,) = refused_lines(Header, **USUAL, **{column: low})
        assert told.startswith(f"Header, {column}, {low}: ")
