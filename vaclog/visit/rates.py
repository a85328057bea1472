"""Two rates of rare events, compared exactly.

Enters: events and cycles, twice. Leaves: how likely so uneven a division is by chance, and the 95
% interval of the ratio. Given the total, the events of the second count are binomial with its
share of the cycles (J. Przyborowski, H. Wilenski, Biometrika 31, 1940, from memory); the interval
is that of C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), for that share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class RateComparison:
    """Second rate over first.

    Attributes
    ----------
    p
        Two-sided: the probability of all divisions that are no more likely than the one seen.
    ratio, low_ratio, high_ratio
        Second rate over first with its 95 % interval; infinite where the first counted nothing.
    """

    p: float
    ratio: float
    low_ratio: float
    high_ratio: float


def compare_rates(events_1: int, cycles_1: int, events_2: int, cycles_2: int) -> RateComparison:
    """Compare two counts over their cycles.

    Parameters
    ----------
    events_1, cycles_1, events_2, cycles_2
        Whole numbers; cycles above 0.
    """
    total = events_1 + events_2
    share = cycles_2 / (cycles_1 + cycles_2)
    if total == 0:
        return RateComparison(p=1.0, ratio=math.nan, low_ratio=0.0, high_ratio=math.inf)
    low, high = _share_interval(events_2, total)
    per_share = cycles_1 / cycles_2
    return RateComparison(
        p=binomial_p(events_2, total, share),
        ratio=_odds(events_2 / total) * per_share,
        low_ratio=_odds(low) * per_share,
        high_ratio=_odds(high) * per_share,
    )


def binomial_p(events: int, total: int, share: float) -> float:
    """Two-sided exact p of a binomial count: all outcomes that are no more likely than this one."""
    logs = [_log_binomial(count, total, share) for count in range(total + 1)]
    # Rounding must not decide whether an equally likely outcome counts.
    edge = logs[events] + 1e-9
    return min(1.0, math.fsum(math.exp(each) for each in logs if each <= edge))


def _log_binomial(count: int, total: int, share: float) -> float:
    ways = math.lgamma(total + 1) - math.lgamma(count + 1) - math.lgamma(total - count + 1)
    return ways + count * math.log(share) + (total - count) * math.log1p(-share)


def _odds(share: float) -> float:
    return share / (1.0 - share) if share < 1.0 else math.inf


def _share_interval(events: int, total: int) -> tuple[float, float]:
    from scipy.special import betaincinv

    low = float(betaincinv(events, total - events + 1, 0.025)) if events else 0.0
    high = float(betaincinv(events + 1, total - events, 0.975)) if events < total else 1.0
    return low, high
