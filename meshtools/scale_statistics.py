"""Statistics of size: slopes on logarithms, factors from several bones, allometric factors, and sizes along a series.

Isometry is declared, never proven: few specimens hide allometry (Brown & Vavrek 2015, PeerJ 3:e818).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from meshtools.errors import GeometryError
from meshtools.factor import CONFIDENCE, student_t

FLOOR_RATIO = 0.01
"""No single bone's ratio is better known than this: shape differs between individuals (measured: 0.3-0.6 % error at 0.5 % shape variation)."""
SHIFT_RATIO = 0.015
"""What moves the ratio of one bone by more is no difference of shape: where individuals differ by up to 1 % in shape and no offset is there, taking
one out moves it by 0.6 % or less in nine of ten bones and by 1.4 % at most (measured). What moves it by less leaves it inside its interval."""
BROKEN_SHIFT_RATIO = 0.05
"""The same of a bone that is broken: most of what is left is shaft, which tells little of length. Where up to half is lost and no offset is there,
taking one out moves the ratio by 1.2 % or less in nine of ten bones and by 4.7 % at most (78 pairs, measured)."""
FIRM_ERROR = 0.004
"""Standard error of the scale, as a share, beyond which a whole bone tells as little as a broken one. Bones with smooth changes of shape have less; a
kneecap out of voxels of 0.5 to 0.8 mm has 0.005 to 0.01, and an offset of its own makes it wrong by 0.3 to 4.3 % (measured)."""
MAX_DEPARTURE = 3.0  # median absolute deviations
NORMAL_MAD = 0.6745  # median absolute deviation of a normal distribution with standard deviation 1 (closed form)


@dataclass(frozen=True)
class Slope:
    """A straight line y = intercept + slope * x with the 95 % interval of its slope; r is the correlation, n the number of pairs."""

    slope: float
    intercept: float
    interval: tuple[float, float]
    r: float
    n: int


@dataclass(frozen=True)
class _Moments:
    n: int
    mean_x: float
    mean_y: float
    xx: float
    yy: float
    xy: float

    @property
    def r(self) -> float:
        return max(-1.0, min(1.0, self.xy / math.sqrt(self.xx * self.yy)))


def ols_slope(x: Sequence[float], y: Sequence[float]) -> Slope:
    """Ordinary least squares, to predict y from x: slope and its interval by Student's t with n - 2 degrees of freedom.

    Give logarithms for an allometric slope. GeometryError for fewer than three pairs, or values that are all the same.
    """
    m = _moments(x, y)
    slope = m.xy / m.xx
    error = math.sqrt(max(m.yy - slope * m.xy, 0.0) / (m.n - 2) / m.xx)
    half = student_t(m.n - 2) * error
    return Slope(slope, m.mean_y - slope * m.mean_x, (slope - half, slope + half), m.r, m.n)


def sma_slope(x: Sequence[float], y: Sequence[float]) -> Slope:
    """Standardised major axis, to describe how y grows with x: slope = sign(r) sd(y) / sd(x), so that the OLS slope is this times |r|.

    Interval: slope (sqrt(B + 1) +- sqrt(B)) with B = F (1 - r^2) / (n - 2) and F of 1 and n - 2 degrees of freedom (Warton, Wright, Falster &
    Westoby 2006, Biological Reviews 81, 259-291). GeometryError as for ols_slope.
    """
    m = _moments(x, y)
    slope = math.copysign(math.sqrt(m.yy / m.xx), m.xy)
    b = student_t(m.n - 2) ** 2 * (1.0 - m.r**2) / (m.n - 2)  # the square of Student's t is F of 1 and n - 2 degrees of freedom
    ends = sorted((slope * (math.sqrt(b + 1) - math.sqrt(b)), slope * (math.sqrt(b + 1) + math.sqrt(b))))
    return Slope(slope, m.mean_y - slope * m.mean_x, (ends[0], ends[1]), m.r, m.n)


def _moments(x: Sequence[float], y: Sequence[float]) -> _Moments:
    n = len(x)
    if n != len(y) or n < 3:
        raise GeometryError(f"a slope needs three or more pairs of values; {min(n, len(y))} are given")
    if not all(math.isfinite(value) for value in (*x, *y)):
        raise GeometryError("a slope needs finite values; a length of zero has no logarithm")
    mean_x, mean_y = math.fsum(x) / n, math.fsum(y) / n
    xx, yy = math.fsum((value - mean_x) ** 2 for value in x), math.fsum((value - mean_y) ** 2 for value in y)
    if xx == 0.0 or yy == 0.0:
        raise GeometryError("a slope needs individuals of different size; all values of one measurement are the same")
    return _Moments(n, mean_x, mean_y, xx, yy, math.fsum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)))


def isometry_words(interval: tuple[float, float], n: int) -> str:
    """What may be said about isometry when the 95 % interval of a slope on logarithms of lengths is this: the slope 1 is inside it or not."""
    verdict = "not rejected" if interval[0] <= 1.0 <= interval[1] else "rejected"
    return f"isometry {verdict} (n = {n})"


@dataclass(frozen=True)
class PooledFactor:
    """One size factor from several homologous bones.

    factor = exp(mean ln ratio); ln_sd the spread of the bones (None for one bone); standard_error_ln the larger of spread and floor over sqrt(n);
    interval its 95 % interval; departing: bones whose ratio lies more than three median absolute deviations from the median.
    """

    factor: float
    interval: tuple[float, float]
    n: int
    ln_sd: float | None
    standard_error_ln: float
    departing: tuple[str, ...]


