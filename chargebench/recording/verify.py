"""Whether a run file says what its own journal says: the bytes as received are in it, and are assembled again.

Owns that comparison. A file can be changed and its checksums made anew; the journal it carries, which holds check sums
of the instruments' own, is then what gives it away. Changes nothing.
"""

from __future__ import annotations

from chargebench.errors import UnsealableError
from chargebench.recording.header import versions_of
from chargebench.recording.seal import run_of
from chargebench.recording.segments import journal_content
from chargebench.runs.run import Run
from chargebench.runs.tree import differences, tree_of

__all__ = ["contradiction"]


def contradiction(run: Run) -> str:
    """Where a run differs from what its own journal gives, in one sentence; empty where it does not, or has none.

    A run of another version of the program may differ because journals are read otherwise now; the sentence then names
    that version.
    """
    if not run.journal:
        return ""
    content = journal_content(run.journal)
    try:
        places = list(differences(tree_of(run), tree_of(run_of(content, run.run_id))))
    except UnsealableError as error:
        return f"its own journal gives no run: {error}"
    if not places:
        return ""
    place = next((path for path in places if not path.endswith("sha256")), places[0])  # a digest only follows the rest
    by = versions_of(content.header).get("chargebench", "an unknown version")
    return f"{place} is not what its own journal gives (recorded by version {by}); it was changed after it was sealed"
