"""Soil readings, crop and yield to a nutrient need by a published guide, line by line."""

from vrx.rules.book import Book
from vrx.rules.classes import class_breaks
from vrx.rules.crop import removes, takes_up
from vrx.rules.examples import ExampleResult, run_examples
from vrx.rules.explain import BookPage, BookRow, BookTable, catalogue, explain
from vrx.rules.fix_first import Limit, fix_first, fix_first_limits
from vrx.rules.inputs import TissueTest, WaterTest
from vrx.rules.load import load_books, own_book_template, read_book
from vrx.rules.need import findings_of, need_surface, needs
from vrx.rules.options import Option, options_of
from vrx.rules.stand import before_spending

__all__ = [
    "Book",
    "BookPage",
    "BookRow",
    "BookTable",
    "ExampleResult",
    "Limit",
    "Option",
    "TissueTest",
    "WaterTest",
    "before_spending",
    "catalogue",
    "class_breaks",
    "explain",
    "findings_of",
    "fix_first",
    "fix_first_limits",
    "load_books",
    "need_surface",
    "needs",
    "options_of",
    "own_book_template",
    "read_book",
    "removes",
    "run_examples",
    "takes_up",
]
