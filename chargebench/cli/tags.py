"""``chargebench tags``: every tag that the program knows, with unit, range and use."""

from __future__ import annotations

import argparse

from chargebench.cli.options import add_json, print_json
from chargebench.errors import EXIT_DONE


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``tags``."""
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """List them."""
    from chargebench.runs.tags import TAGS

    if args.json:
        from chargebench.cli.lines import TagLine
        from chargebench.plain import finite, to_json

        for tag in TAGS.values():
            low, high = finite(tag.low), finite(tag.high)
            print_json(to_json(TagLine(tag.key, tag.kind, tag.unit, low, high, tag.choices, tag.about, tag.use)))
        return EXIT_DONE
    from chargebench.cli.words import aligned

    rows = [("tag", "unit", "range", "what it is", "use")]
    print(aligned([*rows, *((tag.key, tag.unit, tag.range, tag.about, tag.use) for tag in TAGS.values())]))
    print("\nEvery other KEY=VALUE is kept as a tag of your own, as text.")
    return EXIT_DONE
