"""Values kept for as long as everything that they were made from stays the same.

What a stage reads is not listed, it is seen: the stage gets a plan and inputs that write down which
of their keys are read. A kept value holds while those keys, and nothing else, say the same.
"""

from __future__ import annotations

import contextvars
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields
from functools import cache
from typing import Any, TypeVar, cast

from pydantic import BaseModel, TypeAdapter

from vrx.pipeline.inputs import Inputs
from vrx.plan import Plan

Value = TypeVar("Value")
Path = tuple[str, ...]
Reads = dict[Path, None]

INPUTS = "inputs"
_FOLDER = (INPUTS, "folder")
PRESENT = "is there"
"""Last step of a path where only it was read whether the section is there."""

_HELD = 6
"""Values kept of each stage, so that undo finds the ones before."""
_LARGE = {"draw": 2, "ask": 3, "finish": 3}
"""Of stages whose values hold whole maps fewer are kept."""
_WHOLE = frozenset({
    "__dict__", "__pydantic_extra__", "__pydantic_fields_set__", "__pydantic_private__",
    "__pydantic_serializer__", "model_extra", "model_fields_set"})
_ANY = TypeAdapter(Any)
_reading: contextvars.ContextVar[tuple[Reads, ...]] = contextvars.ContextVar("reading", default=())


def _read(path: Path) -> None:
    for reads in _reading.get():
        reads[path] = None


@contextmanager
def reading() -> Iterator[Reads]:
    """What is read of seen plans and inputs from here on, also by what is called."""
    reads: Reads = {}
    token = _reading.set((*_reading.get(), reads))
    try:
        yield reads
    finally:
        _reading.reset(token)


@contextmanager
def _unseen() -> Iterator[None]:
    token = _reading.set(())
    try:
        yield
    finally:
        _reading.reset(token)


class _Seen:
    """Marks sections whose keys are written down as they are read."""


@cache
def _seen_class(model: type[BaseModel], path: Path) -> type[BaseModel]:
    names = frozenset(model.model_fields)

    def get(self: BaseModel, name: str) -> Any:
        value = model.__getattribute__(self, name)
        if name in names:
            at = (*path, name)
            _read((*at, PRESENT) if isinstance(value, _Seen) else at)
        elif name in _WHOLE:
            _read(path)
        return value

    def copied(self: BaseModel, **how: Any) -> BaseModel:
        # What the copy keeps is written down when it is read of the copy.
        with _unseen():
            return model.model_copy(self, **how)

    made = type(f"Seen{model.__name__}", (_Seen, model), {
        "__module__": __name__, "__getattribute__": get, "model_copy": copied,
        "model_config": {"defer_build": True}})
    return cast("type[BaseModel]", made)


def _seen(model: BaseModel, path: Path) -> BaseModel:
    return _made(_seen_class(type(model), path), model, lambda one, name: _seen(
        one, (*path, name)))


def _plain(model: BaseModel) -> BaseModel:
    """A section as it was before it was seen; what a stage gives may still hold such ones."""
    kind = type(model)
    return _made(kind.__bases__[1] if isinstance(model, _Seen) else kind, model,
                 lambda one, _: _plain(one))


def _made(
    kind: type[BaseModel], model: BaseModel, inner: Callable[[BaseModel, str], BaseModel]
) -> BaseModel:
    values = {}
    for name in kind.model_fields:
        value = getattr(model, name)
        values[name] = inner(value, name) if isinstance(value, BaseModel) else value
    return kind.model_construct(
        _fields_set=set(model.model_fields_set), **values, **(model.model_extra or {}))


_INPUT_NAMES = frozenset(one.name for one in fields(Inputs))


class _SeenInputs(Inputs):
    """Inputs whose parts are written down as they are read."""

    __slots__ = ()

    def __getattribute__(self, name: str) -> Any:
        if name in _INPUT_NAMES:
            _read((INPUTS, name))
        return super().__getattribute__(name)


class Told:
    """A plan and, once they are read, its inputs, as stages get them: `plan`, `inputs`."""

    def __init__(self, plan: Plan, inputs: Inputs | None = None) -> None:
        self._inputs = inputs
        self._texts: dict[Path, object] = {}
        with _unseen():
            self._plan = cast(Plan, _plain(plan))
            self.plan = cast(Plan, _seen(self._plan, ()))
            self._seen_inputs = None if inputs is None else _SeenInputs(
                **{name: getattr(inputs, name) for name in _INPUT_NAMES})

    @property
    def inputs(self) -> Inputs:
        """The inputs; asked for only where there are some."""
        if self._seen_inputs is None:
            raise LookupError("the inputs are not read yet")
        return self._seen_inputs

    @property
    def plain(self) -> tuple[Plan, Inputs]:
        """Plan and inputs as they are, for what is not kept."""
        if self._inputs is None:
            raise LookupError("the inputs are not read yet")
        return self._plan, self._inputs

    def at(self, path: Path) -> object:
        """What stands at a path: canonical JSON of a plan's key, an input itself."""
        if path[:1] == (INPUTS,):
            return None if self._inputs is None else getattr(self._inputs, path[1])
        if path not in self._texts:
            self._texts[path] = _text(self._plan, path)
        return self._texts[path]


def _text(plan: Plan, path: Path) -> object:
    at: Any = plan
    for step in path:
        if step == PRESENT:
            return type(at).__name__
        # A section that is gone, or that a path's key never had.
        if not isinstance(at, BaseModel):
            return None
        at = getattr(at, step)
    # Which keys are set counts too; those that are not have their default.
    return _ANY.dump_json(at, exclude_unset=True)


class Kept:
    """The values of all stages of one folder, by name; each with what it was made from."""

    def __init__(self) -> None:
        self._held: dict[str, list[tuple[tuple[object, ...], dict[Path, object], Any]]] = {}

    def get(
        self, name: str, told: Told, made_from: tuple[object, ...], make: Callable[[], Value],
    ) -> Value:
        """The value of `make`, which reads `told` and, beside it, `made_from`.

        Values in `made_from` are compared by identity, texts as such.
        """
        held = self._held.setdefault(name, [])
        for position, (given, reads, value) in enumerate(held):
            if _same(given, made_from) and _agrees(reads, told):
                for path in reads:
                    _read(path)
                held.insert(0, held.pop(position))
                return cast(Value, value)
        with reading() as seen:
            made = make()
        held.insert(0, (made_from, {path: told.at(path) for path in seen}, made))
        del held[_LARGE.get(name, _HELD):]
        return made


def _same(one: tuple[object, ...], other: tuple[object, ...]) -> bool:
    return len(one) == len(other) and all(
        a is b or (isinstance(a, str) and a == b) for a, b in zip(one, other, strict=True))


def _agrees(reads: Mapping[Path, object], told: Told) -> bool:
    return all(
        told.at(path) is value if path[:1] == (INPUTS,) and path != _FOLDER
        else told.at(path) == value for path, value in reads.items())
