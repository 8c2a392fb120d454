"""``python -m chargebench`` and the ``chargebench`` command: the same thing."""

from chargebench.cli.main import main

__all__ = ["main"]

if __name__ == "__main__":
    raise SystemExit(main())
