"""A tissue test that the plan gives and the chosen book does not read."""

from __future__ import annotations

import numpy as np

from vrx.model import Severity
from vrx.rules.context import Context
from vrx.rules.inputs import TissueTest
from vrx.rules.names import plain

_CONTENT = {"K2O": "potassium", "S": "sulfur"}


def tell_unread_tissue(ctx: Context) -> None:
    """A finding for tissue of the book's nutrient; a warning where a built-in tissue rule is low.

    The figure it is compared with stands in that rule's own book.
    """
    nutrient = _CONTENT[ctx.book.nutrient]
    if ctx.tissue is None or any(
            r.kind in ("tissue-criterion", "tissue-table") for r in ctx.book.data.rules):
        return
    content = ctx.tissue.content(nutrient, ctx.zone_ids or ctx.all_ids or [0])
    if content is None:
        return
    least = float(np.min(content))
    said = f"tissue {nutrient} of {least:g} % ({_sample(ctx.tissue)}) moves no rate of this guide"
    judged = _judged(ctx, nutrient, least)
    if judged is None:
        ctx.tell(Severity.NOTE, "rules-tissue-unread", said, done="not used")
        return
    book, words, low = judged
    ctx.tell(Severity.WARN if low else Severity.NOTE, "rules-tissue-unread", f"{said}; {words}",
             done="not used",
             todo=f"compare with the book {book} before you order" if low else "")


def _sample(tissue: TissueTest) -> str:
    return ", ".join(part for part in (tissue.part, tissue.stage) if part)


def _judged(ctx: Context, nutrient: str, least: float) -> tuple[str, str, bool] | None:
    """(book, sentence, low) by the first built-in tissue rule that reads this part and stage."""
    from vrx.rules.load import load_books

    tissue = ctx.tissue
    if tissue is None:
        return None
    head, _, tail = tissue.part.partition(",")
    part, stage = plain(head), plain(tissue.stage or tail)
    for book in load_books().values():
        for rule in book.data.rules:
            if (rule.kind == "tissue-criterion" and rule.nutrient == nutrient
                    and part in [plain(p) for p in rule.parts]
                    and stage in [plain(s) for s in rule.stages]):
                low = least < rule.critical_pct
                words = (f"{book.id} calls less than {rule.critical_pct:g} % low ({rule.evidence}: "
                         f"{book.source.publisher})")
                return book.id, words, low
    return None
