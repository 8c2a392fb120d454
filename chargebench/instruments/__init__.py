"""From ports to a queue of bytes: the bench file, ports, feeds, replay, and the virtual bench."""
