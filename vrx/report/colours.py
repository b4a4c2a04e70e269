"""Colour ramps that stay in order in grey print and for colour-blind eyes; nice class breaks.

Dark always means more. Soil-test maps use cividis (published, see palettes.toml), reversed. Rates
and standard errors use one-hue ramps computed in OKLab (Ottosson 2020, "A perceptual color space
for image processing", matrices printed there), with evenly falling lightness.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np

from vrx.model import FloatArray, IntArray

MOST_CLASSES = 6
INK = "#1d2521"
PAPER = "#ffffff"


def _hex(red: float, green: float, blue: float) -> str:
    return "#" + "".join(f"{round(255 * min(max(c, 0.0), 1.0)):02x}" for c in (red, green, blue))


def _rgb(colour: str) -> tuple[float, float, float]:
    red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return red, green, blue


def _to_linear(c: float) -> float:
    return c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4


def _from_linear(c: float) -> float:
    return 12.92 * c if c <= 0.0031308 else 1.055 * c ** (1 / 2.4) - 0.055


def luminance(colour: str) -> float:
    """Relative luminance of "#rrggbb", 0 black to 1 white (IEC 61966-2-1 and Rec. 709 weights)."""
    red, green, blue = (_to_linear(c) for c in _rgb(colour))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _oklch(lightness: float, chroma: float, hue_deg: float) -> str:
    a = chroma * math.cos(math.radians(hue_deg))
    b = chroma * math.sin(math.radians(hue_deg))
    long = (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3
    medium = (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3
    short = (lightness - 0.0894841775 * a - 1.2914855480 * b) ** 3
    linear = (
        4.0767416621 * long - 3.3077115913 * medium + 0.2309699292 * short,
        -1.2684380046 * long + 2.6097574011 * medium - 0.3413193965 * short,
        -0.0041960863 * long - 0.7034186147 * medium + 1.7076147010 * short,
    )
    red, green, blue = (_from_linear(max(c, 0.0)) for c in linear)
    return _hex(red, green, blue)


def _one_hue(count: int, hue_deg: float, *, chroma: float, dark: float) -> tuple[str, ...]:
    if count == 1:
        return (_oklch(0.84, 0.6 * chroma, hue_deg),)
    parts = [i / (count - 1) for i in range(count)]
    # Few classes stay in the light part, where labels read best and 220 is no drama beside 240.
    dark = 0.955 - (0.955 - dark) * min(1.0, 0.16 + 0.14 * count)
    # Little colour at the light end keeps it apart from white paper without going grey.
    return tuple(
        _oklch(0.955 + (dark - 0.955) * part, chroma * (0.22 + 0.78 * part), hue_deg)
        for part in parts
    )


def rate_ramp(count: int) -> tuple[str, ...]:
    """Blues from light (least) to dark (most)."""
    return _one_hue(count, 245.0, chroma=0.105, dark=0.46)


def error_ramp(count: int) -> tuple[str, ...]:
    """Plum greys from light (sure) to dark (not sure)."""
    return _one_hue(count, 345.0, chroma=0.055, dark=0.44)


@lru_cache(maxsize=1)
def _cividis() -> tuple[tuple[float, float, float], ...]:
    text = files("vrx.report").joinpath("palettes.toml").read_text(encoding="utf-8")
    return tuple(_rgb(c) for c in tomllib.loads(text)["cividis"]["dark_to_light"])


def surface_ramp(count: int) -> tuple[str, ...]:
    """Cividis reversed: light yellow (least) to dark blue (most)."""
    stops = _cividis()[::-1]
    at = [0.45] if count == 1 else [i / (count - 1) for i in range(count)]
    places = np.linspace(0.0, 1.0, len(stops))
    channels = [np.interp(at, places, [stop[i] for stop in stops]) for i in range(3)]
    return tuple(_hex(*(float(c[i]) for c in channels)) for i in range(count))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Classes:
    """Class edges (classes + 1 numbers) and the decimals that they need in print."""

    edges: tuple[float, ...]
    decimals: int

    @property
    def count(self) -> int:
        """How many classes."""
        return len(self.edges) - 1

    def index(self, values: FloatArray) -> IntArray:
        """Class of each value, same shape; values beyond the ends go to the end classes."""
        inner = np.asarray(self.edges[1:-1], dtype=np.float64)
        return np.searchsorted(inner, values, side="right").astype(np.int64)


def nice_classes(values: FloatArray, *, most: int = MOST_CLASSES) -> Classes:
    """At most `most` classes with round edges that cover the values (all finite, any shape)."""
    low, high = float(values.min()), float(values.max())
    if high - low <= 1e-9 * max(1.0, abs(high)):
        return Classes(edges=(low, high), decimals=0 if low == round(low) else 1)
    least = math.floor(math.log10((high - low) / most))
    for power in range(least, least + 4):
        for digit in (1.0, 2.0, 2.5, 5.0):
            step = digit * 10.0**power
            first = math.floor(low / step + 1e-9)
            count = math.ceil(high / step - 1e-9) - first
            if count <= most:
                edges = tuple((first + i) * step for i in range(max(count, 1) + 1))
                return Classes(edges=edges, decimals=max(0, -power + (digit == 2.5)))
    raise ValueError(f"no classes for {low} to {high}")  # pragma: no cover - ends long before
