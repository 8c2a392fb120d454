"""What every test shares: linear algebra on one thread, as the command has it, and a data folder of its own.

One thread: see `chargebench.__main__`. The data folder holds journals that no archive took and the secret of kept
outcomes; those of whoever runs the tests are left alone.
"""

import atexit
import os
import shutil
import tempfile

import chargebench.__main__  # noqa: F401

os.environ["XDG_DATA_HOME"] = os.environ["XDG_CACHE_HOME"] = _data = tempfile.mkdtemp(prefix="chargebench-tests-")
atexit.register(shutil.rmtree, _data, ignore_errors=True)
