"""What every test shares: linear algebra on one thread, buffered output, a data folder of its own.

One thread: see `chargebench.__main__`. The folder holds journals that no archive took and what is kept of archives;
that of whoever runs the tests is left alone. Buffered output: where Python's output is unbuffered, a child
that forgets to flush what it announces is heard all the same; on the machines of most people it is not. Ctrl-C: a shell
that runs the tests in the background has it ignored, and so would every child that a test ends by it.
"""

import atexit
import os
import shutil
import signal
import tempfile

import chargebench.__main__  # noqa: F401

os.environ.pop("PYTHONUNBUFFERED", None)
signal.signal(signal.SIGINT, signal.default_int_handler)
os.environ["XDG_DATA_HOME"] = os.environ["XDG_CACHE_HOME"] = _data = tempfile.mkdtemp(prefix="chargebench-tests-")
atexit.register(shutil.rmtree, _data, ignore_errors=True)
