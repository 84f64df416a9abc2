"""Who waits how long for a bay and for rigs: first come, first served, for all members at once.

References
----------
.. [1] J. Kiefer, J. Wolfowitz, On the theory of queues with many servers, Transactions of the American Mathematical
   Society 78, 1955: the recursion over the times at which each server is free.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from watcher.physics.arrays import Array


def starts_of(arrivals: Array, lengths: Array, *, bays: int, rigs: int, rigs_each: Sequence[int]) -> Array:
    """Return when each aircraft gets its bay and its rigs.

    Nobody is overtaken: whoever came first begins first.

    Parameters
    ----------
    arrivals
        Aircraft x members, in minutes; of two that come at once the first row goes first.
    lengths
        Aircraft x members: minutes for which bay and rigs are taken.
    bays, rigs
        How many there are.
    rigs_each
        How many each aircraft takes; one that takes more than there are takes all.

    Returns
    -------
    ndarray
        Aircraft x members, in minutes.
    """
    count, members = arrivals.shape
    starts = np.empty((count, members))
    each = np.arange(members)
    taken = np.minimum(np.asarray(rigs_each, dtype=np.intp), rigs)
    bay_free = np.full((members, bays), -np.inf)
    rig_free = np.full((members, rigs), -np.inf)
    last = np.full(members, -np.inf)
    for rows in np.argsort(arrivals, axis=0, kind="stable"):
        needs = taken[rows]
        begin = np.maximum(np.maximum(arrivals[rows, each], last), bay_free[:, 0])
        begin = np.maximum(begin, rig_free[each, needs - 1])
        end = begin + lengths[rows, each]
        bay_free[:, 0] = end
        bay_free.sort(axis=1)
        rig_free = np.where(np.arange(rigs) < needs[:, None], end[:, None], rig_free)
        rig_free.sort(axis=1)
        starts[rows, each] = last = begin
    return starts
