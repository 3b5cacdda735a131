"""What the worksheet of an order says where a step is not the usual one."""

from decimal import Decimal

from forecast.weeks import Week
from forecast.words import by_hand as words

WEEK = Week.parse("2027-W41")


def sold(average, minimum, multiple, quantity):
    return words.sold(
        average=average, lab="North Lab", minimum=minimum, multiple=multiple, multiples=quantity // multiple,
        quantity=quantity,
    ).splitlines()  # fmt: skip


def test_an_order_is_rounded_up_to_multiples():
    assert sold(527, 72, 72, 576) == [
        "As North Lab sells them: 72 or more, in multiples of 72", "  527 / 72 = 7.32, rounded up: 8", "  8 x 72 = 576",
    ]  # fmt: skip
    assert sold(250, 100, 50, 250)[1] == "  250 / 50 = 5"


def test_a_ratio_just_above_a_whole_number_is_not_printed_as_that_number():
    assert sold(100_001, 1, 1000, 101_000)[1] == "  100,001 / 1,000 = 100.001, rounded up: 101"
    assert sold(72_001, 1, 720, 72_720)[1] == "  72,001 / 720 = 100.001, rounded up: 101"


def test_a_minimum_is_said_where_it_rules():
    assert sold(100, 288, 72, 288)[1:] == ["  smallest order from 100: 4 multiples", "  4 x 72 = 288"]
    assert sold(100, 288, 1, 288) == ["As North Lab sells them: 288 or more", "  288, the smallest order from 100"]
    assert sold(100, 1, 1, 100) == ["As North Lab sells them: any number", "  100"]


def test_the_safety_is_more_none_or_fewer():
    cells = {"typical": 78.6, "poor": 61.2}
    assert words.safety(quantity=1300, rounded=1200, **cells).splitlines() == [
        "Safety, since survival, times and demand vary: of 100 plantlets 79 survive on average, 61 or fewer in 1 "
        "season of 20",
        "  1,300 - 1,200 = 100 more",
        "  100 / 1,200 = 8.3 % more",
    ]
    assert "no more than that" in words.safety(quantity=1200, rounded=1200, **cells)
    assert words.safety(quantity=1000, rounded=1200, **cells).endswith("  1,200 - 1,000 = 200 fewer")
    assert words.safety(quantity=72, rounded=0, **cells).endswith("  72 - 0 = 72 more")


def test_plants_that_are_there_are_taken_off():
    targets = [(WEEK, WEEK, 400), (WEEK, WEEK, 200)]
    text = words.wanted(targets, there=Decimal("135.8"))
    assert "in all: 400 + 200 = 600\n" in text
    assert text.endswith("on average: 600 - 135.8 = 464.2")
    assert words.wanted(targets, there=Decimal(650)).endswith(f"600 - 650 = -50. {words.ENOUGH}")
    assert words.wanted(targets[:1], there=Decimal(0)).splitlines()[1:] == ["  11 Oct 2027 (2027-W41): 400"]
    assert words.back([], average=0) == ""


def test_cents_are_always_printed_and_what_is_smaller_if_there_is_any():
    cells = {"lab": "North Lab", "week": WEEK, "quantity": 1300, "multiple": 50, "ready": None}
    text = words.supplied(
        [{**cells, "unit_price": Decimal("1.1"), "price": Decimal(1430)},
         {**cells, "unit_price": Decimal("0.125"), "price": Decimal("162.5")}], currency="EUR",
    )  # fmt: skip
    assert "1,300 x 1.10 = 1,430.00 EUR" in text
    assert "1,300 x 0.125 = 162.50 EUR" in text
    assert "half are never ready in this season" in text
    assert words.ordered([216, 144]) == "Order: 216 + 144 = 360"
