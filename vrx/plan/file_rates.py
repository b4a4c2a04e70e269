"""`from_file` of a `[[pass]]`: rates that come back from a file of polygons."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vrx.plan.base import Section, Text

if TYPE_CHECKING:
    from vrx.plan.schema import PassSection

FROM_FILE = "from file"


class FileRatesSection(Section):
    """Where a pass with `rate = "from file"` finds its rates: a column, and its unit as stated.

    Without `file` it is `polygons` of `[zones]`, with its layer and CRS.
    """

    column: Text
    unit: Text
    file: Text | None = None
    layer: Text | None = None
    crs: Text | None = None


def require_file_rates(told: PassSection) -> None:
    """Raises `ValueError` unless `from_file` stands with `rate = "from file"`, and only there."""
    if (told.rate == FROM_FILE) != (told.from_file is not None):
        raise ValueError('rate = "from file" and from_file = { column = "...", unit = "..." } '
                         "belong together")
    if told.rate == FROM_FILE and (told.share_of_need is not None):
        raise ValueError("rates of a file follow no need: leave share_of_need out")
