"""The public names: few, documented, and all there is."""

import inspect

import pytest

import forecast


def test_the_public_names_are_few():
    assert len(forecast.__all__) <= 30
    assert sorted(forecast.__all__) == forecast.__all__


@pytest.mark.parametrize("name", forecast.__all__)
def test_every_public_name_says_in_one_sentence_what_it_is(name):
    text = inspect.getdoc(getattr(forecast, name))
    assert text
    assert text.splitlines()[0].endswith(".")


@pytest.mark.parametrize("name", [n for n in forecast.__all__ if inspect.isfunction(getattr(forecast, n))])
def test_every_parameter_of_a_public_call_is_documented(name):
    call = getattr(forecast, name)
    text = inspect.getdoc(call)
    for parameter in inspect.signature(call).parameters:
        assert parameter in text


@pytest.mark.parametrize("name", [n for n in forecast.__all__ if inspect.isfunction(getattr(forecast, n))])
def test_a_public_call_takes_at_most_two_arguments_by_position(name):
    kinds = [p.kind for p in inspect.signature(getattr(forecast, name)).parameters.values()]
    assert sum(kind is not inspect.Parameter.KEYWORD_ONLY for kind in kinds) <= 2


def test_the_calls_that_others_rely_on_have_their_keywords():
    assert list(inspect.signature(forecast.simulate).parameters)[:4] == ["season", "orders", "draws", "seed"]
    keywords = inspect.signature(forecast.size_order).parameters
    assert {"season", "variety", "draws", "seed", "target", "week", "service_level"} <= set(keywords)
    assert list(inspect.signature(forecast.Outcome.chance).parameters) == ["self", "variety", "week", "at_least"]
