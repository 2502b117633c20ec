"""Which keys of the config a source file reads, found in its syntax tree."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel

from limbward.config import Config


def _model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next(filter(None, map(_model, get_args(annotation))), None)


def _below(model: type[BaseModel]) -> dict[str, type[BaseModel]]:
    """Return the models below one, by class name."""
    found = {model.__name__: model}
    for field in model.model_fields.values():
        inner = _model(field.annotation)
        if inner is not None:
            found |= _below(inner)
    return found


MODELS = _below(Config)


class _Reads(ast.NodeVisitor):
    """Follows values of the config by annotations, assignments and loops of one file."""

    def __init__(self) -> None:
        self.names: dict[str, type[BaseModel]] = {}
        self.found: set[tuple[str, str]] = set()
        self.words: set[str] = set()
        self.by_word: set[str] = set()

    def kind(self, node: ast.expr) -> type[BaseModel] | None:
        """Return the model that an expression is of, None if it is none of the config's."""
        if isinstance(node, ast.Name):
            return self.names.get(node.id)
        if isinstance(node, ast.Subscript):
            return self.kind(node.value)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args:
            return self.kind(node.args[0])  # enumerate(config.enhance), list(...)
        if not isinstance(node, ast.Attribute):
            return None
        owner = self.kind(node.value)
        if owner is None:
            # Whatever is called config is the config, as self.config or workspace.config.
            return Config if node.attr == "config" else None
        field = owner.model_fields.get(node.attr)
        return _model(field.annotation) if field else None

    def bind(self, target: ast.expr, kind: type[BaseModel] | None) -> None:
        if isinstance(target, ast.Name) and kind is not None:
            self.names[target.id] = kind
        elif isinstance(target, ast.Tuple):
            self.bind(target.elts[-1], kind)  # of (index, item)

    def visit_arg(self, node: ast.arg) -> None:
        for part in ast.walk(node.annotation) if node.annotation else ():
            if isinstance(part, ast.Name) and part.id in MODELS:
                self.names[node.arg] = MODELS[part.id]

    def visit_Assign(self, node: ast.Assign) -> None:
        self.generic_visit(node)
        for target in node.targets:
            self.bind(target, self.kind(node.value))

    def visit_For(self, node: ast.For) -> None:
        self.bind(node.target, self.kind(node.iter))
        self.generic_visit(node)

    def comprehension_first(self, node: Any) -> None:
        for generator in node.generators:
            self.bind(generator.target, self.kind(generator.iter))
        self.generic_visit(node)

    visit_ListComp = visit_SetComp = visit_GeneratorExp = visit_DictComp = comprehension_first

    def visit_Constant(self, node: ast.Constant) -> None:
        if isinstance(node.value, str):
            self.words.add(node.value)

    def visit_Call(self, node: ast.Call) -> None:
        if isinstance(node.func, ast.Name) and node.func.id == "getattr":
            owner = self.kind(node.args[0])
            if owner is not None:
                self.by_word.add(owner.__name__)
        self.generic_visit(node)

    def visit_Attribute(self, node: ast.Attribute) -> None:
        owner = self.kind(node.value)
        if owner is not None:
            made = getattr(owner, node.attr, None)
            # A property is made of the keys that it reads.
            names = made.fget.__code__.co_names if isinstance(made, property) else (node.attr,)
            fields = owner.model_fields
            self.found |= {(owner.__name__, name) for name in names if name in fields}
        self.generic_visit(node)


def reads(path: Path) -> set[tuple[str, str]]:
    """Return (model, key) of every key of the config that a file reads."""
    visitor = _Reads()
    visitor.names["config"] = Config
    visitor.visit(ast.parse(path.read_text(encoding="utf-8")))
    named = {
        (model, key)
        for model in visitor.by_word
        for key in MODELS[model].model_fields
        if key in visitor.words
    }
    return visitor.found | named
