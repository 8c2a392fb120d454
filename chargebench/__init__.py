"""chargebench measures the static charge of freshly ground coffee.

Owns the version. Imports nothing, so that ``chargebench --help`` answers at once.
"""

__version__ = "0.1.0"
