"""The Gaussian likelihood of samples by the shape of their covariance, whole or restricted.

Values = F b + structured part + nugget. The total sill and the trend's coefficients b are profiled,
so that a shape is left: range, nugget share and, with anisotropy, two more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack
from scipy.spatial.distance import pdist, squareform

from vrx.errors import ComputeError
from vrx.model import FloatArray
from vrx.surfaces.covariance import correlate, correlation_log_range_slope
from vrx.surfaces.drift import drift_frame

NOT_DEFINITE = 1e12
SMALL = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A covariance up to its total sill.

    `range_m` is the geometric mean of the longest and the shortest range; (`stretch_north`,
    `stretch_diagonal`) = log(longest / shortest) * (cos, sin)(2 * direction), the direction of the
    longest range in radians clockwise from north. Both 0: no anisotropy, and no kink there.
    """

    range_m: float
    share: float
    stretch_north: float = 0.0
    stretch_diagonal: float = 0.0

    @property
    def ratio(self) -> float:
        """Longest range / shortest range."""
        return math.exp(math.hypot(self.stretch_north, self.stretch_diagonal))

    @property
    def longest_range_m(self) -> float:
        """Range along the direction of longest reach."""
        return self.range_m * math.sqrt(self.ratio)

    @property
    def direction_deg(self) -> float:
        """Compass direction of the longest range, 0 to 180."""
        return math.degrees(math.atan2(self.stretch_diagonal, self.stretch_north)) / 2.0 % 180.0


