"""Bench qualification: zero, leakage, gain, sprayer, ioniser, blank. Arrays and numbers in, a `Qualification` out.

Pure functions; nothing here reads a file, a port or a clock, and dates are handed in.
"""
