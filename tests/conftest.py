"""The same linear algebra for every test as for the command: one thread (see `chargebench.__main__`)."""

import chargebench.__main__  # noqa: F401
