"""Two judges of the same joints: does one of them err more often than the other?"""

from scipy.stats import binom

from jointwise.joints.errors import InputError


def exact(b: int, c: int) -> float:
    """Two-sided exact p of McNemar's test, min(1, 2 P[Bin(b + c, 1/2) <= min(b, c)]).

    Q. McNemar, Psychometrika 12:153 (1947), in its exact binomial form. Joints are taken for independent.

    Args:
        b: joints on which only the first is right.
        c: joints on which only the second is right.

    Returns:
        1 where they never differ.

    Example:
        >>> exact(0, 6)
        0.03125
    """
    if b < 0 or c < 0:
        raise InputError(f"expected counts of joints from 0 on, found {b} and {c}; count again")
    return float(min(1.0, 2 * binom.cdf(min(b, c), b + c, 0.5)))
