"""A folder of sealed runs made findable: index, outcomes beside the runs, bench knowledge, traces from elsewhere.

The files are the archive. Whatever else this room keeps (index, outcome caches) can be deleted at any time.
"""
