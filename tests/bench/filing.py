"""How invented shoot days are filed and covered: `python -m tests.bench.filing [first seed] [days]`.

Each day has its truth: wrong or vague clocks, missing ends, and a share of log rows with a slip of the pen
(tests/steps/coverage/shoot_days.py).  Printed are the shares of sets and clips, and of setups' missing probes.
"""

from __future__ import annotations

import sys

from tests.steps.coverage.shoot_days import shoot_day
from tests.steps.coverage.test_shoot_days import Figures, weigh


def main(first: int = 1000, days: int = 100) -> None:
    for slips in (0.0, 0.02, 0.04):
        figures = Figures()
        for seed in range(first, first + days):
            weigh(shoot_day(seed, slips=slips), figures)
        total, setups = sum(figures.filed.values()), sum(figures.coverage.values())
        print(f"{slips:.0%} of the rows with a slip, {days} days, {total} sets and clips:")
        for word, count in sorted(figures.filed.items()):
            print(f"  {word:<22} {count:6} {count / total:8.2%}")
        print(f"  missing probes of {setups} setups:")
        for word, count in sorted(figures.coverage.items()):
            print(f"  {word:<22} {count:6} {count / setups:8.2%}")
        for line in (*figures.wrong, *figures.told):
            print(f"  unmarked: {line}")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]))
