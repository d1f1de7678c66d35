"""One label from several readers: a rule that the user chooses.

- ``majority``: what most of the readers who could tell say; a tie, or nobody who could tell, is not known.
- ``consensus``: what all readers say; not known where they differ or where one of them could not tell.
- the name of a reader: that reader settles it (a third person who looked at what the others disagreed on, say); not
  known where that reader could not tell or gave no answer. The others are then the readers who are compared.
"""

from collections.abc import Mapping
from typing import Final

import numpy as np

from jointwise.evaluation.statistics.measures import Floats
from jointwise.joints.errors import InputError

MAJORITY, CONSENSUS, ADJUDICATED = "majority", "consensus", "adjudicated"
RULES: Final = (MAJORITY, CONSENSUS)


def rule_for(readers: Mapping[str, Floats], rule: str | None = None) -> str:
    """The rule to take: the one asked for; else a reader of the name `adjudicated`, where there is one; else majority.

    Raises:
        InputError: neither a rule nor a reader; says which there are.
    """
    if rule is None:
        return ADJUDICATED if ADJUDICATED in readers else MAJORITY
    if rule not in (*RULES, *readers):
        raise InputError(
            f"adjudication: expected {', '.join(RULES)} or one of the readers {', '.join(readers) or '(none)'}, "
            f"found {rule!r}; correct it"
        )
    return rule


def adjudicate(readers: Mapping[str, Floats], rule: str) -> Floats:
    """The settled label, (n, kinds) of 1, 0 or NaN (not known).

    Args:
        readers: name -> (n, kinds) of 1, 0 or NaN; one at least.
        rule: from :func:`rule_for`.

    Example:
        >>> adjudicate({"a": np.array([[1.0]]), "b": np.array([[1.0]]), "c": np.array([[0.0]])}, "majority")
        array([[1.]])
    """
    if not readers:
        raise InputError("expected labels of a reader to settle, found none; give some")
    if rule in readers:
        return np.asarray(readers[rule], dtype=np.float64)
    said = np.stack([np.asarray(labels, dtype=np.float64) for labels in readers.values()])
    yes, no = (said == 1).sum(axis=0), (said == 0).sum(axis=0)
    if rule == CONSENSUS:
        return np.where(yes == len(said), 1.0, np.where(no == len(said), 0.0, np.nan))
    return np.where(yes > no, 1.0, np.where(no > yes, 0.0, np.nan))


def independent(readers: Mapping[str, Floats], rule: str) -> dict[str, Floats]:
    """The readers who read for themselves: all but the one who settles what the others differ on."""
    return {name: labels for name, labels in readers.items() if name != rule}


def sides(readers: Mapping[str, Floats], rule: str) -> dict[str, Floats]:
    """Everybody to be held against: each reader, and the settled label where a rule makes it from several."""
    if rule in readers or len(readers) < 2:
        return dict(readers)
    return {**readers, rule: adjudicate(readers, rule)}


def rule_in_words(rule: str) -> str:
    """The rule as a sentence for people."""
    if rule == MAJORITY:
        return "Settled label: what most of the readers who could tell say; ties are not known."
    if rule == CONSENSUS:
        return "Settled label: what all readers say; not known where they differ or one could not tell."
    return f"Settled label: what {rule} says, who is not counted among the readers compared."
