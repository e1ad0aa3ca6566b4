"""The fleet's bench in one run: ingest beside a subscriber that does nothing, memory over time, the office's pages.

    python -m tests.fleet

Needs PostgreSQL's programs and mosquitto; everything runs private, on free ports, and is gone at the end. With the
defaults it takes about five minutes on two cores, which broker, database, publisher and workers share.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
from collections.abc import Callable, Sequence

from tests.fleet import bench, bench_large, bench_season
from tests.fleet.bench import (
    BARE,
    DRAINERS,
    ONE,
    TWO,
    Drained,
    Moment,
)
from tests.fleet.bench_season import Season

_PLAIN = "/login"  # asks the database for nothing


def ingest_lines(rounds: Sequence[dict[str, Drained]]) -> list[str]:
    """Rates as medians over the rounds with their range, and the ratio to the worker's own client in a loop that does
    nothing, in the same round."""
    head = f"{'drained by':18}{'messages/s':>12}{'range':>18}{'ratio':>8}{'MB':>6}"
    lines = [f"{head}   us a message: own, database, broker; log bytes"]
    for name in DRAINERS:
        found = [row[name] for row in rounds]
        rates = [one.per_s for one in found]
        ratio = statistics.median(row[name].per_s / row[BARE].per_s for row in rounds)
        costs = [statistics.median(one[place] for one in found) for place in (2, 3, 4, 5)]
        span = f"{min(rates):.0f} to {max(rates):.0f}"
        lines.append(
            f"{name:18}{statistics.median(rates):12.0f}{span:>18}{ratio:8.2f}{max(one.most_mb for one in found):6.0f}"
            f"   {costs[0]:.0f}, {costs[1]:.0f}, {costs[2]:.0f}; {costs[3]:.0f}"
        )
    return [*lines, _beside(TWO, ONE, rounds), _beside(ONE, BARE, rounds)]


def _beside(name: str, other: str, rounds: Sequence[dict[str, Drained]]) -> str:
    pairs = [row[name].per_s / row[other].per_s for row in rounds]
    return f"{name} to {other}: {statistics.median(pairs):.2f} ({', '.join(f'{pair:.2f}' for pair in pairs)})"


def steady_lines(moments: Sequence[Moment]) -> list[str]:
    """Memory over time under an even load."""
    lines = [f"{'s':>6}{'sent':>10}{'behind':>8}{'worker MB':>11}{'broker MB':>11}"]
    return lines + [
        f"{one.at_s:6.0f}{one.sent:10}{one.behind:8}{one.worker_mb:11.1f}{one.broker_mb:11.1f}" for one in moments
    ]


def season_lines(season: Season) -> list[str]:
    """Each page, its median and slowest, and how many times as long as a page that asks the database for nothing."""
    bare_s = statistics.median(season.times[_PLAIN])
    lines = [f"{'page':28}{'median ms':>11}{'slowest':>9}{'ratio to ' + _PLAIN:>17}"]
    for path, taken in season.times.items():
        middle_s = statistics.median(taken)
        lines.append(f"{path:28}{middle_s * 1e3:11.1f}{max(taken) * 1e3:9.1f}{middle_s / bare_s:17.1f}")
    sizes = ", ".join(f"{name} {size:.0f}" for name, size in season.row_bytes.items())
    return [*lines, f"bytes a row, indexes included: {sizes}"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run all parts and print what was measured."""
    parser = argparse.ArgumentParser(prog="python -m tests.fleet", description="The fleet's bench.")
    parser.add_argument("--sites", type=int, default=10_000)
    parser.add_argument("--backlog", type=int, default=60_000, help="messages drained in each of the four ways")
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--steady", type=float, default=60.0, metavar="S", help="seconds of an even load")
    parser.add_argument("--pace", type=float, default=2000.0, help="messages a second of the even load")
    parser.add_argument(
        "--large", type=int, metavar="N", help="so many sites, from start to pages, in place of the rest"
    )
    parser.add_argument("--days", type=int, default=120, help="of the season")
    parser.add_argument("--cycles", type=int, default=8, help="a day and site of the season")
    chosen = parser.parse_args(arguments)

    def show(title: str, lines: Callable[[], list[str]]) -> None:
        print(f"\n{title}", flush=True)
        print("\n".join(lines()), flush=True)

    cores, load = os.cpu_count(), os.getloadavg()[0]
    count = chosen.large or chosen.sites
    print(
        f"{count} sites, {cores} cores, load before {load:.1f}, {bench.payload_size():.0f} bytes a message", flush=True
    )
    if chosen.large:
        for line in bench_large.lines(chosen.large):
            print(f"{line} (load {os.getloadavg()[0]:.0f})", flush=True)
        return 0
    rounds = [bench.round_of(chosen.sites, chosen.backlog) for _ in range(chosen.rounds)]
    show(f"Ingest of {chosen.backlog} queued messages", lambda: ingest_lines(rounds))
    show(
        f"One worker under {chosen.pace:.0f} messages a second",
        lambda: steady_lines(bench.steady(chosen.sites, chosen.steady, chosen.pace)),
    )
    show(
        f"Pages with {chosen.days} days of {chosen.cycles} cycles",
        lambda: season_lines(bench_season.measure(chosen.sites, chosen.days, chosen.cycles)),
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
