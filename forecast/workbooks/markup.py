"""XML that is changed in place: elements are found by where they are, and all between the changes stays as it is."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from html import unescape
from xml.parsers.expat import ExpatError, ParserCreate

from forecast.workbooks.unsound import Unsound

_TOKEN = re.compile(
    rb"<!--.*?-->|<!\[CDATA\[.*?\]\]>|<\?.*?\?>"
    rb"|<(?P<close>/?)(?P<name>[^\s/>]+)(?:[^\"'>]|\"[^\"]*\"|'[^']*')*?(?P<alone>/?)>",
    re.DOTALL,
)
_ATTRIBUTE = re.compile(r"""([^\s=]+)\s*=\s*(?:"([^"]*)"|'([^']*)')""")
_ENCODING = re.compile(rb"""<\?xml[^>]*encoding\s*=\s*["']([^"']+)["']""")
_UTF_8 = (b"utf-8", b"us-ascii", b"ascii")
Cut = tuple[int, int, str]
"""From where to where a part is replaced, and by what."""


class Element:
    """An element in a part: where its tags begin and end, and the elements in it."""

    __slots__ = ("_data", "children", "close", "end", "inner", "start", "tag")

    def __init__(self, data: bytes, tag: str, start: int, inner: int) -> None:
        self._data = data
        self.tag, self.start, self.inner = tag, start, inner
        self.close = self.end = inner  # of one without an end tag
        self.children: list[Element] = []

    @property
    def name(self) -> str:
        """Its name without a prefix."""
        return self.tag.rpartition(":")[2]

    @property
    def attributes(self) -> dict[str, str]:
        """Its attributes, with their prefixes."""
        found = _ATTRIBUTE.findall(self._data[self.start : self.inner].decode())
        return {name: unescape(one or other) for name, one, other in found}

    @property
    def text(self) -> str:
        """Itself, as it is written."""
        return self._data[self.start : self.end].decode()

    @property
    def opening(self) -> str:
        """Its start tag as it is written, also if it has no end tag, which it then gets."""
        tag = self._data[self.start : self.inner].decode()
        return f"{tag[:-2].rstrip()}>" if tag.endswith("/>") else tag

    @property
    def content(self) -> str:
        """What is between its tags."""
        return self._data[self.inner : self.close].decode()

    def child(self, name: str) -> Element | None:
        """Return the first element in it of a name, without a prefix; None if there is none."""
        return next((one for one in self.children if one.name == name), None)

    def filled(self, content: str) -> str:
        """Return it with something else between its tags."""
        return f"{self.opening}{content}</{self.tag}>"

    def appended(self, text: str) -> Cut:
        """Return the change that puts something behind all that is in it."""
        if self.inner == self.end and self._data[self.inner - 2 : self.inner] == b"/>":
            return self.start, self.end, self.filled(text)
        return self.close, self.close, text


def read(data: bytes, depth: int = 99) -> Element:
    """Return the root of a part with the elements in it, those `depth` levels below it at most.

    `Unsound` if it is not well-formed, in another encoding than UTF-8, or declares entities.
    """
    _check(data)
    path: list[Element] = []  # the elements that are open, down to the depth
    level = 0
    for token in _TOKEN.finditer(data):
        if token["name"] is None:
            continue
        if token["close"]:
            level -= 1
            if level <= depth:
                last = path.pop()
                last.close, last.end = token.start(), token.end()
            continue
        if level <= depth:
            one = Element(data, token["name"].decode(), token.start(), token.end())
            if path:
                path[-1].children.append(one)
            else:
                root = one
            if not token["alone"]:
                path.append(one)
        level += not token["alone"]
    return root


def _check(data: bytes) -> None:
    """Refuse what is not well-formed XML in UTF-8 without entities of its own."""
    known = _ENCODING.match(data.removeprefix(b"\xef\xbb\xbf"))
    if (known and known[1].lower() not in _UTF_8) or b"<!DOCTYPE" in data:
        raise Unsound
    try:
        ParserCreate().Parse(data, True)
    except ExpatError as error:
        raise Unsound from error


def cut(data: bytes, cuts: Iterable[Cut]) -> bytes:
    """Return a part with some of it replaced; all else stays byte for byte."""
    found, at = [], 0
    for start, end, text in sorted(cuts, key=lambda one: one[:2]):
        found += [data[at:start], text.encode()]
        at = end
    return b"".join([*found, data[at:]])


def namespaces(root: Element) -> dict[str, str]:
    """Return the namespaces that a root declares, by prefix."""
    return {name[6:]: value for name, value in root.attributes.items() if name == "xmlns" or name[:6] == "xmlns:"}


def native(root: Element, text: str) -> str:
    """Return elements as they are put into a part: in the namespace of its root, whatever its prefix is."""
    prefix = root.tag.rpartition(":")[0]
    if not prefix:
        return text
    return "".join(_declared(one, namespaces(root)[prefix]) for one in _tops(text))


def _declared(text: str, namespace: str) -> str:
    """Return an element that declares its namespace."""
    return re.sub(r"^<[\w:]+", lambda found: f'{found[0]} xmlns="{namespace}"', text)


def _tops(text: str) -> Iterator[str]:
    """Yield the elements that are written one after the other."""
    return (one.text for one in read(f"<all>{text}</all>".encode(), 1).children)


def with_attribute(opening: str, name: str, value: str | None) -> str:
    """Return a start tag in which an attribute has a value, or is left out."""
    rest = re.sub(rf"""\s+{re.escape(name)}\s*=\s*("[^"]*"|'[^']*')""", "", opening)
    if value is None:
        return rest
    end = "/>" if rest.endswith("/>") else ">"
    return f'{rest.removesuffix(end).rstrip()} {name}="{quoted(value)}"{end}'


def quoted(text: str) -> str:
    """Return a text as it is written in an attribute or between tags."""
    found = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")
    return found.replace("\n", "&#10;").replace("\t", "&#9;")


def placed(root: Element, order: Iterable[str], name: str) -> int:
    """Return where a new child of a root goes, by the order that its children must have."""
    later = list(order)
    later = later[later.index(name) + 1 :]
    return next((one.start for one in root.children if one.name in later), root.close)
