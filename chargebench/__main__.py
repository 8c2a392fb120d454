"""``python -m chargebench`` and the ``chargebench`` command: the same thing.

Sets linear algebra to one thread before anything loads it: the matrices here are small, many threads make them slower
on a busy machine, and the last digits of an outcome must not depend on how many cores a machine has. Children inherit
it.
"""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ[_name] = "1"

from chargebench.cli.main import main  # noqa: E402

__all__ = ["main"]

if __name__ == "__main__":
    raise SystemExit(main())
