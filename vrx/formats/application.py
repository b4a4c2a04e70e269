"""Facts of the application record: its columns, and rules that ask for such fields.

Both rules were read at their publishers' pages: Ohio Administrative Code 901:5-4-04 (A)(1) to (13),
and Code of Maryland Regulations 15.20.06.05 B. What nutrient-management plans ask beside them
(soil-test age, yield basis, set-backs) is common practice, no source.
"""

from __future__ import annotations

STEM = "application_record"
COLUMNS = ("pass", "number", "section", "key", "field", "value", "unit", "filled_by")
SOURCES = (
    "Ohio Administrative Code 901:5-4-04, recordkeeping (read)",
    "Code of Maryland Regulations 15.20.06.05 (read)",
    "soil-test age, yield basis and set-backs: common practice, no source",
)
KEEP = (
    "Rules differ in what they ask for, how soon it is written and how many years it is kept: ask "
    "your state, your nutrient-management planner and the label."
)
