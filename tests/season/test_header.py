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