def trend_basis(drift: FloatArray | None, n: int) -> FloatArray:
    """Orthonormal columns (n, 1 + p) of the constant and drift (n, p); errors as `drift_frame`."""
    if drift is None:
        return np.full((n, 1), 1.0 / math.sqrt(n))
    columns = drift_frame(drift=drift, count=n).basis(drift, n, "samples")
    return np.asarray(np.linalg.qr(columns)[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Solved:
    lower: FloatArray
    duals: FloatArray
    information_root: FloatArray
    contrast: FloatArray
    quadratic: float
    log_det: float


class Likelihood:
    """-2 log likelihood of n samples by `Shape`; sill and trend are profiled.

    `restricted`: that of the n - p orthonormal contrasts free of the trend, else that of the values
    themselves. All constants are in, so both are log densities of the data in their own unit.
    Sources: Patterson and Thompson, Biometrika 58 (1971) 545-554; Harville, JASA 72 (1977) 320-338
    (both from memory).
    """

    def __init__(
        self,
        *,
        model: str,
        places: FloatArray,
        values: FloatArray,
        drift: FloatArray | None = None,
        restricted: bool = True,
    ) -> None:
        self.model = model
        self.n = len(values)
        self.basis = trend_basis(drift, self.n)
        self.degrees = self.n - self.basis.shape[1] if restricted else self.n
        self.restricted = restricted
        rest = values - self.basis @ (self.basis.T @ values)
        self.unit = float(np.sqrt(rest @ rest / self.degrees))
        if not self.unit > 1e-12 * float(np.abs(values).max()):
            raise ComputeError(
                "all values are equal: no variogram"
                if drift is None else "the trend meets all values: no variogram",
                code="surface-constant", hint="a field without variation needs no map",
            )
        # The trend is profiled, so taking it out beforehand changes nothing but the rounding.
        self.values = rest / self.unit
        self._right = np.column_stack([self.basis, self.values])
        self.distance: FloatArray = squareform(pdist(places))
        self._places = places
        self._squares: tuple[FloatArray, FloatArray, FloatArray] | None = None
        # Kept, because fresh pages cost more than the arithmetic on them.
        self._shape, self._mixed, self._slope = (np.empty((self.n, self.n)) for _ in range(3))
        self._constant = self.degrees * (math.log(2.0 * math.pi) + 1.0 + 2.0 * math.log(self.unit))
        # V = 1 and an orthonormal trend: both determinants are 1, the quadratic is `degrees`.
        self.pure_nugget = self._constant

    def _terms(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """d^2, north^2 - east^2 and 2 north east of all pairs."""
        if self._squares is None:
            east = np.subtract.outer(self._places[:, 0], self._places[:, 0])
            north = np.subtract.outer(self._places[:, 1], self._places[:, 1])
            self._squares = (east**2 + north**2, north**2 - east**2, 2.0 * north * east)
        return self._squares

    def effective_distance(self, shape: Shape) -> FloatArray:
        """Distances (n, n) after the stretch, such that `shape.range_m` is the range."""
        a, b = shape.stretch_north, shape.stretch_diagonal
        if a == 0.0 and b == 0.0:
            return self.distance
        square, along, across = self._terms()
        size = math.hypot(a, b)
        sinc = math.sinh(size) / size if size > SMALL else 1.0 + size * size / 6.0
        stretched = math.cosh(size) * square - sinc * (a * along + b * across)
        return np.asarray(np.sqrt(np.maximum(stretched, 0.0)))

    def _solve(self, structured: FloatArray, share: float) -> _Solved | None:
        np.multiply(structured, 1.0 - share, out=self._mixed)
        np.fill_diagonal(self._mixed, 1.0)
        lower, info = lapack.dpotrf(self._mixed.T, lower=True, clean=True, overwrite_a=True)
        if info != 0:
            return None
        duals, _ = lapack.dpotrs(lower, self._right, lower=True)
        trend = duals[:, :-1]
        root, coefficients, info = lapack.dposv(
            self.basis.T @ trend, trend.T @ self.values, lower=True
        )
        if info != 0:
            return None
        contrast = duals[:, -1] - trend @ coefficients
        quadratic = float(self.values @ contrast)
        if not quadratic > 0.0:
            return None
        log_det = 2.0 * float(np.log(np.diagonal(lower)).sum())
        if self.restricted:
            log_det += 2.0 * float(np.log(np.diagonal(root)).sum())
        return _Solved(
            lower=lower, duals=trend, information_root=root, contrast=contrast,
            quadratic=quadratic, log_det=log_det,
        )

    def _deviance(self, solved: _Solved) -> float:
        scaled = solved.quadratic / self.degrees
        return self._constant + self.degrees * math.log(scaled) + solved.log_det

    def structured(self, shape: Shape) -> FloatArray:
        """Correlations (n, n) of the structured part, in one array that the next call reuses."""
        np.copyto(self._shape, self.effective_distance(shape))
        return correlate(model=self.model, distance_m=self._shape, range_m=shape.range_m)

    def value(self, shape: Shape, structured: FloatArray | None = None) -> tuple[float, float]:
        """(-2 log likelihood, total sill in the data's unit squared)."""
        if structured is None:
            structured = self.structured(shape)
        solved = self._solve(structured, shape.share)
        if solved is None:
            return NOT_DEFINITE, 1.0
        return self._deviance(solved), solved.quadratic / self.degrees * self.unit**2

    def with_slope(self, parameters: FloatArray) -> tuple[float, FloatArray]:
        """-2 log likelihood and its gradient, by (log range, nugget share[, two stretches])."""
        shape = shape_of(parameters)
        structured = self.structured(shape)
        solved = self._solve(structured, shape.share)
        if solved is None:
            return NOT_DEFINITE, np.zeros(len(parameters))
        # Lower triangle only, zeros above; the changes are symmetric and 0 on the diagonal, so that
        # twice the lower triangle is the whole trace. No n x n product is ever made.
        inverse, _ = lapack.dpotri(solved.lower, lower=True, overwrite_c=True)
        flat = inverse.ravel(order="K")
        scale = self.degrees / solved.quadratic
        trend = None
        if self.restricted:
            trend, _ = lapack.dpotrs(solved.information_root, solved.duals.T, lower=True)
        slope = []
        for change in self._changes(shape, structured, len(parameters)):
            rise = 2.0 * float(flat @ change.ravel(order="K"))
            rise -= scale * float(solved.contrast @ (change @ solved.contrast))
            if trend is not None:
                rise -= float((trend.T * (change @ solved.duals)).sum())
            slope.append(rise)
        return self._deviance(solved), np.array(slope)

    def _changes(self, shape: Shape, structured: FloatArray, number: int) -> list[FloatArray]:
        """Derivatives (n, n) of the covariance by each parameter; uses `structured` up."""
        distance = self.effective_distance(shape)
        by_range, by_share = self._slope, structured
        if self.model == "exponential":
            np.multiply(distance, structured, out=by_range)
            by_range *= (1.0 - shape.share) / shape.range_m
        else:
            by_range[:] = correlation_log_range_slope(
                model=self.model, distance_m=distance, range_m=shape.range_m
            )
            by_range *= 1.0 - shape.share
        np.negative(by_share, out=by_share)
        np.fill_diagonal(by_share, 0.0)
        if number == 2:
            return [by_range, by_share]
        a, b = shape.stretch_north, shape.stretch_diagonal
        square, along, across = self._terms()
        size = math.hypot(a, b)
        if size > SMALL:
            sinc = math.sinh(size) / size
            bend = (math.cosh(size) - sinc) / size**2
        else:
            sinc, bend = 1.0 + size * size / 6.0, 1.0 / 3.0 + size * size / 30.0
        own = np.where(distance > 0.0, distance, 1.0) ** 2
        common = sinc * square - bend * (a * along + b * across)
        # d log h / d stretch = d h^2 / (2 h^2); a longer distance is a shorter range.
        return [by_range, by_share, *(
            -by_range * (part * common - sinc * term) / (2.0 * own)
            for part, term in ((a, along), (b, across))
        )]


def shape_of(parameters: FloatArray) -> Shape:
    """The shape of (log range, nugget share[, two stretches])."""
    stretch = [float(p) for p in parameters[2:]] or [0.0, 0.0]
    return Shape(
        range_m=math.exp(float(parameters[0])), share=float(parameters[1]),
        stretch_north=stretch[0], stretch_diagonal=stretch[1],
    )
