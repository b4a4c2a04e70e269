"""What the tests of kinds of trouble share: the measure of their samples, and a look at it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vrx.errors import InputError
from vrx.intake import SoilSpec, read_soil
from vrx.model import Field, SoilTable

SUM = 2874
"""K of the sixteen samples of the fixtures, ppm."""


def stop_code(path: Path, field: Field, spec: SoilSpec) -> str:
    with pytest.raises(InputError) as caught:
        read_soil(path=path, field=field, spec=spec)
    assert path.name in str(caught.value)
    return caught.value.code


def k_sum(soil: SoilTable) -> float:
    return float(np.nansum(soil.columns["potassium"].values))


def written(make: SimpleNamespace, path: Path, rows: Sequence[Sequence[str]], **how: Any) -> Path:
    made: Path = make.write_csv(path, rows, **how)
    return made
