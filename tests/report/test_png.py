"""Our pictures, read back by GDAL's own PNG reader."""

import numpy as np
import pytest
from rasterio.errors import NotGeoreferencedWarning
from rasterio.io import MemoryFile

from vrx.report import png

COLOURS = ("#102030", "#a0b0c0", "#fee838")


@pytest.mark.filterwarnings(f"ignore::{NotGeoreferencedWarning.__module__}.NotGeoreferencedWarning")
@pytest.mark.parametrize("enlarge", [1, 3])
def test_gdal_reads_classes_palette_and_transparency(enlarge):
    classes = np.array([[-1, 0, 1], [2, 1, -1]], dtype=np.int64)
    data = png.classed_png(classes, COLOURS, enlarge=enlarge)
    with MemoryFile(data) as held, held.open(driver="PNG") as image:
        pixels = image.read(1)
        palette = image.colormap(1)
    assert (pixels.astype(int) == np.kron(classes + 1, np.ones((enlarge, enlarge)))).all()
    assert [palette[i][:3] for i in (1, 2, 3)] == [(16, 32, 48), (160, 176, 192), (254, 232, 56)]
    assert palette[0][3] == 0
    assert {palette[i][3] for i in (1, 2, 3)} == {255}


def test_a_class_without_a_colour_is_refused():
    with pytest.raises(ValueError, match="classes 0 to 3"):
        png.classed_png(np.array([[0, 3]], dtype=np.int64), COLOURS)


