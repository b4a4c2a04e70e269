"""Soil readings, crop and yield to a nutrient need by a published guide, line by line."""

from vrx.rules.book import Book
from vrx.rules.check import BookCheck, check_book
from vrx.rules.classes import class_breaks, soil_span
from vrx.rules.credits import NO_CREDITS, Credits, ResidualSulfate
from vrx.rules.crop import removes, takes_up
from vrx.rules.examples import ExampleResult, run_examples
from vrx.rules.explain import BookPage, BookRow, catalogue, explain
from vrx.rules.explain_kinds import BookTable
from vrx.rules.fix_first import Limit, fix_first, fix_first_limits
from vrx.rules.inputs import TissueTest, WaterTest
from vrx.rules.load import kinds_in_words, load_books, own_book_template, read_book
from vrx.rules.need import findings_of, need_surface, needs
from vrx.rules.options import Option, options_of
from vrx.rules.question import Question, answer, bounds, in_cells
from vrx.rules.stand import before_spending
from vrx.rules.ways import HEADINGS, ways, why_differ

__all__ = [
    "HEADINGS",
    "NO_CREDITS",
    "Book",
    "BookCheck",
    "BookPage",
    "BookRow",
    "BookTable",
    "Credits",
    "ExampleResult",
    "Limit",
    "Option",
    "Question",
    "ResidualSulfate",
    "TissueTest",
    "WaterTest",
    "answer",
    "before_spending",
    "bounds",
    "catalogue",
    "check_book",
    "class_breaks",
    "explain",
    "findings_of",
    "fix_first",
    "fix_first_limits",
    "in_cells",
    "kinds_in_words",
    "load_books",
    "need_surface",
    "needs",
    "options_of",
    "own_book_template",
    "read_book",
    "removes",
    "run_examples",
    "soil_span",
    "takes_up",
    "ways",
    "why_differ",
]
