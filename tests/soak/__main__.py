"""`python -m tests.soak`: an hour under load with random kills.

Exit codes: 0 well, 1 something was lost, counted twice, different or rises, 2 used wrongly.
"""

import argparse
import random
import signal
import sys
import time

from tests.soak.run import BETWEEN_S, Plan, Soak, say
from tests.soak.verdict import faults, table


def main(words: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0, help="default: %(default)g")
    parser.add_argument("--rate", type=int, default=500, help="events/s (default: %(default)s)")
    parser.add_argument("--seed", type=int, help="who is killed when; else made up, and printed")
    parser.add_argument("--no-kills", action="store_true", help="load alone")
    parser.add_argument(
        "--between", type=float, nargs=2, default=BETWEEN_S, metavar=("LEAST_S", "MOST_S"),
        help="from one kill to the next (default: %(default)s)",
    )  # fmt: skip
    given = parser.parse_args(words)
    if given.minutes <= 0 or given.rate <= 0 or not 0 <= given.between[0] <= given.between[1]:
        parser.error("--minutes and --rate must be above 0, --between two seconds in their order")
    seed = random.randrange(1_000_000) if given.seed is None else given.seed
    low, high = given.between
    plan = Plan(given.minutes, given.rate, seed, not given.no_kills, (low, high))
    return soak(plan)


def soak(plan: Plan) -> int:
    """Run it and print what came of it."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that what was started is ended
    say(f"{plan.minutes:g} min at {plan.events_per_s} events/s, seed {plan.seed}")
    with Soak(plan) as made:
        made.run()
        say("no more load; waiting until all is counted")
        begun_s = time.monotonic()
        wrong = faults(made)
        say(f"judged within {time.monotonic() - begun_s:.0f} s")
        made.sampler.end()
        lines, rising = table(made)
        sent = sum(map(made.sent, made.gateways))
        print(f"seed {plan.seed}: {sent:,} events of {len(made.gateways)} gateways, "
              f"{len(made.kills)} kills, {made.page_events:,} events on open pages")  # fmt: skip
        victims = [name for _, name, _ in made.kills]
        print(", ".join(f"{name} {victims.count(name)}" for name in sorted(set(victims))))
    print("\n".join(lines))
    for word in (*wrong[:40], *rising):
        print(f"WRONG: {word}")
    if len(wrong) > 40:
        print(f"... and {len(wrong) - 40} more")
    if not (wrong or rising):
        print("every event is counted once and in a journal, the state is that of a run without "
              "kills, nothing rises")  # fmt: skip
    return 1 if wrong or rising else 0


if __name__ == "__main__":
    sys.exit(main())
