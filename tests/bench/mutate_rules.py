"""Change every shipped rule in every single place and print the changes that none of its examples notices.

Run: python tests/bench/mutate_rules.py [FILE ...]     (names such as latch-slow.yaml; all where none is given)
Exit status 1 where a change survives.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.rule_changes import SAME, changes, noticed, sources


def main(files: list[str]) -> int:
    """Print the survivors and how many changes there were."""
    total, refused = 0, 0
    survivors: list[str] = []
    for file in files or list(sources()):
        for change in changes(file):
            total += 1
            by = noticed(change)
            refused += by == "refused"
            name = f"{file}: {change.what}"
            if not by and name not in SAME:
                survivors.append(name)
                print(name, flush=True)
    print(f"{total} changes, {refused} refused when read, {len(SAME)} change nothing, {len(survivors)} survive")
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
