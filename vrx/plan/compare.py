"""`[compare]`: other guides beside those of `[need]`, for the page."""

from __future__ import annotations

from typing import Any, Self

from pydantic import Field, model_validator

from vrx.plan.base import Section, Text


class CompareSection(Section):
    """`books` are ids of rule books; `options` hold, by id, what a book asks for beside its name.

    The books check their own options, as in `[need]`.
    """

    books: tuple[Text, ...] = ()
    options: dict[str, dict[str, Any]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _options_fit(self) -> Self:
        twice = sorted({name for name in self.books if self.books.count(name) > 1})
        if twice:
            raise ValueError(f"compare.books names {twice[0]!r} twice")
        strangers = sorted(set(self.options) - set(self.books))
        if strangers:
            raise ValueError(f"compare.options names {strangers[0]!r}, which compare.books does "
                             "not hold")
        return self
