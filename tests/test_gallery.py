"""The drawings of the README are those that the code draws from the demo today."""

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from gallery import GALLERY, gallery
from printed import near, numbers_near

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
NAMES = sorted(file.stem for file in GALLERY.iterdir())
MOST_BYTES = 60_000
_NUMBER = re.compile(r"-?\d+\.?\d*(?:e-?\d+)?")
_PLACED = ("d", "transform", "width", "height", "x2", "y2", "fill", "stroke", "opacity")


@pytest.fixture(scope="module")
def drawn():
    return gallery()


def marks(drawing):
    """Return the words of a drawing, the forms of its marks, and where they are; fonts move neither within the plot."""
    tree = ElementTree.fromstring(drawing)
    words = sorted(node.text or "" for node in tree.findall(".//{*}text"))
    groups = [group for group in tree.findall(".//{*}g") if "role-mark" in group.get("class", "").split()]
    said = [f"{node.tag} {name} {node.get(name)}" for group in groups for node in group.iter() for name in _PLACED]
    forms = [_NUMBER.sub("#", line) for line in said]
    return words, forms, [number for line in said for number in _NUMBER.findall(line.split(" ", 2)[2])]


def same(drawing, other):
    """Whether drawings say and show the same but for last digits, wherever fonts put what stands around the plot."""
    words, forms, places = marks(drawing)
    other_words, other_forms, other_places = marks(other)
    return near(words, other_words) and forms == other_forms and numbers_near(places, other_places)


def test_there_is_a_drawing_for_each_chart(drawn):
    assert sorted(drawn) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_drawing_shows_what_the_code_draws_today(drawn, name):
    kept = (GALLERY / f"{name}.svg").read_text(encoding="utf-8")
    assert len(kept.encode()) < MOST_BYTES
    assert len(marks(kept)[2]) > 20
    assert same(kept, drawn[name])


def test_a_mark_that_moved_and_a_word_that_changed_are_noticed(drawn):
    shown = drawn["cash"]
    line = re.search(r'd="M([\d.]+),[^"]{200,}"', shown)
    nudged, moved = (
        shown[: line.start(1)] + f"{float(line[1]) + by:.3f}" + shown[line.end(1) :] for by in (0.001, 0.5)
    )
    assert same(shown, shown)
    assert same(shown, nudged)
    assert not same(shown, moved)
    assert not same(shown, shown.replace(">Cash by week<", ">Cash by month<"))
    assert same(shown, shown.replace("translate(64,", "translate(80,", 1))


@pytest.mark.parametrize("name", NAMES)
def test_the_readme_shows_a_drawing_and_says_it_in_words(name):
    alt = re.findall(rf"!\[([^\]]+)\]\(notebooks/gallery/{name}\.svg\)", README)
    assert len(alt) == 1
    assert len(alt[0].split()) >= 8
