"""One million lock events through all shipped rules, piece by piece: events a second, and memory beside the length.

Run: python tests/bench/rules_at_scale.py [EVENTS] [EVENTS_A_PIECE]     (1000000 and 50000 where none is given)

The events and their chains are made beside it and not counted: the figure is that of the rules alone. The car is used
as cars are, a few faults in a thousand actions among it.
"""

from __future__ import annotations

import gc
import resource
import sys
import time
from itertools import repeat
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from latchtrace.rules.catalogue import catalogue
from latchtrace.rules.watch import Watch
from support.long_row import LongRow, long_row_vehicle


def main(events: int, a_piece: int) -> None:
    """Print a line every fifth piece, and the whole at the end."""
    watch = Watch(catalogue(None)[0], long_row_vehicle())
    spent, cpu, seen = 0.0, 0.0, 0
    pieces = LongRow(5, faults=0.003).pieces(repeat(a_piece, -(-events // a_piece)))
    for number, (timeline, episodes) in enumerate(pieces, 1):
        gc.collect()
        begun, used = time.perf_counter(), time.process_time()
        watch.feed(timeline, episodes)
        spent, cpu = spent + time.perf_counter() - begun, cpu + time.process_time() - used
        seen += len(timeline.events)
        if number % 5 == 0 or seen >= events:
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
            print(f"{seen:>9} events  {seen / spent:>9.0f} a second  {watch.remembered:>5} remembered  peak {peak} MB")
    begun, used = time.perf_counter(), time.process_time()
    judged = watch.finish()
    spent, cpu = spent + time.perf_counter() - begun, cpu + time.process_time() - used
    occasions = sum(verdict.exercised for verdict in judged.verdicts)
    print(f"{seen} events, {occasions} occasions, {len(judged.findings)} findings, {len(judged.verdicts)} rules")
    print(f"{seen / spent:.0f} events/s ({seen / cpu:.0f} of processor time)")


if __name__ == "__main__":
    main(*(int(one) for one in sys.argv[1:3] + ["1000000", "50000"][len(sys.argv) - 1 :]))
