"""Tests and measurements, with linear algebra on one thread as the command has it (see `chargebench.__main__`)."""

import chargebench.__main__  # noqa: F401
