"""What a crop takes up and what its hay removes: two amounts, never mixed."""

from __future__ import annotations

from collections.abc import Mapping

from vrx import units
from vrx.errors import RuleError
from vrx.model import Yield
from vrx.rules.book import Book
from vrx.rules.context import dry_matter, ton_words
from vrx.rules.load import crops
from vrx.rules.names import advice, plain
from vrx.rules.need import NO_OPTIONS
from vrx.rules.options import resolve
from vrx.rules.terms_balance import chosen_source
from vrx.rules.terms_soil import lb_per_ton, per_ton_words


def takes_up(crop: str, expected_yield: Yield) -> tuple[float, float, str]:
    """(K2O, S, source in words): lb/ac that the whole crop takes up at a yield, oxide K2O.

    Source: `crops.toml`. RuleError for a crop without figures or an impossible yield.
    """
    held = crops()
    found = held.get(plain(crop))
    if found is None:
        raise RuleError(f"no uptake figures for {crop!r}", code="rules-crop", where="crops.toml",
                        hint=advice(plain(crop), held))
    dm = dry_matter(expected_yield.tons_per_ac, expected_yield.moisture_pct, "[yield_goal]")
    times = dm / found.basis_dm_fraction / found.stated_tons_per_ac
    words = (f"takes up: {found.locator}; {ton_words(found.basis_dm_fraction)} "
             f"({found.basis_evidence})")
    return units.k2o_from_k(found.k_lb_per_ac) * times, found.s_lb_per_ac * times, words


def removes(
    *, book: Book, expected_yield: Yield, options: Mapping[str, object] = NO_OPTIONS
) -> tuple[float, str] | None:
    """(lb/ac that the hay removes, source in words) by the figure that the book uses.

    In the book's nutrient (oxide K2O or S). None where the book has no removal figure, or the
    source chosen is one of uptake. RuleError where the plan must choose a source and has not.
    """
    resolved = resolve(book, options)
    for rule in book.data.rules:
        source = getattr(rule, "removal", None)
        if rule.kind == "removal-balance":
            source = chosen_source(rule, resolved[rule.source_option], book.where)
        if source is None or source.word != "removes":
            continue
        dm = dry_matter(expected_yield.tons_per_ac, expected_yield.moisture_pct, "[yield_goal]")
        words = (f"removes: {source.title}, {per_ton_words(source)}; {source.locator} "
                 f"({source.evidence})")
        return lb_per_ton(source) * dm / source.basis_dm_fraction, words
    return None
