"""A quantile of a few hundred numbers, some hundred times over."""

import numpy as np

from shimwright.scan.raw import FloatArray


def quantile(values: FloatArray, share: float) -> float:
    """numpy's linear quantile of finite values (n,), n ≥ 1, without its checks, which take ten times as long.

    >>> quantile(np.array([3.0, 1.0, 2.0, 10.0]), 0.5), quantile(np.array([3.0]), 0.98)
    (2.5, 3.0)
    """
    place = share * (values.size - 1)
    below = int(place)
    above = min(below + 1, values.size - 1)
    ordered = np.partition(values, (below, above))
    return float(ordered[below] + (place - below) * (ordered[above] - ordered[below]))
