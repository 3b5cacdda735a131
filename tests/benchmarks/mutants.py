"""Mutants of the package: its files with one place changed.

By the operators of mutmut: other arithmetic and comparisons, numbers one more, nothing assigned and so on; and by two
that stand here: nothing returned, and a call left out. Arguments are not dropped, as most would fail at once, and of
texts the case is not changed. Types, docstrings, decorators and imports stay, and so does `strict` of a zip, which
changes nothing but for what is zipped wrongly.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.machinery import ModuleSpec, SourceFileLoader
from importlib.util import spec_from_file_location
from pathlib import Path
from types import CodeType
from typing import Any

import libcst as cst
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation.mutators import mutation_operators, operator_arg_removal, operator_string

ROOT = Path(__file__).parents[2]
LEFT_ALONE = (cst.Annotation, cst.Decorator, cst.Import, cst.ImportFrom)


def nothing_returned(node: cst.Return) -> Iterator[cst.CSTNode]:
    if node.value is not None:
        yield node.with_changes(value=None)


def call_left_out(node: cst.Expr) -> Iterator[cst.CSTNode]:
    if isinstance(node.value, cst.Call):
        yield cst.Pass()


OPERATORS: Sequence[tuple[type, Any]] = [
    *(each for each in mutation_operators if each[1] is not operator_arg_removal),
    (cst.Return, nothing_returned),
    (cst.Expr, call_left_out),
]


@dataclass(frozen=True)
class Mutant:
    """A file of the package, what is changed in it, and the lines from its statement's first to its own last."""

    file: str
    kind: str
    lines: range
    module: cst.Module
    old: cst.CSTNode
    new: cst.CSTNode

    @property
    def text(self) -> str:
        return self.module.deep_replace(self.old, self.new).code

    def __str__(self) -> str:
        changes = list(difflib.unified_diff(self.module.code.splitlines(), self.text.splitlines(), n=0, lineterm=""))
        return "\n    ".join([f"{self.file}:{self.lines.start} {self.kind}", *changes[3:]])


class Places(cst.CSTVisitor):
    """All mutants of a file; of a text only one, not its case as well."""

    METADATA_DEPENDENCIES = (PositionProvider,)

    def __init__(self, file: str, module: cst.Module) -> None:
        self.mutants: list[Mutant] = []
        self.file, self.module, self.first, self.last = file, module, 1, 1

    def on_visit(self, node: cst.CSTNode) -> bool:
        target = node.targets[0].target if isinstance(node, cst.Assign) else None
        names_type = isinstance(target, cst.Name) and target.value[0].isupper() and not target.value.isupper()
        docstring = isinstance(node, cst.Expr) and isinstance(node.value, cst.BaseString)
        strict = isinstance(node, cst.Arg) and node.keyword is not None and node.keyword.value == "strict"
        if isinstance(node, LEFT_ALONE) or names_type or docstring or strict:
            return False
        if place := self.get_metadata(PositionProvider, node, None):
            self.last = place.end.line
            if isinstance(node, cst.BaseSmallStatement | cst.BaseCompoundStatement):
                self.first = place.start.line
        for kind, operator in OPERATORS:
            if isinstance(node, kind):
                name, lines = operator.__name__.removeprefix("operator_"), range(self.first, self.last + 1)
                others = list(operator(node))[: 1 if operator is operator_string else None]
                self.mutants += [Mutant(self.file, name, lines, self.module, node, new) for new in others]
        return True


def mutants(room: str) -> Iterator[Mutant]:
    """Yield the mutants of a room, or of one of its files."""
    place = ROOT / "forecast" / room
    for file in [place] if place.is_file() else sorted(place.glob("*.py")):
        wrapper = MetadataWrapper(cst.parse_module(file.read_text("utf-8")))
        places = Places(str(file.relative_to(ROOT)), wrapper.module)
        wrapper.visit(places)
        yield from places.mutants


class Instead(SourceFileLoader):
    """Imports one module of the package from another text."""

    def __init__(self, mutant: Mutant) -> None:
        super().__init__(mutant.file.removesuffix(".py").replace("/", "."), str(ROOT / mutant.file))
        self.text = mutant.text

    def get_code(self, fullname: str) -> CodeType:  # noqa: ARG002 - the only one it finds
        return compile(self.text, self.path, "exec")

    def find_spec(self, name: str, *_: object) -> ModuleSpec | None:
        return spec_from_file_location(name, self.path, loader=self) if name == self.name else None
