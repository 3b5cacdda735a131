"""Faulty cells, headers and rows: what the refusal says, word by word."""

from collections.abc import Callable

import pytest

from forecast.season.header import Header


def case(name: str, file: str, old: str, new: str, *lines: str) -> object:
    return pytest.param(file, old, new, list(lines), id=name)


OUTSIDE = "outside the season. Write a week from 2026-W40 to 2028-W04, or change first_week or weeks in season.toml."
NOT_A_LEVEL = (
    "not a level. Write one of belief, season, variety, batch, cycle (of a culture), plant, or shares of all but the "
    "last that add to 1, such as 'season 0.3 variety 0.2 batch 0.5'."
)
NO_LAB = (
    "no lab sells this variety. Add a row for it to price_list, cultures, divisions or on_hand, or remove the target."
)
UNKNOWN = "no variety of this name in varieties. Correct the spelling, or add it to varieties."
FILL_SURVIVAL = (
    "Fill survival and survival_sd, or survival_p5 and survival_p95, or survived and of, "
    "or survival_bad and survival_good."
)
FILL_TARGET = "Fill target, or all of p5, median and p95."
NO_PLANT = "no plant survives, so no target can be met. Write a number above 0."
STRAY = "Look for a stray double quote; within a quoted text, write it twice."
ERROR = "a spreadsheet error. Correct the formula and save the file again."
NOT_USABLE = "not a number that can be used. Write a finite number, or leave the cell empty if it is optional."
NAMELESS = "a cell in a column without a name. Name the column, such as note, or clear it."
COMMAS = "Write decimals with a point, put a text with a comma in double quotes, or remove a comma."
COLUMNS = (
    "variety, week, until, target, p5, median, p95, channel, profile, price, price_end, promised, promised_share, "
    "short_cost, waits, note"
)
SETTINGS = ", ".join([*Header.model_fields][:12])
EXAMPLE = "Write a week as year and week number, such as 2027-W14."

