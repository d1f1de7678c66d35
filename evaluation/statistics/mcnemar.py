"""McNemar's exact test: do two detectors that judged the same joints differ in how often they are right?"""

from scipy import stats

from jointwise.joints.errors import InputError


def exact(b: int, c: int) -> float:
    """Two-sided p-value, min(1, 2 P[Bin(b + c, 1/2) <= min(b, c)]); 1 where nothing is discordant.

    Only joints on which exactly one of the two is right say anything; under the null hypothesis each of them is as
    likely to be the one's as the other's (Q. McNemar, Psychometrika 12:153, 1947, in its exact binomial form). Joints
    are taken as independent.

    Args:
        b: joints on which only the one is right.
        c: joints on which only the other is right.

    Raises:
        InputError: a negative count.

    Example:
        >>> exact(0, 6)
        0.03125
    """
    if b < 0 or c < 0:
        raise InputError(f"expected counts of joints from 0, found {b} and {c}; count the joints again")
    return min(1.0, 2 * float(stats.binom.cdf(min(b, c), b + c, 0.5)))
