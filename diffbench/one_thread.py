"""Linear algebra on one thread, unless the user says otherwise: the matrices of a fit have some hundred rows.

Threads that share those cost more than they save, and on a machine that is busy ten times the whole fit.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

#: what numpy's and SciPy's libraries read as they load
VARIABLES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def before_loading() -> None:
    """For a program that has not loaded numpy yet, and for those that it starts."""
    for name in VARIABLES:
        os.environ.setdefault(name, "1")


@contextmanager
def one_thread() -> Iterator[None]:
    """The same where they are loaded, as in a notebook, and only meanwhile."""
    if any(name in os.environ for name in VARIABLES):
        yield
        return
    import scipy.linalg.lapack  # noqa: F401  brings a library of its own, which must be there to be told
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1, user_api="blas"):
        yield
