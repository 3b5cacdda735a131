"""The public names: few, documented, and all there is."""

import importlib
import inspect
import pkgutil

import pytest

import forecast
from forecast import charts, show
from forecast.streams import DRAWS, PLANNING_DRAWS
from forecast.words.results import Result

HOMES = (forecast, charts, show)
CALLS = {
    name: getattr(home, name) for home in HOMES for name in home.__all__ if inspect.isfunction(getattr(home, name))
}
CALLS |= {
    f"{name}.{method}": call
    for name, kind in inspect.getmembers(forecast, inspect.isclass)
    for method, call in inspect.getmembers(kind, inspect.isfunction)
    if not method.startswith("_")
}
RESULTS = {
    name: kind
    for home in sorted(pkgutil.walk_packages(forecast.__path__, "forecast."), key=lambda one: one.name)
    if not home.ispkg and home.name != "forecast.__main__"
    for name, kind in inspect.getmembers(importlib.import_module(home.name), inspect.isclass)
    if issubclass(kind, Result) and kind is not Result
}
FOLLOW_UPS = {
    f"{name}.{method}": call
    for name, kind in RESULTS.items()
    for method, call in inspect.getmembers(kind, inspect.isfunction)
    if not method.startswith("_") and call.__module__.startswith("forecast.")
}
PLANNING = {
    "plan_orders", "plan_scenarios", "explants_needed", "compare_routes", "trial_worth", "what_drives", "what_if",
}  # fmt: skip


def test_the_public_names_are_few():
    assert len(forecast.__all__) <= 30
    assert sorted(forecast.__all__) == forecast.__all__


@pytest.mark.parametrize("name", forecast.__all__)
def test_every_public_name_says_in_one_sentence_what_it_is(name):
    text = inspect.getdoc(getattr(forecast, name))
    assert text
    assert text.splitlines()[0].endswith(".")


@pytest.mark.parametrize("name", [name for name in CALLS if "." not in name])
def test_every_parameter_of_a_public_call_is_documented(name):
    text = inspect.getdoc(CALLS[name])
    for parameter in inspect.signature(CALLS[name]).parameters:
        assert parameter in text


@pytest.mark.parametrize("name", [name for name in forecast.__all__ if name in CALLS])
def test_a_public_call_takes_at_most_two_arguments_by_position(name):
    kinds = [p.kind for p in inspect.signature(CALLS[name]).parameters.values()]
    assert sum(kind is not inspect.Parameter.KEYWORD_ONLY for kind in kinds) <= 2


def _parameters(*names):
    """Yield calls and follow-ups with their parameters of some names."""
    for call, function in (CALLS | FOLLOW_UPS).items():
        for name, parameter in inspect.signature(function).parameters.items():
            if name in names:
                yield call, parameter


def test_draws_and_seeds_are_given_by_name_alone():
    kinds = {call: parameter.kind for call, parameter in _parameters("draws", "seed")}
    assert {call for call, kind in kinds.items() if kind is not inspect.Parameter.KEYWORD_ONLY} == set()


def test_a_call_takes_the_usual_number_of_draws_and_the_seed_of_the_season():
    draws = {call: parameter.default for call, parameter in _parameters("draws")}
    assert draws.pop("report") is None  # those of the plan, if there is one
    assert draws == {call: PLANNING_DRAWS if call in PLANNING else DRAWS for call in draws}
    assert {call for call, parameter in _parameters("seed") if parameter.default is not None} == set()


def test_a_table_is_a_method_that_needs_nothing():
    for name, kind in RESULTS.items():
        asked = [*inspect.signature(kind.table).parameters.values()][1:]
        assert inspect.isfunction(kind.table), name
        assert all(one.default is not one.empty for one in asked), name
        assert inspect.signature(kind.table).return_annotation == "pd.DataFrame", name


@pytest.mark.parametrize("name", FOLLOW_UPS)
def test_a_follow_up_is_documented_and_takes_few_arguments_by_position(name):
    signature, text = inspect.signature(FOLLOW_UPS[name]), inspect.getdoc(FOLLOW_UPS[name]) or ""
    assert text.partition("\n")[0].endswith(".")
    kinds = [one.kind for one in signature.parameters.values()]
    assert sum(kind is not inspect.Parameter.KEYWORD_ONLY for kind in kinds) <= 4  # itself and three


def test_progress_has_one_name_and_one_form():
    forms = {str(parameter.annotation) for _, parameter in _parameters("progress")}
    assert forms == {"Progress | None"}


def test_the_calls_that_others_rely_on_have_their_keywords():
    assert list(inspect.signature(forecast.simulate).parameters)[:4] == ["season", "orders", "draws", "seed"]
    keywords = inspect.signature(forecast.size_order).parameters
    assert {"season", "variety", "draws", "seed", "target", "week", "service_level"} <= set(keywords)
    assert list(inspect.signature(forecast.Outcome.chance).parameters) == ["self", "variety", "week", "at_least"]