CASES = [
    case("a header in other words", "targets.csv",
         "variety,week,target,p5,median,p95,promised,note", "Sorte;Woche;Anzahl",
         "targets.csv, row 1, 'Sorte,Woche,Anzahl': not a header. The first row that is not a comment must name the "
         f"columns: {COLUMNS}."),
    case("no header", "targets.csv", "variety,week,target,p5,median,p95,promised,note\n", "",
         'targets.csv, row 1, "Hosta \'Ambrel\',2027-W41,400,,,,,": not a header. The first row that is not a '
         f"comment must name the columns: {COLUMNS}."),
    case("a column without its name", "price_list.csv", "unit_price", "",
         "price_list.csv, row 1, column unit_price: the column is missing. Add it to the header.",
         f"price_list.csv, row 2, '1.45': {NAMELESS}"),
    case("a column by another name", "places.csv", "place,area", "place,size",
         "places.csv, row 1, column size: no such column. Known names: area, warmer_by, held_above, shaded_by, "
         "first_week, last_week, note.",
         "places.csv, row 1, column area: the column is missing. Add it to the header."),
    case("a misspelt column", "targets.csv", "variety,week", "varietty,week",
         "targets.csv, row 1, column varietty: no such column. Did you mean 'variety'?"),
    case("a misspelt optional column", "stages.csv", "survival_sd", "survival_sprd",
         "stages.csv, row 1, column survival_sprd: no such column. Did you mean 'survival_sd'?"),
    case("a negative area", "places.csv", "80", "-80",
         "places.csv, row 2, column area, '-80': not above 0. Write a number above 0."),
    case("week 60", "targets.csv", "Calla 'Corvane',2027-W40", "Calla 'Corvane',2027-W60",
         f"targets.csv, row 4, column week, '2027-W60': there is no such week; 2027 has weeks 01 to 52. {EXAMPLE}"),
    case("week 54 of a year of 53", "season.toml", "2026-W40", "2026-W54",
         f"season.toml, first_week, '2026-W54': there is no such week; 2026 has weeks 01 to 53. {EXAMPLE}"),
    case("a week as 4/2027", "price_list.csv", "2027-W10,2027-W18", "4/2027,2027-W18",
         "price_list.csv, row 5, column first_week, '4/2027': could be a week or a month. Write 2027-W04 if it is the "
         "week, or a day of that month."),
    case("85 for 0.85", "stages.csv", ",0.85,", ",85,",
         "stages.csv, row 2, column survival, '85': a share lies between 0 and 1. For 85 % write 0.85."),
    case("850 %", "stages.csv", ",0.85,", ",850%,",
         "stages.csv, row 2, column survival, '850%': more than 100 %. Write at most 100 %."),
    case("a percentage of what is no share", "varieties.csv", "9.80", "9.80%",
         "varieties.csv, row 4, column sale_price, '9.80%': a percentage. Write the share itself: 0.098."),
    case("85,5 %", "stages.csv", ",0.85,", ',"85,5 %",',
         "stages.csv, row 2, column survival, '85,5 %': a decimal comma, but '0.15' in row 2, column batches_cv, has a "
         "decimal point. Write 85.5 %."),
    case("a unit in a number", "places.csv", ",120,", ",120 ft²,",
         "places.csv, row 3, column area, '120 ft²': 'ft²' is not the unit of this column. Write it in m², as a number "
         "alone."),
    case("not a number", "places.csv", ",120,", ",NaN,", f"places.csv, row 3, column area, 'NaN': {NOT_USABLE}"),
    case("infinity", "varieties.csv", "9.80", "inf", f"varieties.csv, row 4, column sale_price, 'inf': {NOT_USABLE}"),
    case("more than a number can be", "varieties.csv", "9.80", "1e999",
         "varieties.csv, row 4, column sale_price, '1e999': not a number that can be used. Write a finite number."),
    case("a spreadsheet error in a number", "varieties.csv", "9.80", "#REF!",
         f"varieties.csv, row 4, column sale_price, '#REF!': {ERROR}"),
    case("a spreadsheet error in the first column", "orders.csv", "Calla 'Corvane'", "#N/A",
         f"orders.csv, row 3, column variety, '#N/A': {ERROR}"),
    case("a name like a remark", "orders.csv", "North Lab", "#1 Lab",
         "orders.csv, row 2, column lab, '#1 Lab': starts with #, as comment lines do. Choose a name that starts "
         "otherwise."),
    case("a decimal comma in quotes", "places.csv", ",0.6,", ',"0,6",',
         "places.csv, row 2, column usable, '0,6': a decimal comma, but '0.75' in row 3, column usable, has a decimal "
         "point. Write 0.6."),
    case("a decimal comma without quotes", "places.csv", ",0.6,", ",0,6,",
         f"places.csv, row 2, 'house,80,0,6,3.20': 5 cells under 4 columns. {COMMAS}"),
    case("a decimal comma before an empty cell", "varieties.csv", "1 l,9.50,26,", "1 l,9,50,26,",
         f'varieties.csv, row 2, "Hosta \'Ambrel\',hosta,1 l,9,50,26,": 7 cells under 6 columns. {COMMAS}'),
    case("12.000, which may be 12", "orders.csv", "504", "12.000",
         "orders.csv, row 2, column quantity, '12.000': could be read in two ways. Write 12000 or 12, whichever is "
         "meant."),
    case("too many cells", "orders.csv", "504,North Lab", "504,North Lab,urgent",
         f'orders.csv, row 2, "Hosta \'Ambrel\',2027-W10,504,North Lab,urgent": 5 cells under 4 columns. {COMMAS}'),
    case("a column without a name", "orders.csv",
         "quantity,lab\nHosta 'Ambrel',2027-W10,504,North Lab",
         "quantity,lab,\nHosta 'Ambrel',2027-W10,504,North Lab,urgent",
         f"orders.csv, row 2, 'urgent': {NAMELESS}"),
    case("a quote that never ends", "orders.csv", "504,North", '504,"North',
         f"orders.csv, row 2: not valid CSV: unexpected end of data. {STRAY}"),
    case("a quote that ends too early", "orders.csv", "504,North Lab", '504,"North" Lab',
         f'orders.csv, row 2: not valid CSV: \',\' expected after \'"\'. {STRAY}'),
    case("a line break in a name", "orders.csv", "504,North Lab", '504,"North\nLab"',
         "orders.csv, row 2, column lab, 'North\\nLab': contains a line break. Write it on one line; look for a "
         "stray double quote."),
    case("an unknown variety in offers", "price_list.csv", "Hosta 'Belwin'", "Hosta 'Bellwin'",
         f'price_list.csv, row 4, column variety, "Hosta \'Bellwin\'": {UNKNOWN} Did you mean "Hosta \'Belwin\'"?',
         f'targets.csv, row 3, column variety, "Hosta \'Belwin\'": {NO_LAB}'),
    case("an unknown variety in wanted", "targets.csv", "Hosta 'Belwin'", "Hosta 'Bellwin'",
         f'targets.csv, row 3, column variety, "Hosta \'Bellwin\'": {UNKNOWN} Did you mean "Hosta \'Belwin\'"?'),
    case("an unknown variety in orders", "orders.csv", "Calla 'Corvane'", "Iris",
         f"orders.csv, row 3, column variety, 'Iris': {UNKNOWN} Known names: Calla 'Corvane', Hosta 'Ambrel', Hosta "
         "'Belwin'."),
    case("an unknown place", "stages.csv", "acclimatisation,house", "acclimatisation,hoouse",
         "stages.csv, row 2, column place, 'hoouse': no place of this name in places. Correct the spelling, or add "
         "it to places. Did you mean 'house'?"),
    case("an unknown group", "stages.csv", "calla,grading", "callas,grading",
         "stages.csv, row 7, column applies_to, 'callas': no group or variety of this name in varieties. Correct the "
         "spelling, or add it to varieties. Did you mean 'calla'?"),
    case("a group without stages", "varieties.csv", "Calla 'Corvane',calla", "Calla 'Corvane',iris",
         "stages.csv, rows 5 to 7, column applies_to, 'calla': no group or variety of this name in varieties. "
         "Correct the spelling, or add it to varieties. Known names: Calla 'Corvane', Hosta 'Ambrel', Hosta "
         "'Belwin', hosta, iris.",
         'varieties.csv, row 4, column group, \'iris\': no stages for this group or variety. Add rows for \'iris\' '
         'or "Calla \'Corvane\'" to stages.'),
    case("wanted, not offered", "price_list.csv",
         "North Lab,Hosta 'Belwin',plug,1,1.55,72,72,16,2027-W08,2027-W16,0.25,26.00,288\n", "",
         f'targets.csv, row 3, column variety, "Hosta \'Belwin\'": {NO_LAB}'),
    case("a lab that does not offer it", "orders.csv", "200,South Lab", "200,North Lab",
         "orders.csv, row 3, column lab, 'North Lab': this lab does not sell Calla 'Corvane'. Correct the lab, clear "
         "it, or add it to price_list."),
    case("wanted before delivery", "targets.csv", "Hosta 'Ambrel',2027-W41", "Hosta 'Ambrel',2027-W05",
         "targets.csv, row 2, column week, '2027-W05': before any delivery is possible. The first possible delivery "
         "is in 2027-W08: move the target later, or find an earlier delivery."),
    case("wanted after the season", "targets.csv", "Hosta 'Ambrel',2027-W41", "Hosta 'Ambrel',2029-W05",
         f"targets.csv, row 2, column week, '2029-W05': {OUTSIDE}"),
    case("wanted before the season", "targets.csv", "Hosta 'Ambrel',2027-W41", "Hosta 'Ambrel',2025-W05",
         f"targets.csv, row 2, column week, '2025-W05': {OUTSIDE}"),
    case("ordered outside the season", "orders.csv", "2027-W10", "2029-W10",
         f"orders.csv, row 2, column week, '2029-W10': {OUTSIDE}"),
    case("no survival", "stages.csv", ",0.85,0.07", ",0,0", f"stages.csv, row 2, column survival, 0: {NO_PLANT}"),
    case("none survived", "stages.csv", ",95,100", ",0,100", f"stages.csv, row 4, column survived, 0: {NO_PLANT}"),
    case("a survival stated twice", "stages.csv", ",,0.9,0.98,,,", ",,0.9,0.98,95,100,",
         f"stages.csv, row 3, column survival: survival is stated in more than one way. {FILL_SURVIVAL}"),
    case("a survival not stated", "stages.csv", ",,0.9,0.98,,,", ",,,,,,",
         f"stages.csv, row 3, column survival: survival is empty. {FILL_SURVIVAL}"),
    case("a survival half stated", "stages.csv", ",,0.9,0.98,,,", ",,0.9,,,,",
         f"stages.csv, row 3, column survival: only half of the survival is stated. {FILL_SURVIVAL}"),
    case("more survived than there were", "stages.csv", ",95,100", ",105,100",
         "stages.csv, row 4, column survived, '105 of 100': not a count. Give whole numbers, survived at most of."),
    case("an impossible spread", "stages.csv", ",0.85,0.07", ",0.85,0.4",
         "stages.csv, row 2, column survival_sd, 0.4: no share with a mean of 0.85 varies so much. Give a standard "
         "deviation from 0 to below 0.357."),
    case("a range in reverse", "stages.csv", ",,0.9,0.98,,,", ",,0.98,0.9,,,",
         "stages.csv, row 3, column survival_p95, 0.9: not above survival_p5, 0.98. Swap or correct the two."),
    case("an unknown level", "stages.csv", ",belief,", ",tray,",
         f"stages.csv, row 4, column survival_level, 'tray': {NOT_A_LEVEL}"),
    case("levels that add to more than 1", "stages.csv",
         "season 0.3 variety 0.2 batch 0.5", "season 0.3 variety 0.2 batch 0.6",
         f"stages.csv, row 2, column survival_level, 'season 0.3 variety 0.2 batch 0.6': {NOT_A_LEVEL}"),
    case("points that lose everything", "stages.csv", ",0.89,0.03", ",0.15,0.03",
         "stages.csv, row 6, column share_of, 'original': calla: 0.8 of the original plants enter this stage, but it "
         "loses 0.85 of the original. Lower the losses, or use share_of 'entering' if each is a share of the plants "
         "that enter."),
    case("points with an impossible spread", "stages.csv", ",0.89,0.03", ",0.3,0.35",
         "stages.csv, row 6, column share_of, 'original': calla: as a share of the plants that enter: no share with "
         "a mean of 0.125 varies so much. Lower survival_sd."),
    case("both meanings of a survival", "stages.csv", "batch,original,69", "batch,entering,69",
         "stages.csv, row 6, column share_of, 'entering': calla mixes both meanings of survival: row 5 says "
         "original. Use one share_of for all stages of a group or variety."),
    case("a clock in days", "stages.csv", "growing on,house,weeks,10", "growing on,house,days,70",
         "stages.csv, row 3, column runs_on, 'days': not one of the words for this column. Write 'weeks' or "
         "'degree-days'."),
    case("a minimum of 0", "price_list.csv", "1.10,100,50", "1.10,0,50",
         "price_list.csv, row 5, column minimum, '0': below 1. Write at least 1."),
    case("a multiple of 2.5", "price_list.csv", "1.10,100,50", "1.10,100,2.5",
         "price_list.csv, row 5, column multiple, '2.5': not a whole number. Write 2 or 3."),
    case("last week before the first", "price_list.csv", "2027-W10,2027-W18", "2027-W18,2027-W10",
         "price_list.csv, row 5, column last_week, '2027-W10': before first_week, 2027-W18. Swap or correct the two."),
    case("an offer that comes too late", "price_list.csv", "100,50,16", "100,50,60",
         "price_list.csv, row 5, column last_week, '2027-W18': too late to order. Ordered in 2026-W40, it would "
         "arrive in 2027-W47: change lead_weeks, last_week or season.toml."),
    case("a lead of a billion weeks", "price_list.csv", "100,50,16", "100,50,1000000000",
         "price_list.csv, row 5, column lead_weeks, '1000000000': above 520. Write at most 520."),
    case("freight without a box", "price_list.csv", "0.3,18.00,500", "0.3,18.00,",
         "price_list.csv, row 5, column plants_per_box: required when freight_per_box is above 0. Write how many "
         "plants a box holds."),
    case("low above likely", "targets.csv", "120,150,200", "220,150,200",
         "targets.csv, row 4, column median, 150.0: below p5, 220.0. Swap or correct the two."),
    case("a range without its middle", "targets.csv", "120,150,200", "120,,200",
         f"targets.csv, row 4, column target: the target is empty or incomplete. {FILL_TARGET}"),
    case("a number and a range", "targets.csv", "400,,,", "400,300,400,500",
         f"targets.csv, row 2, column target, 400: the target is stated in two ways. {FILL_TARGET}"),
    case("neither number nor range", "targets.csv", "400,,,", ",,,",
         f"targets.csv, row 2, column target: the target is empty or incomplete. {FILL_TARGET}"),
    case("promised 1", "targets.csv", ",0.8,", ",1,",
         "targets.csv, row 3, column promised, '1': not below 1. Write a number below 1."),
    case("service_level 95", "season.toml", "0.9", "95",
         "season.toml, service_level, 95: a share lies between 0 and 1. For 95 % write 0.95."),
    case("not TOML", "season.toml", "weeks = 70", "weeks 70",
         "season.toml, row 4, column weeks, '70': no = between the name and its value. Write weeks = 70."),
    case("a missing key", "season.toml", "weeks = 70\n", "",
         "season.toml, weeks: empty but required. Fill it in."),
    case("a misspelt key", "season.toml", "budget", "buget",
         "season.toml, buget, 5000: not a known setting. Did you mean 'budget'?"),
    case("an unknown key", "season.toml", "budget", "country",
         f"season.toml, country, 5000: not a known setting. Known names: {SETTINGS}, ...."),
    case("EURO", "season.toml", "EUR", "EURO",
         "season.toml, currency, 'EURO': not a currency code. Write its three capital letters, such as EUR."),
    case("half a week", "season.toml", '"2026-W40"', '"40"',
         "season.toml, first_week, '40': a week without its year. Write it with its year, such as 2027-W14."),
    case("service_level nan", "season.toml", "0.9", "nan",
         "season.toml, service_level, nan: not a number that can be used. Write a finite number."),
    case("weeks = true", "season.toml", "70", "true", "season.toml, weeks, True: not a number. Write a number."),
    case("a name that is a number", "season.toml", '"A small season"', "2027",
         "season.toml, name, 2027: not a text. Write a text, in double quotes."),
    case("a table for a number", "season.toml", "budget = 5000", "[budget]\nmost = 5000",
         "season.toml, budget, {'most': 5000}: cannot be used. Input should be a valid number."),
    case("the same wanted twice", "targets.csv", "Hosta 'Belwin'", "Hosta 'Ambrel'",
         'targets.csv, row 3, column variety, "Hosta \'Ambrel\', 2027-W41": the same as row 2. Keep one of the two '
         "rows, or change its variety, week or channel."),
    case("a shelf life of 0", "varieties.csv", ",12,new", ",0,new",
         "varieties.csv, row 4, column saleable_weeks, '0': below 1. Write at least 1."),
    case("a bell in a note", "varieties.csv", "new here", "new\x07here",
         "varieties.csv, row 4, column note, 'new\\x07here': contains a character that cannot be printed. Type it "
         "again."),
    case("nothing usable", "places.csv", ",0.6,", ",0,",
         "places.csv, row 2, column usable, '0': not above 0. Write a number above 0."),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "lines"), CASES)
def test_a_fault_is_reported_with_place_value_and_remedy(
    change: Callable[[str, str, str], None],
    refusal: Callable[[], list[str]],
    file: str,
    old: str,
    new: str,
    lines: list[str],
) -> None:
    change(file, old, new)
    assert refusal() == lines
