"""What each characteristic says, all of one base: a cut-out or decal that is not there, or cannot be measured, has one
finding of its own instead of its numbers, and would be counted apart from them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from edgeinspect.conformity import SEVERITY, Answer

GREEN, NO_RESULT = SEVERITY[Answer.CONFORMING], SEVERITY[Answer.NO_RESULT]


def thing(name: str) -> str:
    """What a characteristic is of: "cut-out lock-hole" of "cut-out lock-hole diameter"; else the name itself."""
    words = name.split(" ")
    return " ".join(words[:2]) if words[0] in ("cut-out", "decal") else name


def one_base(
    names: Sequence[str], each: NDArray[np.int8], numbers: NDArray[np.bool_]
) -> tuple[NDArray[np.int8], list[int]]:
    """Parameters: names - (K,); each - (N, K) values of SEVERITY, -1 what has no say; numbers - (N, K) whether it has
    a number. Returns ``each`` with what is said of the whole thing said of each of its characteristics, and which
    columns then have a row of their own.
    """
    each, things = each.copy(), [thing(name) for name in names]
    told = list(range(len(names)))
    for one in dict.fromkeys(things):
        columns = [k for k, of in enumerate(things) if of == one]
        measured = [k for k in columns if numbers[:, k].any()]
        if len(columns) == 1 or not measured:
            continue
        looked = (each[:, columns] >= 0).any(axis=1)
        whole = [k for k in columns if names[k] == one]
        of_whole = each[:, whole[0]].copy() if whole else np.full(len(each), -1, np.int8)
        withheld = looked & ((of_whole >= 0) | ~numbers[:, columns].any(axis=1))
        for k in columns:
            silent = each[:, k] < 0
            if k in measured:
                each[:, k] = np.where(withheld & silent, np.where(of_whole >= 0, of_whole, NO_RESULT), each[:, k])
            else:  # only said where it is bad, as another artwork
                each[:, k] = np.where(looked & silent, np.where(of_whole >= 0, NO_RESULT, GREEN), each[:, k])
        told = [k for k in told if k not in whole]
    return each, told
