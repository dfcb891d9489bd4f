"""Appends entries one by one until it is killed, and says each number once it is safely stored.

Run as a program: `python -m tests.journal.appender DATABASE_URL FIRST`.
"""

import sys

from api.db import Database
from api.journal import store
from api.journal.kinds import MemberSet, Remark
from api.journal.trip import MemberProfile, Role
from tests.journal.histories import START, entry


def main(url: str, first: int) -> None:
    db = Database(url)
    for number in range(first, first + 100_000):
        profile = MemberProfile(name=f"Person {number}", role=Role.CLIMBER)
        body = (
            MemberSet(member=f"m{number % 7}", profile=profile)
            if number % 3 == 0
            else Remark(text=str(number))
        )
        with db.writing() as work:
            outcome = store.append(work, "trip", "nordhang", [entry(number, body)], START)[0]
        sys.stdout.write(f"{number} {outcome.seq}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
