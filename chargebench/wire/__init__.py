"""Bytes into readings. No I/O here: no clock, no thread, no port, no array library.

A decoder is handed chunks of bytes with the time they were read and gives `Reading`s. It never raises on input, keeps a
bounded amount of it, and counts what it rejects, by reason.
"""