def pooled_factor(ratios: Mapping[str, float], floor_ratio: float = FLOOR_RATIO) -> PooledFactor:
    """Pool target over donor ratios, one of each bone by name, as registrations give them.

    No bone counts as better known than floor_ratio; for one bone that floor is all there is, and the interval is 1.96 of it to either side.
    A departing bone is named, not left out: a person decides. GeometryError for no ratio or one that is not above zero.
    """
    if not ratios or not all(math.isfinite(ratio) and ratio > 0 for ratio in ratios.values()):
        raise GeometryError("a factor needs one or more ratios of length, all above zero")
    logs = {name: math.log(ratios[name]) for name in sorted(ratios)}
    n, mean = len(logs), math.fsum(logs.values()) / len(logs)
    ln_sd = math.sqrt(math.fsum((value - mean) ** 2 for value in logs.values()) / (n - 1)) if n > 1 else None
    error = max(ln_sd or 0.0, floor_ratio) / math.sqrt(n)
    half = max(student_t(n - 1) * (ln_sd or 0.0) if n > 1 else 0.0, normal_quantile() * floor_ratio) / math.sqrt(n)
    interval = (math.exp(mean - half), math.exp(mean + half))
    return PooledFactor(math.exp(mean), interval, n, ln_sd, error, _departing(logs, floor_ratio))


def is_beyond(shifts: Sequence[float]) -> bool:
    """Whether something that moves the ln ratios of n bones by `shifts` moves their mean by more than differences of shape do."""
    return abs(math.fsum(shifts)) / len(shifts) > SHIFT_RATIO / math.sqrt(len(shifts))


def _departing(logs: Mapping[str, float], floor_ratio: float) -> tuple[str, ...]:
    if len(logs) < 3:
        return ()
    middle = _median(list(logs.values()))
    spread = max(_median([abs(value - middle) for value in logs.values()]), floor_ratio * NORMAL_MAD)
    return tuple(name for name, value in logs.items() if abs(value - middle) > MAX_DEPARTURE * spread * (1 + 1e-12))


def _median(values: Sequence[float]) -> float:
    ordered, n = sorted(values), len(values)
    return (ordered[(n - 1) // 2] + ordered[n // 2]) / 2


def normal_quantile() -> float:
    """Two-sided 95 % quantile of the normal distribution, 1.959964 (closed form)."""
    from statistics import NormalDist

    return NormalDist().inv_cdf((1.0 + CONFIDENCE) / 2.0)


def allometric_factor(factor: float, exponent: float) -> float:
    """How a length grows when the reference length grows by `factor` and y = a x^b: factor^b. GeometryError unless the factor is above zero."""
    if not (math.isfinite(factor) and factor > 0 and math.isfinite(exponent)):
        raise GeometryError(f"the factor {factor} with exponent {exponent} cannot scale a bone; give a factor above zero")
    return float(factor**exponent)


@dataclass(frozen=True)
class SeriesSize:
    """The size proposed at one place of a series, by two rules: even steps of ratio (geometric) and of length (linear)."""

    position: float
    geometric_mm: float
    linear_mm: float


def interpolate_sizes(before: tuple[float, float], after: tuple[float, float], positions: Sequence[float]) -> tuple[SeriesSize, ...]:
    """Sizes at `positions` between two members of a series, each given as (position, size in mm).

    GeometryError unless both sizes are above zero and every position lies between the two.
    """
    (start, small), (end, large) = sorted((before, after))
    if not (small > 0 and large > 0) or start == end:
        raise GeometryError("two members of a series with sizes above zero are needed, at different places")
    if any(not start < position < end for position in positions):
        raise GeometryError(f"interpolation only reaches between the places {start:g} and {end:g}")
    shares = [(position, (position - start) / (end - start)) for position in positions]
    return tuple(SeriesSize(position, small * (large / small) ** share, small + (large - small) * share) for position, share in shares)


@dataclass(frozen=True)
class Extrapolated:
    """The size proposed beyond the end of a series, with the 95 % interval in which one more member is expected."""

    position: float
    size_mm: float
    interval_mm: tuple[float, float]
    n: int


def extrapolate_sizes(members: Mapping[float, float], positions: Sequence[float]) -> tuple[Extrapolated, ...]:
    """Sizes beyond the end of a series from its members {position: size in mm}: a straight line through ln size, by least squares.

    The interval is the prediction interval of a single new value (Student's t, n - 2 degrees of freedom; textbook least squares). It says
    nothing about a series that changes its law: give only the members near the end. GeometryError for fewer than three members or sizes not
    above zero.
    """
    if any(not size > 0 for size in members.values()):
        raise GeometryError("every size of a series must be above zero")
    places = sorted(members)
    logs = [math.log(members[place]) for place in places]
    if len(places) >= 3 and max(logs) == min(logs):
        return tuple(Extrapolated(place, math.exp(logs[0]), (math.exp(logs[0]),) * 2, len(places)) for place in positions)
    line = ols_slope(places, logs)
    m = _moments(places, logs)
    spread = math.sqrt(max(m.yy - line.slope * m.xy, 0.0) / (m.n - 2))
    found = []
    for place in positions:
        middle = line.intercept + line.slope * place
        half = student_t(m.n - 2) * spread * math.sqrt(1 + 1 / m.n + (place - m.mean_x) ** 2 / m.xx)
        found.append(Extrapolated(place, math.exp(middle), (math.exp(middle - half), math.exp(middle + half)), m.n))
    return tuple(found)
