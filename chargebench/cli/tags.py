"""``chargebench tags``: every tag that the program knows, with unit, range and use."""

from __future__ import annotations

import argparse
import math

from chargebench.cli.options import add_json, print_json
from chargebench.errors import EXIT_DONE


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``tags``."""
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """List them."""
    from chargebench.runs.tags import TAGS, Tag

    def as_json(tag: Tag) -> dict[str, object]:
        low, high = ((end if math.isfinite(end) else None) for end in (tag.low, tag.high))
        about = {"tag": tag.key, "kind": tag.kind, "unit": tag.unit, "low": low, "high": high}
        return {**about, "choices": list(tag.choices), "about": tag.about, "use": tag.use}

    if args.json:
        for tag in TAGS.values():
            print_json(as_json(tag))
        return EXIT_DONE
    from chargebench.cli.words import aligned

    rows = [("tag", "unit", "range", "what it is", "use")]
    print(aligned([*rows, *((tag.key, tag.unit, tag.range, tag.about, tag.use) for tag in TAGS.values())]))
    print("\nEvery other KEY=VALUE is kept as a tag of your own, as text.")
    return EXIT_DONE
